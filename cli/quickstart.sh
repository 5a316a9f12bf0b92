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
# Lets clones in different folders share what ccache holds.
export CCACHE_BASEDIR=$PWD CCACHE_NOHASHDIR=1
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
# Two pictures of one size side by side.
side_by_side() {
  local left=$1 right=$2 picture=$3
  oiiotool "$left" "$right" --mosaic:pad=8 2x1 -d uint8 -o "$picture"
}

out="$results/photographs"
say "1. The lens, from 13 photographs of a 9x6 checkerboard with 25 mm squares"
run calibrate "$photographs/left[0-9][0-9].jpg" --chart checkerboard --grid 9x6 --pitch 25mm \
  --lens "left camera" -o "$out/lens.json" --observations "$out/corners.csv" --json "$out/result.json"
say "2. What the profile says"
run info "$out/lens.json"
say "3. ST-maps for the comp, straight frames for the solve"
run stmap "$out/lens.json" --undistort "$out/undistort.exr" --redistort "$out/redistort.exr"
mkdir -p "$out/straight"
run undistort "$out/lens.json" "$photographs/left[0-9][0-9].jpg" -o "$out/straight/" --overscan none
side_by_side "$photographs/left12.jpg" "$out/straight/left12.jpg" "$out/before_after.png"

demo="$results/demo"
say "4. A synthetic shot through two lenses that are known exactly"
run demo -o "$demo"
calibrate_demo() {
  local lens=$1 film_back=$2 squeeze=$3
  run calibrate "$demo/$lens/chart.####.exr" --chart checkerboard --grid 14x9 --pitch 40mm \
    --film-back "$film_back" --squeeze "$squeeze" --lens "$lens" -o "$demo/$lens/lens.json"
  run stmap "$demo/$lens/lens.json" --undistort "$demo/$lens/undistort.exr" \
    --redistort "$demo/$lens/redistort.exr"
  run undistort "$demo/$lens/lens.json" "$demo/$lens/plate.####.exr" -o "$demo/$lens/straight.####.exr"
  run redistort "$demo/$lens/lens.json" "$demo/$lens/cg.####.exr" -o "$demo/$lens/cg_bent.####.exr"
  oiiotool "$demo/$lens/cg_bent.1001.exr" "$demo/$lens/plate.1001.exr" --ch R,G,B,A=1 --over \
    --ch R,G,B --powc 0.4545 -d uint8 -o "$demo/$lens/cg_over_plate.png"
  oiiotool "$demo/$lens/straight.1001.exr" --origin +0+0 --fullpixels --ch R,G,B --powc 0.4545 -d uint8 \
    -o "$demo/$lens/straight.png"
}
say "5. The spherical lens: calibrated, plate straightened, CG bent back"
calibrate_demo plover-25 24.89x14mm 1
say "6. The anamorphic lens: the same"
calibrate_demo curlew-40-x2 20.56x17.5mm 2

cat <<END

== Look at
  $out/before_after.png                       a photograph and its straightened self
  $out/lens.json, undistort.exr, redistort.exr     the profile and its ST-maps
  $demo/plover-25/cg_over_plate.png                CG bent back over the plate it belongs to
  $demo/plover-25/straight.png                     the straightened plate, overscan included
  $demo/curlew-40-x2/cg_over_plate.png             the same through the anamorphic lens, as recorded
END
