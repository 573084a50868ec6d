# Reference values for baseline, check, seatings and transfer curve, made with numpy
# and scipy:
#   /usr/bin/python3 rig.py > rig.csv
# Lines: level,what,visit or unit,seating,place,value and expect,name,value.
import numpy as np, scipy.stats as st

rng = np.random.default_rng(31)
r4 = lambda a: np.round(a, 4)
def level(what, a):
    for i in np.ndindex(a.shape):
        j = i if len(i) == 3 else (i[0], 0, i[1])
        print("level,%s,%d,%d,%d,%r" % (what, *j, float(a[i])))
def out(name, v): print("expect,%s,%r" % (name, float(v)))

# baseline: 4 visits of 3 seatings, 4 places in 2 groups (0,1,0,1)
sd = np.array([.8, .2, .8, .2])
base = r4(100 + rng.normal(0, .3, (4, 1, 4)) + rng.normal(0, 1, (4, 3, 4)) * sd)
level("baseline", base)
check = r4(100.4 + rng.normal(0, 1, (1, 2, 4)) * sd)
level("check", check)
for g in (0, 1):
    # pooled spread by a linear model with a mean for every visit and place
    y, x = [], []
    for v in range(4):
        for p in (g, g + 2):
            for s in range(3):
                y.append(base[v, s, p]); row = np.zeros(8); row[2 * v + p // 2] = 1; x.append(row)
    y, x = np.array(y), np.array(x)
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    out(f"sd{g}", np.sqrt((rest**2).sum() / (len(y) - 8)))
    t = st.t.ppf(1 - .01 / (2 * 4), len(y) - 8)
    out(f"noise{g}", t * np.sqrt((rest**2).sum() / (len(y) - 8)) * np.sqrt(1 / 2 + 1 / 12))
for p in range(4):
    out(f"change{p}", check[0, :, p].mean() - base[:, :, p].mean())

# studentized range: 3 seatings, 40 degrees of freedom, risk 0.01 over 62 places
out("range", st.studentized_range.ppf(1 - .01 / 62, 3, 40))
out("range2", np.sqrt(2) * st.t.ppf(1 - .05 / 2, 17))  # two seatings: a t of the difference

# transfer: 7 units, 3 places
a = r4(rng.normal(110, 1, (7, 3)))
b = r4(a + np.array([.5, 0, -1]) + rng.normal(0, .15, (7, 3)))
level("first", a); level("second", b)
for p in range(3):
    d = b[:, p] - a[:, p]
    r = st.ttest_rel(b[:, p], a[:, p]).confidence_interval(1 - .05 / 3)
    out(f"transfer{p}", d.mean()); out(f"u{p}", st.sem(d)); out(f"low{p}", r.low); out(f"high{p}", r.high)
