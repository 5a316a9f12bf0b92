# One of everything that the page's first lines name.
trueplate demo -o demo > said.txt
cp demo/plover-25/chart.000[135].exr demo/plover-25/plate.1001.exr demo/plover-25/tracks.csv .
cp demo/plover-25/truth.json lens.json
cp demo/plover-25/markers.csv in.csv
trueplate stmap lens.json --undistort map.exr --quiet
cp map.exr vendor.exr
cp lens.json A
cp demo/curlew-40-x2/truth.json other.json
sed 's/"focus_m": 2.4/"focus_m": 0.9/' lens.json > B
for station in 24mm_near:24:0.9 24mm_far:24:9 70mm_near:70:0.9 70mm_far:70:9; do
  IFS=: read -r name focal focus <<< "$station"
  sed "s/\"focus_m\": 2.4/\"focus_m\": $focus/; s/\"nominal_focal_mm\": 25/\"nominal_focal_mm\": $focal/" lens.json > $name.json
done
# The board's rows as they were imaged: lines that are straight in the world.
awk -F, '/^# image/ { print } /^frame/ { print "line,x,y" }
  /^chart/ { print substr($1, 7, 4) "-" $3 "," $4 "," $5 }' demo/plover-25/chart_truth.csv > lines.csv
