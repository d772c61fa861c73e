#!/bin/sh
# Builds the detector with componentize-js, which npm puts into a folder beside the output; nothing here is written to.
#
#   examples/press-in-javascript/build.sh [FILE]     press.wasm if no FILE is given
set -eu
here=$(cd -P "$(dirname "$0")" && pwd)
out=$(realpath -m "${1:-press.wasm}")
tools=${IDLEGATE_JS_TOOLS:-$(dirname "$out")/componentize-js}
if ! [ -d "$tools/node_modules/@bytecodealliance/componentize-js" ]; then
    mkdir -p "$tools"
    npm install --silent --no-fund --no-audit --prefix "$tools" @bytecodealliance/componentize-js@0.23.0
fi
cat >"$tools/build.mjs" <<'JS'
import { readFileSync, writeFileSync } from "node:fs";
import { componentize } from "@bytecodealliance/componentize-js";

const [source, witPath, out] = process.argv.slice(2);
// The runtime wishes for all of these, and the host grants none of them.
const disableFeatures = ["stdio", "random", "clocks", "http", "fetch-event"];
const { component } = await componentize(readFileSync(source, "utf8"), { witPath, worldName: "detector", disableFeatures });
writeFileSync(out, component);
JS
node "$tools/build.mjs" "$here/press.js" "$here/../../sdk/wit/v1" "$out"
