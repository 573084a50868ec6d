package line_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/internal/curve"
	"alike/internal/line"
)

// Suppliers with several batches: the comparison rests on the batch means, so that
// batches that differ widen it, and says so.
func TestSuppliersAreComparedByTheirBatches(t *testing.T) {
	t.Parallel()
	l, _ := driverLine(t)
	var batches []line.Batch
	for code, supplier := range map[string]string{"NV1": "Norvane", "NV22": "Norvane", "NV333": "Norvane", "OS1": "Ostrel", "OS22": "Ostrel", "OS333": "Ostrel"} {
		batches = append(batches, line.Batch{Kind: "driver", Code: code, Supplier: supplier})
	}
	if _, err := l.AddBatches(t.Context(), tester, "", batches); err != nil {
		t.Fatal(err)
	}
	for _, b := range []struct {
		code      string
		offset    float64
		resonance float64
	}{{"NV1", -0.5, 118}, {"NV22", 0, 120}, {"NV333", 0.5, 123}, {"OS1", 0.1, 124}, {"OS22", 0.9, 127}} {
		fillDrivers(t, l, b.code, 12, b.offset, b.resonance)
	}
	intake(t, l, []curve.Take{driverTake(rand.New(rand.NewPCG(1, 1)), "OS333-001", "OS333", 0, false)})
	st, err := l.DriverStudy(t.Context(), line.StudyRequest{Suppliers: []string{"Norvane", "Ostrel"}, Draws: 99, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	// Five batches in groups of three and two: ten arrangements.
	if !st.Nested || st.Headline.Draws != 10 || !st.Headline.Exact {
		t.Errorf("%+v", st.Headline)
	}
	for _, b := range st.Bands {
		d := b.Pairs[0]
		// The means of the batches differ by 0.5 dB within a supplier: the interval of
		// the suppliers' difference is far wider than that of drivers counted singly, and
		// holds the planted 0.5 dB.
		if !(d.Low < 0.5 && 0.5 < d.High) || d.High-d.Low < 2*(d.TukeyHigh-d.TukeyLow) || d.Word != "open" || !(b.BatchP < 0.05) || b.BetweenSD < 0.2 || b.Share < 0.3 || !(b.ShareLow < b.Share && b.Share < b.ShareHigh) {
			t.Errorf("%+v", b)
		}
		if b.Groups[0].N != 36 || b.Groups[1].N != 24 || math.Abs(b.Groups[1].Mean-b.Groups[0].Mean-d.Difference) > 1e-9 {
			t.Errorf("%+v", b.Groups)
		}
	}
	text := strings.Join(st.Conclusion, "\n")
	for _, part := range []string{"So few batches cannot show a difference between suppliers", "Batches of the same supplier differ in", "however many drivers of it were measured", "within the margin of 0.5 dB", "lies between batches of the same supplier"} {
		if !strings.Contains(text, part) {
			t.Errorf("no %q in\n%s", part, text)
		}
	}
	if strings.Contains(text, "units of each") {
		t.Errorf("more drivers are asked for where batches lack:\n%s", text)
	}
	if !strings.Contains(strings.Join(st.Warnings, "\n"), "1 of 3 batches of Ostrel have only one measured driver") {
		t.Errorf("%q", st.Warnings)
	}
	// Each batch is accepted or refused for itself: what is sent back is a batch.
	resonance := map[string]string{}
	for _, g := range st.Groups {
		for _, a := range g.Acceptance {
			if a.Of == "mean and spread of resonance frequency" {
				resonance[a.Batch] = a.Word
			}
			if a.Of == "bad drivers" && !strings.HasPrefix(a.Found, map[bool]string{true: "0 bad of 0 ", false: "0 bad of 12 "}[a.Batch == "OS333"]) {
				t.Errorf("%s: %s", a.Batch, a.Found)
			}
		}
	}
	if len(resonance) != 6 || resonance["NV22"] != "accept" || resonance["OS22"] != "refuse" || resonance["OS333"] != "measure more" {
		t.Errorf("%v", resonance)
	}
	m := st.Metrics[0]
	if m.Pairs[0].High-m.Pairs[0].Low < m.Pairs[0].TukeyHigh-m.Pairs[0].TukeyLow || !strings.Contains(strings.Join(m.Sentences, " "), "batches") || !(m.BatchP < 1) {
		t.Errorf("%+v", m)
	}
	// The same batches without their suppliers differ for certain.
	st, err = l.DriverStudy(t.Context(), line.StudyRequest{Batches: []string{"NV1", "NV333"}, Draws: 99})
	if err != nil || st.Nested || st.Headline.P > 0.05 || !math.IsNaN(st.Bands[0].BatchP) {
		t.Errorf("%+v, %v", st.Headline, err)
	}
}
