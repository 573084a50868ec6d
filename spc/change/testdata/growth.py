# The best growth by plain least squares over every beginning and length, for
# TestGrowthBesideNumpy:
#   /usr/bin/python3 growth.py > growth.json
import json
import numpy as np

def lengths(n):
    out, l = [], 4
    while l < n:
        out.append(l)
        l = l * 3 // 2 + 1
    return out + [n]

rng = np.random.default_rng(11)
cases = []
for c in range(12):
    n = 14 + 4 * c
    at = int(rng.integers(n // 3, n - 5))
    i = np.arange(n)
    y = 3 + rng.normal(size=n) + (i >= at) * (1.5 * (c % 3) + 0.3 * (c % 2) * np.minimum(i - at, 9))
    best = None
    for k in range(1, n):
        for l in [0] + [min(l, n - 1 - k) for l in lengths(n)]:
            if l == 1:
                continue
            h = (i >= k).astype(float)
            x = np.column_stack([np.ones(n), h] + ([h * np.minimum(i - k, l)] if l else []))
            b, *_ = np.linalg.lstsq(x, y, rcond=None)
            rest = float(np.sum((y - x @ b) ** 2))
            if best is None or rest < best[0] - 1e-12:
                best = (rest, k + 1, l, float(b[0]), float(b[1]), float(b[2]) if l else 0.0)
    rest, index, l, before, jump, slope = best
    cases.append({"Values": y.tolist(), "Index": index, "Lasts": l, "Before": before, "Jump": jump, "Slope": slope, "Sigma": (rest / (n - 4)) ** 0.5})
print(json.dumps(cases))
