# Plans by variables, with scipy 1.10:
#   /usr/bin/python3 variables.py > variables.csv
# accept: n,k,fraction → chance to accept (noncentral t)
# find:   good,producer,bad,consumer → smallest n, smallest and largest k that keep both
# mean:   n,tolerance,most sd,risk,offset,sd → chance to accept, by adaptive quadrature
#         over the sample's standard deviation
import numpy as np
from scipy import stats, integrate
def accept(n, k, p):
    return stats.nct.sf(np.sqrt(n)*k, n-1, np.sqrt(n)*stats.norm.isf(p))
for n, k in ((5, 1.5), (10, 1.72), (40, 1.9), (100, 2.0)):
    for p in (0.005, 0.01, 0.06, 0.2):
        print("accept", n, k, p, f"{accept(n, k, p):.9f}", sep=",")
for g, a, b, c in ((0.01, .05, 0.06, .10), (0.01, .05, 0.08, .10), (0.02, .05, 0.15, .05), (0.001, .10, 0.05, .10)):
    n = 2
    while True:
        r = np.sqrt(n)
        high = stats.nct.ppf(a, n-1, r*stats.norm.isf(g))/r
        low = stats.nct.isf(c, n-1, r*stats.norm.isf(b))/r
        if low <= high: break
        n += 1
    print("find", g, a, b, c, n, f"{low:.7f}", f"{high:.7f}", sep=",")
for n, tol, most, risk, off, sd in ((10, 1, 1.5, .05, 0, .5), (20, 1, 1.2, .05, .2, .8), (50, .5, 1, .1, .1, .7),
                                    (8, 2, np.inf, .05, 0, 1), (30, 1, 1.5, .05, 1, .5), (30, 5, 1, .05, 0, 1)):
    r = np.sqrt(n); t = stats.t.isf(risk, n-1)
    smax = min(most*np.sqrt(stats.chi2.ppf(risk, n-1)/(n-1)), tol*r/t)
    def f(s):
        room = tol - t*s/r
        return (stats.norm.cdf((room-off)*r/sd) - stats.norm.cdf((-room-off)*r/sd))*stats.chi2.pdf((n-1)*s*s/sd/sd, n-1)*2*(n-1)*s/sd/sd
    print("mean", n, tol, most, risk, off, sd, f"{integrate.quad(f, 0, smax, epsabs=1e-13, limit=500)[0]:.9f}", sep=",")
