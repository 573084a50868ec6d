# Risks of plans for one lot, by scipy's hypergeometric distribution.
# Run with: /usr/bin/python3 risks.py > risks.txt
from scipy.stats import hypergeom
print("# lot sample accept good bad producer consumer")
for lot, n, c, good, bad in [(60, 11, 0, 1, 12), (60, 16, 1, 1, 12), (200, 50, 2, 4, 20), (200, 20, 1, 4, 20), (300, 80, 5, 6, 30), (300, 32, 3, 6, 30), (120, 28, 0, 0, 12), (120, 45, 0, 0, 12)]:
    p = hypergeom.sf(c, lot, good, n)
    q = hypergeom.cdf(c, lot, bad, n)
    print(lot, n, c, good / lot, bad / lot, repr(float(p)), repr(float(q)))
