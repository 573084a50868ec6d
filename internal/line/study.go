package line

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/compare"
	"alike/spc/sample"
)

// A StudyRequest says what is compared.
type StudyRequest struct {
	Product string
	// Batches or Suppliers, two or more; one batch alone is judged but not compared.
	// Suppliers are compared by their batches: the drivers of one batch are not
	// evidence of their own about the supplier.
	Batches    []string
	Suppliers  []string
	Margin     float64 // dB; 0 for the product's
	Confidence float64 // 0 for 0.95
	Draws      int     // of the permutation test and of simulated purchases; 0 for the usual
	Seed       uint64
	Program    string // for the method
}

// A study is one call of DriverStudy on its way.
type study struct {
	request StudyRequest
	setup   *Setup
	in      Incoming
	batches map[string]DriverBatch
	names   []string            // of the groups
	groups  map[string][]Driver // measured ones
	all     map[string][]Driver // every one
	bands   []int
	out     reports.DriverStudy
}

// DriverStudy compares batches or suppliers of drivers, and judges each, as one
// moment saw them.
func (l *Line) DriverStudy(ctx context.Context, r StudyRequest) (reports.DriverStudy, error) {
	if r.Confidence == 0 {
		r.Confidence = 0.95
	}
	if !(r.Confidence > 0.5 && r.Confidence < 1) {
		return reports.DriverStudy{}, refuse(Invalid, "confidence", "give a number such as 0.95", "%v is not between 0.5 and 1", r.Confidence)
	}
	if (len(r.Batches) == 0) == (len(r.Suppliers) == 0) {
		return reports.DriverStudy{}, refuse(Invalid, "batches", "name batches, or suppliers, not both", "it is not clear what is to be compared")
	}
	st := &study{request: r}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error { return st.load(ctx, l, s) })
	if err != nil {
		return reports.DriverStudy{}, err
	}
	for _, step := range []func() error{st.choose, st.describe, st.compare, st.metrics, st.accept, st.expect} {
		if err := ctx.Err(); err != nil {
			return reports.DriverStudy{}, err
		}
		if err := step(); err != nil {
			return reports.DriverStudy{}, err
		}
	}
	st.list()
	st.method()
	return st.out, st.out.Check()
}

func (st *study) load(ctx context.Context, l *Line, s store.Site) (err error) {
	if st.setup, err = l.driverSetup(ctx, s, st.request.Product); err != nil {
		return err
	}
	st.in = st.setup.incoming()
	if st.request.Margin != 0 {
		st.in.Margin = st.request.Margin
	}
	if !(st.in.Margin > 0 && st.in.Margin < 100) {
		return refuse(Invalid, "margin", "give the largest difference in dB that does not matter", "%v is not a number of dB above 0", st.in.Margin)
	}
	drivers, err := l.drivers(ctx, s, st.setup, st.request.Batches)
	if err != nil {
		return err
	}
	batches, err := batchesOf(ctx, s, drivers)
	if err != nil {
		return err
	}
	st.batches = map[string]DriverBatch{}
	for _, b := range batches {
		st.batches[b.Batch] = b
	}
	site, err := s.Row(ctx)
	if err != nil {
		return err
	}
	zone, err := time.LoadLocation(site.Zone)
	if err != nil {
		return err
	}
	st.out = reports.DriverStudy{Site: site.Name, Product: title(st.setup.Product), Zone: zone, By: "batch", Margin: st.in.Margin, Confidence: st.request.Confidence}
	st.all, st.groups = map[string][]Driver{}, map[string][]Driver{}
	st.names = st.request.Batches
	if len(st.request.Suppliers) > 0 {
		st.out.By, st.names = "supplier", st.request.Suppliers
	}
	for _, d := range drivers {
		name := d.Batch
		if st.out.By == "supplier" {
			name = d.Supplier
		}
		st.all[name] = append(st.all[name], d)
		if d.Levels != nil {
			st.groups[name] = append(st.groups[name], d)
		}
	}
	return nil
}

func title(p Product) string {
	if p.Revision == "" {
		return p.Name
	}
	return p.Name + " rev " + p.Revision
}

// choose checks the groups and finds the bands that all have.
func (st *study) choose() error {
	seen := map[string]bool{}
	for _, name := range st.names {
		if seen[name] {
			return refuse(Invalid, st.out.By, "name it once", "%q stands twice", name)
		}
		seen[name] = true
		if len(st.all[name]) == 0 {
			return refuse(Missing, st.out.By, "see them with: alike drivers list", "no driver of %s %q was taken in", st.out.By, name)
		}
		if n := len(st.groups[name]); n < 2 {
			return refuse(Invalid, st.out.By, "measure more of it", "of %s %q only %d drivers are measured; at least 2 are needed", st.out.By, name, n)
		}
	}
	bands, missing := st.setup.covered(st.measured())
	if len(bands) == 0 {
		return refuse(Invalid, "bands", "measure all over the same range", "there is no band that every driver covers")
	}
	if missing != "" {
		st.warn("Not every driver covers %s: these bands were left out.", missing)
	}
	st.bands = bands
	for _, i := range bands {
		st.out.Axis, st.out.Labels = append(st.out.Axis, st.setup.Band[i].Mid()), append(st.out.Labels, st.setup.Band[i].Label())
	}
	return nil
}

func (st *study) warn(format string, args ...any) {
	st.out.Warnings = append(st.out.Warnings, fmt.Sprintf(format, args...))
}

// measured returns the measured drivers of the groups asked for, in order.
func (st *study) measured() []Driver {
	var out []Driver
	for _, name := range st.names {
		out = append(out, st.groups[name]...)
	}
	return out
}

func (st *study) levels(d Driver) []float64 {
	out := make([]float64, len(st.bands))
	for i, b := range st.bands {
		out[i] = d.Levels[b]
	}
	return out
}

// describe counts each group.
func (st *study) describe() error {
	for _, name := range st.names {
		g := reports.DriverGroup{Name: name, Drivers: len(st.all[name]), Measured: len(st.groups[name])}
		for _, d := range st.all[name] {
			if !slices.Contains(g.Batches, d.Batch) {
				g.Batches = append(g.Batches, d.Batch)
			}
			switch {
			case d.Good:
				g.Good++
			case d.Bad:
				g.Bad++
			default:
				g.NotChecked++
			}
			if d.Polarity != 0 {
				g.Phases++
			}
			if d.Polarity < 0 {
				g.Reversed++
			}
			g.Supplier = d.Supplier
		}
		st.fromLedger(&g)
		g.Yield = reports.Yield{Name: "yield against the driver's limits", Good: g.Good, Of: g.Good + g.Bad, Share: math.NaN(), Low: math.NaN(), High: math.NaN(), Confidence: st.request.Confidence}
		if g.Yield.Of > 0 {
			var err error
			if g.Yield.Share, g.Yield.Low, g.Yield.High, err = sample.Share(g.Good, g.Yield.Of, st.request.Confidence); err != nil {
				return err
			}
		}
		for i := range st.bands {
			column := make([]float64, 0, g.Measured)
			for _, d := range st.groups[name] {
				column = append(column, d.Levels[st.bands[i]])
			}
			g.Mean = append(g.Mean, sample.Mean(column))
			g.SD = append(g.SD, math.Sqrt(sample.SumSquares(column)/float64(len(column)-1)))
		}
		if g.NotChecked > 0 {
			st.warn("%d of %d drivers of %s lack a measurement that has a limit: they count neither as good nor as bad.", g.NotChecked, g.Drivers, name)
		}
		if g.Phases < g.Measured {
			st.warn("Polarity was not checked for %d of %d drivers of %s: their takes hold no phase that could tell.", g.Measured-g.Phases, g.Measured, name)
		}
		st.out.Groups = append(st.out.Groups, g)
	}
	return nil
}

// fromLedger adds what the batches ledger knows of a group.
func (st *study) fromLedger(g *reports.DriverGroup) {
	for _, code := range g.Batches {
		b := st.batches[code]
		if b.Received != nil && (g.Received.IsZero() || b.Received.Before(g.Received)) {
			g.Received = *b.Received
		}
		if b.Pieces == 0 {
			g.Pieces = 0
			break
		}
		g.Pieces += b.Pieces
	}
	for _, code := range g.Batches {
		for _, v := range st.batches[code].Certificate {
			name := v.Name
			if len(g.Batches) > 1 {
				name = code + ": " + name
			}
			g.Certified = append(g.Certified, reports.Fact{Name: name, Value: fmt.Sprintf("%.6g %s", v.Value, v.Unit)})
		}
	}
}

// compare runs the tests over the bands. Games and Howell's intervals are the main
// ones: suppliers rarely scatter alike.
func (st *study) compare() error {
	st.out.Bands = make([]reports.Compared, len(st.bands))
	for i, b := range st.bands {
		st.out.Bands[i] = reports.Compared{Name: st.setup.Band[b].Name(), Unit: "dB", Margin: st.in.Margin, MeanP: math.NaN(), SpreadP: math.NaN(), BatchP: math.NaN()}
	}
	if len(st.names) < 2 {
		st.out.Headline.P = math.NaN()
		st.out.Conclusion = append(st.out.Conclusion, "One batch alone was judged; nothing was compared.")
		for i := range st.out.Bands {
			g := st.out.Groups[0]
			st.out.Bands[i].Groups = []reports.GroupValue{{Name: g.Name, N: g.Measured, Mean: g.Mean[i], SD: g.SD[i]}}
			st.out.Bands[i].BetweenSD, st.out.Bands[i].WithinSD = math.NaN(), g.SD[i]
			st.out.Bands[i].Share, st.out.Bands[i].ShareLow, st.out.Bands[i].ShareHigh = math.NaN(), math.NaN(), math.NaN()
		}
		return nil
	}
	o := compare.CurveOptions{
		Options: compare.Options{UnequalSpread: true, Margin: st.in.Margin, Confidence: st.request.Confidence, Unit: "dB"},
		Pieces:  "drivers",
		Draws:   st.request.Draws, Seed: st.request.Seed,
	}
	for _, b := range st.bands {
		o.Bands = append(o.Bands, st.setup.Band[b].Name())
	}
	if suppliers := st.suppliers(); suppliers != nil {
		return st.bySuppliers(suppliers, o)
	}
	survey, err := compare.Curves(st.rows(st.groupOf), o)
	if err != nil {
		return refuse(Invalid, "levels", "measure again, or leave the batch out", "%v", err)
	}
	o.UnequalSpread, o.Draws = false, 99
	tukey, err := compare.Curves(st.rows(st.groupOf), o)
	if err != nil {
		return refuse(Invalid, "levels", "measure again, or leave the batch out", "%v", err)
	}
	for i := range st.out.Bands {
		c := &st.out.Bands[i]
		c.MeanP, c.SpreadP = survey.MeanP[i], survey.SpreadP[i]
		fillCompared(c, survey.Bands[i], tukey.Bands[i])
		for k := range c.Pairs {
			c.Pairs[k].EquivalentP = survey.Pairs[k].P[i]
			c.Pairs[k].Word = standing(survey.Pairs[k].Equivalent[i], survey.Pairs[k].Beyond[i], survey.Bands[i].Pairs[k], st.request.Confidence)
		}
	}
	st.out.Headline = reports.Headline{P: survey.Joint.P, Exact: survey.Joint.Exact, Draws: survey.Joint.Draws}
	st.out.Conclusion, st.out.Warnings = append(st.out.Conclusion, survey.Conclusion...), append(st.out.Warnings, survey.Warnings...)
	for _, p := range survey.Pairs {
		st.out.Pairs = append(st.out.Pairs, st.pairOf(p))
	}
	st.variance()
	for _, g := range st.out.Groups {
		if st.out.By == "supplier" {
			st.warn("Supplier %s is known from one batch only: a difference between suppliers cannot be told from one between batches.", g.Name)
		}
	}
	return nil
}

func (st *study) groupOf(d Driver) string {
	if st.out.By == "supplier" {
		return d.Supplier
	}
	return d.Batch
}

// rows gathers levels by a name of each driver.
func (st *study) rows(name func(Driver) string) []compare.Batch {
	var out []compare.Batch
	at := map[string]int{}
	for _, d := range st.measured() {
		n := name(d)
		i, ok := at[n]
		if !ok {
			i = len(out)
			at[n] = i
			out = append(out, compare.Batch{Name: n})
		}
		out[i].Rows = append(out[i].Rows, st.levels(d))
	}
	return out
}

func (st *study) pairOf(p compare.BatchPair) reports.GroupPair {
	g := reports.GroupPair{A: p.A, B: p.B, Everywhere: p.Everywhere, Open: p.Open, Settle: p.Settle}
	for i := range p.Equivalent {
		if p.Equivalent[i] || p.Everywhere {
			g.Equivalent++
		}
		if p.Beyond[i] {
			g.Beyond++
		}
	}
	least := min(len(st.groups[p.A]), len(st.groups[p.B]))
	if p.Settle > least {
		g.More = p.Settle - least
	}
	return g
}

// standing says how a pair of means stands against the margin.
func standing(equivalent, beyond bool, p compare.Pair, confidence float64) string {
	switch {
	case beyond:
		return "differs"
	case equivalent && p.Tested && p.P <= 1-confidence:
		return "differs little"
	case equivalent:
		return "equivalent"
	}
	return "open"
}
