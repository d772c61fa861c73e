// Does the parser of the AsyncAPI Initiative find our document sound, every schema and reference in it included?
//
//     NODE_PATH=.../node_modules node tests/published/asyncapi_parser.cjs        # with the npm package @asyncapi/parser
const { readFileSync } = require("fs");
const { join } = require("path");
const { Parser } = require("@asyncapi/parser");

const WARNING = 1; // and 0 is an error; advice comes after them

async function faults(text) {
  const { diagnostics } = await new Parser().parse(text);
  return diagnostics.filter((found) => found.severity <= WARNING);
}

async function main() {
  const text = readFileSync(join(__dirname, "../../daemon/asyncapi.json"), "utf8");
  const found = await faults(text);
  for (const fault of found) console.error(`asyncapi.json: ${fault.path.join("/")}: ${fault.message}`);
  const spoilt = JSON.parse(text);
  spoilt.components.messages.decision.payload.properties.sentence.type = "words";
  if (found.length > 0) process.exit(1);
  if ((await faults(JSON.stringify(spoilt))).length === 0) {
    console.error("asyncapi_parser.cjs: a parser that lets anything through proves nothing");
    process.exit(1);
  }
  console.log("asyncapi_parser.cjs: daemon/asyncapi.json is sound");
}

main();
