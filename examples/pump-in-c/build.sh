#!/bin/sh
# Builds the detector: clang with its linker for WebAssembly, nothing else. Debian: apt-get install clang lld
#
#   examples/pump-in-c/build.sh [FILE]     pump.wasm if no FILE is given
set -eu
here=$(cd "$(dirname "$0")" && pwd)
for clang in clang clang-19 clang-18 clang-17 clang-16 clang-15 clang-14; do
    command -v "$clang" >/dev/null && break
done
"$clang" --target=wasm32 -std=c11 -O2 -Wall -Wextra -ffreestanding -fno-builtin -nostdlib \
    -Wl,--no-entry -Wl,-z,stack-size=16384 -Wl,--strip-all -o "${1:-pump.wasm}" "$here/pump.c"
