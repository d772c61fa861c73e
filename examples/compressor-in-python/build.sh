#!/bin/sh
# Builds the detector with componentize-py, which it puts into a virtual environment beside the output.
#
#   examples/compressor-in-python/build.sh [FILE]     compressor.wasm if no FILE is given
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=$(realpath -m "${1:-compressor.wasm}")
tools=${IDLEGATE_PYTHON_TOOLS:-$(dirname "$out")/componentize-py}
if ! [ -x "$tools/bin/componentize-py" ]; then
    python3 -m venv "$tools"
    "$tools/bin/pip" --quiet install componentize-py==0.25.1
fi
# Python leaves its compiled files beside the sources: so not beside ours.
sources=$(mktemp -d)
trap 'rm -rf "$sources"' EXIT
cp "$here/compressor.py" "$sources"
wit=$(realpath "$here/../../sdk/wit/v1")
cd "$sources"
# Without --stub-wasi it would ask for files, clocks and the environment, and be refused.
"$tools/bin/componentize-py" -d "$wit" -w detector componentize --stub-wasi compressor -o "$out"
