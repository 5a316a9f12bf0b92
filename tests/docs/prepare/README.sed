# One model is quicker than all; cli/quickstart.sh tries them all on the same pictures.
/--model/!s/^trueplate calibrate/& --model radial-tangential/
