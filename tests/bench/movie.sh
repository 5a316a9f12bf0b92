#!/usr/bin/env bash
# Peak memory and time of `trueplate calibrate` on a movie of 200 and of 2,000 frames: memory must not grow
# with the length. The movie is the chart footage of the demo at 960x540, each picture of which drifts by
# 0.6 px a frame for two seconds (whole pixels at twice the size, so that no frame repeats another); H.264,
# made by ffmpeg.
#   bash tests/bench/movie.sh [path of trueplate]
set -euo pipefail
trueplate=$(realpath "${1:-$(dirname "$0")/../../build/cli/trueplate}")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"

"$trueplate" demo -o demo --scale 0.5 --quiet
ffmpeg -v error -framerate 1/2 -start_number 1 -i demo/plover-25/chart.%04d.exr \
  -vf "fps=25,format=gray,scale=2000:1124,crop=1920:1080:x='40+25-mod(n,50)':y='22+round(0.6*(25-mod(n,50)))',scale=960:540:flags=area,format=yuv420p" \
  -c:v libx264 -crf 18 -g 50 once.mp4 < /dev/null
for _ in 1 2 3; do echo "file 'once.mp4'"; done > list.txt
ffmpeg -v error -f concat -i list.txt -c copy -frames:v 2000 long.mp4

# Runs the program, and prints the seconds it took and its peak resident memory in MiB.
measured() {
  python3 - "$@" << 'END'
import resource, subprocess, sys, time
begin = time.monotonic()
status = subprocess.run(sys.argv[1:]).returncode
seconds = time.monotonic() - begin
if status not in (0, 3): sys.exit(f"the program ended with status {status}")
print(f"{seconds:.1f} {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f}")
END
}
for count in 200 2000; do
  read -r seconds mib < <(measured "$trueplate" calibrate long.mp4 --frames "1-$count" \
    --chart checkerboard --pitch 40mm -o "lens$count.json" --quiet)
  awk -v n="$count" -v s="$seconds" -v m="$mib" 'BEGIN {
    printf "%5d frames  %7.1f s  %6.1f ms a frame  peak %4d MiB\n", n, s, 1000 * s / n, m }'
done
