package multi

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// A Together is one chart of all streams at once: an exponentially weighted average of the
// units' directions, in units of the streams' own correlation. It sees a drift that is
// small in every stream, and one unit alone, however bad, cannot make it signal: that is
// for the charts of the single streams. It is safe for use by several goroutines.
type Together struct {
	Lambda    float64 // weight of the newest unit
	Streams   int
	Shrinkage float64 // weight of the identity in the correlation, 0 to 1
	// Whiten turns standardised values into independent ones: the inverse of the lower
	// Cholesky factor of the correlation, row after row up to the diagonal.
	Whiten []float64
}

// TogetherMemory is how many units the average remembers at a lambda: what came before
// them weighs less than 1/20 000.
func TogetherMemory(lambda float64) int { return int(math.Ceil(-10 / math.Log1p(-lambda))) }

// togetherShrinkage is the weight of the identity in the correlation. Taking the whole
// correlation out would weigh most what varies least, which a baseline smaller than the
// number of streams does not show: a limit simulated from such a baseline is then crossed
// three to five times as often as promised (on the simulated workshop, also with the
// weight of Ledoit and Wolf). With this weight it is crossed 1.1 to 1.5 times as often, and
// a drift is still found in half the units that the values as they are would need.
const togetherShrinkage = 0.85

// FitTogether makes the chart from the baseline's standardised values, one row per unit.
// The correlation is shrunk, so that streams may outnumber units. Each unit enters with
// its direction and at most the usual length, after the multivariate sign charts (Zou and
// Tsung, Technometrics 53 (2011) 84-97, from memory; here the length is kept where it is
// less than usual). Its limit has no formula: see package budget.
func FitTogether(z [][]float64, lambda float64) (*Together, error) {
	if !(lambda > 0 && lambda < 1) {
		return nil, fmt.Errorf("lambda %v is not between 0 and 1", lambda)
	}
	p, err := checkRows(z, 4)
	if err != nil {
		return nil, err
	}
	t := &Together{Lambda: lambda, Streams: p, Shrinkage: togetherShrinkage}
	same := make([]float64, p)
	for j := range same {
		same[j] = 1
	}
	r := products(away(z, means(z)), same)
	mu := mat.Trace(r) / float64(p)
	for i := range p {
		for j := range i + 1 {
			v := (1 - t.Shrinkage) * r.At(i, j)
			if i == j {
				v += t.Shrinkage * mu
			}
			r.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(r) {
		return nil, errors.New("the correlation of the streams has no inverse")
	}
	var lower, inverse mat.TriDense
	chol.LTo(&lower)
	if err := inverse.InverseTri(&lower); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) || math.IsInf(float64(condition), 1) {
			return nil, err
		}
	}
	for i := range p {
		for j := range i + 1 {
			t.Whiten = append(t.Whiten, inverse.At(i, j))
		}
	}
	return t, nil
}

// Check tells whether the parts fit together, as they come from a store.
func (t *Together) Check() error {
	if !(t.Lambda > 0 && t.Lambda < 1) || t.Streams < 1 || len(t.Whiten) != t.Streams*(t.Streams+1)/2 {
		return fmt.Errorf("a chart of %d streams together with lambda %v and %d numbers does not fit", t.Streams, t.Lambda, len(t.Whiten))
	}
	return nil
}

// A TogetherReader follows the units in order. Its zero value is of no use.
type TogetherReader struct {
	t       *Together
	n       int
	q, u, z []float64 // averages of the whitened units and of the values themselves
}

// NewReader returns a reader before its first unit.
func (t *Together) NewReader() *TogetherReader {
	return &TogetherReader{t: t, q: make([]float64, t.Streams), u: make([]float64, t.Streams), z: make([]float64, t.Streams)}
}

// Reset forgets all units.
func (r *TogetherReader) Reset() {
	r.n = 0
	clear(r.q)
	clear(r.z)
}

// Push reads the next unit's standardised values and returns the squared length of the
// average, per stream, over what chance alone gives independent streams: about 1 while
// nothing moves. A value that is NaN counts as no news of its stream: 0.
func (r *TogetherReader) Push(z []float64) float64 {
	t := r.t
	if len(z) != t.Streams {
		panic(fmt.Sprintf("multi: %d values for %d streams", len(z), t.Streams))
	}
	r.n++
	for j, v := range z {
		if math.IsNaN(v) {
			v = 0
		}
		r.u[j] = v
		r.z[j] += t.Lambda * (v - r.z[j])
	}
	at, square := 0, 0.0
	for i := len(z) - 1; i >= 0; i-- { // from the last: each needs those before it as they were
		at = i * (i + 1) / 2
		v := floats.Dot(t.Whiten[at:at+i+1], r.u[:i+1])
		r.u[i] = v
		square += v * v
	}
	size := 1.0
	if p := float64(t.Streams); square > p {
		size = math.Sqrt(p / square)
	}
	sum := 0.0
	for i, u := range r.u {
		r.q[i] += t.Lambda * (size*u - r.q[i])
		sum += r.q[i] * r.q[i]
	}
	return sum / r.usual() / float64(t.Streams)
}

// usual is the variance of the average of independent values of variance 1.
func (r *TogetherReader) usual() float64 {
	l := r.t.Lambda
	return l / (2 - l) * -math.Expm1(2*float64(r.n)*math.Log1p(-l))
}

// Averages returns the average of each stream in units of what chance gives it, after
// the last unit pushed: which streams lead.
func (r *TogetherReader) Averages() []float64 {
	out := make([]float64, len(r.z))
	for j, v := range r.z {
		out[j] = v / math.Sqrt(r.usual())
	}
	return out
}
