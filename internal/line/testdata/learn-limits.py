import numpy as np
from scipy.stats import norm
def arl(k,h,n=2000):
    w=h/(n-0.5); c=np.arange(n)*w       # states: 0 and midpoints (Brook and Evans 1972)
    hi=c[None,:]+w/2-c[:,None]+k; lo=hi-w
    P=norm.cdf(hi)-norm.cdf(lo); P[:,0]=norm.cdf(w/2-c+k)
    return np.linalg.solve(np.eye(n)-P,np.ones(n))[0]
for m,e in ((98,500),(29,20)):
    a=4*m*e; lo,hi=2.,12.
    while hi-lo>1e-5:
        mid=(lo+hi)/2
        if arl(0.75,mid,800)<a: lo=mid
        else: hi=mid
    # again with more states
    l2,h2=lo-0.01,hi+0.01
    while h2-l2>1e-5:
        mid=(l2+h2)/2
        if arl(0.75,mid)<a: l2=mid
        else: h2=mid
    print(m,e,a,"%.6f %.4f"%(norm.isf(1/a),h2))
