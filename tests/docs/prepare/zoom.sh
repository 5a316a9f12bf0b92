# Chart frames of four stations (all of one lens: here the commands matter), plates whose headers say how it was set.
trueplate demo -o demo > said.txt
for station in z24n z24f z70n z70f; do
  mkdir $station
  cp demo/plover-25/chart.000[159].exr $station
done
trueplate chart --kind checkerboard --pitch 40mm --grid 14x9 --sheet A1 -o chart.pdf > said.txt
printf 'frame,focal,focus\n1001,35,2.5\n1002,36,2.4\n' > lens.csv
for frame in 1001 1002; do
  oiiotool demo/plover-25/plate.1001.exr --attrib nominalFocalLength 35.0 --attrib focus 2.5 -o plate.$frame.exr
done
