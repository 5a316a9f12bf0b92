# One model is quicker than all.
s/^trueplate calibrate/& --model radial-tangential/
