package line_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/spc/envelope"
	"alike/spc/gauge"
)

// A rigBench draws takes with known spreads: of units, operators and seatings, in dB and
// different from band to band.
type rigBench struct {
	rng                         *rand.Rand
	unit, operator, rigs        map[string][8]float64
	unitSD, operatorSD, seating float64
}

func newRigBench() *rigBench {
	return &rigBench{
		rng: rand.New(rand.NewPCG(9, 9)), unit: map[string][8]float64{}, operator: map[string][8]float64{}, rigs: map[string][8]float64{},
		unitSD: 0.5, operatorSD: 0.2, seating: 0.3,
	}
}

func (b *rigBench) draw(of map[string][8]float64, name string, sd float64) [8]float64 {
	v, ok := of[name]
	if !ok {
		for i := range v {
			v[i] = sd * b.rng.NormFloat64()
		}
		of[name] = v
	}
	return v
}

// octave is the octave band of the small product that a frequency lies in.
func octave(hz float64) int { return min(7, max(0, int(math.Round(math.Log2(hz/62.5))))) }

// run makes the takes of one run of a study.
func (b *rigBench) run(study string, r gauge.Run, kind string) []curve.Take {
	var out []curve.Take
	u := b.draw(b.unit, r.Part, b.unitSD)
	var o [8]float64
	if kind == line.GaugeStudy {
		o = b.draw(b.operator, r.Operator, b.operatorSD)
	} else {
		o = b.rigs[r.Operator]
	}
	for _, ch := range []string{"left", "right"} {
		var seat [8]float64
		for i := range seat {
			seat[i] = b.seating * b.rng.NormFloat64()
		}
		t := take(r.Part, ch, r.Trial, 0, func(hz float64) float64 { i := octave(hz); return u[i] + o[i] + seat[i] })
		t.Lot, t.Operator, t.Station = study, r.Operator, r.Operator
		out = append(out, t)
	}
	return out
}

// measure plans a study and measures all of its runs but some.
func (b *rigBench) measure(t *testing.T, l *line.Line, p line.StudyPlan, leave int) line.Receipt {
	t.Helper()
	if err := l.AddStudy(t.Context(), tester, p); err != nil {
		t.Fatal(err)
	}
	s, err := l.Study(t.Context(), p.Code)
	if err != nil {
		t.Fatal(err)
	}
	var r line.Receipt
	for _, run := range s.Runs[:len(s.Runs)-leave] {
		r = intake(t, l, b.run(p.Code, run, p.Kind))
		if len(refusals(r)) > 0 {
			t.Fatalf("%+v: %q", run, refusals(r))
		}
	}
	return r
}

func plan(code string, units int) line.StudyPlan {
	p := line.StudyPlan{Code: code, Kind: line.GaugeStudy, By: []string{"Jorun", "Pelle", "Savka"}, Trials: 3, Seed: 7, Reason: "new pads"}
	for n := range units {
		p.Units = append(p.Units, fmt.Sprintf("G%d", n))
	}
	return p
}

// From the plan to limits in force: the study finds the spreads that were put in, its
// takes are no production, its guard bands judge, and its seatings ask for a reseat.
func TestStudyFromPlanToLimits(t *testing.T) {
	t.Parallel()
	p := product()
	p.Seatings, p.Bands = 3, line.Span{From: 63, To: 8000}
	l, db := workshop(t, p)
	b := newRigBench()
	r := b.measure(t, l, plan("GS-1", 10), 1)
	if r.Study == nil || r.Study.Done != 89 || r.Study.Of != 90 {
		t.Fatalf("%+v", r.Study)
	}
	early, err := l.GaugeSheet(t.Context(), "GS-1", line.ResultOptions{})
	if err != nil || early.Measured() || len(early.Runs) != 90 {
		t.Fatalf("%v, measured %v", err, early.Measured())
	}
	var refused *line.Refusal
	if _, _, err := l.GuardFromStudy(t.Context(), tester, "GS-1", line.ResultOptions{}, "r"); !errors.As(err, &refused) || !strings.Contains(refused.Reason, "1 of 90 runs of study GS-1 are not measured") {
		t.Errorf("%v", err)
	}
	s, _ := l.Study(t.Context(), "GS-1")
	left := s.Left()
	if len(left) != 1 || left[0] != s.Runs[89] {
		t.Fatalf("left %+v", left)
	}
	intake(t, l, b.run("GS-1", left[0], line.GaugeStudy))
	lots, err := db.Site("main").Lots(t.Context())
	if err != nil || len(lots) != 0 {
		t.Errorf("the study is production: %+v (%v)", lots, err)
	}

	res, err := l.GaugeSheet(t.Context(), "GS-1", line.ResultOptions{})
	if err != nil || !res.Measured() {
		t.Fatal(err)
	}
	pooled, guards, n := 0.0, 0.0, 0.0
	for _, row := range res.Rows {
		if row.Quantity != "deviation" || row.Label == "1k" { // the anchor itself does not vary
			continue
		}
		pooled, guards, n = pooled+row.Repeatability*row.Repeatability, guards+row.Guard/row.Mean, n+1
		if row.Best < 1 || row.Distinct < 1 || math.Abs(row.Guard-1.6448536*row.Mean) > 1e-6 {
			t.Errorf("%+v", row)
		}
	}
	// Anchored, a band's seating error is its own and the anchor's: √2 · 0.3 dB. Fourteen
	// rows of 60 degrees of freedom that share the anchors know it to 5 %.
	if got, want := math.Sqrt(pooled/n), math.Sqrt2*0.3; math.Abs(got/want-1) > 0.08 {
		t.Errorf("repeatability %.3f dB, want %.3f", got, want)
	}
	if res.Best < 1 || len(res.Choices) != 10 || !(res.Choices[2].Sigma < res.Choices[0].Sigma) {
		t.Errorf("best %d of %+v", res.Best, res.Choices)
	}

	if _, _, err := l.GuardFromStudy(t.Context(), tester, "GS-1", line.ResultOptions{}, ""); err == nil {
		t.Error("limits changed without a reason")
	}
	v, _, err := l.GuardFromStudy(t.Context(), tester, "GS-1", line.ResultOptions{}, "after the new pads")
	if err != nil || v != 2 {
		t.Fatalf("version %d (%v)", v, err)
	}
	rows, err := db.Site("main").Envelopes(t.Context(), "p1")
	if err != nil || !strings.Contains(rows[1].Reason, "guard bands from gauge study GS-1 for 3 seatings, risk 0.05: after the new pads") {
		t.Errorf("%+v (%v)", rows, err)
	}
	e, err := line.ParseEnvelope(rows[1].Definition)
	if err != nil || len(e.Guard) != 8 { // the product's own range, and seven bands
		t.Fatalf("%+v (%v)", e.Guard, err)
	}
	for _, g := range e.Guard[1:] {
		widest := 0.0
		for _, row := range res.Rows {
			if row.Quantity == "deviation" && math.Abs(math.Log2(row.Mid/g.From)) < 0.1 {
				widest = math.Max(widest, row.Guard)
			}
		}
		if g.DB < widest || g.DB > widest+0.01 || g.From != g.To {
			t.Errorf("guard %+v, the study asks for %.4f dB", g, widest)
		}
	}

	three := func(serial string, odd float64) []curve.Take {
		var out []curve.Take
		for _, ch := range []string{"left", "right"} {
			for seat := 1; seat <= 3; seat++ {
				shape := flat
				if ch == "right" && seat == 2 {
					shape = func(hz float64) float64 { return -odd / (1 + math.Pow(hz/150, 4)) }
				}
				out = append(out, take(serial, ch, seat, 0.001*float64(seat)+0.01*one(ch == "left")+0.037*odd, shape))
			}
		}
		return out
	}
	// The product's own 3 dB of seating spread are coarse: 2.6 dB pass by it.
	first := intake(t, l, three("P1", 2.6))
	if first.Verdict == nil {
		t.Fatalf("%+v %q", first, refusals(first))
	}
	before := first.Verdict
	if before.Word == envelope.Reseat {
		t.Fatalf("%+v", before)
	}
	if _, r, err := l.SeatingFromStudy(t.Context(), tester, "GS-1", line.ResultOptions{}, "after the new pads"); err != nil || !(r.SeatingSpread[0] > 1.2 && r.SeatingSpread[0] < 2.3) {
		t.Fatalf("%+v (%v)", r.SeatingSpread, err)
	}
	odd := three("P2", 2.7)
	after := intake(t, l, odd).Verdict
	if after.Word != envelope.Reseat || !strings.HasPrefix(after.Sentence, "right, 63 Hz band: the seatings differ by 2.6 dB, more than the") || !strings.Contains(after.Sentence, "(seating 2 lies apart)") {
		t.Errorf("%+v", after)
	}
	if good := intake(t, l, three("P3", 0)).Verdict; good.Word != envelope.Pass {
		t.Errorf("%+v", good)
	}
	lot, err := l.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	said := false
	for _, f := range lot.Method.Lines {
		said = said || f.Name == "Seatings" && strings.Contains(f.Value, "comes from gauge study GS-1 (version 1 of ")
	}
	if !said {
		t.Error("the Method sheet does not say where the seating limits come from")
	}
}

// What is not in the plan is refused with what to do, and nothing of it is stored.
func TestStudyRefusesWhatIsNotPlanned(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	intake(t, l, visit("U1", flat, flat))
	p := plan("L1", 3)
	var refused *line.Refusal
	if err := l.AddStudy(t.Context(), tester, p); !errors.As(err, &refused) || refused.Kind != line.Conflict || !strings.Contains(refused.Reason, "is a lot of production") {
		t.Errorf("%v", err)
	}
	b := newRigBench()
	b.measure(t, l, plan("GS-1", 3), 26)
	if err := l.AddStudy(t.Context(), tester, plan("GS-1", 3)); !errors.As(err, &refused) || refused.Kind != line.Conflict {
		t.Errorf("planned twice: %v", err)
	}
	s, _ := l.Study(t.Context(), "GS-1")
	good := b.run("GS-1", s.Runs[1], line.GaugeStudy)[0]
	for _, tt := range []struct {
		change func(*curve.Take)
		say    string
	}{
		{func(k *curve.Take) { k.Serial = "X" }, "study GS-1 has no unit X"},
		{func(k *curve.Take) { k.Operator = "Nobody" }, `study GS-1 has no operator "Nobody"`},
		{func(k *curve.Take) { k.Operator = "" }, `study GS-1 needs the operator, and the take names none`},
		{func(k *curve.Take) { k.Seating = 4 }, "seating 4 of unit " + good.Serial + " is more than the 3"},
		{func(k *curve.Take) {
			k.Serial, k.Operator, k.Seating = s.Runs[0].Part, s.Runs[0].Operator, s.Runs[0].Trial
		}, "is stored already with another curve"},
	} {
		k := good
		tt.change(&k)
		r := intake(t, l, []curve.Take{k})
		if got := strings.Join(refusals(r), ""); !strings.Contains(got, tt.say) {
			t.Errorf("%q, want %q", got, tt.say)
		}
	}
	half := intake(t, l, []curve.Take{good})
	if half.Study.Done != 1 || !strings.HasPrefix(half.Study.Waiting, "right") {
		t.Errorf("%+v", half.Study)
	}
	if again := intake(t, l, []curve.Take{good}); again.New() {
		t.Error("the same take is stored twice")
	}
	for _, bad := range []line.StudyPlan{{Code: "", Kind: "gauge"}, {Code: "a", Kind: "x"}, {Code: "a", Kind: "rigs", By: []string{"1"}}, {Code: "a", Kind: "gauge", Units: []string{"u"}, By: []string{"x"}, Trials: 2, Reason: "r"}} {
		if err := l.AddStudy(t.Context(), tester, bad); err == nil {
			t.Errorf("%+v is accepted", bad)
		}
	}
}

// A rig that reads 0.8 dB higher at 63 Hz and 0.5 dB lower at 8 kHz is found, within
// the interval that is given, and the rest is not said to differ.
func TestTransferFindsTheOtherRig(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	b := newRigBench()
	b.seating = 0.1
	b.rigs["rig-b"] = [8]float64{0: 0.8, 7: -0.5}
	p := plan("TR-1", 8)
	p.Kind, p.By = line.RigsStudy, []string{"rig-a", "rig-b"}
	b.measure(t, l, p, 0)
	tr, err := l.Transfer(t.Context(), "TR-1", 0)
	if err != nil || tr.Units != 8 || len(tr.Rows) != 16 {
		t.Fatalf("%+v (%v)", tr, err)
	}
	for _, r := range tr.Rows {
		want := map[string]float64{"63": 0.8, "8k": -0.5}[r.Label]
		if r.Differs != (want != 0) || want < r.Low || want > r.High || !(r.UnitU > r.U) {
			t.Errorf("%+v, want %v", r, want)
		}
	}
	// It says nothing of operators.
	if _, _, err := l.GuardFromStudy(t.Context(), tester, "TR-1", line.ResultOptions{}, "r"); err == nil {
		t.Error("a comparison of rigs gives guard bands")
	}
	p.Code = "TR-2"
	b.measure(t, l, p, 48)
	if _, err := l.Transfer(t.Context(), "TR-2", 0); err == nil {
		t.Error("a curve from nothing")
	}
}
