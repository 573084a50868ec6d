# Reference values for the comparison tests, made with scipy 1.10 and statsmodels
# 0.13.5 of Debian 12:
#   /usr/bin/python3 reference.py > reference.csv
# Lines: value,set,group,x   expect,set,name,value
import csv, itertools, numpy as np, scipy.stats as st
from statsmodels.stats.oneway import anova_oneway
from statsmodels.stats.multicomp import pairwise_tukeyhsd
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind
rng = np.random.default_rng(5)

def read(path, digits):
    out = {}
    for r in list(csv.reader(open(path)))[1:]: out.setdefault(r[0], []).append(float(r[1]))
    return {k: np.array(v) for k, v in out.items()}

def emit(name, groups, show=True):
    def out(k, v): print("expect", name, k, repr(float(v)), sep=",")
    if show:
        for g, x in groups.items():
            for v in x: print("value", name, g, repr(float(v)), sep=",")
    xs = list(groups.values()); keys = list(groups)
    f = st.f_oneway(*xs); out("anova_f", f.statistic); out("anova_p", f.pvalue)
    b = st.levene(*xs, center="median"); out("bf_f", b.statistic); out("bf_p", b.pvalue)
    b = st.bartlett(*xs); out("bartlett", b.statistic); out("bartlett_p", b.pvalue)
    w = anova_oneway(xs, use_var="unequal", welch_correction=True)
    out("welch_f", w.statistic); out("welch_p", w.pvalue); out("welch_df2", w.df_denom)
    flat = np.concatenate(xs); lab = np.repeat(keys, [len(x) for x in xs])
    t = pairwise_tukeyhsd(flat, lab)
    mse = sum(((x - x.mean())**2).sum() for x in xs)/(len(flat) - len(xs)); nu = len(flat) - len(xs); k = len(xs)
    for (i, a), (j, c) in itertools.combinations(enumerate(keys), 2):
        x, y = groups[a], groups[c]; d = y.mean() - x.mean()
        se = np.sqrt(mse/2*(1/len(x) + 1/len(y))); q = st.studentized_range.ppf(.95, k, nu)
        out(f"tukey_low {c}-{a}", d - q*se); out(f"tukey_p {c}-{a}", st.studentized_range.sf(abs(d)/se, k, nu))
        vx, vy = x.var(ddof=1)/len(x), y.var(ddof=1)/len(y)
        df = (vx + vy)**2/(vx**2/(len(x) - 1) + vy**2/(len(y) - 1)); se = np.sqrt((vx + vy)/2)
        q = st.studentized_range.ppf(.95, k, df)
        out(f"gh_low {c}-{a}", d - q*se); out(f"gh_p {c}-{a}", st.studentized_range.sf(abs(d)/se, k, df))
        p, t1, t2 = ttost_ind(y, x, -1.5, 1.5, usevar="unequal")
        out(f"tost_p {c}-{a}", p); out(f"tost_t1 {c}-{a}", t1[0]); out(f"tost_t2 {c}-{a}", t2[0])
    # statsmodels' own intervals, equal sizes or not
    for (a, c), (lo, hi) in zip(itertools.combinations(t.groupsunique, 2), t.confint): out(f"hsd_low {c}-{a}", lo)

emit("groups4", read("groups4.csv", 1), False)
emit("uneven", {"a": np.round(rng.normal(90, .5, 8), 3), "b": np.round(rng.normal(90.6, 1.5, 13), 3), "c": np.round(rng.normal(91.5, .8, 21), 3)})

p = np.round(rng.uniform(0, 1, 12)**4, 6)
for i, v in enumerate(p): print("holm", "p", i, repr(float(v)), repr(float(multipletests(p, method="holm")[1][i])), sep=",")

# permutation test over bands, all arrangements: 4 + 3 + 2 units, 3 bands
X = np.round(rng.normal(0, 1, (9, 3)) + np.r_[np.zeros((4, 3)), np.full((3, 3), .8), np.full((2, 3), -1.0)], 3)
sizes = (4, 3, 2); start = np.r_[0, np.cumsum(sizes)]
def stat(order):
    r = []
    for b in range(3):
        x = X[list(order), b]; g = [x[start[i]:start[i+1]] for i in range(3)]
        r.append(sum(len(v)*(v.mean() - x.mean())**2 for v in g)/((x - x.mean())**2).sum())
    return np.mean(r)
t0 = stat(range(9)); seen = set(); hit = 0
for a in itertools.combinations(range(9), 4):
    rest = [i for i in range(9) if i not in a]
    for b in itertools.combinations(rest, 3):
        c = [i for i in rest if i not in b]
        seen.add((a, b)); hit += stat(a + b + tuple(c)) >= t0*(1 - 1e-12)
for i, r in enumerate(X): print("row", "perm", int(np.searchsorted(start, i, side="right")), *[float(v) for v in r], sep=",")
print("expect", "perm", "statistic", repr(float(t0)), sep=","); print("expect", "perm", "p", repr(hit/len(seen)), sep=","); print("expect", "perm", "count", len(seen), sep=",")
