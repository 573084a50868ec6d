package dist

import "math"

// Nodes and weights of the 15-point Kronrod rule and the 7-point Gauss rule it
// contains (Piessens et al., QUADPACK, 1983, from memory; the test integrates
// polynomials up to degree 22 with them).
var (
	kronrodNodes = [8]float64{
		0.991455371120812639206854697526329, 0.949107912342758524526189684047851,
		0.864864423359769072789712788640926, 0.741531185599394439863864773280788,
		0.586087235467691130294144691693013, 0.405845151377397166906606412076961,
		0.207784955007898467600689403773245, 0,
	}
	kronrodWeights = [8]float64{
		0.022935322010529224963732008058970, 0.063092092629978553290700663189204,
		0.104790010322250183839876322541518, 0.140653259715525918745189590510238,
		0.169004726639267902826583426598550, 0.190350578064785409913256402421014,
		0.204432940075298892414161999234649, 0.209482141084727828012999174891714,
	}
	gaussWeights = [4]float64{
		0.129484966168869693270611432679082, 0.279705391489276667901467771423780,
		0.381830050505118944950369775488975, 0.417959183673469387755102040816327,
	}
)

type panel struct{ a, b, sum, err float64 }

// kronrod applies the rule to [a, b]. The error is QUADPACK's estimate: the plain
// difference of the two rules is that of the poorer one and far too large.
func kronrod(f func(float64) float64, a, b float64) panel {
	c, h := (a+b)/2, (b-a)/2
	var lo, hi [8]float64
	mid := f(c)
	k, g := kronrodWeights[7]*mid, gaussWeights[3]*mid
	for i := range 7 {
		lo[i], hi[i] = f(c-h*kronrodNodes[i]), f(c+h*kronrodNodes[i])
		k += kronrodWeights[i] * (lo[i] + hi[i])
		if i%2 == 1 {
			g += gaussWeights[i/2] * (lo[i] + hi[i])
		}
	}
	spread := kronrodWeights[7] * math.Abs(mid-k/2)
	for i := range 7 {
		spread += kronrodWeights[i] * (math.Abs(lo[i]-k/2) + math.Abs(hi[i]-k/2))
	}
	spread *= math.Abs(h)
	err := math.Abs((k - g) * h)
	if spread > 0 && err > 0 {
		err = spread * math.Min(1, math.Pow(200*err/spread, 1.5))
	}
	return panel{a, b, k * h, err}
}

// Integrate returns the integral of f over the panels between consecutive
// breaks, which must rise, splitting the panel with the largest estimated error
// until the sum of the errors is below rel times the integral or 400 panels are
// in use. It suits smooth functions whose steep places lie near a break.
func Integrate(f func(float64) float64, breaks []float64, rel float64) float64 {
	panels := make([]panel, 0, 64)
	for i := 1; i < len(breaks); i++ {
		if breaks[i] > breaks[i-1] {
			panels = append(panels, kronrod(f, breaks[i-1], breaks[i]))
		}
	}
	for {
		sum, err, worst := 0.0, 0.0, 0
		for i, p := range panels {
			sum += p.sum
			err += p.err
			if p.err > panels[worst].err {
				worst = i
			}
		}
		if err <= rel*math.Abs(sum) || len(panels) >= 400 || len(panels) == 0 {
			return sum
		}
		p := panels[worst]
		m := (p.a + p.b) / 2
		panels[worst] = kronrod(f, p.a, m)
		panels = append(panels, kronrod(f, m, p.b))
	}
}

// integratePeak returns the logarithm of the integral of exp(logf) over the whole
// line, for logf with a single maximum and tails that fall at least as fast as
// exp(-|x|) on the scale of the peak. Guess and scale say about where and how wide
// the peak is; they need not be near. Rel is the relative error asked for.
func integratePeak(logf func(float64) float64, guess, scale, rel float64) float64 {
	mode, top := climb(logf, guess, scale)
	if math.IsInf(top, -1) {
		return top
	}
	breaks := append(reversed(flank(logf, mode, top, -scale)), mode)
	breaks = append(breaks, flank(logf, mode, top, scale)...)
	f := func(x float64) float64 { return math.Exp(logf(x) - top) }
	return top + math.Log(Integrate(f, breaks, rel))
}

// climb finds the maximum to about a thousandth of its width: the panels need
// not start exactly on top.
func climb(logf func(float64) float64, x, step float64) (mode, top float64) {
	top = logf(x)
	if y := logf(x + step); y < top {
		step = -step
	}
	for range 200 {
		y := logf(x + step)
		if !(y > top) {
			break
		}
		x, top = x+step, y
		step *= 1.5
	}
	for step = math.Abs(step); step > 1e-12*math.Abs(x); step /= 2 {
		flat := true
		for _, s := range [2]float64{step, -step} {
			y := logf(x + s)
			if y > top {
				x, top = x+s, y
			}
			flat = flat && math.Abs(y-top) < 1e-3
		}
		if flat {
			break
		}
	}
	return x, top
}

// flank returns break points going away from the mode, the first where the
// function has fallen by a factor of about e, each next one twice as far, the last
// where what is left is below 1e-18 of the peak.
func flank(logf func(float64) float64, mode, top, step float64) []float64 {
	for range 100 {
		if top-logf(mode+step) < 2 {
			break
		}
		step /= 2
	}
	for range 100 {
		if top-logf(mode+step) > 0.5 {
			break
		}
		step *= 2
	}
	var out []float64
	for range 60 {
		out = append(out, mode+step)
		if top-logf(mode+step) > 42 {
			break
		}
		step *= 2
	}
	return out
}

func reversed(xs []float64) []float64 {
	for i, j := 0, len(xs)-1; i < j; i, j = i+1, j-1 {
		xs[i], xs[j] = xs[j], xs[i]
	}
	return xs
}
