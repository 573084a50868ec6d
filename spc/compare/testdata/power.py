# Chances for two batches of 25 drivers over 31 independent bands, sd 0.4 dB each, when
# the second is 0.3 dB louder in five bands:
#   /usr/bin/python3 power.py > power.csv
# band: a single shifted band is found by the t test at 0.05/31 (scipy 1.10, noncentral t)
# any:  Holm's adjustment rejects some band: the smallest p is at most 0.05/31
# joint: the share of squares between the batches, averaged over the bands, exceeds the
#        0.95 quantile of its distribution without a shift. Its squares are drawn from
#        (noncentral) chi-squared distributions, 400 000 times; a permutation test of
#        normal values has this power but for its draws.
import numpy as np
from scipy import stats
n, bands, shifted, sd, shift = 25, 31, 5, 0.4, 0.3
df, delta = 2*n - 2, shift/(sd*np.sqrt(2/n))
cut = stats.t.ppf(1 - 0.05/bands/2, df)
band = stats.nct.sf(cut, df, delta) + stats.nct.cdf(-cut, df, delta)
print("band", f"{band:.6f}", sep=",")
print("any", f"{1 - (1-band)**shifted*(1-0.05/bands)**(bands-shifted):.6f}", sep=",")
rng = np.random.default_rng(1)
def joint(nc, size=400000):
    s = np.zeros(size)
    for b in range(bands):
        between = rng.noncentral_chisquare(1, nc[b], size) if nc[b] else rng.chisquare(1, size)
        s += between/(between + rng.chisquare(df, size))
    return s
cut = np.quantile(joint([0]*bands), 0.95)
print("joint", f"{(joint([delta**2]*shifted + [0]*(bands-shifted)) > cut).mean():.4f}", sep=",")
