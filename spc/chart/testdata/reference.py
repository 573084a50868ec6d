#!/usr/bin/python3
"""Numbers for the tests, computed with numpy 1.24 and scipy 1.10 beside the
package. Run in this folder: /usr/bin/python3 reference.py"""
import csv
import numpy as np
from scipy import integrate, special, stats


def constants(n):
    d2 = integrate.quad(lambda x: 1 - stats.norm.cdf(x)**n - stats.norm.sf(x)**n, -12, 12)[0]
    second = 2 * integrate.quad(lambda w: w * (1 - n * integrate.quad(
        lambda x: stats.norm.pdf(x) * (stats.norm.cdf(x + w) - stats.norm.cdf(x))**(n - 1), -12, 12)[0]), 0, 16)[0]
    c4 = np.sqrt(2 / (n - 1)) * np.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
    return d2, np.sqrt(second - d2 * d2), c4


def write(name, head, rows):
    with open(name, "w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(head)
        w.writerows(rows)


rng = np.random.default_rng(20)

# Subgroups of unequal size: sigma by the inverse-variance weighting of R/d2 and
# s/c4, limits per subgroup. The values are in unequal.csv.
sizes = [3, 5, 4, 5, 2, 5, 6, 3, 5, 4]
groups = [np.round(rng.normal(10, 0.5, n), 2) for n in sizes]
write("unequal.csv", ["group", "value"], [(i + 1, v) for i, g in enumerate(groups) for v in g])
k = {n: constants(n) for n in set(sizes)}
wr = np.array([(k[n][0] / k[n][1])**2 for n in sizes])
ws = np.array([k[n][2]**2 / (1 - k[n][2]**2) for n in sizes])
sr = np.average([np.ptp(g) / k[len(g)][0] for g in groups], weights=wr)
ss = np.average([g.std(ddof=1) / k[len(g)][2] for g in groups], weights=ws)
centre = np.concatenate(groups).mean()
write("unequal-limits.csv", ["centre", "sigma_r", "sigma_s", "upper_r", "upper_s", "range", "range_upper", "sd", "sd_lower", "sd_upper"],
      [(centre, sr, ss, centre + 3 * sr / np.sqrt(n), centre + 3 * ss / np.sqrt(n), np.ptp(g), (k[n][0] + 3 * k[n][1]) * sr,
        g.std(ddof=1), max(0, (k[n][2] - 3 * np.sqrt(1 - k[n][2]**2)) * ss), (k[n][2] + 3 * np.sqrt(1 - k[n][2]**2)) * ss)
       for n, g in zip(sizes, groups)])

# Self-starting scores; a jump of 8 at the twentieth value reaches the far tail.
x = np.round(rng.normal(50, 2, 25), 3)
x[19] += 16
rows = []
for i in range(len(x)):
    q = ""
    if i >= 2:
        t = np.sqrt(i / (i + 1)) * (x[i] - x[:i].mean()) / x[:i].std(ddof=1)
        q = np.sign(t) * stats.norm.isf(stats.t.sf(abs(t), i - 1))
    rows.append((x[i], q))
write("scores.csv", ["value", "score"], [(a, b if b != "" else 0) for a, b in rows])
