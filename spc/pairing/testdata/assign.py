# Left-right assignments by scipy.optimize.linear_sum_assignment (scipy 1.10):
#   /usr/bin/python3 assign.py > assign.csv
# Costs above the tolerance count 1e6 each, so that as many as possible stay below.
# Lines: case,number,left,right,tolerance,pairs,total,costs...
import numpy as np
from scipy.optimize import linear_sum_assignment
rng = np.random.default_rng(3)
for k, (l, r, tol) in enumerate([(1, 1, 99), (3, 3, 99), (4, 7, 99), (8, 5, 30), (12, 12, 25), (20, 20, 12), (20, 18, 8), (25, 25, 99)], 1):
    c = rng.integers(0, 100, (l, r))
    i, j = linear_sum_assignment(np.where(c <= tol, c, 10**6))
    keep = c[i, j] <= tol
    print("case", k, l, r, tol, keep.sum(), c[i, j][keep].sum(), *c.ravel(), sep=",")
