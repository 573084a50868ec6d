package budget

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sort"

	"alike/spc/chart"
	"alike/spc/multi"
	"alike/spc/sample"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Options of Calibrate; zero values mean what stands beside them.
type Options struct {
	Every     float64     // mean run length asked for, units; 500
	Keys      []chart.Key // rules on every chart; all eight
	Histories int         // simulated boards; 1000 give a standard error of 4 to 5 %
	Seed      uint64      // of the simulation

	// Alike says per stream what it is built alike with: equal numbers are, and 0 is a
	// difference of two such. Lean marks streams whose nature is to reach farther to one
	// side. Nil where nothing is known; see skewness.go.
	Alike []int
	Lean  []bool

	Together bool // with a chart of all streams together beside the others
	Progress func(share float64)
}

// A Result is a calibrated board.
type Result struct {
	// Width and Length are the chances per rule, chart and point to which rules are
	// stretched, apart for those that go by width and those that go by length of a run.
	Width, Length float64

	Rules  []chart.Rule // stretched
	Mean   float64      // run length to the first false alarm, simulated
	SE     float64      // its standard error
	Median float64      // half of all boards with such limits run longer
	Tenth  float64      // one board in ten has its first false alarm by then
	Even   float64      // the chance that an even split over charts and rules would give

	// Together is the chart of all streams together and Limit what it fires above; nil
	// unless asked for. TogetherFirst is the share of boards whose first false alarm is its.
	Together      *multi.Together
	Limit         float64
	TogetherFirst float64

	Warnings []string
}

// LeastUnits is the smallest baseline that can be calibrated.
const LeastUnits = 10

// Calibrate finds how far the rules must be stretched so that a board whose baseline
// is given, one row per unit and one column per stream, has the mean run length asked
// for while nothing changes. Every column must vary. The result depends on the seed
// by the standard error it states. It takes some seconds for a hundred streams; ctx
// can end it.
func Calibrate(ctx context.Context, baseline [][]float64, o Options) (Result, error) {
	o, err := o.filled()
	if err != nil {
		return Result{}, err
	}
	rows, err := Mixture(baseline)
	if err != nil {
		return Result{}, err
	}
	if streams := len(baseline[0]); o.Alike != nil && len(o.Alike) != streams || o.Lean != nil && len(o.Lean) != streams {
		panic("budget: Alike or Lean does not name every stream")
	}
	c := calibration{Options: o, rows: fewer(rows), skews: skews(baseline, o.Alike, o.Lean), n: len(baseline), streams: len(baseline[0])}
	e, err := chart.EstimateFrom(column(baseline, 0))
	if err != nil {
		return Result{}, err
	}
	c.freedom = e.Freedom
	if o.Together {
		c.lambda = togetherLambda
	}
	r, err := c.run(ctx)
	if err != nil || !o.Together {
		return r, err
	}
	r.Together, err = together(baseline)
	return r, err
}

// togetherLambda weighs the newest unit of the chart of all streams: about ten units make
// the average, so that what the run rules see at once is left to them.
const togetherLambda = 0.2

// togetherShare is the share of first false alarms that the chart of all streams together
// may give: the other rules are stretched for the rest, which makes their limits wider by a
// twentieth of a sigma or less. A small baseline does not tell its limit well (package
// multi), hence the share is small.
const togetherShare = 0.05

// together fits the chart of all streams to the baseline itself.
func together(baseline [][]float64) (*multi.Together, error) {
	z := make([][]float64, len(baseline))
	for u := range z {
		z[u] = make([]float64, len(baseline[0]))
	}
	for j := range baseline[0] {
		e, err := chart.EstimateFrom(column(baseline, j))
		if err != nil {
			return nil, fmt.Errorf("stream %d: %w", j+1, err)
		}
		for u := range z {
			z[u][j] = (baseline[u][j] - e.Center) / e.Sigma
		}
	}
	return multi.FitTogether(z, togetherLambda)
}

func (o Options) filled() (Options, error) {
	if o.Every == 0 {
		o.Every = 500
	}
	if o.Keys == nil {
		o.Keys = chart.Keys
	}
	if o.Histories == 0 {
		o.Histories = 1000
	}
	if o.Progress == nil {
		o.Progress = func(float64) {}
	}
	if !(o.Every >= 10 && o.Every <= 1e5) {
		return o, fmt.Errorf("a mean run length of %v units is not between 10 and 100 000", o.Every)
	}
	if o.Histories < 50 {
		return o, fmt.Errorf("%d simulated boards are too few: use at least 50", o.Histories)
	}
	_, err := chart.Pick(chart.Nelson(), o.Keys)
	return o, err
}

// Mixture returns a baseline's standardised deviations, scaled so that a mixture of
// the rows with independent standard normal weights has variance 1 in every stream and
// the baseline's correlation.
func Mixture(baseline [][]float64) ([][]float64, error) {
	if len(baseline) < LeastUnits {
		return nil, fmt.Errorf("the baseline needs at least %d units, has %d", LeastUnits, len(baseline))
	}
	streams := len(baseline[0])
	if streams == 0 {
		return nil, errors.New("the baseline has no streams")
	}
	rows := make([][]float64, len(baseline))
	for i, r := range baseline {
		if len(r) != streams {
			panic("budget: rows of a baseline differ in length")
		}
		rows[i] = make([]float64, streams)
	}
	for j := range streams {
		xs := column(baseline, j)
		if err := sample.Check(xs, LeastUnits); err != nil {
			return nil, fmt.Errorf("stream %d: %w", j+1, err)
		}
		m, ss := sample.Mean(xs), sample.SumSquares(xs)
		if !(ss > 1e-26*m*m*float64(len(xs))) || ss == 0 {
			return nil, fmt.Errorf("stream %d: %w", j+1, chart.ErrNoSpread)
		}
		scale := 1 / math.Sqrt(ss)
		for i, x := range xs {
			rows[i][j] = (x - m) * scale
		}
	}
	return rows, nil
}

// fewer returns rows with the same sums of products, no more of them than columns: by
// the eigenvalues of those sums. A mixture of fewer rows is quicker made.
func fewer(rows [][]float64) [][]float64 {
	streams := len(rows[0])
	if len(rows) <= streams {
		return rows
	}
	sums := mat.NewSymDense(streams, nil)
	for _, r := range rows {
		sums.SymRankOne(sums, 1, mat.NewVecDense(streams, r))
	}
	var e mat.EigenSym
	if !e.Factorize(sums, true) {
		return rows // not needed for the result, only for speed
	}
	var vectors mat.Dense
	e.VectorsTo(&vectors)
	var out [][]float64
	for k, v := range e.Values(nil) {
		if v <= 1e-13 {
			continue
		}
		row := mat.Col(nil, k, &vectors)
		floats.Scale(math.Sqrt(v), row)
		out = append(out, row)
	}
	return out
}

func column(rows [][]float64, j int) []float64 {
	out := make([]float64, len(rows))
	for i, r := range rows {
		out[i] = r[j]
	}
	return out
}

type calibration struct {
	Options
	rows       [][]float64
	skews      []skew
	n, streams int
	freedom    float64
	lambda     float64 // of the chart of all streams together; 0 for none
}

// pilotShare is the part of the work that the first, coarse simulation does.
const pilotShare = 0.2

// run calibrates in two steps: a coarse simulation over all chances from an even split
// up, then a fine one around what it found.
func (c calibration) run(ctx context.Context) (Result, error) {
	even := 1 / (c.Every * float64(c.streams*len(c.Keys)))
	// One chart with one rule needs the chance 1/Every, a hundred independent ones
	// somewhat more than the even share.
	low, high := even/2, math.Min(0.09, 20/c.Every)
	pilot, err := c.simulate(ctx, max(60, c.Histories/8), int(2*c.Every), high, low, 0, pilotShare)
	if err != nil {
		return Result{}, err
	}
	rough := c.solve(pilot, int(2*c.Every), low, high)
	horizon := int(8 * c.Every) // small baselines have a long tail of lucky boards
	var fine []history
	var alpha float64
	for wide := 1.7; ; wide *= 2 { // the pilot is seldom a factor of 1.7 off
		low, high = rough/wide, math.Min(0.09, rough*wide)
		if fine, err = c.simulate(ctx, c.Histories, horizon, high, low, pilotShare, 1); err != nil {
			return Result{}, err
		}
		alpha = c.solve(fine, horizon, low, high)
		if wide > 20 || alpha > 1.02*low && (alpha < 0.98*high || high == 0.09) {
			break
		}
	}
	// Lengths of runs are whole numbers, so that the mean jumps where one shortens:
	// what a jump leaves unused the widths take.
	length := math.Log(alpha)
	whole := c.share(fine, length)
	width := c.bisect(math.Log(low), math.Log(high), func(x float64) bool { return runs(fine, stretch{x, length, whole}, horizon) > c.Every })
	return c.result(fine, horizon, stretch{width, length, whole}, even)
}

// share returns where the chart of all streams together fires so that its alarm is the
// first on the stated share of boards, when the rules fire at a log chance.
func (c calibration) share(hs []history, x float64) float64 {
	if c.lambda == 0 {
		return never
	}
	worst := make([]float64, len(hs)) // its rarest sight before the rules fire
	for i, h := range hs {
		n, _ := h.run(stretch{x, x, never})
		for _, r := range h.together {
			if r.unit < n {
				worst[i] = r.severity
			}
		}
	}
	sort.Float64s(worst)
	return worst[int(togetherShare*float64(len(worst)))]
}

// simulate makes histories told apart from chance high down to chance low.
func (c calibration) simulate(ctx context.Context, count, horizon int, high, low, from, to float64) ([]history, error) {
	m := simulation{
		rows: c.rows, skews: c.skews, n: c.n, horizon: horizon, stop: math.Log(low), lambda: c.lambda, seed: c.Seed,
		scale: newScale(float64(c.n), c.freedom, c.Keys, high),
	}
	done := 0
	return m.histories(ctx, count, func() {
		done++
		c.Progress(from + (to-from)*float64(done)/float64(count))
	})
}

// solve finds the chance at which the mean run length is the one asked for; the mean
// falls as the chance grows.
func (c calibration) solve(hs []history, horizon int, low, high float64) float64 {
	return math.Exp(c.bisect(math.Log(low), math.Log(high), func(x float64) bool { return runs(hs, stretch{x, x, c.share(hs, x)}, horizon) > c.Every }))
}

func runs(hs []history, s stretch, horizon int) float64 {
	m, _ := mean(hs, s, horizon)
	return m
}

// bisect returns the largest number from lo to hi, to rounding, at which under holds.
func (c calibration) bisect(lo, hi float64, under func(float64) bool) float64 {
	for range 60 {
		if mid := (lo + hi) / 2; under(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func (c calibration) result(hs []history, horizon int, s stretch, even float64) (Result, error) {
	r := Result{Width: math.Exp(s.width), Length: math.Exp(s.length), Even: even}
	rules, err := c.rules(r.Width, r.Length)
	if err != nil {
		return r, err
	}
	if r.Rules, err = chart.Pick(rules, c.Keys); err != nil {
		return r, err
	}
	r.Mean, r.SE = mean(hs, s, horizon)
	var lengths []float64
	first := 0
	for _, h := range hs {
		n, _ := h.run(s)
		lengths = append(lengths, float64(n))
		if without, _ := h.run(stretch{s.width, s.length, never}); n < without {
			first++
		}
	}
	if c.lambda > 0 {
		r.Limit, r.TogetherFirst = -s.together, float64(first)/float64(len(hs))
	}
	sort.Float64s(lengths)
	r.Median, r.Tenth = lengths[len(lengths)/2], lengths[len(lengths)/10]
	if c.n < 30 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The limits rest on %d units: they are wide, and boards with such limits differ much.", c.n))
	}
	return r, nil
}

// rules stretches the rules that go by width to one chance and the others to another.
func (c calibration) rules(width, length float64) ([]chart.Rule, error) {
	a, err := chart.Stretched(width, float64(c.n), c.freedom)
	if err != nil {
		return nil, err
	}
	b, err := chart.Stretched(length, float64(c.n), c.freedom)
	if err != nil {
		return nil, err
	}
	for i := range a {
		switch a[i].Key {
		case chart.SameSide, chart.Trend, chart.Alternating, chart.Hugging, chart.Avoiding:
			a[i] = b[i]
		}
	}
	return a, nil
}
