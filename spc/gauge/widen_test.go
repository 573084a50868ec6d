package gauge_test

import (
	"math"
	"testing"

	"alike/spc/gauge"
)

// Expected: numpy 1.24 and scipy 1.10,
// /usr/bin/python3 -c "import numpy as np; from scipy import stats; [print(np.sqrt(g**2+(stats.norm.ppf(1-r)*u)**2)) for g,u,r in ((.5,.2,.05),(0,.2,.05),(.5,0,.05),(.3,.4,.01),(.3,.4,.5))]"
func TestWiden(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ guard, u, risk, want float64 }{
		{0.5, 0.2, 0.05, 0.5985162806171747},
		{0, 0.2, 0.05, 0.3289707253902945},
		{0.5, 0, 0.05, 0.5},
		{0.3, 0.4, 0.01, 0.9777029758411776},
		{0.3, 0.4, 0.5, 0.3},
	} {
		got, err := gauge.Widen(c.guard, c.u, c.risk)
		if err != nil || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%+v: %v (%v)", c, got, err)
		}
	}
	for _, c := range [][3]float64{{-0.1, 0.2, 0.05}, {math.NaN(), 0.2, 0.05}, {0.5, -1, 0.05}, {0.5, math.Inf(1), 0.05}, {0.5, 0.2, 0}, {0.5, 0.2, 0.51}} {
		if w, err := gauge.Widen(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v: no error, %v", c, w)
		}
	}
}
