#!/usr/bin/python3
"""Global risks for spc/conformance, by mpmath quadrature in 40 digits.

    cd spc/conformance/testdata && /usr/bin/python3 risk.py > risk.csv

Debian python3-mpmath 1.2. Process N(0, 1), reading error r, tolerance (tl, tu),
acceptance (al, au), inf for none. Each integral is split at the limits and at
multiples of r around the acceptance limits; the result is checked against a second
split before it is written.
"""
from mpmath import erfc, exp, inf, mp, mpf, pi, quad, sqrt

mp.dps = 40


def phi(x):
    if x == inf:
        return mpf(1)
    if x == -inf:
        return mpf(0)
    return erfc(-x / sqrt(2)) / 2


def between(a, b):
    if a > 0:
        return phi(-a) - phi(-b)
    return phi(b) - phi(a)


def pdf(y):
    return exp(-y * y / 2) / sqrt(2 * pi)


def integrate(f, lo, hi, limits, r, widths):
    pts = {mpf(lo), mpf(hi)}
    for l in limits:
        if abs(l) != inf:
            pts |= {l + s * w * r for w in widths for s in (-1, 1)} | {l}
            pts |= {l + s * w / (1 + abs(l)) for w in widths for s in (-1, 1)}
    pts |= {mpf(i) for i in range(-12, 13)}
    pts = sorted(p for p in pts if lo <= p <= hi)
    return quad(f, pts)


def risks(r, tl, tu, al, au, widths):
    r, tl, tu, al, au = map(mpf, (r, tl, tu, al, au))
    passed = lambda y: pdf(y) * between((al - y) / r, (au - y) / r)
    failed = lambda y: pdf(y) * (phi((al - y) / r) + phi((y - au) / r))
    reach = mpf(30)
    rc = rp = mpf(0)
    if tl > -reach:
        rc += integrate(passed, -reach, tl, (tl, al, au), r, widths)
    if tu < reach:
        rc += integrate(passed, tu, reach, (tu, al, au), r, widths)
    rp = integrate(failed, max(tl, -reach), min(tu, reach), (tl, tu, al, au), r, widths)
    return rc, rp


print("r,tl,tu,al,au,consumer,producer")
for r in ["1e-6", "1e-3", "0.05", "0.25", "1", "10"]:
    for tl, tu, al, au in [("-2", "2", "-2", "2"), ("-inf", "3", "-inf", "3"), ("-2", "2", "-1.5", "1.5"),
                           ("-1", "4", "-0.9", "3.7"), ("-6", "6", "-6", "6"), ("0.5", "inf", "0.6", "inf"), ("-2", "2", "-2.2", "2.1")]:
        a = risks(r, tl, tu, al, au, [mpf(w) for w in (1, 2, 4, 8, 14, 24)])
        b = risks(r, tl, tu, al, au, [mpf(w) for w in ("0.6", "1.7", "3.3", "7", "12", "20")])
        for x, y in zip(a, b):
            if abs(x) > mpf("1e-280"):
                assert abs(x - y) < abs(x) * mpf("1e-13"), (r, tl, tu, al, au, x, y)
        print(",".join([r, tl, tu, al, au] + [mp.nstr(v, 17, min_fixed=1, max_fixed=0) for v in a]))
