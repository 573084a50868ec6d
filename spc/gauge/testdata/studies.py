# Reference values for the gauge tests, made with numpy and scipy 1.10:
#   /usr/bin/python3 studies.py > studies.csv
# Sums of squares by projections of the design (not by the formulas of the Go
# code), p-values by scipy.stats.f, repeatability interval by scipy.stats.chi2.
# Lines: reading,study,operator,part,value and expect,study,name,value.
import numpy as np, scipy.stats as st

def project(y, *factors):
    cols = [np.ones(len(y))]
    for f in factors:
        for level in sorted(set(f)):
            cols.append(np.array([x == level for x in f], float))
    m = np.column_stack(cols)
    return m @ np.linalg.lstsq(m, y, rcond=None)[0]

def out(study, **kw):
    for k, v in kw.items():
        print(f"expect,{study},{k},{float(v)!r}")

def emit(study, ops, parts, y):
    for o, p, v in zip(ops, parts, y):
        print(f"reading,{study},{o},{p},{v!r}")

rng = np.random.default_rng(20)
r4 = lambda y: [float(round(v, 4)) for v in y]

# crossed with a true interaction: 6 parts, 4 operators, 2 trials
P, O, R = 6, 4, 2
a, b = rng.normal(0, 2, P), rng.normal(0, .7, O)
ab = rng.normal(0, .9, (O, P))
ops, parts, y = [], [], []
for i in range(O):
    for j in range(P):
        for _ in range(R):
            ops.append(f"o{i}"); parts.append(f"p{j}"); y.append(80 + a[j] + b[i] + ab[i, j] + rng.normal(0, .4))
y = r4(y); emit("kept", ops, parts, y); y = np.array(y)
cell = [o + p for o, p in zip(ops, parts)]
g, fo, fp, fop, fc = project(y), project(y, ops), project(y, parts), project(y, ops, parts), project(y, cell)
so, sp, si, se = ((fo - g)**2).sum(), ((fp - g)**2).sum(), ((fc - fop)**2).sum(), ((y - fc)**2).sum()
mo, mp, mi, me = so/(O-1), sp/(P-1), si/((O-1)*(P-1)), se/(O*P*(R-1))
out("kept", ss_operator=so, ss_part=sp, ss_interaction=si, ss_repeatability=se, ss_total=((y-y.mean())**2).sum(),
    p_interaction=st.f.sf(mi/me, (O-1)*(P-1), O*P*(R-1)), p_operator=st.f.sf(mo/mi, O-1, (O-1)*(P-1)), p_part=st.f.sf(mp/mi, P-1, (O-1)*(P-1)),
    repeatability=me, interaction=(mi-me)/R, operator=(mo-mi)/(P*R), part=(mp-mi)/(O*R),
    repeatability_low=me*O*P*(R-1)/st.chi2.ppf(.975, O*P*(R-1)), repeatability_high=me*O*P*(R-1)/st.chi2.ppf(.025, O*P*(R-1)))

# nested: 3 operators with 5 parts each, 2 trials
P, O, R = 5, 3, 2
ops, parts, y = [], [], []
b = rng.normal(0, 1.2, O)
for i in range(O):
    a = rng.normal(0, 1, P)
    for j in range(P):
        for _ in range(R):
            ops.append(f"o{i}"); parts.append(f"p{j}"); y.append(-3 + a[j] + b[i] + rng.normal(0, .3))
y = r4(y); emit("nested", ops, parts, y); y = np.array(y)
cell = [o + p for o, p in zip(ops, parts)]
g, fo, fc = project(y), project(y, ops), project(y, cell)
so, sp, se = ((fo - g)**2).sum(), ((fc - fo)**2).sum(), ((y - fc)**2).sum()
mo, mp, me = so/(O-1), sp/(O*(P-1)), se/(O*P*(R-1))
out("nested", ss_operator=so, ss_part=sp, ss_repeatability=se, ss_total=((y-y.mean())**2).sum(),
    p_operator=st.f.sf(mo/mp, O-1, O*(P-1)), p_part=st.f.sf(mp/me, O*(P-1), O*P*(R-1)),
    repeatability=me, operator=(mo-mp)/(P*R), part=(mp-me)/R)

# one operator: 8 parts, 3 trials
P, R = 8, 3
a = rng.normal(0, 1, P)
ops, parts, y = [], [], []
for j in range(P):
    for _ in range(R):
        ops.append("solo"); parts.append(f"p{j}"); y.append(a[j] + rng.normal(0, .5))
y = r4(y); emit("single", ops, parts, y); y = np.array(y)
f, p = st.f_oneway(*[y[R*j:R*j+R] for j in range(P)])
fc = project(y, parts); se = ((y - fc)**2).sum(); me = se/(P*(R-1)); sp = ((fc - y.mean())**2).sum(); mp = sp/(P-1)
out("single", ss_part=sp, ss_repeatability=se, ss_total=((y-y.mean())**2).sum(), p_part=p, f_part=f, repeatability=me, part=(mp-me)/R)

# bias and drift of a reference unit: 12 checks, one value each
y = np.array(r4(rng.normal(94.06, .05, 12)))
for v in y: print(f"reading,bias,solo,ref,{float(v)!r}")
t = st.ttest_1samp(y, 94.0); ci = st.t.interval(.95, 11, y.mean(), st.sem(y))
line = st.linregress(np.arange(12.0), y); tq = st.t.ppf(.975, 10)
out("bias", bias=y.mean()-94, t=t.statistic, p=t.pvalue, low=ci[0]-94, high=ci[1]-94,
    slope=line.slope, slope_p=line.pvalue, slope_low=line.slope-tq*line.stderr, slope_high=line.slope+tq*line.stderr)
