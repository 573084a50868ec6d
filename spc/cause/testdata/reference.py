"""Numbers that spc/cause is held against: scipy's non-negative least squares, and the
rotation test by brute force in numpy.

    /usr/bin/python3 reference.py > reference.json     (scipy 1.10.1, numpy 1.24.2)
"""
import json
import numpy as np
from scipy.optimize import nnls

rng = np.random.default_rng(20261125)
fits = []
for case in range(24):
    rows = int(rng.integers(3, 32))
    cols = int(rng.integers(1, min(rows, 9) + 1))
    a = rng.normal(size=(rows, cols))
    if case % 3 == 1:  # columns that nearly agree, as leaks do
        a = a[:, :1] + 0.05 * a
    if case % 3 == 2:  # smooth shapes, as faults are
        a = np.cumsum(a, axis=0)
    truth = np.maximum(0, rng.normal(size=cols))
    b = a @ truth + 0.3 * rng.normal(size=rows)
    if case == 5:
        b = -np.abs(a).sum(axis=1)
    x, rest = nnls(a, b)
    fits.append({"columns": a.T.tolist(), "b": b.tolist(), "x": x.tolist(), "rest": rest})

rotations = []
for case in range(12):
    n = int(rng.integers(8, 90))
    split = int(rng.integers(2, n - 1))
    y = rng.normal(size=n) + np.where(np.arange(n) >= split, rng.choice([0, 1, 3]), 0)
    if case % 2:
        edge = min(n - 1, max(1, split + int(rng.integers(-3, 4))))
        labels = np.where(np.arange(n) < edge, "A", "B")
    else:
        labels = rng.choice(["A", "B", "C"], size=n // 4 + 1).repeat(4)[:n]
        labels[rng.integers(0, n)] = ""
    if len(set(labels) - {""}) < 2:
        labels[0], labels[-1] = "A", "B"

    def between(lab):
        d = y - y.mean()
        return sum(d[lab == l].sum() ** 2 / (lab == l).sum() for l in set(lab))

    real = between(labels)
    turned = np.array([between(np.roll(labels, -k)) for k in range(n)])
    rotations.append({
        "values": y.tolist(), "labels": labels.tolist(), "split": split,
        "explained": real / ((y - y.mean()) ** 2).sum(),
        "p": float((turned >= real - 1e-9 * ((y - y.mean()) ** 2).sum()).mean()),
    })
print(json.dumps({"fits": fits, "rotations": rotations}))
