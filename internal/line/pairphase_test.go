package line_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/envelope"
)

// A pairBench builds simulated units with phase in their takes.
type pairBench struct {
	*line.Line
	t       *testing.T
	product *sim.Product
	n       int
}

func pairs(t *testing.T) *pairBench {
	t.Helper()
	p := sim.TB40()
	l, _ := workshop(t, simulatedWithFaults(p))
	b := &pairBench{Line: l, t: t, product: p}
	b.build(30, nil)
	if _, err := l.Freeze(t.Context(), tester, p.Code, line.Freezing{Baseline: line.Baseline{Lot: "A"}, Reason: "good", Boards: 60}); err != nil {
		t.Fatal(err)
	}
	return b
}

func simulatedWithFaults(p *sim.Product) line.Product {
	def := simulated(p)
	def.Signatures = nil
	for _, g := range p.Signatures() {
		s := line.Signature{Key: g.Key, Words: g.Words, Check: g.Check}
		for i, b := range p.Bands() {
			s.Points = append(s.Points, line.Point{b.Mid(), g.DB[i]})
		}
		def.Signatures = append(def.Signatures, s)
	}
	return def
}

// build measures units that are changed once they are drawn.
func (b *pairBench) build(units int, change func(*sim.Unit), faults ...sim.Change) (out []line.Receipt) {
	b.t.Helper()
	for range units {
		u := b.product.Draw(sim.Key{Seed: 12, Lot: 1, Unit: b.n}, faults...)
		if change != nil {
			change(u)
		}
		var takes []curve.Take
		for ch, name := range sim.Channels {
			for seat := 1; seat <= sim.Seatings; seat++ {
				takes = append(takes, curve.Take{
					Identity: curve.Identity{Lot: "A", Serial: fmt.Sprintf("P%03d", b.n), Channel: name, Seating: seat, MeasuredAt: moment.Add(time.Duration(b.n) * time.Minute)},
					Curve:    u.Curve(ch, 1, seat),
				})
			}
		}
		b.n++
		out = append(out, intake(b.t, b.Line, takes))
	}
	return out
}

// With phase in the takes a reversed channel is found and named; without it the verdict
// says that polarity was not checked.
func TestReversedChannelIsNamed(t *testing.T) {
	t.Parallel()
	b := pairs(t)
	for ch, name := range sim.Channels {
		v := b.build(1, func(u *sim.Unit) { u.Reversed[ch] = true })[0].Verdict
		if v.Word != envelope.Fail || v.Polarity != "opposed" || v.Reversed != name {
			t.Errorf("%s reversed: %+v", name, v)
		}
		mustHold(t, "verdict", v.Sentence, "by its phase the "+name+" channel is reversed: check the wiring of its driver")
	}
	good := b.build(5, nil)
	for _, r := range good {
		if v := r.Verdict; v.Polarity != "same" || v.Reversed != "" || slices.ContainsFunc(v.NotChecked, func(s string) bool { return strings.Contains(s, "polarity") }) {
			t.Errorf("a good unit: %+v", v)
		}
	}
	u := b.product.Draw(sim.Key{Seed: 12, Lot: 2})
	var takes []curve.Take
	for ch, name := range sim.Channels {
		for seat := 1; seat <= sim.Seatings; seat++ {
			c := u.Curve(ch, 1, seat)
			c.Phase = nil
			takes = append(takes, curve.Take{Identity: curve.Identity{Lot: "A", Serial: "NOPHASE", Channel: name, Seating: seat, MeasuredAt: moment.Add(time.Hour)}, Curve: c})
		}
	}
	if v := intake(t, b.Line, takes).Verdict; v.Polarity != "" || !slices.ContainsFunc(v.NotChecked, func(s string) bool { return strings.HasPrefix(s, "polarity: ") }) {
		t.Errorf("without phase: %+v", v)
	}
}

// A run of units that all have the right channel reversed and a leak beside it: one finding
// whose first cause is the polarity, and the leak is ranked behind it.
func TestReversedRunIsACause(t *testing.T) {
	t.Parallel()
	b := pairs(t)
	b.build(3, nil)
	b.build(8, func(u *sim.Unit) { u.Reversed[1] = true }, func(channel int, p sim.Params) sim.Params {
		if channel == 1 {
			return p.GlueGap(sim.Slit{Width: 15e-3, Gap: 0.6e-3, Depth: 3e-3})
		}
		return p
	})
	all, err := b.Findings(t.Context(), "", "", 10)
	step(t, err)
	if len(all) != 1 {
		t.Fatalf("%d findings", len(all))
	}
	f, err := b.Finding(t.Context(), all[0].Number)
	step(t, err)
	c := f.Analysis.Causes
	if len(c) < 2 || c[0].Key != line.Reversed || c[0].Units < 7 || fmt.Sprint(c[0].Channels) != "[right]" || c[1].Key != "glue-gap" {
		t.Errorf("%+v", c)
	}
	mustHold(t, "sentence", f.Analysis.Sentence, "units have the right channel reversed", "glue seam")
	if f.Analysis.Checks[len(f.Analysis.Checks)-1].Check == "" || !slices.ContainsFunc(f.Analysis.Checks, func(r line.PlanRow) bool { return strings.Contains(r.Check, "plus to plus") }) {
		t.Errorf("checks %+v", f.Analysis.Checks)
	}
}

// Every unit swapped from one on, as when connectors were exchanged: one finding with the
// cause swapped, and no leak is blamed.
func TestSwappedRunIsOneFinding(t *testing.T) {
	t.Parallel()
	b := pairs(t)
	b.build(5, nil)
	first := b.n
	b.build(12, func(u *sim.Unit) { u.Swapped = true })
	all, err := b.Findings(t.Context(), "", "", 10)
	step(t, err)
	if len(all) != 1 {
		for _, f := range all {
			t.Log(f.Kind, f.FirstSerial, f.Analysis.Sentence)
		}
		t.Fatalf("%d findings", len(all))
	}
	f, err := b.Finding(t.Context(), all[0].Number)
	step(t, err)
	a := f.Analysis
	if f.Kind != line.TheLine || a.Change.Serial != fmt.Sprintf("P%03d", first) || len(a.Causes) != 1 || a.Causes[0].Key != line.Swapped || a.Causes[0].Units < 11 {
		t.Errorf("%+v since %+v: %+v", f.Kind, a.Change, a.Causes)
	}
	mustHold(t, "sentence", a.Sentence, "the channels are exchanged")
	if !slices.ContainsFunc(a.Checks, func(r line.PlanRow) bool { return strings.Contains(r.Check, "connectors") }) {
		t.Errorf("checks %+v", a.Checks)
	}
}

// Two faults of nearly one shape: a finding says that its units do not tell them apart, how
// many would, and which looks tell.
func TestFindingSaysWhatItDoesNotTell(t *testing.T) {
	t.Parallel()
	w := bench(t, func(p *line.Product) {
		p.Signatures = append(p.Signatures, line.Signature{Key: "seam", Words: "seam is open", Check: "Look at the seam.", Points: []line.Point{{20, -4.1}, {125, -3}, {500, -0.55}, {1000, 0}, {20000, 0}}})
	})
	w.build(2, nil, nil)
	w.build(8, leak, nil)
	a := w.finding(w.findings()[0].Number).Analysis
	if len(a.Untold) != 1 || a.Untold[0].Share < 0.99 {
		t.Fatalf("%+v", a.Untold)
	}
	u := a.Untold[0]
	mustHold(t, "text", u.Text, "Its curve does not tell it from", "of their shape in common", "Look at the seal.", "Look at the seam.")
	if u.Units != 0 && u.Units <= 8 {
		t.Errorf("%d units would tell, and 8 did not", u.Units)
	}
	// A unit that did not pass says the same of itself.
	r := w.build(1, func(hz float64) float64 { return 3 * leak(hz) }, nil)[0]
	d, err := w.UnitDetail(t.Context(), r.Serial)
	step(t, err)
	if len(d.Fits) == 0 || len(d.Fits[0].Untold) != 1 {
		t.Fatalf("%+v", d.Fits)
	}
	mustHold(t, "of the unit", d.Fits[0].Untold[0].Text, "Look at the seal.", "Look at the seam.")
	// Faults of other shapes are told apart, and nothing is said.
	w2 := bench(t, nil)
	w2.build(2, nil, nil)
	w2.build(8, leak, nil)
	if a := w2.finding(w2.findings()[0].Number).Analysis; len(a.Untold) != 0 {
		t.Errorf("%+v", a.Untold)
	}
}
