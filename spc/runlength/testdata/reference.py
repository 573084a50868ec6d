#!/usr/bin/python3
"""Numbers for the tests, computed with numpy 1.24 and scipy 1.10 by other ways than
the package's. Run in this folder: /usr/bin/python3 reference.py"""
import csv
import numpy as np
from scipy import stats


def write(name, head, rows):
    with open(name, "w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(head)
        w.writerows(rows)


# EWMA with widening limits: the line cut into 2001 cells (Brook and Evans), cells
# beyond the limit of the step taken out, averages over the steps added up.
def ewma(shift, lam, width, steady):
    n = 2001
    top = width * np.sqrt(lam / (2 - lam))
    edge = np.linspace(-top, top, n + 1)
    mid = (edge[1:] + edge[:-1]) / 2
    z = (edge[None, :] - (1 - lam) * mid[:, None]) / lam - shift
    q = np.diff(stats.norm.cdf(z), axis=1)
    average = np.linalg.solve(np.eye(n) - q, np.ones(n))
    if steady:
        return average[n // 2]
    now, total, i = None, 1.0, 0
    while True:
        i += 1
        limit = top * np.sqrt(1 - (1 - lam)**(2 * i))
        lo, hi = np.maximum(edge[:-1], -limit), np.minimum(edge[1:], limit)
        if now is None:
            p = stats.norm.cdf(hi / lam - shift) - stats.norm.cdf(lo / lam - shift)
            now = np.where(hi > lo, p, 0)
        else:
            now = (now @ q) * np.clip((hi - lo) / (edge[1] - edge[0]), 0, 1)
        if (1 - lam)**(2 * i) < 1e-8:
            return total + now @ average
        total += now.sum()


write("ewma.csv", ["shift", "lambda", "width", "steady", "arl"],
      [(d, lam, w, int(s), ewma(d, lam, w, s)) for lam, w in ((0.1, 2.7), (0.25, 2.998), (0.5, 3)) for d in (0, 0.5, 1, 2) for s in (False, True)])


# Trend and alternating: the values may as well be uniform. State: points in the
# present run, its direction and the last value u; averages on 200 Gauss-Legendre
# nodes, integrals from 0 to u and u to 1 by interpolation from them.
def steps(count, alternating):
    # By probabilities: s[n] = chance of no run of count in n values needs the law of
    # (run, direction, u) only; iterate densities as polynomials in u.
    from numpy.polynomial import chebyshev as C
    deg = 40

    def up(f):  # density of a value above the last: integral from 0 to u
        g = C.chebint(f, lbnd=0)
        return g

    def down(f):  # below the last: integral from u to 1
        g = C.chebint(f, lbnd=0)
        return C.chebsub([C.chebval(1, g)], g)

    def trim(f):
        f = np.atleast_1d(f)
        return f[:deg]

    total = lambda f: C.chebval(1, C.chebint(f, lbnd=0))
    start = np.array([1.0])
    state = {}  # (run, rose) -> density of the last value on 0..1 (in Chebyshev of u)
    arl, alive, n = 1.0, None, 1
    state = {(1, None): start}
    prev_ratio = None
    alive = 1.0
    while True:
        arl_add = alive
        new = {}
        for (run, rose), f in state.items():
            for way in (True, False):
                g = trim(up(f) if way else down(f))
                goes = rose is not None and ((way == rose) != alternating)
                r = run + 1 if goes else 2
                if r >= count:
                    continue
                new[(r, way)] = C.chebadd(new.get((r, way), [0.0]), g)
        arl += arl_add
        state = new
        now = sum(total(f) for f in state.values())
        ratio = now / alive
        alive = now
        n += 1
        if n > 3 * count and abs(ratio - prev_ratio) < 1e-14:
            return arl + alive / (1 - ratio)
        prev_ratio = ratio


write("steps.csv", ["alternating", "count", "arl"],
      [(0, 6, steps(6, False)), (0, 4, steps(4, False)), (1, 14, steps(14, True)), (1, 6, steps(6, True))])

# Noncentral chi-squared: survival and density.
rows = []
for p in (2, 3, 5, 10, 31, 72):
    for d in (0.5, 4.0, 30.0, 400.0):
        law = stats.ncx2(p, d)
        for q in (1e-6, 0.1, 0.5, 0.99):
            x = law.isf(q)
            rows.append((p, d, x, law.sf(x), law.pdf(x)))
write("ncx2.csv", ["p", "d", "x", "survival", "density"], rows)

# CUSUM with averages far beyond 1e16, with 60 digits (mpmath 1.2), one-sided from
# zero: double precision would find 1-k singular.
import mpmath as mp
mp.mp.dps = 60


def far(shift, k, h, n):
    nodes = [(h * (1 + x) / 2, h * w / 2) for x, w in gauss(n)]
    pdf, cdf = lambda z: mp.exp(-z * z / 2) / mp.sqrt(2 * mp.pi), lambda z: mp.erfc(-z / mp.sqrt(2)) / 2
    at = [mp.mpf(0)] + [x for x, _ in nodes]
    a = mp.zeros(n + 1)
    for i, u in enumerate(at):
        a[i, 0] = -cdf(k - u - shift)
        for j, (y, w) in enumerate(nodes):
            a[i, j + 1] = -w * pdf(y - u + k - shift)
        a[i, i] += 1
    return mp.lu_solve(a, mp.ones(n + 1, 1))[0]


def gauss(n):
    out = []
    for i in range(n):
        x = mp.cos(mp.pi * (i + mp.mpf(3) / 4) / (n + mp.mpf(1) / 2))
        for _ in range(8):
            p, q = mp.mpf(1), mp.mpf(0)
            for j in range(n):
                p, q = ((2 * j + 1) * x * p - j * q) / (j + 1), p
            d = n * (x * p - q) / (x * x - 1)
            x -= p / d
        out.append((x, 2 / ((1 - x * x) * d * d)))
    return out


write("cusum-far.csv", ["shift", "k", "h", "arl"],
      [(s, k, h, mp.nstr(far(s, mp.mpf(k), mp.mpf(h), n), 15)) for s, k, h, n in ((0, 1, 12, 70), (-2, 1, 12, 80), (0, 3, 10, 80), (1, 0.5, 30, 90))])
