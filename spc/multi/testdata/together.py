# The chart of all streams together by numpy, for TestTogetherBesideNumpy:
#   /usr/bin/python3 together.py > together.json
import json
import numpy as np

rng = np.random.default_rng(7)
cases = []
for m, p, lam in [(12, 5, 0.2), (10, 14, 0.1), (40, 8, 0.3)]:
    mix = np.eye(p) + 0.8 * rng.normal(size=(1, p)) * np.ones((p, 1)) / np.sqrt(p)
    base = rng.normal(size=(m, p)) @ mix
    x = base - base.mean(axis=0)
    s = x.T @ x / m
    w = 0.85
    r = (1 - w) * s + w * np.trace(s) / p * np.eye(p)
    white = np.linalg.inv(np.linalg.cholesky(r))
    units = rng.normal(size=(30, p)) @ mix
    units[10] *= 50
    units[20:] += 0.6
    q, values = np.zeros(p), []
    for i, z in enumerate(units):
        u = white @ z
        u = u / max(1.0, np.linalg.norm(u) / np.sqrt(p))
        q = q + lam * (u - q)
        values.append(float(q @ q / (lam / (2 - lam) * (1 - (1 - lam) ** (2 * (i + 1)))) / p))
    cases.append({"Lambda": lam, "Shrinkage": w, "Baseline": base.tolist(), "Units": units.tolist(), "Values": values})
print(json.dumps(cases))
