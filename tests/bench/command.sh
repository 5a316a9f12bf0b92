#!/usr/bin/env bash
# The whole `undistort` command on one 4096x2304 half RGBA ZIP EXR, beside `oiiotool --st_warp` with our
# own map (bilinear both, and our default filter) and beside oiiotool reading and writing the same file.
# The pictures of the first two are compared before anything is timed. Medians of RUNS (default 5) runs.
#   bash tests/bench/command.sh [path of trueplate]
set -euo pipefail
trueplate=${1:-$(dirname "$0")/../../build/cli/trueplate}
runs=${RUNS:-5}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

"$trueplate" demo -o "$work/demo" --scale 0.5 --quiet
lens="$work/lens.json"
plate="$work/plate.exr"
"$trueplate" calibrate "$work/demo/plover-25/chart.####.exr" --chart checkerboard --grid 14x9 --pitch 40mm \
  -o "$lens" --quiet
oiiotool "$work/demo/plover-25/plate.1001.exr" --ch R,G,B,A=1 --resize 4096x2304 -d half \
  --compression zip -o "$plate"
"$trueplate" stmap "$lens" --size 4096x2304 --overscan none --undistort "$work/map.exr" --quiet

median() { sort -n | awk '{v[NR]=$1} END {print (NR % 2) ? v[(NR + 1) / 2] : (v[NR / 2] + v[NR / 2 + 1]) / 2}'; }
time_ms() {
  local start
  for _ in $(seq "$runs"); do
    start=$(date +%s%N)
    "$@" > /dev/null
    echo $((($(date +%s%N) - start) / 1000000))
  done | median
}
ours() { "$trueplate" undistort "$lens" "$plate" -o "$work/ours.exr" --overscan none --filter "$1" --overwrite --quiet; }
theirs() { oiiotool "$plate" "$work/map.exr" --st_warp:filter=triangle:flip_t=1 -d half --compression zip -o "$work/theirs.exr"; }
copy() { oiiotool "$plate" --mulc 1 -d half --compression zip -o "$work/copy.exr"; }

ours bilinear
theirs
oiiotool --fail 0.01 --failpercent 0.01 --diff "$work/ours.exr" "$work/theirs.exr" > /dev/null ||
  { echo "command.sh: the two pictures differ; not timed" >&2; exit 1; }

bilinear_ms=$(time_ms ours bilinear)
cubic_ms=$(time_ms ours cubic)
theirs_ms=$(time_ms theirs)
copy_ms=$(time_ms copy)
awk -v a="$bilinear_ms" -v b="$cubic_ms" -v c="$theirs_ms" -v d="$copy_ms" 'BEGIN {
  printf "undistort, bilinear        %6d ms   %.2f x reading and writing\n", a, a / d
  printf "undistort, cubic           %6d ms   %.2f x reading and writing\n", b, b / d
  printf "oiiotool --st_warp         %6d ms   %.2f x reading and writing\n", c, c / d
  printf "oiiotool, read and write   %6d ms\n", d
}'
