// Package sheet writes the report of a lot as a spreadsheet: Summary, Bands,
// Units, Charts, Findings, Signals, Parts, Capability, Sampling, Rig, Attempts, Journal and
// Method for its readers, and Data, last, with the numbers behind the charts.
//
// The same lot and the same Options give the same bytes. The time of making
// stands on the Method sheet and in the file's properties and nowhere else, so
// two reports of one lot differ in those two places only.
//
// Numbers are numbers and dates are dates, in the site's own time with the offset
// written out. Text is always text: a serial that begins with an equals sign is
// never a formula. A number that is missing shows as a dash.
package sheet

import (
	"fmt"
	"io"
	"time"

	"alike/reports"

	"github.com/xuri/excelize/v2"
)

// Options say how a report is made.
type Options struct {
	Made    time.Time // in the site's zone
	Program string    // name and version of the program
	Paper   string    // "A4" (also when empty) or "Letter"
}

var paperSizes = map[string]int{"": 9, "A4": 9, "Letter": 1}

// The sheets, in their order.
const (
	sheetSummary    = "Summary"
	sheetBands      = "Bands"
	sheetUnits      = "Units"
	sheetCharts     = "Charts"
	sheetFindings   = "Findings"
	sheetSignals    = "Signals"
	sheetParts      = "Parts"
	sheetCapability = "Capability"
	sheetSampling   = "Sampling"
	sheetRig        = "Rig"
	sheetAttempts   = "Attempts"
	sheetJournal    = "Journal"
	sheetMethod     = "Method"
	sheetData       = "Data"
)

var sheetNames = []string{sheetSummary, sheetBands, sheetUnits, sheetCharts, sheetFindings, sheetSignals, sheetParts,
	sheetCapability, sheetSampling, sheetRig, sheetAttempts, sheetJournal, sheetMethod, sheetData}

// Write writes the report of a lot. It returns an error when the lot's slices do
// not fit each other, the paper is not known, or w fails.
func Write(w io.Writer, lot reports.Lot, o Options) error {
	if err := lot.Check(); err != nil {
		return err
	}
	paper, ok := paperSizes[o.Paper]
	if !ok {
		return fmt.Errorf("paper %q is not known: use A4 or Letter", o.Paper)
	}
	b := newBook(lot, o, paper)
	defer b.f.Close()
	b.data()
	b.summary()
	b.bands()
	b.units()
	b.charts()
	b.findings()
	b.signals()
	b.parts()
	b.capability()
	b.sampling()
	b.rig()
	b.attempts()
	b.journal()
	b.method()
	b.properties()
	if b.err != nil {
		return fmt.Errorf("report of lot %q: %w", lot.Code, b.err)
	}
	return b.f.Write(w)
}

func newBook(lot reports.Lot, o Options, paper int) *book {
	return newBookOf(lot, "Lot "+lot.Code, sheetNames, o, paper)
}

// newBookOf begins a file with the given sheets. Of the lot only what the sheets in
// use read has to be there.
func newBookOf(lot reports.Lot, subject string, names []string, o Options, paper int) *book {
	b := &book{
		f: excelize.NewFile(), lot: lot, subject: subject, options: o, paper: paper,
		channels: lot.Channels(), styles: map[look]int{},
	}
	b.f.SetZipWriter(newSteadyZip)
	b.keep(b.f.SetDefaultFont(font))
	b.keep(b.f.SetSheetName("Sheet1", names[0]))
	for _, name := range names[1:] {
		_, err := b.f.NewSheet(name)
		b.keep(err)
	}
	return b
}

// title is that of the file's properties.
func (b *book) title() string {
	if b.lot.Code != "" {
		return "Report of lot " + b.lot.Code
	}
	return b.subject
}

// properties fills what a file browser shows.
func (b *book) properties() {
	made := b.options.Made.UTC().Format(time.RFC3339)
	b.keep(b.f.SetDocProps(&excelize.DocProperties{
		Title:          clean(b.title()),
		Subject:        clean(b.lot.Product + ", " + b.lot.Site),
		Creator:        "alike",
		LastModifiedBy: "alike",
		Created:        made,
		Modified:       made,
	}))
	b.keep(b.f.SetAppProps(&excelize.AppProperties{Application: "alike"}))
}
