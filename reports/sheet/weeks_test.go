package sheet

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"alike/reports"
)

func weeksOf(n int) reports.Weeks {
	w := reports.Weeks{From: made.Made, Until: made.Made.AddDate(0, 0, 7*n-1), Sites: []string{"Tarnbeck", "=1+1"}, Program: "alike test"}
	for i := range n {
		name := "2026 week " + itoa(i+30)
		w.Names = append(w.Names, name)
		w.Rows = append(w.Rows, reports.WeekRow{Site: "Tarnbeck", Product: "tb40", Week: name, Lots: 1, Units: 40, Judged: 40, Asked: 0.9, RigDays: 5, Unchecked: 1,
			First: reports.Yield{Good: 38, Of: 40, Share: 0.95, Low: 0.83, High: 0.99}, Final: reports.Yield{Good: 40, Of: 40, Share: 1, Low: 0.9, High: 1}})
	}
	w.Rows = append(w.Rows, reports.WeekRow{Site: "=1+1", Product: "tb40", Week: w.Names[0], First: reports.Yield{Share: math.NaN(), Low: math.NaN(), High: math.NaN()}, Final: reports.Yield{Share: math.NaN()}})
	w.Eyes = []reports.Eye{{Site: "Tarnbeck", About: "lot L1", Sentence: "The signature does not fit the lot's data any more."}}
	w.Lots = []reports.WeekLot{{Site: "Tarnbeck", Product: "tb40", Lot: "L1", Opened: made.Made, Units: 40, State: "decided", Outcome: "accept", Who: "Ilse", Reason: "good", At: made.Made, Signature: "fits"}}
	w.Findings = []reports.WeekFinding{{Site: "Tarnbeck", Product: "tb40", Number: 3, Kind: "the line", State: "open", Seen: made.Made, Sentence: "left falls"}}
	w.RigDays = []reports.WeekRigDay{{Site: "Tarnbeck", Product: "tb40", Rig: "rig-1", Day: "2026-09-30", Units: 8}}
	return w
}

func TestWriteWeeks(t *testing.T) {
	for _, n := range []int{1, 6, 53} {
		var b bytes.Buffer
		if err := WriteWeeks(&b, weeksOf(n), made); err != nil {
			t.Fatal(err)
		}
		f := open(t, b.Bytes())
		if got := f.GetSheetList(); !slices.Equal(got, []string{"Weekly", "Weeks", "Lots", "Findings", "Rig days", "Data"}) {
			t.Errorf("sheets %v", got)
		}
		if head, _ := f.GetCellValue("Weekly", "A1"); !strings.HasPrefix(head, "Weekly report, 2026 week 30") {
			t.Errorf("the first page begins %q", head)
		}
		cell(t, f, "Weekly", "B4", "One thing needs a look")
		cell(t, f, "Weekly", "B5", "Tarnbeck, lot L1: The signature does not fit the lot's data any more.")
		cell(t, f, "Weeks", "F5", "38")
		cell(t, f, "Weeks", "H5", "95.0%")
		cell(t, f, "Lots", "L5", "fits")
		cell(t, f, "Rig days", "D5", "2026-09-30")
		if formula, err := f.GetCellFormula("Weeks", "A"+itoa(5+n)); err != nil || formula != "" {
			t.Errorf("a workshop's name is a formula: %q (%v)", formula, err)
		}
		var again bytes.Buffer
		if err := WriteWeeks(&again, weeksOf(n), made); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
			t.Errorf("the same report gives other bytes (%v)", err)
		}
	}
	empty := weeksOf(1)
	empty.Rows, empty.Eyes = nil, nil
	var b bytes.Buffer
	if err := WriteWeeks(&b, empty, made); err != nil {
		t.Fatal(err)
	}
	f := open(t, b.Bytes())
	cell(t, f, "Weekly", "B4", "Nothing needs a look.")
	if err := WriteWeeks(&b, reports.Weeks{}, made); err == nil {
		t.Error("a report without weeks is written")
	}
	o := made
	o.Paper = "A5"
	if err := WriteWeeks(&b, weeksOf(1), o); err == nil || !strings.Contains(err.Error(), "use A4 or Letter") {
		t.Errorf("paper A5: %v", err)
	}
}
