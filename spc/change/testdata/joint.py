# Reference values for steps in many bands, made with numpy 1.24:
#   /usr/bin/python3 joint.py > joint.csv
# Statistic by explicit Mahalanobis distances of the mean rows (numpy.linalg.inv),
# shrinkage from numpy.corrcoef and loops, permutation p of 5 rows by all 120 orders.
# Lines: row,name,x...   cov,name,x...   stat,name,index,value   best,name,index
#        lambda,name,value   shrunk,name,x... (rows)   exact,name,p
import numpy as np, itertools
rng = np.random.default_rng(11)

def stat(X, S, j, mu=None):
    n = len(X); b, a = X[:j], X[j:]
    if mu is None: dlt, w = a.mean(0) - b.mean(0), j*(n - j)/n
    else: dlt, w = a.mean(0) - mu, n - j
    return w * dlt @ np.linalg.inv(S) @ dlt

def shrink(X):
    n, d = X.shape
    Z = (X - X.mean(0))/X.std(0, ddof=1)
    R = np.corrcoef(X.T); num = den = 0.0
    for i in range(d):
        for k in range(d):
            if i == k: continue
            w = Z[:, i]*Z[:, k]
            num += n/(n - 1)**3*((w - w.mean())**2).sum(); den += R[i, k]**2
    lam = min(1, max(.01, num/den)); s = X.std(0, ddof=1)
    Rs = (1 - lam)*R + lam*np.eye(d)
    return lam, Rs*np.outer(s, s)

def emit(kind, name, m):
    for r in m: print(kind, name, *[float(v) for v in r], sep=",")

d, n = 5, 30
A = rng.normal(0, 1, (d, d)); S = np.round(A @ A.T/4 + .2*np.eye(d), 4)
X = rng.multivariate_normal(np.zeros(d), S, n); X[17:] += [.9, -.5, 0, .7, .2]; X = np.round(X + 90, 4)
emit("row", "given", X); emit("cov", "given", S)
v = [stat(X, S, j) for j in range(1, n)]
for j, s in enumerate(v): print("stat", "given", j + 2, s, sep=",")
print("best", "given", int(np.argmax(v)) + 2, sep=",")
v = [stat(X, S, j, np.full(d, 90.0)) for j in range(n)]
for j, s in enumerate(v): print("stat", "level", j + 1, s, sep=",")
lam, Ss = shrink(X); print("lambda", "given", lam, sep=","); emit("shrunk", "given", Ss)

X = np.round(rng.normal(0, 1, (5, 2)) + np.r_[np.zeros((3, 2)), np.full((2, 2), 2.0)], 4)
emit("row", "tiny", X); S = np.array([[1, .3], [.3, 1]]); emit("cov", "tiny", S)
top = lambda Y: max(stat(Y, S, j) for j in range(1, 5))
t0 = top(X); print("exact", "tiny", np.mean([top(X[list(o)]) >= t0*(1 - 1e-12) for o in itertools.permutations(range(5))]), sep=",")
