#!/usr/bin/python3
"""Numbers for the tests, computed with numpy 1.24, scipy 1.10 and scikit-learn 1.2.1.
Run in this folder: /usr/bin/python3 reference.py"""
import csv
import numpy as np
from scipy import linalg, stats
from sklearn.covariance import ledoit_wolf


def write(name, head, rows):
    with open(name, "w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(head)
        w.writerows(rows)


rng = np.random.default_rng(7)

# Ledoit-Wolf: fewer rows than columns, more, and one near the identity. Rows of
# bands.csv: case, then the values; rows of shrunk.csv: case, weight of the identity,
# then the covariance row by row.
data, out = [], []
for case, (m, p, r) in enumerate(((8, 12, 0.9), (40, 5, 0.6), (15, 6, 0.0))):
    c = r ** np.abs(np.subtract.outer(np.arange(p), np.arange(p)))
    x = np.round(rng.multivariate_normal(np.linspace(80, 90, p), c, m), 3)
    data += [[case] + list(v) for v in x]
    cov, weight = ledoit_wolf(x)
    # The paper's formula once more, in plain numpy.
    d = x - x.mean(0)
    s = d.T @ d / m
    mu = np.trace(s) / p
    delta = ((s - mu * np.eye(p))**2).sum() / p
    beta = min(delta, sum(((np.outer(v, v) - s)**2).sum() / p for v in d) / m**2)
    assert np.allclose(cov, beta / delta * mu * np.eye(p) + (1 - beta / delta) * s), case
    out.append([case, weight] + list(cov.ravel()))
width = max(len(v) for v in data)
write("bands.csv", ["case"] + ["v%d" % i for i in range(1, width)], [v + [""] * (width - len(v)) for v in data])
width = max(len(v) for v in out)
write("shrunk.csv", ["case", "weight"] + ["c%d" % i for i in range(2, width)], [v + [""] * (width - len(v)) for v in out])

# Subgroups of unequal size: pooled covariance, T² and limits; decomposition of a row.
sizes = [4, 5, 3, 5, 4, 5]
c = np.array([[1, .7, .2], [.7, 1, .4], [.2, .4, 1]])
groups = [np.round(rng.multivariate_normal([10, 20, 30], c, n), 3) for n in sizes]
write("groups.csv", ["group", "A", "B", "C"], [[i + 1] + list(v) for i, g in enumerate(groups) for v in g])
rows = np.vstack(groups)
N, nu, p = len(rows), len(rows) - len(groups), 3
s = sum((g - g.mean(0)).T @ (g - g.mean(0)) for g in groups) / nu
si = np.linalg.inv(s)
write("groups-t2.csv", ["t2", "upper_within", "upper_ahead"],
      [(len(g) * (g.mean(0) - rows.mean(0)) @ si @ (g.mean(0) - rows.mean(0)),
        len(g) * (1 / len(g) - 1 / N) * p * nu / (nu - p + 1) * stats.f.isf(.01, p, nu - p + 1),
        len(g) * (1 / len(g) + 1 / N) * p * nu / (nu - p + 1) * stats.f.isf(.01, p, nu - p + 1)) for g in groups])
x = np.array([11.0, 19.0, 31.5])
d = x - rows.mean(0)
t2 = d @ si @ d
sd = np.sqrt(np.diag(s))
r = s / np.outer(sd, sd)
share = (linalg.inv(linalg.sqrtm(r)) @ (d / sd))**2
keep = lambda j: [k for k in range(p) if k != j]
given = [t2 - d[keep(j)] @ np.linalg.inv(s[np.ix_(keep(j), keep(j))]) @ d[keep(j)] for j in range(p)]
write("parts.csv", ["value", "share", "alone", "given", "t2"], zip(x, share, (d / sd)**2, given, [t2] * p))

# MEWMA of the T² data, widening and steady.
x = np.loadtxt("t2-individuals.csv", delimiter=",", skiprows=1)
s = np.cov(x.T)
q, out, lam = np.zeros(2), [], 0.2
for i, v in enumerate(x, 1):
    q = lam * (v - x.mean(0)) + (1 - lam) * q
    full = q @ np.linalg.inv(s) @ q
    out.append((full / (lam / (2 - lam) * (1 - (1 - lam)**(2 * i))), full / (lam / (2 - lam))))
write("mewma.csv", ["widening", "steady"], out)
