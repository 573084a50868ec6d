package sheet

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/reports"
	"alike/reports/reporttest"

	"github.com/xuri/excelize/v2"
)

func TestSheetsInTheirOrder(t *testing.T) {
	for _, n := range []int{0, 1, 40} {
		f := open(t, write(t, reporttest.Lot(n, 2), made))
		want := []string{"Summary", "Bands", "Units", "Charts", "Findings", "Signals", "Parts", "Capability", "Sampling", "Rig", "Attempts", "Journal", "Method", "Data"}
		if got := f.GetSheetList(); !slices.Equal(got, want) {
			t.Errorf("%d units: sheets %v, want %v", n, got, want)
		}
		for _, s := range want {
			if visible, err := f.GetSheetVisible(s); err != nil || !visible {
				t.Errorf("sheet %s is hidden (%v)", s, err)
			}
		}
	}
}

func TestSummary(t *testing.T) {
	l := reporttest.Lot(40, 2)
	f := open(t, write(t, l, made))
	cell(t, f, "Summary", "A1", "Lot TB40-2417")
	cell(t, f, "Summary", "A2", "TB-40 rev C")
	cell(t, f, "Summary", "J1", "Tarnbeck Workshop")
	dateCell(t, f, "Summary", "C3", "2026-03-02 08:12 +01:00")
	cell(t, f, "Summary", "A5", "✗")
	cell(t, f, "Summary", "B5", "The program proposes: refuse")
	for i, reason := range l.Proposal.Reasons {
		cell(t, f, "Summary", at(2, 6+i), reason)
	}
	_, row := find(t, f, "Summary", "fail")
	cell(t, f, "Summary", at(1, row), "✗")
	cell(t, f, "Summary", at(4, row), "3")
	cell(t, f, "Summary", at(5, row), "7.5%")
	_, row = find(t, f, "Summary", "all units")
	cell(t, f, "Summary", at(4, row), "40")
	_, row = find(t, f, "Summary", "first-pass yield")
	for i, want := range []string{"33", "40", "82.5%", "70.7%", "94.3%"} {
		cell(t, f, "Summary", at(9+i, row), want)
	}
	find(t, f, "Summary", "From and to: two-sided interval, confidence 95 %.")
	find(t, f, "Summary", "Decided: concession, by Ilse K on "+l.Life.Signature.At.Format("2006-01-02 15:04 -07:00"))
	find(t, f, "Summary", "✓ The data of this report are those that were signed.")
}

func TestProposalWithoutAWord(t *testing.T) {
	l := reports.Lot{Proposal: reports.Proposal{Accept: true}}
	cell(t, open(t, write(t, l, made)), "Summary", "B5", "The program proposes: accept")
}

func TestBands(t *testing.T) {
	l := reporttest.Lot(40, 2)
	f := open(t, write(t, l, made))
	raw := func(name string) string {
		v, err := f.GetCellValue("Bands", name, excelize.Options{RawCellValue: true})
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	// Row 5 is left 20 Hz, which is not judged; row 9 is left 50 Hz.
	for name, want := range map[string]string{"A5": "·", "B5": "left", "C5": "20", "L5": "not judged", "M5": "not judged", "O5": "not judged", "C9": "50", "A9": "✓", "O9": "all inside"} {
		cell(t, f, "Bands", name, want)
	}
	row := l.Bands[4]
	for name, want := range map[string]float64{"D9": row.Mid, "F9": row.Mean, "G9": row.SD, "H9": row.Low, "J9": row.High, "L9": row.LowerLimit, "P9": row.BaselineMean, "Q9": row.Shift} {
		var got float64
		if _, err := fmt.Sscan(raw(name), &got); err != nil || math.Abs(got-want) > 1e-11*math.Abs(want) {
			t.Errorf("Bands!%s is %s, want %v", name, raw(name), want)
		}
	}
	cell(t, f, "Bands", "F9", strings.ReplaceAll(fmt.Sprintf("%+.2f", row.Mean), "-", "−"))
	cell(t, f, "Bands", "D9", "50.1")
	cell(t, f, "Bands", "I9", row.LowSerial)
	_, r := find(t, f, "Bands", "3 outside")
	cell(t, f, "Bands", at(1, r), "✗")
	cell(t, f, "Bands", at(14, r), "3")
	if rows, _ := f.GetRows("Bands"); len(rows) != 4+62 {
		t.Errorf("%d rows, want 62 below the heads", len(rows)-4)
	}
}

func TestUnits(t *testing.T) {
	l := reporttest.Lot(40, 2)
	f := open(t, write(t, l, made))
	for i, u := range l.Units {
		row := headRow + 1 + i
		cell(t, f, "Units", at(2, row), u.Serial)
		cell(t, f, "Units", at(3, row), u.Last)
		cell(t, f, "Units", at(4, row), u.Sentence)
		cell(t, f, "Units", at(5, row), strings.ReplaceAll(fmt.Sprintf("%+.2f", u.Margin), "-", "−"))
		cell(t, f, "Units", at(9, row), fmt.Sprintf("%.1f", u.Sensitivity[0]))
		dateCell(t, f, "Units", at(15, row), u.MeasuredAt.Format("2006-01-02 15:04 -07:00"))
	}
	cell(t, f, "Units", "I4", "Sensitivity left, dB SPL")
	cell(t, f, "Units", "A12", "✗")
	cell(t, f, "Units", "C12", "fail")
}

func TestOneChannel(t *testing.T) {
	f := open(t, write(t, reporttest.Lot(5, 1), made))
	cell(t, f, "Units", "I4", "Sensitivity mono, dB SPL")
	cell(t, f, "Units", "J4", "Roughness mono, dB")
	cell(t, f, "Units", "K4", "Not checked")
}

// What was not checked on any unit is said once, above; a difference is said per unit.
func TestNotCheckedIsSaidOnce(t *testing.T) {
	l := reporttest.Lot(5, 1)
	f := open(t, write(t, l, made))
	if text, _ := f.GetCellValue("Units", "A2"); !strings.Contains(text, "Not checked on any of them: distortion, polarity.") {
		t.Errorf("the caption is %q", text)
	}
	cell(t, f, "Units", "K6", "see above")
	l.Units[1].NotChecked = "distortion"
	f = open(t, write(t, l, made))
	cell(t, f, "Units", "K5", "distortion, polarity")
	cell(t, f, "Units", "K6", "distortion")
}

func TestSignalsPartsMethod(t *testing.T) {
	l := reporttest.Lot(40, 2)
	f := open(t, write(t, l, made))
	cell(t, f, "Signals", "A5", "left 63 Hz deviation")
	cell(t, f, "Signals", "G5", "+3.4")
	cell(t, f, "Signals", "I5", "3")
	cell(t, f, "Findings", "A5", "3")
	cell(t, f, "Findings", "D5", l.Findings[0].Sentence)
	cell(t, f, "Findings", "G5", "0.010")
	cell(t, f, "Findings", "J5", "1. Look at the seam.\n2. Build one unit with the glue before.")
	cell(t, f, "Findings", "K5", "12")
	cell(t, f, "Findings", "L5", "–")
	cell(t, f, "Parts", "D9", "Schaum & Partner")
	cell(t, f, "Parts", "B9", "–")
	dateCell(t, f, "Method", "B3", "2026-03-04 17:05 +01:00")
	cell(t, f, "Method", "B4", "alike 0.1")
	for _, fact := range l.Method.Lines {
		_, row := find(t, f, "Method", fact.Name)
		cell(t, f, "Method", at(2, row), fact.Value)
	}
	_, row := find(t, f, "Method", "Remedy")
	dateCell(t, f, "Method", at(1, row+1), "2026-03-02 09:17 +01:00")
	cell(t, f, "Method", at(3, row+1), "48")
	cell(t, f, "Method", at(3, row+2), "–")
	cell(t, f, "Method", at(6, row+2), "measure the unit again or correct the serial")
}

func TestLotsWithLittleInThem(t *testing.T) {
	noBaseline := reporttest.Lot(3, 2)
	noBaseline.Charts, noBaseline.Signals = nil, nil
	for name, c := range map[string]struct {
		lot  reports.Lot
		says map[string]string
	}{
		"nothing at all": {reports.Lot{}, map[string]string{
			"Summary": "No picture: the lot has no bands yet.", "Bands": "No band was measured.", "Units": "No unit of the lot was measured.",
			"Charts": "No picture: the lot has no bands yet.", "Findings": "No finding: no control chart of the lot gave a signal.", "Parts": "The parts ledger names no batch for this lot.", "Method": "Nothing was refused.",
		}},
		"no units": {reporttest.Lot(0, 2), map[string]string{
			"Units": "No unit of the lot was measured.", "Charts": "No control chart: there is no baseline yet, or no unit was measured.",
		}},
		"no baseline": {noBaseline, map[string]string{
			"Charts": "No control chart: there is no baseline yet, or no unit was measured.", "Signals": "No signal: there is no baseline yet, so no control chart was kept.",
		}},
	} {
		f := open(t, write(t, c.lot, made))
		for sheet, text := range c.says {
			t.Run(name+" "+sheet, func(t *testing.T) { find(t, f, sheet, text) })
		}
	}
}

func TestNumbersAreNotLongRowsOfDigits(t *testing.T) {
	l := reporttest.Lot(1, 2)
	tenth := 0.1
	l.Units[0].Margin = tenth + 0.2 // 0.30000000000000004
	raw, err := open(t, write(t, l, made)).GetCellValue("Units", "E5", excelize.Options{RawCellValue: true})
	if err != nil || raw != "0.3" {
		t.Errorf("0.1+0.2 is written %s, %v", raw, err)
	}
}

// The colour follows the word in the cell, also after sorting.
func TestColourFollowsTheWord(t *testing.T) {
	f := open(t, write(t, reporttest.Lot(40, 2), made))
	formats, err := f.GetConditionalFormats("Units")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for area, list := range formats {
		for _, c := range list {
			seen[area+" "+c.Criteria] = true
		}
	}
	for _, want := range []string{`A5:A44 $C5="fail"`, `C5:C44 $C5="fail"`, `C5:C44 $C5="waiting"`, `E5:E44 AND(ISNUMBER($E5),$E5<0)`} {
		if !seen[want] {
			t.Errorf("no format %s in %v", want, seen)
		}
	}
}

func TestMissingNumbers(t *testing.T) {
	l := reporttest.Lot(2, 2)
	u := &l.Units[0]
	u.Margin, u.Balance, u.Sensitivity, u.MeasuredAt = math.NaN(), math.Inf(-1), nil, time.Time{}
	u.Curves[0].Values[3] = math.NaN()
	f := open(t, write(t, l, made))
	for _, name := range []string{"E5", "I5", "J5", "K5", "O5"} {
		cell(t, f, "Units", name, "–")
	}
	col, row := find(t, f, "Data", u.Serial)
	cell(t, f, "Data", at(firstValue+3, row), "")
	cell(t, f, "Data", at(firstValue+4, row), fmt.Sprintf("%.2f", u.Curves[0].Values[4]))
	_ = col
}

func TestSameBytes(t *testing.T) {
	for _, n := range []int{0, 40, 130} {
		a := write(t, reporttest.Lot(n, 2), made)
		for range 3 {
			if !bytes.Equal(a, write(t, reporttest.Lot(n, 2), made)) {
				t.Fatalf("%d units: the same lot gave other bytes", n)
			}
		}
		z, err := zip.NewReader(bytes.NewReader(a), int64(len(a)))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range z.File {
			if f.ModifiedDate != 0 || f.ModifiedTime != 0 || len(f.Extra) != 0 {
				t.Errorf("%s carries a time", f.Name)
			}
		}
	}
}

func TestTimeOfMakingStandsInTwoPlaces(t *testing.T) {
	later := made
	later.Made = made.Made.Add(time.Hour)
	a := partsOf(t, write(t, reporttest.Lot(40, 2), made))
	b := partsOf(t, write(t, reporttest.Lot(40, 2), later))
	var differ []string
	for name := range a {
		if a[name] != b[name] {
			differ = append(differ, name)
		}
	}
	slices.Sort(differ)
	if want := []string{"docProps/core.xml", sheetPart(13)}; !slices.Equal(differ, want) {
		t.Errorf("parts that differ: %v, want %v", differ, want)
	}
	p, err := open(t, write(t, reporttest.Lot(1, 2), made)).GetDocProps()
	if err != nil {
		t.Fatal(err)
	}
	if p.Created != "2026-03-04T16:05:00Z" || p.Modified != p.Created || p.Title != "Report of lot TB40-2417" || p.Creator != "alike" {
		t.Errorf("core properties %+v", p)
	}
}

func TestErrors(t *testing.T) {
	o := made
	o.Paper = "A5"
	if err := Write(io.Discard, reports.Lot{}, o); err == nil || !strings.Contains(err.Error(), "use A4 or Letter") {
		t.Errorf("paper A5: %v", err)
	}
	l := reporttest.Lot(1, 2)
	l.Labels = nil
	if err := Write(io.Discard, l, made); err == nil || !strings.Contains(err.Error(), "band labels") {
		t.Errorf("lot that does not fit: %v", err)
	}
	if err := Write(broken{}, reports.Lot{}, made); !errors.Is(err, errBroken) {
		t.Errorf("broken writer: %v", err)
	}
}

var errBroken = errors.New("disk full")

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errBroken }

func TestPrintSetup(t *testing.T) {
	for paper, size := range map[string]string{"A4": "9", "Letter": "1", "": "9"} {
		o := made
		o.Paper = paper
		parts := partsOf(t, write(t, reporttest.Lot(40, 2), o))
		for i := 1; i <= 13; i++ {
			body := parts[sheetPart(i)]
			if !regexp.MustCompile(`<pageSetup [^>]*paperSize="` + size + `"`).MatchString(body) {
				t.Errorf("%s, sheet %d: paper size is not %s", paper, i, size)
			}
			fit := strings.Contains(body, `fitToPage="1"`) || strings.Contains(body, `fitToPage="true"`)
			if i == 4 == fit {
				t.Errorf("sheet %d: fit to page is %v", i, fit)
			}
			if !strings.Contains(body, "page &amp;P of &amp;N") || !strings.Contains(body, "Lot TB40-2417") {
				t.Errorf("sheet %d: header or footer is missing", i)
			}
		}
		wide := regexp.MustCompile(`orientation="landscape"`)
		for i, want := range []bool{false, true, true, false, true, true, false, true, false, false, true, true, true, true} {
			if got := wide.MatchString(parts[sheetPart(i+1)]); got != want {
				t.Errorf("sheet %d: landscape is %v", i+1, got)
			}
		}
		for _, s := range []string{"Bands", "Units", "Findings", "Signals", "Parts", "Capability", "Rig", "Attempts", "Journal"} {
			if !strings.Contains(parts["xl/workbook.xml"], `'`+s+`'!$4:$4`) && !strings.Contains(parts["xl/workbook.xml"], `&#39;`+s+`&#39;!$4:$4`) {
				t.Errorf("%s: the heads are not repeated on every page", s)
			}
		}
	}
}

func TestEveryControlChartBeginsAPage(t *testing.T) {
	parts := partsOf(t, write(t, reporttest.Lot(40, 2), made))
	if n := strings.Count(parts[sheetPart(4)], "<brk "); n != 3 {
		t.Errorf("%d page breaks for 3 control charts below the envelopes", n)
	}
}

func TestTablesScrollAndFilter(t *testing.T) {
	f := open(t, write(t, reporttest.Lot(40, 2), made))
	for sheet, cols := range map[string]int{"Bands": 3, "Units": 3, "Findings": 1, "Signals": 1, "Parts": 1} {
		p, err := f.GetPanes(sheet)
		if err != nil || !p.Freeze || p.YSplit != 4 || p.XSplit != cols {
			t.Errorf("%s: panes %+v, %v", sheet, p, err)
		}
	}
	parts := partsOf(t, write(t, reporttest.Lot(40, 2), made))
	for i, area := range map[int]string{2: "$A$4:$Q$66", 3: "$A$4:$Q$44", 5: "$A$4:$N$5", 6: "$A$4:$I$5", 7: "$A$4:$G$9"} {
		if !strings.Contains(parts[sheetPart(i)], `<autoFilter ref="`+area+`"`) {
			t.Errorf("sheet %d: no filter on %s: %v", i, area, regexp.MustCompile(`<autoFilter [^>]*>`).FindString(parts[sheetPart(i)]))
		}
	}
}

func TestHeaderTextOfAnyProduct(t *testing.T) {
	l := reports.Lot{Code: "&P&D " + strings.Repeat("ü", 300), Product: "40 mm", Site: strings.Repeat("&", 200)}
	f := open(t, write(t, l, made))
	h, err := f.GetHeaderFooter("Units")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(h.OddHeader, "Lot &&P&&D ü") {
		t.Errorf("header %q does not double the code sign", h.OddHeader)
	}
	if !strings.Contains(h.OddHeader, "&8 40 mm") {
		t.Errorf("header %q runs the type size into the product", h.OddHeader)
	}
	if n := units(h.OddHeader); n > 255 {
		t.Errorf("header has %d letters, want at most 255", n)
	}
}

// Source: Python, (datetime(2026,3,2,8,12) - datetime(1899,12,30)) / timedelta(days=1)
// = 46083.34166666667.
func TestSerialDay(t *testing.T) {
	got, ok := serialDay(time.Date(2026, 3, 2, 8, 12, 0, 0, reporttest.Zone))
	if !ok || math.Abs(got-46083.34166666667) > 2e-10 {
		t.Errorf("serialDay = %.11f, %v", got, ok)
	}
	start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	for minute := range 1440 {
		v, _ := serialDay(start.Add(time.Duration(minute) * time.Minute))
		if cut := math.Floor((v - 46083) * 1440); cut != float64(minute) {
			t.Fatalf("minute %d reads as %v when cut", minute, cut)
		}
	}
	for _, bad := range []time.Time{{}, time.Date(1850, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(10001, 1, 1, 0, 0, 0, 0, time.UTC)} {
		if _, ok := serialDay(bad); ok {
			t.Errorf("%v has a serial day", bad)
		}
	}
}

func TestDatesKeepTheirOwnOffset(t *testing.T) {
	l := reporttest.Lot(2, 2)
	india := time.FixedZone("IST", 5*3600+1800)
	l.Units[0].MeasuredAt = time.Date(2026, 7, 1, 23, 59, 0, 0, india)
	l.Units[1].MeasuredAt = time.Date(2026, 11, 1, 6, 0, 0, 0, time.FixedZone("", -4*3600))
	f := open(t, write(t, l, made))
	dateCell(t, f, "Units", "O5", "2026-07-01 23:59 +05:30")
	dateCell(t, f, "Units", "O6", "2026-11-01 06:00 -04:00")
}

func BenchmarkWrite300(b *testing.B) {
	l := reporttest.Lot(300, 2)
	for b.Loop() {
		if err := Write(io.Discard, l, made); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWrite120(b *testing.B) {
	l := reporttest.Lot(120, 2)
	for b.Loop() {
		if err := Write(io.Discard, l, made); err != nil {
			b.Fatal(err)
		}
	}
}
