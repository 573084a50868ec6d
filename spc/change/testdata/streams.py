# Reference values for the tests of one stream, made with numpy and scipy 1.10:
#   /usr/bin/python3 streams.py > streams.csv
# Everything by brute force on residual sums of squares, with draws of its own:
# per stream its values, for each case (what is known) the best split, its levels,
# the best drift, the p-value of a change from 40000 draws, and for each split k the
# conditional p-value that decides its place in the set, from 4000 draws.
# Lines: values,name,x...   fit,name,case,index,before,after,sigma
#        drift,name,case,index,before,slope   p,name,case,p   split,name,case,index,p
import numpy as np
rng = np.random.default_rng(7)

def rss(Y, k, mu):
    "sum of squares around the two levels, rows of Y are data sets"
    b, a = Y[:, :k], Y[:, k:]
    lb = b.mean(1, keepdims=True) if mu is None and k else (0.0 if mu is None else mu)
    return ((b - lb)**2).sum(1) + ((a - a.mean(1, keepdims=True))**2).sum(1)

def best(Y, mu):
    "least sum of squares over all splits"
    return np.min([rss(Y, k, mu) for k in range(1 if mu is None else 0, Y.shape[1])], axis=0)

def whole(Y, mu):
    return ((Y - (Y.mean(1, keepdims=True) if mu is None else mu))**2).sum(1)

def drift(x, mu):
    n, out = len(x), None
    for k in range(1 if mu is None else 0, n - 1):
        h = np.maximum(0.0, np.arange(1, n + 1) - k)
        m = h[:, None] if mu is not None else np.column_stack([h, np.ones(n)])
        y = x - (mu or 0.0)
        c = np.linalg.lstsq(m, y, rcond=None)[0]
        r = ((y - m @ c)**2).sum()
        if out is None or r < out[0] - 1e-12: out = (r, k, c)
    return out

streams = {
    "short": rng.normal(0, 1, 8) + np.r_[np.zeros(5), np.full(3, 3.0)],
    "middle": 94 + .3*rng.normal(0, 1, 30) + np.r_[np.zeros(12), np.full(18, .5)],
    "late": -5 + 2*rng.normal(0, 1, 40) + np.r_[np.zeros(33), np.full(7, 4.0)],
    "none": 10 + rng.normal(0, 1, 25),
    "drift": 1 + .5*rng.normal(0, 1, 24) + .2*np.maximum(0, np.arange(24) - 9),
}
known = {"short": (0, 1), "middle": (94, .3), "late": (-5, 2), "none": (10, 1), "drift": (1, .5)}
for name, x in streams.items():
    x = np.round(x, 4); n = len(x)
    print("values", name, *x.tolist(), sep=",")
    for case in ("neither", "sigma", "before", "both"):
        mu = known[name][0] if case in ("before", "both") else None
        sg = known[name][1] if case in ("sigma", "both") else None
        first = 1 if mu is None else 0
        r = [rss(x[None], k, mu)[0] for k in range(first, n)]
        k = first + int(np.argmin(r))
        df = n - 2 if mu is None else n - 1
        print("fit", name, case, k + 1, x[:k].mean() if mu is None else mu, x[k:].mean(), np.sqrt(min(r)/df) if sg is None else sg, sep=",")
        d = drift(x, mu)
        print("drift", name, case, d[1] + 1, d[2][1] if mu is None else mu, d[2][0], sep=",")
        # test of any change: ratio of sums of squares, or drop over sigma squared
        Z = rng.normal(0, 1, (40000, n))
        w0, b0 = whole(x[None], mu)[0], min(r)
        m0 = 0 if mu is not None else None
        if sg is None: hit = best(Z, m0)/whole(Z, m0) <= b0/w0
        else: hit = whole(Z, m0) - best(Z, m0) >= (w0 - b0)/sg**2
        print("p", name, case, hit.mean(), sep=",")
        for k in range(first, n):
            E = rng.normal(0, 1, (4000, n))
            E[:, k:] -= E[:, k:].mean(1, keepdims=True)
            if mu is None: E[:, :k] -= E[:, :k].mean(1, keepdims=True)
            if sg is None: E *= np.sqrt(r[k - first]/(E**2).sum(1, keepdims=True))
            else: E *= sg
            fit = np.r_[np.full(k, x[:k].mean() if mu is None else mu), np.full(n - k, x[k:].mean())]
            Y = fit + E
            # with the same sufficient statistics the whole sum of squares is the
            # same when sigma is not known; in general compare explained parts
            hit = whole(Y, mu) - best(Y, mu) >= (w0 - b0)*(1 - 1e-9)
            print("split", name, case, k + 1, hit.mean(), sep=",")
