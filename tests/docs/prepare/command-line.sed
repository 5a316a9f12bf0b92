# What the words of the first lines stand for, and what keeps them quick.
s/FRAMES\|obs\.csv/'chart.####.exr'/
s/FRAMES\|lines\.csv/lines.csv/
s/^(trueplate (detect|calibrate) .*)FRAMES/\1'chart.####.exr'/
s/^(trueplate report .*)FRAMES/\1'chart.####.exr'/
s/^(trueplate .*)FRAMES/\1'plate.####.exr'/
s/^(trueplate demo -o) FOLDER/\1 another/
s/^(trueplate calibrate [^;]*)/\1 --model radial-tangential/
s/^(trueplate state [^;]*)-o lens.json/\1-o state.json/
s/^(trueplate convert vendor.exr) lens.json/\1 converted.json/
/^trueplate (demo|info|compare|archive|solve)/!s/^(trueplate [^;]*)/\1 --overwrite/
