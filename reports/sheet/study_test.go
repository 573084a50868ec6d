package sheet

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"alike/reports"
	"alike/reports/reporttest"

	"github.com/xuri/excelize/v2"
)

func writeStudy(t tester, s reports.DriverStudy, o Options) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := WriteStudy(&buf, s, o); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func writePicks(t tester, l reports.PickList, o Options) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := WritePicks(&buf, l, o); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func TestStudySheets(t *testing.T) {
	s := reporttest.Study(3, 20)
	raw := writeStudy(t, s, made)
	if !bytes.Equal(raw, writeStudy(t, s, made)) {
		t.Error("the same study gives other bytes")
	}
	f := open(t, raw)
	if got := f.GetSheetList(); !slices.Equal(got, studySheets) {
		t.Errorf("sheets %v", got)
	}
	cell(t, f, "Answer", "A1", "Drivers: B1, B2, B3")
	cell(t, f, "Answer", "B4", s.Conclusion[0])
	_, row := find(t, f, "Answer", "B2")
	cell(t, f, "Answer", at(6, row), "18")
	cell(t, f, "Answer", at(9, row), "97.0%")
	cell(t, f, "Answer", at(12, row), "–") // the pairs of B2 are not known
	_, row = find(t, f, "Answer", "B3")
	cell(t, f, "Answer", at(12, row), "46.2 (44 to 48)")
	find(t, f, "Answer", s.Warnings[0])
	// Three pairs in each band: rows 5 to 7 are the first band, all equivalent.
	cell(t, f, "Bands", "B5", "100")
	cell(t, f, "Bands", "N5", "equivalent within the margin")
	cell(t, f, "Bands", "A8", "≠")
	cell(t, f, "Bands", "N8", "differs by more than the margin")
	cell(t, f, "Bands", "N14", "open: more drivers needed")
	cell(t, f, "Levels", "D5", "0.40")
	cell(t, f, "Numbers", "B5", "resonance frequency, Hz")
	cell(t, f, "Acceptance", "D7", "measure more")
	// A serial that looks like a formula stays text; what was not measured is a dash.
	cell(t, f, "Drivers", "B5", "=B1-001")
	if formula, err := f.GetCellFormula("Drivers", "B5"); err != nil || formula != "" {
		t.Errorf("formula %q, %v", formula, err)
	}
	cell(t, f, "Drivers", "H5", "–")
	cell(t, f, "Drivers", "G5", "reversed")
	for _, sheet := range studySheets {
		if p, err := f.GetPageLayout(sheet); err != nil || p.Size == nil || *p.Size != 9 {
			t.Errorf("%s is not on A4: %v", sheet, err)
		}
	}
	charts := 0
	for name := range partsOf(t, raw) {
		if strings.HasPrefix(name, "xl/charts/chart") {
			charts++
		}
	}
	if charts != 3 {
		t.Errorf("%d charts for 3 pairs", charts)
	}
	one := open(t, writeStudy(t, reporttest.Study(1, 5), made))
	find(t, one, "Bands", "There is one group only: nothing was compared.")
}

func TestStudyErrors(t *testing.T) {
	var buf bytes.Buffer
	o := made
	o.Paper = "A5"
	if err := WriteStudy(&buf, reporttest.Study(2, 5), o); err == nil || !strings.Contains(err.Error(), `paper "A5"`) {
		t.Errorf("%v", err)
	}
	if err := WritePicks(&buf, reporttest.Picks(2), o); err == nil || !strings.Contains(err.Error(), `paper "A5"`) {
		t.Errorf("%v", err)
	}
	s := reporttest.Study(2, 5)
	s.Groups[0].Mean = s.Groups[0].Mean[1:]
	if err := WriteStudy(&buf, s, made); err == nil || !strings.Contains(err.Error(), `group "B1"`) {
		t.Errorf("%v", err)
	}
	if err := WriteStudy(failing{}, reporttest.Study(2, 5), made); !errors.Is(err, errFull) {
		t.Errorf("%v", err)
	}
}

type failing struct{}

var errFull = errors.New("disk full")

func (failing) Write([]byte) (int, error) { return 0, errFull }

func TestPickSheets(t *testing.T) {
	l := reporttest.Picks(25)
	f := open(t, writePicks(t, l, made))
	if got := f.GetSheetList(); !slices.Equal(got, pickSheets) {
		t.Errorf("sheets %v", got)
	}
	cell(t, f, "Pairs", "A1", "Pairing 3 of drivers")
	for name, want := range map[string]string{"A5": "☐", "B5": "1", "C5": "D000", "D5": "D001", "G5": "0.10", "H5": "−0.05", "I5": "fixed", "J5": "TB40-00001-62", "K5": "+0.12", "J6": "…………………", "K6": "–"} {
		cell(t, f, "Pairs", name, want)
	}
	cell(t, f, "Labels", "A3", "Pair 1  LEFT")
	cell(t, f, "Labels", "B4", "D001")
	cell(t, f, "Labels", "C3", "Pair 2  LEFT")
	cell(t, f, "Left over", "C5", "nobody is within the tolerance")
	cell(t, f, "Tolerance", "E6", "this list")
	l.Number, l.Withdrawn = 0, "withdrawn 2026-03-05 by Savka: other margin"
	f = open(t, writePicks(t, l, made))
	cell(t, f, "Pairs", "A1", "Pairs of drivers, not kept")
	text, err := f.GetCellValue("Pairs", "A2", excelize.Options{})
	if err != nil || !strings.HasPrefix(text, "This pairing was withdrawn; do not pick by it.") {
		t.Errorf("%q, %v", text, err)
	}
	find(t, f, "Method", l.Withdrawn)
}
