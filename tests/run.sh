#!/usr/bin/env bash
# Installs what is needed, builds, runs all tests. Works from any folder, on a fresh Debian 12.
#   BUILD=folder   where to build (default: build)
#   Arguments go to ctest, for example: bash tests/run.sh -R calib/fit
set -euo pipefail
cd "$(dirname "$0")/.."

bash cli/packages.sh test
# Lets clones in different folders share what ccache holds.
export CCACHE_BASEDIR=$PWD CCACHE_NOHASHDIR=1
build=${BUILD:-build}
cmake -S . -B "$build" -G Ninja -DTRUEPLATE_BUILD_TESTS=ON > /dev/null
ninja -C "$build"
ctest --test-dir "$build" --output-on-failure -j "$(nproc)" "$@"
