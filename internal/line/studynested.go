package line

import (
	"fmt"
	"math"
	"slices"

	"alike/reports"
	"alike/spc/compare"
)

// suppliers gathers the batches of each supplier when suppliers are compared and one
// of them has several; nil otherwise. A batch with a single measured driver says
// nothing of the spread within it and is left out.
func (st *study) suppliers() []compare.Supplier {
	if st.out.By != "supplier" {
		return nil
	}
	var out []compare.Supplier
	several := false
	for _, name := range st.names {
		s := compare.Supplier{Name: name, Batches: st.batchesOf(name)}
		if len(s.Batches) == 0 {
			return nil
		}
		several = several || len(s.Batches) > 1
		out = append(out, s)
	}
	if !several {
		return nil
	}
	return out
}

// batchesOf returns the rows of a supplier's batches that have two measured drivers.
func (st *study) batchesOf(supplier string) []compare.Batch {
	var out []compare.Batch
	for _, d := range st.groups[supplier] {
		i := slices.IndexFunc(out, func(b compare.Batch) bool { return b.Name == d.Batch })
		if i < 0 {
			i = len(out)
			out = append(out, compare.Batch{Name: d.Batch})
		}
		out[i].Rows = append(out[i].Rows, st.levels(d))
	}
	return slices.DeleteFunc(out, func(b compare.Batch) bool { return len(b.Rows) < 2 })
}

// bySuppliers compares suppliers by their batches.
func (st *study) bySuppliers(suppliers []compare.Supplier, o compare.CurveOptions) error {
	st.out.Nested = true
	for i, s := range suppliers {
		if had := len(st.out.Groups[i].Batches); had > len(s.Batches) {
			st.warn("%d of %d batches of %s have only one measured driver: they were left out of the comparison.", had-len(s.Batches), had, s.Name)
		}
	}
	survey, err := compare.Suppliers(suppliers, o)
	if err != nil {
		return refuse(Invalid, "levels", "measure again, or leave the batch out", "%v", err)
	}
	// For comparison only: what counting every driver singly would have said.
	o.Draws = 99
	single, err := compare.Curves(st.rows(st.groupOf), o)
	if err != nil {
		return refuse(Invalid, "levels", "measure again, or leave the batch out", "%v", err)
	}
	spread := st.spreads(suppliers)
	for i := range st.out.Bands {
		c := &st.out.Bands[i]
		c.MeanP, c.BatchP, c.SpreadP = survey.MeanP[i], survey.BatchP[i], spread[i]
		for _, g := range st.out.Groups {
			c.Groups = append(c.Groups, reports.GroupValue{Name: g.Name, SD: g.SD[i]})
		}
		fillNested(c, survey.Bands[i])
		for k := range c.Pairs {
			p := single.Bands[i].Pairs[k]
			c.Pairs[k].TukeyLow, c.Pairs[k].TukeyHigh = p.Low, p.High
			c.Pairs[k].EquivalentP = survey.Pairs[k].P[i]
			c.Pairs[k].Word = standing(survey.Pairs[k].Equivalent[i], survey.Pairs[k].Beyond[i], survey.Bands[i].Pairs[k], st.request.Confidence)
		}
	}
	st.out.Headline = reports.Headline{P: survey.Joint.P, Exact: survey.Joint.Exact, Draws: survey.Joint.Draws}
	st.out.Conclusion, st.out.Warnings = append(st.out.Conclusion, survey.Conclusion...), append(st.out.Warnings, survey.Warnings...)
	st.variance()
	for _, p := range survey.Pairs {
		g := st.pairOf(p)
		if g.More = 0; p.Settle > 0 {
			for _, s := range suppliers {
				if s.Name == p.A || s.Name == p.B {
					g.More = max(g.More, p.Settle-len(s.Batches))
				}
			}
		}
		st.out.Pairs = append(st.out.Pairs, g)
	}
	return nil
}

// fillNested copies a comparison by batches. The mean of a supplier is then that of
// its batch means; its spread stays that of its drivers.
func fillNested(c *reports.Compared, r compare.NestedResult) {
	c.Pairs = nil
	for i, s := range r.Sources {
		c.Groups[i].N, c.Groups[i].Mean = r.Values[i], s.Mean
	}
	for _, p := range r.Pairs {
		c.Pairs = append(c.Pairs, reports.Difference{A: p.A, B: p.B, Difference: p.Difference, Low: p.Low, High: p.High, P: p.P,
			TukeyLow: math.NaN(), TukeyHigh: math.NaN(), EquivalentP: math.NaN()})
	}
	c.BetweenSD, c.WithinSD = math.Sqrt(r.BatchVariance), math.Sqrt(r.WithinVariance)
	c.Share, c.ShareLow, c.ShareHigh = r.Share, r.ShareLow, r.ShareHigh
}

// variance says how much of what drivers differ by lies between batches.
func (st *study) variance() {
	if len(st.out.Bands) == 0 || math.IsNaN(st.out.Bands[0].Share) {
		return
	}
	var shares []float64
	most := st.out.Bands[0]
	for _, b := range st.out.Bands {
		shares = append(shares, b.Share)
		if b.Share > most.Share {
			most = b
		}
	}
	slices.Sort(shares)
	batches := "batches"
	if st.out.Nested {
		batches = "batches of the same supplier"
	}
	st.out.Conclusion = append(st.out.Conclusion, fmt.Sprintf("Of the variance of a level %.0f %% lies between %s in the middle one of the bands, and most at %s: %.0f %% (%.0f %% to %.0f %%), standard deviation %.2f dB between and %.2f dB within them.",
		100*shares[(len(shares)-1)/2], batches, most.Name, 100*most.Share, 100*most.ShareLow, 100*most.ShareHigh, most.BetweenSD, most.WithinSD))
}

// spreads tests, per band, whether drivers of the suppliers scatter alike about the
// medians of their batches, with Holm's adjustment.
func (st *study) spreads(suppliers []compare.Supplier) []float64 {
	var p []float64
	for i := range st.bands {
		var groups []compare.Group
		for _, s := range suppliers {
			g := compare.Group{Name: s.Name}
			for _, b := range s.Batches {
				var column []float64
				for _, r := range b.Rows {
					column = append(column, r[i])
				}
				g.Values = append(g.Values, fromMedian(column)...)
			}
			groups = append(groups, g)
		}
		v := 1.0
		if r, err := compare.OneWay(groups, compare.Options{}); err == nil && r.BrownForsythe.Tested {
			v = r.BrownForsythe.P
		}
		p = append(p, v)
	}
	return compare.Holm(p)
}

func fromMedian(values []float64) []float64 {
	s := slices.Sorted(slices.Values(values))
	m := (s[(len(s)-1)/2] + s[len(s)/2]) / 2
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = v - m
	}
	return out
}

// nestedMetric puts the comparison of suppliers by their batches in the place of that
// by single drivers, and returns its warnings.
func (st *study) nestedMetric(m Metric, c *reports.Compared) []string {
	var sources []compare.Source
	for _, name := range st.names {
		s := compare.Source{Name: name}
		for _, d := range st.all[name] {
			v, ok := d.Values[m.Key]
			if !ok {
				continue
			}
			i := slices.IndexFunc(s.Batches, func(g compare.Group) bool { return g.Name == d.Batch })
			if i < 0 {
				i = len(s.Batches)
				s.Batches = append(s.Batches, compare.Group{Name: d.Batch})
			}
			s.Batches[i].Values = append(s.Batches[i].Values, v)
		}
		s.Batches = slices.DeleteFunc(s.Batches, func(g compare.Group) bool { return len(g.Values) < 2 })
		sources = append(sources, s)
	}
	r, err := compare.Nested(sources, compare.Options{Margin: m.Margin, Confidence: st.request.Confidence, Unit: m.Unit})
	if err != nil {
		c.Pairs, c.Sentences = nil, []string{"Not compared by batches: " + errText(err) + "."}
		return nil
	}
	single := c.Pairs
	fillNested(c, r)
	c.MeanP, c.BatchP, c.Sentences = testP(r.Supplier), testP(r.Batch), r.Conclusion
	for k, p := range r.Pairs {
		c.Pairs[k].TukeyLow, c.Pairs[k].TukeyHigh = single[k].Low, single[k].High
		if m.Margin > 0 {
			c.Pairs[k].EquivalentP, c.Pairs[k].Word = p.EquivalenceP, standing(p.Equivalent, p.Beyond, p, st.request.Confidence)
		}
	}
	return r.Warnings
}
