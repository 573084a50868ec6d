#!/usr/bin/python3
"""The board's work in Go beside the same work in numpy and scipy, vectorised over all
streams at once: individuals limits, EWMA with its widening limits, all eight run rules.
Both get the same numbers and must find the same signals. Run in the top folder:

    /usr/bin/python3 spc/chart/testdata/beside_numpy.py

Needs Debian's python3-numpy and python3-scipy. Prints a table with the ratio of times."""
import os, re, subprocess, tempfile, time
import numpy as np
from scipy.signal import lfilter

STREAMS, UNITS, BASE = 72, 100_000, 50


def estimate(x):
    base = x[:, :BASE]
    return base.mean(axis=1)[:, None], (np.abs(np.diff(base, axis=1)).mean(axis=1) / (2 / np.sqrt(np.pi)))[:, None]


def individuals(x):
    c, s = estimate(x)
    return np.count_nonzero((x < c - 3 * s) | (x > c + 3 * s))


def ewma(x, lam=0.2, width=3):
    c, s = estimate(x)
    z = lfilter([lam], [1, lam - 1], x - c, axis=1)
    i = np.arange(1, x.shape[1] + 1)
    limit = width * s * np.sqrt(lam / (2 - lam) * (1 - (1 - lam) ** (2.0 * i)))
    return np.count_nonzero(np.abs(z) > limit)


def window(b, k):
    """How many of the last k are true, at each place."""
    c = np.cumsum(b, axis=1, dtype=np.int32)
    out = c.copy()
    out[:, k:] -= c[:, :-k]
    return out


def rules(x):
    c, s = estimate(x)
    z = (x - c) / s
    n = np.count_nonzero(np.abs(z) > 3)
    for side in (z, -z):
        n += np.count_nonzero(window(side > 0, 9) == 9)
        b = side > 2
        n += np.count_nonzero(b & (window(b, 3) >= 2))
        b = side > 1
        n += np.count_nonzero(b & (window(b, 5) >= 4))
    up, down = z[:, 1:] > z[:, :-1], z[:, 1:] < z[:, :-1]
    n += np.count_nonzero(window(up, 5) == 5) + np.count_nonzero(window(down, 5) == 5)
    turn = (up[:, 1:] & down[:, :-1]) | (down[:, 1:] & up[:, :-1])
    n += np.count_nonzero(window(turn, 12) == 12)
    n += np.count_nonzero(window(np.abs(z) < 1, 15) == 15)
    n += np.count_nonzero(window(np.abs(z) > 1, 8) == 8)
    return n


def best(f, x):
    f(x)
    times = []
    for _ in range(3):
        t = time.perf_counter()
        found = f(x)
        times.append(time.perf_counter() - t)
    return min(times), found


x = np.random.default_rng(1).standard_normal((STREAMS, UNITS))
with tempfile.NamedTemporaryFile() as f:
    x.astype("<f8").tofile(f.name)
    bench = subprocess.run(
        ["go", "test", "-run", "^$", "-bench", "Beside", "-benchtime", "3x", "-cpu", "1", "-count", "3", "./spc/chart"],
        env={**os.environ, "ALIKE_BESIDE": f.name}, capture_output=True, text=True)
if bench.returncode:
    raise SystemExit(bench.stdout + bench.stderr)
print(f"{STREAMS} streams x {UNITS} units, one core, best of three")
print(f"{'work':12} {'go ms':>8} {'numpy ms':>9} {'numpy/go':>9} {'signals go':>11} {'numpy':>8}  bytes and allocations per stream, go")
for name, f in ("individuals", individuals), ("ewma", ewma), ("rules", rules):
    lines = re.findall(rf"BenchmarkBeside/{name}\S*\s+\d+\s+([\d.]+) ns/op\s+[\d.e+]+ points/s\s+([\d.e+]+) signals\s+(\d+) B/op\s+(\d+) allocs/op", bench.stdout)
    go = min(float(l[0]) for l in lines) / 1e6
    t, found = best(f, x)
    signals = int(float(lines[0][1]))
    print(f"{name:12} {go:8.0f} {t * 1e3:9.0f} {t * 1e3 / go:9.2f} {signals:11} {found:8}  {int(lines[0][2]) // STREAMS} B, {int(lines[0][3]) / STREAMS:.0f}")
    if signals != found:
        raise SystemExit(f"{name}: the two found different signals")
