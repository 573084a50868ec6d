package sheet

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"alike/reports"

	"github.com/xuri/excelize/v2"
)

func study(measured bool) reports.Gauge {
	g := reports.Gauge{
		Site: "Workshop", Product: "TB40", Code: "GS-1", Reason: "=new pads", Author: "x", Planned: made.Made, By: "operator",
		Units: []string{"U1", "U2"}, Who: []string{"Jorun", "Pelle"}, Trials: 1, Seed: 7, Seatings: 3, Risk: 0.05,
	}
	for i, u := range []string{"U2", "U1", "=U1", "U2"} {
		g.Runs = append(g.Runs, reports.GaugeRun{Order: i + 1, Unit: u, Operator: "Jorun", Trial: 1, Done: measured, At: time.Date(2026, 9, 7, 8, i, 0, 0, time.UTC)})
	}
	if measured {
		g.Best = 2
		g.Rows = []reports.GaugeRow{
			{Quantity: "deviation", Channel: "left", Label: "1k", Repeatability: 0.25, Reproducibility: 0.1, Part: 0.5, Guard: 0.3, Distinct: 2, Best: 2},
			{Quantity: "balance", Part: math.NaN(), Repeatability: math.NaN(), Note: "no spread: the study does not tell"},
		}
		g.Choices = []reports.SeatingRow{{Seatings: 1, Sigma: 0.3, Effort: 1}, {Seatings: 2, Sigma: 0.2, Gain: 1. / 3, Effort: 0.9}}
	}
	return g
}

func gaugeBook(t *testing.T, g reports.Gauge) *excelize.File {
	t.Helper()
	var first, second bytes.Buffer
	for _, w := range []*bytes.Buffer{&first, &second} {
		if err := WriteGauge(w, g, made); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the same study gives other bytes")
	}
	f, err := excelize.OpenReader(&first)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// The plan is a list to work by: every run in its order, and text stays text.
func TestGaugePlanIsAListToWorkBy(t *testing.T) {
	f := gaugeBook(t, study(false))
	if got := strings.Join(f.GetSheetList(), " "); got != "Plan" {
		t.Errorf("sheets %s", got)
	}
	rows, err := f.GetRows("Plan")
	if err != nil || len(rows) != headRow+4 {
		t.Fatalf("%d rows (%v)", len(rows), err)
	}
	if got := rows[headRow+2]; got[0] != "3" || got[1] != "=U1" || got[2] != "Jorun" || got[5] != "☐" {
		t.Errorf("%q", got)
	}
	for _, want := range []string{"random (seed 7)", "Every take names lot GS-1", "0 of 4 runs measured", "never wear one"} {
		if !strings.Contains(rows[1][0], want) {
			t.Errorf("the caption lacks %q: %s", want, rows[1][0])
		}
	}
	if formula, _ := f.GetCellFormula("Plan", "B7"); formula != "" {
		t.Errorf("a serial became the formula %q", formula)
	}
}

func TestGaugeResultSheet(t *testing.T) {
	f := gaugeBook(t, study(true))
	if got := strings.Join(f.GetSheetList(), " "); got != "Plan Result Seatings" {
		t.Errorf("sheets %s", got)
	}
	rows, _ := f.GetRows("Result")
	if got := rows[headRow]; got[2] != "1k" || got[3] != "0.25" || got[11] != "0.30" || got[12] != "2" {
		t.Errorf("%q", got)
	}
	if got := rows[headRow+1]; got[3] != missing || got[13] != "no spread: the study does not tell" {
		t.Errorf("%q", got)
	}
	rows, _ = f.GetRows("Seatings")
	if rows[0][0] != "Seatings worth taking: 2" || rows[headRow+1][0] != "✓" || rows[headRow+1][3] != "33.3%" {
		t.Errorf("%q", rows)
	}
	if err := WriteGauge(&bytes.Buffer{}, study(true), Options{Paper: "B5"}); err == nil {
		t.Error("paper B5 is accepted")
	}
}
