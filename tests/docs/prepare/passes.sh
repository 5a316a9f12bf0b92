# A render with a layer of glints and a depth.
trueplate demo -o demo > said.txt
cp demo/plover-25/truth.json lens.json
oiiotool demo/plover-25/cg.1001.exr --dup --ch R,G,A --chnames glints.R,glints.G,depth.Z --chappend -o cg.1001.exr
