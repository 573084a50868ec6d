# Reference values for suppliers with several batches, made with numpy 1.24 and scipy
# 1.10 of Debian 12, from the definitions, without the code under test:
#   /usr/bin/python3 nested.py > nested.csv
# Lines: value,set,supplier,batch,x   expect,set,name,value
import itertools, numpy as np, scipy.stats as st
rng = np.random.default_rng(17)
MARGIN = 1.5

def emit(name, suppliers):
    def out(k, v): print("expect", name, k, repr(float(v)), sep=",")
    for s, batches in suppliers.items():
        for b, x in batches.items():
            for v in x: print("value", name, s, b, repr(float(v)), sep=",")
    every = np.concatenate([x for bs in suppliers.values() for x in bs.values()])
    N, a, nb = len(every), len(suppliers), sum(len(bs) for bs in suppliers.values())
    ss_s = sum(sum(len(x) for x in bs.values())*(np.concatenate(list(bs.values())).mean() - every.mean())**2 for bs in suppliers.values())
    ss_b = sum(len(x)*(x.mean() - np.concatenate(list(bs.values())).mean())**2 for bs in suppliers.values() for x in bs.values())
    ss_w = sum(((x - x.mean())**2).sum() for bs in suppliers.values() for x in bs.values())
    df_b, df_w = nb - a, N - nb
    ms_b, ms_w = ss_b/df_b, ss_w/df_w
    n0 = (N - sum(sum(len(x)**2 for x in bs.values())/sum(len(x) for x in bs.values()) for bs in suppliers.values()))/df_b
    out("supplier_ss", ss_s); out("batch_ss", ss_b); out("within_ss", ss_w)
    out("batch_f", ms_b/ms_w); out("batch_p", st.f.sf(ms_b/ms_w, df_b, df_w))
    var_b = max(0, ms_b - ms_w)/n0
    out("batch_variance", var_b); out("within_variance", ms_w); out("share", var_b/(var_b + ms_w))
    for k, q in (("share_low", .975), ("share_high", .025)):
        th = max(0, ms_b/ms_w/st.f.ppf(q, df_b, df_w) - 1)/n0
        out(k, th/(1 + th))
    # suppliers by their batch means, unweighted
    m = {s: np.array([x.mean() for x in bs.values()]) for s, bs in suppliers.items()}
    s2 = sum(((v - v.mean())**2).sum() for v in m.values())/df_b
    grand = np.concatenate(list(m.values())).mean()
    F = sum(len(v)*(v.mean() - grand)**2 for v in m.values())/(a - 1)/s2
    out("supplier_f", F); out("supplier_p", st.f.sf(F, a - 1, df_b))
    for (i, x), (j, y) in itertools.combinations(m.items(), 2):
        d = y.mean() - x.mean(); se = np.sqrt(s2*(1/len(x) + 1/len(y)))
        q = st.studentized_range.ppf(.95, a, df_b)/np.sqrt(2) if a > 2 else st.t.ppf(.975, df_b)
        out(f"low {j}-{i}", d - q*se); out(f"high {j}-{i}", d + q*se)
        out(f"p {j}-{i}", st.studentized_range.sf(abs(d)/se*np.sqrt(2), a, df_b) if a > 2 else 2*st.t.sf(abs(d)/se, df_b))
        out(f"tost {j}-{i}", max(st.t.sf((d + MARGIN)/se, df_b), st.t.cdf((d - MARGIN)/se, df_b)))

# NIST/SEMATECH e-Handbook of Statistical Methods, two-level nested analysis of
# variance: diameters from five machines, each run by two operators of its own (values
# from memory; the sums of squares 0.000303, 0.0000186, 0.000346 of its table come out).
day = [[.125, .118, .123, .126, .118], [.127, .122, .125, .128, .129], [.125, .120, .125, .126, .127], [.126, .124, .124, .127, .120], [.128, .119, .126, .129, .121]]
night = [[.124, .116, .122, .126, .125], [.128, .125, .121, .129, .123], [.127, .119, .124, .125, .114], [.126, .125, .126, .130, .124], [.129, .120, .125, .124, .117]]
emit("machines", {f"machine {i+1}": {f"day {i+1}": np.array([r[i] for r in day]), f"night {i+1}": np.array([r[i] for r in night])} for i in range(5)})
draw = lambda m, s, n: np.round(rng.normal(m + rng.normal(0, s), .4, n), 3)
emit("even", {"A": {f"A{k}": draw(90, .5, 12) for k in range(4)}, "B": {f"B{k}": draw(90.6, .5, 12) for k in range(4)}})
emit("uneven", {"A": {f"A{k}": draw(90, .5, n) for k, n in enumerate((5, 14, 9))}, "B": {f"B{k}": draw(91, .5, n) for k, n in enumerate((20, 7))}, "C": {"C0": draw(92, .5, 11)}})

# Exchange of whole batches over three bands, every arrangement: 3 + 3 batches of 4.
X = np.round(rng.normal(0, 1, (6, 4, 3)) + np.r_[np.zeros((3, 1, 3)), np.full((3, 1, 3), 1.2)], 3)
M = X.mean(1); Z = M - M.mean(0); Z /= np.sqrt((Z**2).sum(0))
stat = lambda left: np.mean([(sum(Z[i, b] for i in left)**2 + sum(Z[i, b] for i in range(6) if i not in left)**2)/3 for b in range(3)])
t0 = stat((0, 1, 2)); ways = list(itertools.combinations(range(6), 3))
for i in range(6):
    for r in X[i]: print("row", "exchange", "AB"[i//3], "AB"[i//3] + str(i % 3), *[float(v) for v in r], sep=",")
print("expect", "exchange", "statistic", repr(float(t0)), sep=","); print("expect", "exchange", "p", repr(sum(stat(w) >= t0*(1 - 1e-12) for w in ways)/len(ways)), sep=",")
