#!/usr/bin/env bash
# From a fresh Debian 12 to a calibrated lens: installs the packages, builds, then does the main job
# twice and leaves the results to look at in results/:
#   results/photographs  13 real photographs of a checkerboard (Debian's opencv-doc)
#   results/demo         a synthetic shot: two lenses, a plate, a CG render bent back
#   BUILD=folder    where to build (default: build)
#   RESULTS=folder  where to leave the results (default: results); what an earlier run left there is
#                   replaced
set -euo pipefail
cd "$(dirname "$0")/.."

bash cli/packages.sh quickstart
build=${BUILD:-build}
results=${RESULTS:-results}
echo "building in $build ..."
# Tests stay as they were configured, so that tests/run.sh and this share one build.
cmake -S . -B "$build" -G Ninja > /dev/null
ninja -C "$build" --quiet trueplate
trueplate="$build/cli/trueplate"

photographs=/usr/share/doc/opencv-doc/examples/data
rm -rf "$results/photographs" "$results/demo"
mkdir -p "$results/photographs"

say() { printf '\n== %s\n' "$*"; }
run() {
  printf '$ trueplate %s\n' "$*"
  "$trueplate" "$@"
}
# Two pictures of one size side by side, as display-ready PNG. The third argument names the colour
# space the pixels are in: linear for renders, sRGB for photographs.
side_by_side() {
  local left=$1 right=$2 space=$3 picture=$4 convert=()
  [ "$space" = linear ] && convert=(--powc 0.4545)
  oiiotool "$left" --ch R,G,B "$right" --ch R,G,B --mosaic:pad=8 2x1 "${convert[@]}" -d uint8 -o "$picture"
}

out="$results/photographs"
say "1. The lens, from 13 photographs of a 9x6 checkerboard with 25 mm squares"
run calibrate "$photographs/left[0-9][0-9].jpg" --chart checkerboard --grid 9x6 --pitch 25mm \
  --lens "left camera" -o "$out/lens.json" --observations "$out/corners.csv" --json "$out/result.json"
say "2. What the profile says"
run info "$out/lens.json"
say "3. ST-maps for the comp, straight frames for the solve"
run stmap "$out/lens.json" --undistort "$out/undistort.exr" --redistort "$out/redistort.exr"
run undistort "$out/lens.json" "$photographs/left[0-9][0-9].jpg" -o "$out/straight/" --overscan none
