# Generalised least squares with amounts that are not negative, for TestWeighBesideScipy:
#   /usr/bin/python3 general.py > general.json
# The covariance that Weigh adds for the signatures' own error is added here too; the rest
# is numpy.linalg.cholesky and scipy.optimize.nnls.
import json
import numpy as np
from scipy.optimize import nnls

rng = np.random.default_rng(20261125)
cases = []
for k in range(10):
    channels, bands, fraction = 1 + k % 2, 7 + k, 1 + k % 3
    n = channels * bands
    a = rng.normal(size=(n, n + 5))
    cov = 0.02 * a @ a.T / n
    shapes = rng.normal(size=(4, bands))
    change = np.concatenate([rng.uniform(0, 2) * shapes[k % 4] for _ in range(channels)]) + rng.multivariate_normal(np.zeros(n), cov)
    v = cov.copy()
    for i in range(n):
        for j in range(n):
            if i // bands == j // bands:
                o = (i - j) / fraction
                v[i, j] += 0.01 * change[i] * change[j] * np.exp(-o * o / 2)
        v[i, i] += 0.0025
    w = np.linalg.inv(np.linalg.cholesky(v))
    fits = []
    for s in shapes:
        x = np.zeros((n, channels))
        for c in range(channels):
            x[c * bands:(c + 1) * bands, c] = s
        amounts, rest = nnls(w @ x, w @ change)
        fits.append({"Amounts": amounts.tolist(), "Rest": rest ** 2, "Explained": 1 - rest ** 2 / float(np.sum((w @ change) ** 2))})
    cases.append({"Fraction": fraction, "Changes": change.reshape(channels, bands).tolist(), "Covariance": cov.tolist(),
                  "Shapes": shapes.tolist(), "Fits": fits})
print(json.dumps(cases))
