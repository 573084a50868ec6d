package compare

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// A Supplier is the batches of one supplier, a row of levels per unit.
type Supplier struct {
	Name    string
	Batches []Batch
}

// ErrOneBatchEach means that nothing is known of how batches of a supplier differ.
var ErrOneBatchEach = errors.New("every supplier is known from one batch only: compare the batches instead")

// A SupplierSurvey compares suppliers over many bands by their batches.
type SupplierSurvey struct {
	// Joint is the headline: whole batches are exchanged between the suppliers, so
	// that no unit counts as evidence of its own about a supplier.
	Joint Permutation
	Bands []NestedResult
	// MeanP are the tests of the suppliers with Holm's adjustment over the bands,
	// BatchP those of the batches of a supplier; a test that was not made counts as 1.
	MeanP, BatchP []float64
	// Pairs of suppliers against the margin; empty without one. Settle counts batches
	// of each supplier.
	Pairs                []BatchPair
	Conclusion, Warnings []string
}

// Suppliers compares suppliers over many bands: one permutation test of whole batches
// over all bands first, then each band by Nested with Holm's adjustment. It needs two
// suppliers, one of them with two batches (else ErrOneBatchEach), and two units in
// each batch; an error names batch, unit and band.
func Suppliers(all []Supplier, o CurveOptions) (SupplierSurvey, error) {
	if o.Draws == 0 {
		o.Draws = 9999
	}
	if o.Draws < 99 || o.Draws > 1000000 {
		return SupplierSurvey{}, fmt.Errorf("%d draws: give a number from 99 to 1000000", o.Draws)
	}
	if len(all) < 2 {
		return SupplierSurvey{}, fmt.Errorf("a comparison needs at least 2 suppliers, has %d", len(all))
	}
	var batches []Batch
	for _, s := range all {
		batches = append(batches, s.Batches...)
	}
	if len(batches) == len(all) {
		return SupplierSurvey{}, ErrOneBatchEach
	}
	columns, err := o.columns(batches)
	if err != nil {
		return SupplierSurvey{}, err
	}
	var s SupplierSurvey
	q := newRanges(len(all), 1-o.confidence())
	for b, groups := range columns {
		var sources []Source
		for _, from := range all {
			sources = append(sources, Source{from.Name, groups[:len(from.Batches)]})
			groups = groups[len(from.Batches):]
		}
		r, err := nestedWith(sources, o.Options, q)
		if err != nil {
			return SupplierSurvey{}, fmt.Errorf("%s: %w", o.band(b), err)
		}
		s.Bands = append(s.Bands, r)
	}
	s.Joint = exchange(all, columns).test(o.Draws, o.Seed)
	s.adjust(o)
	s.conclude(o)
	s.warn(o)
	return s, nil
}

// exchange deals the means of whole batches to the suppliers. A band in which no
// batch mean differs from another says nothing and counts for nothing.
func exchange(all []Supplier, columns [][]Group) *shuffle {
	s := &shuffle{}
	for i, from := range all {
		s.sizes = append(s.sizes, len(from.Batches))
		s.sums = append(s.sums, make([]float64, len(columns)))
		for range from.Batches {
			s.batch = append(s.batch, i)
			s.rows = append(s.rows, make([]float64, len(columns)))
		}
	}
	for b, groups := range columns {
		var means []float64
		for _, g := range groups {
			means = append(means, sample.Mean(g.Values))
		}
		mean, root := sample.Mean(means), math.Sqrt(sample.SumSquares(means))
		for i, v := range means {
			if root > 0 {
				s.rows[i][b] = (v - mean) / root
			}
		}
	}
	return s
}

// adjust fills the Holm-adjusted p-values and the pairs.
func (s *SupplierSurvey) adjust(o CurveOptions) {
	var means, batches []float64
	for _, r := range s.Bands {
		means, batches = append(means, orOne(r.Supplier)), append(batches, orOne(r.Batch))
	}
	s.MeanP, s.BatchP = Holm(means), Holm(batches)
	if o.Margin == 0 {
		return
	}
	alpha := 1 - o.confidence()
	for k, p := range s.Bands[0].Pairs {
		pair := newBatchPair(p.A, p.B, alpha, len(s.Bands), func(b int) Pair { return s.Bands[b].Pairs[k] })
		pair.settle(alpha, o.Margin, len(s.Bands), func(b int) (Pair, Summary, Summary) {
			p, sd := s.Bands[b].Pairs[k], s.Bands[b].spread()
			return p, Summary{p.A, 2, p.Difference, sd}, Summary{p.B, 2, 0, sd}
		})
		if s.few() {
			pair.Settle = 0
		}
		s.Pairs = append(s.Pairs, pair)
	}
}

// few reports whether too few batches are known to plan for more.
func (s *SupplierSurvey) few() bool { return s.Bands[0].Batch.DF1 < leastDF }

// spread is the standard deviation of the batch means of a supplier, pooled.
func (r NestedResult) spread() float64 {
	ss, df := 0.0, 0
	for _, s := range r.Sources {
		ss, df = ss+float64(s.N-1)*s.SD*s.SD, df+s.N-1
	}
	return math.Sqrt(ss / float64(df))
}

func (s *SupplierSurvey) conclude(o CurveOptions) {
	alpha := 1 - o.confidence()
	say := func(format string, args ...any) { s.Conclusion = append(s.Conclusion, sentence(format, args...)) }
	switch {
	case s.Joint.P <= alpha:
		say("Over all bands together the suppliers differ by more than their batches do (p = %.2g).", s.Joint.P)
	case s.Joint.Least > alpha:
		say("So few batches cannot show a difference between suppliers over all bands together (%d arrangements, p = %.2g); that does not mean there is none.", s.Joint.Draws, s.Joint.P)
	default:
		say("No difference between the suppliers over all bands together is shown beyond what their batches differ by (p = %.2g); that does not mean there is none.", s.Joint.P)
	}
	if names := o.below(s.BatchP, alpha); names != "" {
		say("Batches of the same supplier differ in %s: each batch counts as one piece of evidence about its supplier, however many drivers of it were measured.", names)
	} else {
		say("No single band shows a difference between batches of the same supplier.")
	}
	if names := o.below(s.MeanP, alpha); names != "" {
		say("The suppliers' means differ in %s.", names)
	} else {
		say("No single band shows a difference of the suppliers' means beyond their batches.")
	}
	for _, p := range s.Pairs {
		if s.few() && p.Open > 0 {
			p.stand(o, say)
			say("How many batches of %s and %s would settle it cannot be told from so few; each more tells more than many drivers of those at hand.", p.A, p.B)
			continue
		}
		fewest := math.MaxInt
		for _, r := range s.Bands[0].Sources {
			if r.Name == p.A || r.Name == p.B {
				fewest = min(fewest, r.N)
			}
		}
		p.conclude(o, fewest, "batches", say)
	}
}

func (s *SupplierSurvey) warn(o CurveOptions) {
	var warnings [][]string
	for _, r := range s.Bands {
		warnings = append(warnings, r.Warnings)
	}
	s.Warnings = append(s.Warnings, o.gather(warnings)...)
}
