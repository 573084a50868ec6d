package compare

import (
	"fmt"
	"math"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A Source is a supplier with the values of each of its batches.
type Source struct {
	Name    string
	Batches []Group
}

// A NestedResult compares suppliers by their batches.
type NestedResult struct {
	// Sources: N counts batches, Mean is the mean of the batch means, SD that of the
	// batch means (0 for a supplier with one batch).
	Sources []Summary
	Values  []int // of each source
	// Supplier is the test of the suppliers' means against how batches of a supplier
	// differ; Batch that of the batches of a supplier against how their pieces do.
	// A test that the data do not allow is not Tested.
	Supplier, Batch Test
	// Sums of squares of the analysis of variance, pieces counted: between suppliers,
	// between batches of a supplier, within batches.
	SupplierSS, BatchSS, WithinSS float64
	// BatchVariance is the component between batches of a supplier, negative set to
	// 0; NaN when every supplier has one batch. Share is its part of itself plus
	// WithinVariance, with an interval that is exact for batches of equal size.
	BatchVariance, WithinVariance float64
	Share, ShareLow, ShareHigh    float64
	Pairs                         []Pair // of suppliers, as in Result; not Tested without a supplier of several batches
	Conclusion, Warnings          []string
}

// Nested compares suppliers of which batches are known: pieces within batches within
// suppliers, batches a random choice of their supplier's. The mean of a batch is one
// piece of evidence about its supplier, however many pieces were measured, so that
// suppliers are compared by the spread of batch means within suppliers, pooled, with
// Tukey and Kramer's simultaneous intervals: exact where all batches have the same
// number of pieces, and near it otherwise (unweighted means; Searle, Linear Models,
// 1971, chapter 9 and Burdick and Graybill 1992 for the share; from memory). With
// equal sizes Supplier is the F test of the classical nested table.
//
// It needs two suppliers, two pieces in each batch, and some spread within. Margin
// and Confidence of the options count; UnequalSpread is not read: no one has enough
// batches for it.
func Nested(sources []Source, o Options) (NestedResult, error) {
	return nestedWith(sources, o, newRanges(len(sources), 1-o.confidence()))
}

func nestedWith(sources []Source, o Options, q *ranges) (NestedResult, error) {
	if err := o.check(); err != nil {
		return NestedResult{}, err
	}
	n, err := newNest(sources)
	if err != nil {
		return NestedResult{}, err
	}
	if o.Margin > 0 && (o.Margin < 1e-12*n.scale || o.Margin > 1e12*n.scale) {
		return NestedResult{}, fmt.Errorf("margin %v does not go with values that differ by %.3g: check its unit", o.Margin, n.scale)
	}
	r := n.variances(o.confidence())
	for i := range sources {
		for j := range i {
			r.Pairs = append(r.Pairs, n.pair(i, j, o, q))
		}
	}
	for i, s := range sources {
		r.Sources = append(r.Sources, n.summary(i))
		r.Sources[i].Mean, r.Sources[i].SD = n.origin+n.scale*r.Sources[i].Mean, n.scale*r.Sources[i].SD
		r.Values = append(r.Values, n.pieces[i])
		if len(s.Batches) == 1 && n.df > 0 {
			r.Warnings = append(r.Warnings, fmt.Sprintf("%s is known from one batch: that its batches differ as those of the others do is taken for granted.", s.Name))
		}
	}
	r.Warnings = append(r.Warnings, n.warnings()...)
	r.conclude(o)
	return r, nil
}

// A nest is the batches of all sources, shifted and scaled as in data.
type nest struct {
	data
	names   []string
	batches [][]int // of each source: places in data
	pieces  []int   // of each source
	means   []float64
	df      int     // of the batch means within sources
	ss      float64 // of the batch means within sources
}

func newNest(sources []Source) (*nest, error) {
	if len(sources) < 2 {
		return nil, fmt.Errorf("a comparison needs at least 2 suppliers, has %d", len(sources))
	}
	n := &nest{}
	var all []Group
	seen := map[string]bool{}
	for i, s := range sources {
		switch {
		case s.Name == "":
			return nil, fmt.Errorf("supplier %d has no name", i+1)
		case seen[s.Name]:
			return nil, fmt.Errorf("supplier %q stands twice: join its batches or rename one", s.Name)
		case len(s.Batches) == 0:
			return nil, fmt.Errorf("supplier %q has no batch", s.Name)
		}
		seen[s.Name] = true
		var at []int
		pieces := 0
		for _, b := range s.Batches {
			at = append(at, len(all))
			all = append(all, b)
			pieces += len(b.Values)
		}
		n.names, n.batches, n.pieces = append(n.names, s.Name), append(n.batches, at), append(n.pieces, pieces)
	}
	d, err := arrange(all)
	if err != nil {
		return nil, err
	}
	n.data = d
	for _, at := range n.batches {
		m := n.batchMeans(at)
		n.means = append(n.means, sample.Mean(m))
		if len(at) > 1 {
			if ss := sample.SumSquares(m); ss >= dust*float64(len(m)) {
				n.ss += ss
			}
		}
		n.df += len(at) - 1
	}
	return n, nil
}

func (n *nest) batchMeans(at []int) []float64 {
	out := make([]float64, len(at))
	for k, i := range at {
		out[k] = n.data.means[i]
	}
	return out
}

// summary is a source by its batch means, in units of scale.
func (n *nest) summary(i int) Summary {
	s := Summary{Name: n.names[i], N: len(n.batches[i]), Mean: n.means[i]}
	if s.N > 1 {
		s.SD = math.Sqrt(sample.SumSquares(n.batchMeans(n.batches[i])) / float64(s.N-1))
	}
	return s
}

// variances fills the table and the component between batches: (MSB-MSW)/n₀ with
// n₀ = (N - Σ over suppliers of Σn²/n.)/df.
func (n *nest) variances(confidence float64) NestedResult {
	r := NestedResult{BatchVariance: math.NaN(), Share: math.NaN(), ShareLow: math.NaN(), ShareHigh: math.NaN()}
	grand, size := 0.0, float64(n.total)
	for i, g := range n.groups {
		grand += float64(len(g.Values)) / float64(n.total) * n.data.means[i]
		r.WithinSS += n.data.ss[i]
	}
	for k, at := range n.batches {
		mean, squares := 0.0, 0.0
		for _, i := range at {
			m := float64(len(n.groups[i].Values))
			mean += m / float64(n.pieces[k]) * n.data.means[i]
			squares += m * m
		}
		for _, i := range at {
			r.BatchSS += float64(len(n.groups[i].Values)) * (n.data.means[i] - mean) * (n.data.means[i] - mean)
		}
		r.SupplierSS += float64(n.pieces[k]) * (mean - grand) * (mean - grand)
		size -= squares / float64(n.pieces[k])
	}
	within := float64(n.total - len(n.groups))
	r.WithinVariance = r.WithinSS / within
	if n.df > 0 {
		a := Anova{MeanBetween: r.BatchSS / float64(n.df), MeanWithin: r.WithinVariance}
		a.Test = fTest(a.MeanBetween/a.MeanWithin, float64(n.df), within)
		a.component(size/float64(n.df), confidence)
		r.Batch, r.BatchVariance = a.Test, a.BetweenVariance
		r.Share, r.ShareLow, r.ShareHigh = a.Share, a.ShareLow, a.ShareHigh
		r.Supplier = n.supplierTest()
	}
	for _, v := range []*float64{&r.SupplierSS, &r.BatchSS, &r.WithinSS, &r.WithinVariance, &r.BatchVariance} {
		*v *= n.scale * n.scale
	}
	return r
}

// supplierTest holds the unweighted means of the suppliers against the spread of
// their batch means.
func (n *nest) supplierTest() Test {
	if n.ss == 0 {
		return Test{}
	}
	total, mean, between := 0.0, 0.0, 0.0
	for i, m := range n.means {
		total += float64(len(n.batches[i]))
		mean += float64(len(n.batches[i])) * m
	}
	for i, m := range n.means {
		between += float64(len(n.batches[i])) * (m - mean/total) * (m - mean/total)
	}
	k := float64(len(n.means) - 1)
	return fTest(between/k/(n.ss/float64(n.df)), k, float64(n.df))
}

// pair compares source i with an earlier one, j, by the pooled spread of batch means.
func (n *nest) pair(i, j int, o Options, q *ranges) Pair {
	p := Pair{A: n.names[i], B: n.names[j], Difference: n.means[i] - n.means[j], Low: math.NaN(), High: math.NaN(), P: math.NaN(), EquivalenceP: 1, beyondP: 1}
	if p.Tested = n.df > 0 && n.ss > 0; p.Tested {
		df, sd := float64(n.df), math.Sqrt(n.ss/float64(n.df))
		se := sd * math.Sqrt(1/float64(len(n.batches[i]))+1/float64(len(n.batches[j])))
		half := q.quantile(df) * se / math.Sqrt2
		p.Low, p.High = n.scale*(p.Difference-half), n.scale*(p.Difference+half)
		p.P = q.survival(clamp(math.Abs(p.Difference)/se*math.Sqrt2), df)
		n.against(&p, se, sd, o)
	}
	p.Difference *= n.scale
	return p
}

// leastDF is how many degrees of freedom a plan for more batches needs: from fewer the
// spread of the batches may be wrong by far, and so would be the plan.
const leastDF = 3

// against holds a difference against the margin by two one-sided t tests.
func (n *nest) against(p *Pair, se, sd float64, o Options) {
	alpha, margin := 1-o.confidence(), o.Margin/n.scale
	if o.Margin > 0 {
		t := dist.StudentT{Nu: float64(n.df)}
		lower, upper := t.Survival(clamp((p.Difference+margin)/se)), t.CDF(clamp((p.Difference-margin)/se))
		p.EquivalenceP = math.Max(lower, upper)
		p.Equivalent = p.EquivalenceP <= alpha
		p.beyondP = min(1, 2*math.Min(1-lower, 1-upper))
		p.Beyond = p.beyondP <= alpha
	}
	if !p.Equivalent && !(p.P <= alpha) && n.df >= leastDF {
		a, b := Summary{p.A, 2, p.Difference, sd}, Summary{p.B, 2, 0, sd}
		p.Settle, _ = SettlePerGroup(a, b, margin, alpha)
	}
}

func (n *nest) warnings() []string {
	var out []string
	least, most := math.MaxInt, 0
	for _, g := range n.groups {
		least, most = min(least, len(g.Values)), max(most, len(g.Values))
	}
	switch {
	case n.df == 0:
		out = append(out, "Every supplier is known from one batch: what a supplier's batches have in common cannot be told from what the one batch has.")
	case n.ss == 0:
		out = append(out, "The batches of a supplier have the same mean to the last digit: no test of the suppliers was made.")
	case n.df < 4:
		out = append(out, fmt.Sprintf("How much batches of the same supplier differ is known from few of them (degrees of freedom: %d): the intervals are wide.", n.df))
	}
	if n.df > 0 && most > 2*least {
		out = append(out, "The batches are of very unequal size: the tests of the suppliers hold approximately.")
	}
	return out
}
