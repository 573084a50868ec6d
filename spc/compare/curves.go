package compare

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"alike/spc/sample"
)

// A Batch is one row of levels per unit, the same bands in every row.
type Batch struct {
	Name string
	Rows [][]float64
}

// A Survey compares batches over many bands.
type Survey struct {
	// Joint is the headline: do the batches differ at all, over all bands together?
	Joint Permutation
	// Bands are the comparisons band by band, their own p-values not adjusted for
	// the number of bands.
	Bands []Result
	// MeanP and SpreadP are the tests of means (analysis of variance, or Welch's for
	// unequal spread) and of spread (Brown-Forsythe) with Holm's adjustment over the
	// bands; a test that was not made counts as 1.
	MeanP, SpreadP []float64
	// Pairs of batches against the margin; empty without one.
	Pairs      []BatchPair
	Conclusion []string
	Warnings   []string
}

// A BatchPair says in which bands two batches are equivalent.
type BatchPair struct {
	A, B string
	P    []float64 // per band, of two one-sided tests, Holm-adjusted over the bands
	// Equivalent in a band: P at most 1-confidence.
	Equivalent []bool
	// Everywhere: equivalent in all bands. That all hold at once needs no
	// adjustment (Berger, Technometrics 24 (1982) 295-300, from memory), so it may
	// be true where a single adjusted P is not small enough.
	Everywhere bool
	// Beyond in a band: the difference is certainly larger than the margin there,
	// with Holm's adjustment over the bands.
	Beyond []bool
	// Settle is how many units per batch would settle all bands that are open, with a
	// chance of about four in five for all of them together, if differences and
	// spreads are as they are; 0 when none is open or no number up to 5000 would do.
	Settle int
	// Open bands are neither equivalent nor certainly beyond the margin.
	Open int
}

// CurveOptions are Options for every band, with the permutation test's.
type CurveOptions struct {
	Pieces string // what is compared, in the plural for sentences; empty for "units"
	Options
	Bands []string // names for sentences and errors; nil for "band 1" and so on
	Draws int      // of the permutation test; 0 for 9999
	Seed  uint64
}

// Curves compares batches over many bands: one permutation test over all bands
// first, then each band by OneWay with Holm's adjustment. It needs two batches of
// two units; an error names batch, unit and band.
func Curves(batches []Batch, o CurveOptions) (Survey, error) {
	if o.Draws == 0 {
		o.Draws = 9999
	}
	if o.Draws < 99 || o.Draws > 1000000 {
		return Survey{}, fmt.Errorf("%d draws: give a number from 99 to 1000000", o.Draws)
	}
	bands, err := o.columns(batches)
	if err != nil {
		return Survey{}, err
	}
	var s Survey
	q := newRanges(len(batches), 1-o.confidence())
	for b, groups := range bands {
		r, err := oneWayWith(groups, o.Options, q)
		if err != nil {
			return Survey{}, fmt.Errorf("%s: %w", o.band(b), err)
		}
		s.Bands = append(s.Bands, r)
	}
	s.Joint = newShuffle(bands).test(o.Draws, o.Seed)
	s.adjust(o)
	s.conclude(o)
	s.warn(o)
	return s, nil
}

func (o CurveOptions) band(b int) string {
	if b < len(o.Bands) {
		return o.Bands[b]
	}
	return fmt.Sprintf("band %d", b+1)
}

// columns turns batches of rows into groups of values per band.
func (o CurveOptions) columns(batches []Batch) ([][]Group, error) {
	if len(batches) < 2 {
		return nil, fmt.Errorf("a comparison needs at least 2 batches, has %d", len(batches))
	}
	if len(batches[0].Rows) == 0 || len(batches[0].Rows[0]) == 0 {
		return nil, fmt.Errorf("batch %q has no levels", batches[0].Name)
	}
	width := len(batches[0].Rows[0])
	if o.Bands != nil && len(o.Bands) != width {
		return nil, fmt.Errorf("%d names for %d bands: give one name per band", len(o.Bands), width)
	}
	bands := make([][]Group, width)
	for _, batch := range batches {
		if len(batch.Rows) < 2 {
			return nil, fmt.Errorf("batch %q has %d units: at least 2 are needed", batch.Name, len(batch.Rows))
		}
		for i, row := range batch.Rows {
			if len(row) != width {
				return nil, fmt.Errorf("batch %q, unit %d has %d bands, the first unit has %d: measure all over the same bands", batch.Name, i+1, len(row), width)
			}
		}
		for b := range width {
			g := Group{Name: batch.Name}
			for i, row := range batch.Rows {
				if err := sample.Check(row[b:b+1], 1); err != nil {
					return nil, fmt.Errorf("batch %q, unit %d, %s: %s", batch.Name, i+1, o.band(b), strings.TrimPrefix(err.Error(), "value 1 "))
				}
				g.Values = append(g.Values, row[b])
			}
			bands[b] = append(bands[b], g)
		}
	}
	return bands, nil
}

func newShuffle(bands [][]Group) *shuffle {
	s := &shuffle{}
	for g, group := range bands[0] {
		s.sizes = append(s.sizes, len(group.Values))
		s.sums = append(s.sums, make([]float64, len(bands)))
		for range group.Values {
			s.batch = append(s.batch, g)
			s.rows = append(s.rows, make([]float64, len(bands)))
		}
	}
	for b, groups := range bands {
		// Checked by OneWay before: the band has spread.
		d, err := arrange(groups)
		if err != nil {
			panic("compare: band without spread")
		}
		var all []float64
		for _, g := range d.groups {
			all = append(all, g.Values...)
		}
		mean, root := sample.Mean(all), math.Sqrt(sample.SumSquares(all))
		for i, v := range all {
			s.rows[i][b] = (v - mean) / root
		}
	}
	return s
}

// adjust fills the Holm-adjusted p-values and the pairs.
func (s *Survey) adjust(o CurveOptions) {
	var means, spreads []float64
	for _, r := range s.Bands {
		m := r.Anova.Test
		if o.UnequalSpread {
			m = r.Welch
		}
		means, spreads = append(means, orOne(m)), append(spreads, orOne(r.BrownForsythe))
	}
	s.MeanP, s.SpreadP = Holm(means), Holm(spreads)
	if o.Margin == 0 {
		return
	}
	alpha := 1 - o.confidence()
	for k, p := range s.Bands[0].Pairs {
		pair := newBatchPair(p.A, p.B, alpha, len(s.Bands), func(b int) Pair { return s.Bands[b].Pairs[k] })
		pair.settle(alpha, o.Margin, len(s.Bands), func(b int) (Pair, Summary, Summary) {
			r := s.Bands[b]
			return r.Pairs[k], r.group(p.A), r.group(p.B)
		})
		s.Pairs = append(s.Pairs, pair)
	}
}

// newBatchPair gathers one pair of every band.
func newBatchPair(a, b string, alpha float64, bands int, at func(band int) Pair) BatchPair {
	pair := BatchPair{A: a, B: b, Everywhere: true}
	var equivalent, beyond []float64
	for i := range bands {
		p := at(i)
		equivalent, beyond = append(equivalent, p.EquivalenceP), append(beyond, p.beyondP)
		pair.Everywhere = pair.Everywhere && p.Equivalent
	}
	pair.P = Holm(equivalent)
	far := Holm(beyond)
	for i, v := range pair.P {
		pair.Equivalent = append(pair.Equivalent, v <= alpha)
		pair.Beyond = append(pair.Beyond, far[i] <= alpha)
	}
	return pair
}

// settle plans for the bands that are neither inside nor beyond the margin. For all
// of m open bands to come out at once in four of five cases, each may fail in a
// fifth of 1/m. That equivalence holds in every band needs no adjustment of alpha.
func (p *BatchPair) settle(alpha, margin float64, bands int, at func(band int) (Pair, Summary, Summary)) {
	var open []int
	for i := range bands {
		if pair, _, _ := at(i); !pair.Equivalent && !p.Beyond[i] {
			open = append(open, i)
		}
	}
	if p.Everywhere {
		open = nil
	}
	p.Open = len(open)
	for _, i := range open {
		_, x, y := at(i)
		n, err := settle(x, y, margin, alpha, 1-0.2/float64(len(open)))
		if err != nil || n == 0 || n > mostUnits {
			p.Settle = 0
			return
		}
		p.Settle = max(p.Settle, n)
	}
}

// mostUnits is more than any workshop would buy to settle a question.
const mostUnits = 5000

func (r Result) group(name string) Summary {
	for _, g := range r.Groups {
		if g.Name == name {
			return g
		}
	}
	panic("compare: no group " + name)
}

func orOne(t Test) float64 {
	if !t.Tested {
		return 1
	}
	return t.P
}

func (s *Survey) conclude(o CurveOptions) {
	alpha := 1 - o.confidence()
	say := func(format string, args ...any) { s.Conclusion = append(s.Conclusion, fmt.Sprintf(format, args...)) }
	if s.Joint.P <= alpha {
		say("Over all bands together the batches differ (p = %.2g).", s.Joint.P)
	} else {
		say("No difference over all bands together is shown (p = %.2g); that does not mean there is none.", s.Joint.P)
	}
	if names := o.below(s.MeanP, alpha); names != "" {
		say("Means differ in %s.", names)
	} else {
		say("No single band shows a difference of means.")
	}
	if names := o.below(s.SpreadP, alpha); names != "" {
		say("Spreads differ in %s.", names)
	}
	for _, p := range s.Pairs {
		least := math.MaxInt
		for _, g := range s.Bands[0].Groups {
			if g.Name == p.A || g.Name == p.B {
				least = min(least, g.N)
			}
		}
		p.conclude(o, least, cmp.Or(o.Pieces, "units"), say)
	}
}

// conclude says how the pair stands to the margin; fewest is how many pieces of
// evidence, named by what, the smaller of the two has.
func (p BatchPair) conclude(o CurveOptions, fewest int, what string, say func(string, ...any)) {
	p.stand(o, say)
	switch {
	case p.Everywhere:
	case p.Open > 0 && p.Settle > fewest:
		say("About %d %s of each of %s and %s would settle it if they go on like this, %d more than the fewest now.", p.Settle, what, p.A, p.B, p.Settle-fewest)
	case p.Open > 0 && p.Settle == 0:
		say("No reasonable number of %s would settle all bands of %s and %s if they go on like this: some difference lies too close to the margin.", what, p.A, p.B)
	}
}

// stand says how the pair stands to the margin.
func (p BatchPair) stand(o CurveOptions, say func(string, ...any)) {
	in, far, margin := count(p.Equivalent), o.named(p.Beyond), o.amount(o.Margin)
	switch {
	case p.Everywhere:
		say("%s and %s are equivalent within the margin of %s in all bands.", p.A, p.B, margin)
		return
	case far != "":
		say("%s and %s differ by more than the margin of %s in %s.", p.A, p.B, margin, far)
	}
	switch {
	case p.Open == 0:
	case in > 0:
		say("%s and %s are equivalent within the margin of %s in %d of %d bands; in %d that is open.", p.A, p.B, margin, in, len(p.Equivalent), len(p.Equivalent)-in-count(p.Beyond))
	case far == "":
		say("Whether %s and %s are equivalent within the margin of %s is open in every band.", p.A, p.B, margin)
	}
}

func count(flags []bool) int {
	n := 0
	for _, f := range flags {
		if f {
			n++
		}
	}
	return n
}

func (o CurveOptions) below(p []float64, alpha float64) string {
	flags := make([]bool, len(p))
	for b, v := range p {
		flags[b] = v <= alpha
	}
	return o.named(flags)
}

// warn joins the warnings of the bands, each once, with the band when not all have
// it.
func (s *Survey) warn(o CurveOptions) {
	if alpha := 1 - o.confidence(); s.Joint.Least > alpha {
		s.Warnings = append(s.Warnings, fmt.Sprintf("So few %s allow only %d arrangements: no difference over all bands can be shown at p ≤ %.2g.", cmp.Or(o.Pieces, "units"), s.Joint.Draws, alpha))
	}
	var warnings [][]string
	for _, r := range s.Bands {
		warnings = append(warnings, r.Warnings)
	}
	s.Warnings = append(s.Warnings, o.gather(warnings)...)
}

// gather joins the warnings of all bands, each once.
func (o CurveOptions) gather(warnings [][]string) []string {
	in := map[string][]bool{}
	var order, out []string
	for b, list := range warnings {
		for _, w := range list {
			if in[w] == nil {
				order, in[w] = append(order, w), make([]bool, len(warnings))
			}
			in[w][b] = true
		}
	}
	for _, w := range order {
		if count(in[w]) < len(warnings) {
			w = upper(o.named(in[w])) + ": " + w
		}
		out = append(out, w)
	}
	return out
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
