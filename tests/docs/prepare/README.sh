# The photographs of Debian's opencv-doc.
photographs=/usr/share/doc/opencv-doc/examples/data
[ -e $photographs/left01.jpg ] || { echo "skipped: no $photographs (Debian's opencv-doc)"; exit 77; }
