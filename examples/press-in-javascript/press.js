// A busy detector in JavaScript: a hydraulic press is busy while its ram moves, and for a while after a stroke.
//
// It is built against the same contract as any other (sdk/wit/v1/detector.wit); build.sh builds it. Settings come as JSON, and
// there is no clock, no file and no network, only readings and the time that the host passes in. Times are BigInt.

const SCHEMA = {
  type: "object",
  additionalProperties: false,
  required: ["moved_mm"],
  properties: {
    moved_mm: {
      type: "number",
      exclusiveMinimum: 0,
      description: "The ram has moved when it stands elsewhere by more than this, in millimetres.",
    },
    dwell_s: {
      type: "number",
      minimum: 1,
      maximum: 86400,
      default: 60,
      description: "Idle only after this many seconds without a stroke.",
    },
  },
};

let moved = 0;
let dwell = 0n;
let latest;
let rest;
let first;
let stroke;

function describe() {
  return {
    name: "press",
    version: "1.0.0",
    purpose: "busy while the ram moves, and for a while after a stroke",
    signals: [{ name: "ram", kind: "number", unit: "mm", needed: true, purpose: "where the ram stands" }],
    settingsSchema: JSON.stringify(SCHEMA),
  };
}

// What is thrown here is what people read beside their settings.
function configure(settings) {
  const given = JSON.parse(settings);
  if (!(given.moved_mm > 0)) throw "moved_mm is not above zero: give millimetres, such as 0.5";
  moved = given.moved_mm;
  dwell = BigInt(Math.round((given.dwell_s ?? 60) * 1000));
  latest = rest = first = stroke = undefined;
}

function observe(readings) {
  for (const reading of readings) {
    if (reading.value.tag !== "number") continue;
    first ??= reading.at;
    rest ??= reading.value.val;
    if (Math.abs(reading.value.val - rest) > moved) {
      stroke = reading.at;
      rest = reading.value.val;
    }
    latest = reading;
  }
}

function assess(now) {
  if (latest === undefined) return { verdict: "unknown", reason: "no reading of ram yet", evidence: [], clearsIn: undefined };
  const at = `ram at ${latest.value.val.toFixed(1)} mm`;
  // Nobody knows what came before the first reading, so that is waited out as well.
  const quiet = now - (stroke ?? first);
  const secs = quiet / 1000n;
  if (quiet >= dwell) return { verdict: "idle", reason: `${at}, no stroke for ${secs} s`, evidence: [latest], clearsIn: undefined };
  const verdict = stroke === undefined ? "unknown" : "busy";
  const reason = stroke === undefined ? `${at}, watched for ${secs} s` : `${at}, stroke ${secs} s ago`;
  return { verdict, reason, evidence: [latest], clearsIn: dwell - quiet };
}

export const busyDetector = { describe, configure, observe, assess };
