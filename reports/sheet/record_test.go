package sheet

import (
	"strings"
	"testing"

	"alike/reports"
	"alike/reports/reporttest"
)

func TestRecordSheets(t *testing.T) {
	l := reporttest.Lot(40, 2)
	f := open(t, write(t, l, made))
	cell(t, f, "Capability", "A5", l.Capability[0].Stream)
	cell(t, f, "Capability", "H5", "0.58")
	_, row := find(t, f, "Sampling", "plan")
	cell(t, f, "Sampling", at(5, row+1), "tightened")
	find(t, f, "Sampling", "8 of 40 units, accept the lot with at most 0 defective")
	find(t, f, "Sampling", "4 % of lots with 2 % defective are refused (wished: at most 5 %)")
	_, row = find(t, f, "Sampling", "Drawn")
	cell(t, f, "Sampling", at(3, row+2), l.Sampling.Pulled[1].Serial)
	cell(t, f, "Sampling", at(7, row+2), "✓  pass")
	_, row = find(t, f, "Attempts", l.Attempts[len(l.Attempts)-1].Override)
	cell(t, f, "Attempts", at(5, row), "fail")
	cell(t, f, "Attempts", at(6, row), "pass")
	cell(t, f, "Journal", "E5", "take in")
	_, row = find(t, f, "Journal", "decide lot")
	cell(t, f, "Journal", at(3, row), "Ilse K")
	find(t, f, "Data", "chance to accept")
	text, err := f.GetCellValue("Parts", "A2")
	if err != nil || !strings.Contains(text, "What is missing: The parts ledger names no foam right for unit TB40-00121.") {
		t.Errorf("parts: %q (%v)", text, err)
	}
}

// What is wrong with a signature is said on the first page.
func TestSignatureThatDoesNotFit(t *testing.T) {
	for want, change := range map[string]func(*reports.Signature){
		"✗ The stored decision is not the one that was signed: it was altered.": func(s *reports.Signature) { s.Sound = false },
		"✗ The signature does not match the data any more: they are now abc. Changed since: counts.pass: 1, now 2.": func(s *reports.Signature) {
			s.Matches, s.Present, s.Changes = false, "abc", []string{"counts.pass: 1, now 2"}
		},
		"The lot was re-opened since: this decision is not in force.": func(s *reports.Signature) { s.InForce = false },
	} {
		l := reporttest.Lot(3, 1)
		change(l.Life.Signature)
		find(t, open(t, write(t, l, made)), "Summary", want)
	}
	l := reporttest.Lot(3, 1)
	l.Life = reports.Life{State: "open"}
	find(t, open(t, write(t, l, made)), "Summary", "A person decides:")
}

func TestEverythingInspectedHasNoCurve(t *testing.T) {
	l := reporttest.Lot(3, 1)
	l.Sampling = reports.Sampling{Method: "inspect all", Inspected: 3, Result: "accept"}
	f := open(t, write(t, l, made))
	find(t, f, "Sampling", "inspect all")
	find(t, f, "Sampling", "3 units, 0 defective")
}
