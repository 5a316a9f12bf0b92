# Photographs of a board, in a folder.
trueplate demo -o demo > said.txt
mkdir grid
for i in 1 5 7 9; do
  oiiotool demo/plover-25/chart.000$i.exr --powc 0.4545 -d uint8 -o grid/grid.$i.jpg
done
