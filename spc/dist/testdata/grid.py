#!/usr/bin/python3
"""Reference values for spc/dist, written as the CSV files beside this script.

    cd spc/dist/testdata && /usr/bin/python3 grid.py

Needs mpmath 1.2, scipy 1.10 and numpy (Debian python3-mpmath, python3-scipy).
Apart from scipy.csv and mvn.csv everything is summed or integrated here with
mpmath in far more digits than are kept, by formulas other than the ones the Go
code uses, because scipy itself loses digits in the tails of the noncentral t
and of the studentized range.
"""
from fractions import Fraction
from math import comb

import numpy as np
from mpmath import mp, mpf, erfc, exp, gamma, loggamma, log, pi, quad, sqrt
from scipy import stats


def write(name, head, rows):
    with open(name, "w") as f:
        f.write(head + "\n")
        for row in rows:
            f.write(",".join(v if isinstance(v, str) else repr(v) for v in row) + "\n")


def s(v):
    return mp.nstr(v, 20, min_fixed=1, max_fixed=0)


def phi(x):
    return erfc(-x / sqrt(2)) / 2


# Incomplete gamma and beta: the power series, whose terms are all positive,
# with enough digits that the other tail is right as a difference from 1.
def lower_gamma(a, x):
    term = exp(a * log(x) - x - loggamma(a + 1))
    total, k = term, 1
    while term > total * mpf(10) ** -mp.dps or x > a + k:
        term = term * x / (a + k)
        total += term
        k += 1
    return total


def lower_beta(a, b, x):
    if x > 0.9:
        return 1 - lower_beta(b, a, 1 - x)
    term = exp(a * log(x) + b * log(1 - x) + loggamma(a + b) - loggamma(a + 1) - loggamma(b))
    total, k = term, 0
    while term > total * mpf(10) ** -mp.dps or x * (a + b + k) > a + 1 + k:
        term = term * x * (a + b + k) / (a + 1 + k)
        total += term
        k += 1
    return total


def gamma_rows():
    mp.dps = 250
    for a in [0.5, 1, 2.5, 4.5, 10, 49.5, 250, 1000, 20000]:
        for f in [-12, -8, -5, -3, -1, 0, 1, 3, 5, 8, 12, 20]:
            x = float(a + f * a ** 0.5)
            if x <= 0:
                x = float(a * 10.0 ** f)
            lo = lower_gamma(mpf(a), mpf(x))
            yield float(a), x, s(lo), s(1 - lo)


def beta_rows():
    mp.dps = 200
    for a, b in [(.5, .5), (.5, 5), (.5, 50), (.5, 500), (5, .5), (50, .5), (1, 1), (1, 30), (3, 27),
                 (30, 3), (100, 200), (1000, 10), (5000, 5000), (2, 1e5)]:
        m = a / (a + b)
        sd = (m * (1 - m) / (a + b + 1)) ** .5
        for f in [-8, -5, -3, -1, 0, 1, 3, 5, 8, 12]:
            x = m + f * sd
            if x <= 0:
                x = m * 10.0 ** f
            if x >= 0.999:
                continue
            x = float(x)
            lo = lower_beta(mpf(a), mpf(b), mpf(x))
            yield float(a), float(b), x, s(lo), s(1 - lo)


# Noncentral t: the Poisson-weighted series of incomplete beta functions
# (Guenther 1978, Lenth 1989), which loses no digits here because there are 150.
def nct(nu, delta, t):
    if t < 0:
        return 1 - nct(nu, -delta, -t)
    nu, delta, t = mpf(nu), mpf(delta), mpf(t)
    x = t * t / (nu + t * t)
    b, half = nu / 2, delta * delta / 2
    total = phi(-delta)
    if t == 0:
        return total
    p = exp(-half) / 2
    q = delta * exp(-half) / sqrt(2 * pi)
    a1, a2 = mpf(1) / 2, mpf(1)
    i1, i2 = lower_beta(a1, b, x), lower_beta(a2, b, x)
    g1 = exp(a1 * log(x) + b * log(1 - x) + loggamma(a1 + b) - loggamma(a1 + 1) - loggamma(b))
    g2 = exp(a2 * log(x) + b * log(1 - x) + loggamma(a2 + b) - loggamma(a2 + 1) - loggamma(b))
    j = 0
    while True:
        total += p * i1 + q * i2
        j += 1
        i1 -= g1
        i2 -= g2
        g1 *= x * (a1 + b) / (a1 + 1)
        g2 *= x * (a2 + b) / (a2 + 1)
        a1 += 1
        a2 += 1
        p *= half / j
        q *= half / (j + mpf(1) / 2)
        if j > half and p + abs(q) < mpf(10) ** -100:
            return total


def nct_rows():
    mp.dps = 150
    # the tolerance factors' cases: n, coverage -> delta = z*sqrt(n)
    for n in [2, 3, 5, 10, 30, 100, 300, 1000]:
        for p in [0.5, 0.75, 0.9, 0.95, 0.99, 0.999]:
            delta = float(stats.norm.ppf(p) * n ** .5)
            nu = float(n - 1)
            for z in [-6, -3, -1.645, 0, 1.645, 3, 6]:
                # a point about z standard deviations out (normal approximation)
                c = z / (2 * nu) ** .5
                t = (delta + z * (1 + delta * delta / (2 * nu)) ** .5) / max(0.05, 1 - abs(c))
                yield row_nct(nu, delta, float(t))
    for nu, delta, t in [(1, 1, 1e8), (1, 1, -1e8), (1, -3, 1e4), (2, 5, 1e6), (2.5, 0, 30), (4, -5, 3), (4, 5, -3),
                         (19, 90, 60), (19, 90, 200), (999, 100, 80), (999, 100, 130), (5, 30, 0.5), (9, 8, 0.0)]:
        yield row_nct(float(nu), float(delta), float(t))


def row_nct(nu, delta, t):
    lo = nct(nu, delta, t)
    return nu, delta, t, s(lo), s(1 - lo)


# Studentized range: outer integral over the root of chi-square/nu, inner by the
# trapezoidal rule, in 30 digits.
def range_known(k, w, grid):
    h, zs, pdf, cdf = grid
    inside = [c - phi(z - w) for z, c in zip(zs, cdf)]
    return (h * k * sum(f * i ** (k - 1) for f, i in zip(pdf, inside)),
            h * k * sum(f * (c ** (k - 1) - i ** (k - 1)) for f, c, i in zip(pdf, cdf, inside)))


def range_grid():
    h = mpf(1) / 12
    zs = [h * i for i in range(-140, 141)]
    return h, zs, [exp(-z * z / 2) / sqrt(2 * pi) for z in zs], [phi(z) for z in zs]


def range_cdf(k, nu, q, grid):
    if nu == float("inf"):
        return range_known(k, mpf(q), grid)
    nu = mpf(nu)
    const = 2 * (nu / 2) ** (nu / 2) / gamma(nu / 2)
    lo = up = mpf(0)
    # trapezoidal rule in u = log s, wide enough for the heavy lower end
    sd = 1 / sqrt(2 * nu)
    step, left, right = sd / 4 if nu > 8 else mpf(1) / 16, 60 / nu + 6 * sd, 2 + 6 * sd
    if nu > 30:
        left = right = 14 * sd
    i = -int(left / step)
    while i * step < right:
        u = i * step
        i += 1
        weight = const * exp(nu * u - nu * exp(2 * u) / 2) * step
        if weight < mpf(10) ** -36:
            continue
        a, b = range_known(k, q * exp(u), grid)
        lo += weight * a
        up += weight * b
    return lo, up


def range_rows():
    mp.dps = 30
    grid = range_grid()
    for k, nu, qs in [
        (2, 2, [0.01, 1, 6, 60]), (3, 2, [0.5, 8, 100]), (3, 10, [0.05, 1, 3.88, 12]),
        (4, 16, [4.0461, 8]), (5, 30, [1, 4.1021, 5.0476, 10]), (10, 20, [2, 5.0079, 12]),
        (20, 5, [3, 8.2, 30]), (20, 120, [3, 5.1, 9]), (50, 3, [4, 14, 90]), (50, 60, [3.5, 6, 11]),
        (50, 1000, [3, 5.5, 9]), (3, float("inf"), [0.01, 3.3145, 8]), (50, float("inf"), [3, 5.65, 10]),
    ]:
        for q in qs:
            lo, up = range_cdf(k, nu, mpf(float(q)), grid)
            yield float(k), float(nu), float(q), s(lo), s(up)


def hyper_rows():
    def tail(N, K, n, xs):
        return Fraction(sum(comb(K, x) * comb(N - K, n - x) for x in xs), comb(N, n))

    for N, K, n, cs in [
        (500, 5, 50, [0, 1, 4]), (500, 25, 50, [1, 10, 20]), (20, 1, 5, [0]), (20, 4, 5, [0, 3]), (10, 5, 5, [0, 2, 4]),
        (300, 290, 100, [90, 95, 99]), (100000, 50, 3000, [0, 1, 10, 30]), (1000000, 1000, 2000, [0, 2, 12]),
        (1000000, 400000, 500, [120, 200, 300]), (1000000, 999000, 900, [890, 899]),
    ]:
        lowest = max(0, n - (N - K))
        for c in cs:
            lo = tail(N, K, n, range(lowest, c + 1))
            up = 1 - lo
            mp.dps = 40
            yield float(N), float(K), float(n), float(c), s(mpf(lo.numerator) / lo.denominator), s(mpf(up.numerator) / up.denominator)


# Distributions that scipy does well: tails and quantiles.
def scipy_rows():
    for name, args, d in [
        ("t", (1.0,), stats.t(1)), ("t", (4.5,), stats.t(4.5)), ("t", (30.0,), stats.t(30)), ("t", (1000.0,), stats.t(1000)),
        ("chi2", (1.0,), stats.chi2(1)), ("chi2", (9.0,), stats.chi2(9)), ("chi2", (299.0,), stats.chi2(299)),
        ("f", (3.0, 16.0), stats.f(3, 16)), ("f", (9.0, 90.0), stats.f(9, 90)), ("f", (1.0, 4.0), stats.f(1, 4)),
        ("beta", (0.5, 7.0), stats.beta(.5, 7)), ("beta", (20.0, 3.0), stats.beta(20, 3)),
        ("normal", (), stats.norm()),
    ]:
        args = args + (0.0,) * (2 - len(args))
        for p in [1e-10, 1e-6, 1e-3, 0.05, 0.5, 0.9, 0.999]:
            for upper in [False, True]:
                x = float(d.isf(p) if upper else d.ppf(p))
                yield (name,) + args + (x, float(d.cdf(x)), float(d.sf(x)))
    for n, p in [(20, .1), (300, .01), (1000, .5)]:
        for c in [0, 1, 3, n // 3, n // 2]:
            yield "binomial", float(n), p, float(c), float(stats.binom.cdf(c, n, p)), float(stats.binom.sf(c, n, p))
    for m in [.3, 5., 200.]:
        for c in [0, 3, 10, 150, 260]:
            yield "poisson", m, 0.0, float(c), float(stats.poisson.cdf(c, m)), float(stats.poisson.sf(c, m))


# Multivariate normal boxes by scipy's Genz code with many points, and the
# one-factor and first-order autoregressive cases by 1-D integration in mpmath
# or by a chain of Gauss-Legendre steps in numpy.
def one_factor(loads, lo, up):
    def f(z):
        v = exp(-z * z / 2) / sqrt(2 * pi)
        for l, a, b in zip(loads, lo, up):
            r = sqrt(1 - mpf(l) ** 2)
            v *= phi((b - l * z) / r) - phi((a - l * z) / r)
        return v
    return quad(f, [-12, -6, -4, -3, -2, -1, 0, 1, 2, 3, 4, 6, 12])


def autoregressive(d, rho, c):
    """P(|X_i| <= c for all d steps of a chain with correlation rho^|i-j|)."""
    x, w = np.polynomial.legendre.leggauss(400)
    x, w = x * c, w * c
    step = np.exp(-(x[:, None] - rho * x[None, :]) ** 2 / (2 * (1 - rho * rho))) / np.sqrt(2 * np.pi * (1 - rho * rho))
    f = np.exp(-x * x / 2) / np.sqrt(2 * np.pi)
    for _ in range(d - 1):
        f = step @ (w * f)
    return float(np.sum(w * f))


def mvn_rows():
    mp.dps = 25
    for d, rho, c in [(5, 0.5, 2.0), (31, 0.9, 3.0), (31, 0.2, 3.0), (200, 0.7, 3.5)]:
        v = one_factor([float(np.sqrt(rho))] * d, [-c] * d, [c] * d)
        yield "equi", d, rho, c, s(v)
    for d, c in [(6, 1.5), (31, 3.0)]:
        # loadings spread from -0.9 to 0.9
        loads = [-0.9 + 1.8 * i / (d - 1) for i in range(d)]
        yield "factor", d, 0.0, c, s(one_factor(loads, [-c] * d, [c] * d))
    for d, rho, c in [(3, 0.5, 2.0), (31, 0.9, 3.0), (31, 0.5, 2.5), (100, 0.95, 3.0), (200, 0.8, 3.5)]:
        yield "ar", d, rho, c, repr(autoregressive(d, rho, c))
    rng = np.random.default_rng(5)
    for d in [3, 6, 10]:
        a = rng.standard_normal((d, d + 2))
        cov = a @ a.T
        sd = np.sqrt(np.diag(cov))
        r = cov / sd[:, None] / sd[None, :]
        lo, up = -1.5 - rng.random(d), 1 + rng.random(d)
        v = stats.multivariate_normal.cdf(up, mean=np.zeros(d), cov=r, maxpts=20000000, abseps=2e-7, releps=0, lower_limit=lo)
        yield ("box", d, 0.0, 0.0, repr(float(v)), " ".join(repr(float(q)) for q in r.ravel()),
               " ".join(repr(float(q)) for q in lo), " ".join(repr(float(q)) for q in up))


if __name__ == "__main__":
    # a few minutes in all
    write("gamma.csv", "a,x,lower,upper", gamma_rows())
    write("beta.csv", "a,b,x,lower,upper", beta_rows())
    write("hypergeometric.csv", "lot,marked,sample,c,lower,upper", hyper_rows())
    write("scipy.csv", "distribution,first,second,x,lower,upper", scipy_rows())
    write("mvn.csv", "kind,dim,rho,limit,inside,correlation,low,high", mvn_rows())
    write("noncentralt.csv", "nu,delta,t,lower,upper", nct_rows())
    write("range.csv", "groups,nu,q,lower,upper", range_rows())
