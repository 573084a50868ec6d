package line

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/reports"
	"alike/spc/compare"
	"alike/spc/pairing"
)

// fillCompared copies a comparison, made without and with equal spread.
func fillCompared(c *reports.Compared, howell, tukey compare.Result) {
	c.Groups, c.Pairs = nil, nil
	for _, g := range howell.Groups {
		c.Groups = append(c.Groups, reports.GroupValue{Name: g.Name, N: g.N, Mean: g.Mean, SD: g.SD})
	}
	for k, p := range howell.Pairs {
		t := tukey.Pairs[k]
		d := reports.Difference{A: p.A, B: p.B, Difference: p.Difference, Low: p.Low, High: p.High, P: p.P,
			TukeyLow: t.Low, TukeyHigh: t.High, EquivalentP: math.NaN()}
		if !p.Tested {
			d.Low, d.High, d.P = math.NaN(), math.NaN(), math.NaN()
		}
		c.Pairs = append(c.Pairs, d)
	}
	fillVariance(c, howell.Anova, len(howell.Groups))
}

func fillVariance(c *reports.Compared, a compare.Anova, batches int) {
	c.BetweenSD, c.WithinSD = math.Sqrt(a.BetweenVariance), a.ResidualSD
	c.Share, c.ShareLow, c.ShareHigh = a.Share, a.ShareLow, a.ShareHigh
	if batches < 2 {
		c.BetweenSD, c.Share, c.ShareLow, c.ShareHigh = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	}
}

// metrics compares the single numbers.
func (st *study) metrics() error {
	for _, m := range st.setup.Metrics {
		c := reports.Compared{Name: m.Name, Unit: m.Unit, Margin: m.Margin, MeanP: math.NaN(), SpreadP: math.NaN(), BatchP: math.NaN(), BetweenSD: math.NaN(),
			WithinSD: math.NaN(), Share: math.NaN(), ShareLow: math.NaN(), ShareHigh: math.NaN()}
		var groups []compare.Group
		for _, name := range st.names {
			g := compare.Group{Name: name, Values: st.values(name, m.Key)}
			c.Groups = append(c.Groups, groupValue(g))
			groups = append(groups, g)
		}
		if text := comparable(groups); text != "" {
			if len(groups) > 1 {
				c.Sentences = append(c.Sentences, text)
			}
			st.out.Metrics = append(st.out.Metrics, c)
			continue
		}
		o := compare.Options{UnequalSpread: true, Margin: m.Margin, Confidence: st.request.Confidence, Unit: m.Unit}
		howell, err := compare.OneWay(groups, o)
		o.UnequalSpread = false
		tukey, err2 := compare.OneWay(groups, o)
		if err != nil || err2 != nil {
			c.Sentences = append(c.Sentences, "Not compared: "+errText(err, err2)+".")
			st.out.Metrics = append(st.out.Metrics, c)
			continue
		}
		fillCompared(&c, howell, tukey)
		c.MeanP, c.SpreadP = testP(howell.Welch), testP(howell.BrownForsythe)
		c.Sentences = howell.Conclusion
		for k, p := range howell.Pairs {
			if m.Margin > 0 {
				c.Pairs[k].EquivalentP, c.Pairs[k].Word = p.EquivalenceP, standing(p.Equivalent, p.Beyond, p, st.request.Confidence)
			}
		}
		warnings := howell.Warnings
		if st.out.Nested {
			warnings = st.nestedMetric(m, &c)
		}
		for _, w := range warnings {
			if !slices.Contains(st.out.Warnings, w) { // of all bands already
				st.warn("%s: %s", upper(m.Name), w)
			}
		}
		st.out.Metrics = append(st.out.Metrics, c)
	}
	return nil
}

func errText(errs ...error) string {
	for _, e := range errs {
		if e != nil {
			return e.Error()
		}
	}
	return ""
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func testP(t compare.Test) float64 {
	if !t.Tested {
		return math.NaN()
	}
	return t.P
}

func (st *study) values(name, key string) []float64 {
	var out []float64
	for _, d := range st.all[name] {
		if v, ok := d.Values[key]; ok {
			out = append(out, v)
		}
	}
	return out
}

func groupValue(g compare.Group) reports.GroupValue {
	mean, sd := meanSD(g.Values)
	return reports.GroupValue{Name: g.Name, N: len(g.Values), Mean: mean, SD: sd}
}

// comparable says why groups cannot be compared, empty when they can.
func comparable(groups []compare.Group) string {
	var few []string
	for _, g := range groups {
		if len(g.Values) < 2 {
			few = append(few, g.Name)
		}
	}
	switch {
	case len(groups) < 2:
		return "Nothing to compare with."
	case len(few) > 0:
		return "Not compared: it was measured on fewer than 2 drivers of " + strings.Join(few, ", ") + "."
	}
	return ""
}

// expect foresees the pairs of a hundred drivers of each group.
func (st *study) expect() error {
	for i := range st.out.Groups {
		g := &st.out.Groups[i]
		g.Pairing = reports.Expected{Tolerance: st.in.PairTolerance}
		units := st.units(pick(st.groups[g.Name], func(d Driver) bool { return !d.Bad }))
		s := pairing.Supply{Units: units, By: st.measure(), Tolerance: st.in.PairTolerance, Seed: st.request.Seed, Draws: 200, Good: g.Good, Bad: g.Bad}
		if g.Good == 0 && g.Bad > 0 {
			g.Pairing.Why = "no driver is good"
			continue
		}
		p, err := pairing.Expect(s, 100)
		if err != nil {
			g.Pairing.Why = err.Error()
			continue
		}
		g.Pairing.Known, g.Pairing.Pairs, g.Pairing.Low, g.Pairing.High = true, p.Pairs, p.Low, p.High
		for _, w := range p.Warnings {
			st.warn("Pairs of %s: %s", g.Name, w)
		}
	}
	return nil
}

func (st *study) measure() pairing.Measure {
	w := st.setup.weights(st.in)
	m := pairing.Measure{Sensitivity: st.in.SensitivityWeight}
	for _, b := range st.bands {
		m.Weights = append(m.Weights, w[b])
	}
	return m
}

func (st *study) units(drivers []Driver) []pairing.Unit {
	var out []pairing.Unit
	for _, d := range drivers {
		out = append(out, pairing.Unit{ID: d.Serial, Levels: st.levels(d), Sensitivity: d.Sensitivity, Polarity: d.Polarity})
	}
	return out
}

// list writes out every driver.
func (st *study) list() {
	for _, name := range st.names {
		for _, d := range st.all[name] {
			row := reports.DriverLine{Serial: d.Serial, Batch: d.Batch, Supplier: d.Supplier, Good: d.Good, Bad: d.Bad, Sensitivity: d.Sensitivity, Polarity: d.Polarity}
			row.Text = strings.Join(d.Faults, "; ")
			if row.Text == "" && len(d.NotChecked) > 0 {
				row.Text = "not checked: " + strings.Join(d.NotChecked, ", ")
			}
			for _, m := range st.setup.Metrics {
				v, ok := d.Values[m.Key]
				if !ok {
					v = math.NaN()
				}
				row.Values = append(row.Values, v)
			}
			row.Levels = make([]float64, len(st.bands))
			for i := range row.Levels {
				row.Levels[i] = math.NaN()
			}
			if d.Levels != nil {
				row.Levels = st.levels(d)
			}
			st.out.Drivers = append(st.out.Drivers, row)
		}
	}
}

// method says how the numbers were made.
func (st *study) method() {
	h := st.out.Headline
	joint := fmt.Sprintf("share of squares between the groups, averaged over %d bands, against %d drawn exchanges of drivers (seed %d)", len(st.bands), h.Draws, st.request.Seed)
	if h.Exact {
		joint = fmt.Sprintf("share of squares between the groups, averaged over %d bands, against all %d exchanges of drivers", len(st.bands), h.Draws)
	}
	add := func(name, value string) {
		st.out.Method = append(st.out.Method, reports.Fact{Name: name, Value: value})
	}
	add("program", st.request.Program)
	add("levels", "band levels in dB, not anchored, mean over the seatings of a driver's last judged attempt")
	switch {
	case st.out.Nested:
		add("suppliers", "compared by their batches: drivers within batches within suppliers, batches a random choice; the mean of a batch is one piece of evidence, however many of its drivers were measured")
		add("all bands together", strings.Replace(joint, "exchanges of drivers", "exchanges of whole batches between the suppliers", 1))
		add("means per band", "batch means against their pooled spread within suppliers, with Holm's adjustment over the bands; pairs by Tukey and Kramer; beside them, for comparison only, the interval of drivers counted singly, which is too narrow when batches differ")
		add("spreads per band", "Brown and Forsythe's test on the distances from the batch medians, with Holm's adjustment over the bands")
		add("equivalence", fmt.Sprintf("two one-sided t tests on batch means at %.3g against the margin, with Holm's adjustment over the bands; equivalent everywhere when every band is", 1-st.request.Confidence))
	case len(st.names) > 1:
		add("all bands together", joint)
		add("means per band", "Welch's test, with Holm's adjustment over the bands; pairs by Games and Howell, beside them Tukey and Kramer")
		add("spreads per band", "Brown and Forsythe's test, with Holm's adjustment over the bands")
		add("equivalence", fmt.Sprintf("two one-sided Welch tests at %.3g against the margin, with Holm's adjustment over the bands; equivalent everywhere when every band is", 1-st.request.Confidence))
	}
	variance := "one-way analysis of variance, batches as a random choice; its share with the interval from the F distribution"
	if st.out.Nested {
		variance = "nested analysis of variance, batches of the same supplier as a random choice; its share with the interval from the F distribution"
	}
	add("variance between batches", variance)
	add("yield", fmt.Sprintf("good drivers of those fully checked; exact two-sided interval, confidence %g", st.request.Confidence))
	add("acceptance", fmt.Sprintf("a batch with a share of %g bad drivers is refused with at most %g, one with %g accepted with at most %g; counted: exact hypergeometric; measured: noncentral t", st.in.Good, st.in.ProducerRisk, st.in.Bad, st.in.ConsumerRisk))
	add("pairs to expect", fmt.Sprintf("exact matching within %g dB among 100 simulated drivers, of which as many are bad as were found, with the measured ones' mean and covariance, weighed anew in each of 200 purchases; 5th and 95th percentile", st.in.PairTolerance))
}

func meanSD(values []float64) (mean, sd float64) {
	if len(values) == 0 {
		return math.NaN(), math.NaN()
	}
	for _, v := range values {
		mean += v / float64(len(values))
	}
	if len(values) < 2 {
		return mean, math.NaN()
	}
	for _, v := range values {
		sd += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(sd / float64(len(values)-1))
}
