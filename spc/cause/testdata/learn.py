# What units built faulty say about their fault, for TestLearnBesideScipy:
#   /usr/bin/python3 learn.py > learn.json
# scipy.stats.ttest_ind (both kinds), scipy.stats.t.interval and
# scipy.stats.f; Holm and the count of independent bands are written out with numpy.
import json
import numpy as np
from scipy import stats

rng = np.random.default_rng(20261126)


def holm(p):
    p = np.asarray(p)
    order, out, top = np.argsort(p), np.empty(len(p)), 0.0
    for i, k in enumerate(order):
        top = max(top, min(1.0, (len(p) - i) * p[k]))
        out[k] = top
    return out


cases = []
for k in range(12):
    bands, n, m = 6 + k, 2 + k % 4, 8 + 5 * (k % 5)
    mix = 0.2 * (np.eye(bands) + 0.6 * np.eye(bands, k=1))
    level = rng.normal(size=bands) * 3
    fault = rng.normal(size=bands) * (1.5 if k != 5 else 0.02)
    good = level + rng.normal(size=(m, bands)) @ mix
    size = np.ones(n) if k % 3 else rng.uniform(0.2, 2.5, size=n)
    bad = level + size[:, None] * fault + rng.normal(size=(n, bands)) @ mix
    if k == 7:
        bad[0] = level - fault[::-1]
    sv, bv = good.var(axis=0, ddof=1), bad.var(axis=0, ddof=1)
    r = np.corrcoef(good.T)
    r2 = np.maximum(0, r ** 2 - (1 - r ** 2) / (m - 2))
    np.fill_diagonal(r2, 1)
    ind = bands ** 2 / r2.sum()
    steady_p = stats.f.sf(np.mean(bv / sv), ind * (n - 1), ind * (m - 1))
    steady = bool(steady_p >= 0.05)
    t = stats.ttest_ind(bad, good, equal_var=steady)
    se = (bad.mean(axis=0) - good.mean(axis=0)) / t.statistic
    df = np.broadcast_to(n + m - 2.0 if steady else (bv / n + sv / m) ** 2 / ((bv / n) ** 2 / (n - 1) + (sv / m) ** 2 / (m - 1)), bands)
    assert np.allclose(2 * stats.t.sf(np.abs(t.statistic), df), t.pvalue)
    low, high = stats.t.interval(0.95, df, loc=bad.mean(axis=0) - good.mean(axis=0), scale=np.abs(se))
    p = holm(t.pvalue)
    units = []
    for i in range(n):
        own = bad[i] - good.mean(axis=0)
        others = np.delete(bad, i, axis=0).mean(axis=0) - good.mean(axis=0)
        w = 1 / np.sqrt(sv)
        a = max(0.0, float(np.linalg.lstsq((others * w)[:, None], own * w, rcond=None)[0][0]))
        rest = np.mean((own - a * others) ** 2 / (sv * (1 + a ** 2 / (n - 1)) + 0.01 * own ** 2 + 0.0025))
        shared = 1 - np.sum(((own - a * others) * w) ** 2) / np.sum((own * w) ** 2)
        sizes = (good - good.mean(axis=0)) @ (others / sv) / np.sum(others ** 2 / sv)
        raw = np.sum(own * others / sv) / np.sum(others ** 2 / sv)
        little = stats.t.sf((0.5 - raw) / (sizes.std(ddof=1) * np.sqrt(1 + 1 / (n - 1))), m - 1)
        units.append({"Size": a, "Shared": shared, "Apart": rest, "P": min(1.0, 2 * n * float(min(little, stats.f.sf(rest, ind, ind * (m - 1)))))})
    d = bad.mean(axis=0) - good.mean(axis=0)
    cases.append({"Faulty": bad.tolist(), "Good": good.tolist(), "Steady": steady, "SteadyP": float(steady_p), "Shape": d.tolist(),
                  "Error": np.abs(se).tolist(), "Freedom": df.tolist(), "Low": low.tolist(), "High": high.tolist(),
                  "P": p.tolist(), "Units": units, "Noise": min(1.0, float(np.sum(se ** 2 / sv) / np.sum(d ** 2 / sv)))})
print(json.dumps(cases))
