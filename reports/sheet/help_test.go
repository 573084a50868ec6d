package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"alike/reports"
	"alike/reports/reporttest"

	"github.com/xuri/excelize/v2"
)

var made = Options{Made: time.Date(2026, 3, 4, 17, 5, 0, 0, reporttest.Zone), Program: "alike 0.1", Paper: "A4"}

type tester interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}

func write(t tester, l reports.Lot, o Options) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := Write(&buf, l, o); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func open(t tester, raw []byte) *excelize.File {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// partsOf unpacks the file.
func partsOf(t tester, raw []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[f.Name] = string(body)
	}
	return out
}

// wellFormed reads a part to its end.
func wellFormed(t tester, name, body string) {
	t.Helper()
	dec := xml.NewDecoder(strings.NewReader(body))
	for {
		if _, err := dec.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
}

func cell(t *testing.T, f *excelize.File, sheet, name, want string) {
	t.Helper()
	got, err := f.GetCellValue(sheet, name)
	if err != nil {
		t.Fatal(err)
	}
	if got != want {
		t.Errorf("%s!%s is %q, want %q", sheet, name, got, want)
	}
}

// dateCell reads the number and its format, as a spreadsheet does: the library's
// own reading of a format changes digits inside quotes.
func dateCell(t *testing.T, f *excelize.File, sheet, name, want string) {
	t.Helper()
	raw, err := f.GetCellValue(sheet, name, excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	days, err := strconv.ParseFloat(raw, 64)
	if err != nil {
		t.Fatalf("%s!%s is %q, not a number", sheet, name, raw)
	}
	id, err := f.GetCellStyle(sheet, name)
	if err != nil {
		t.Fatal(err)
	}
	style, err := f.GetStyle(id)
	if err != nil {
		t.Fatal(err)
	}
	if style.CustomNumFmt == nil || !strings.HasPrefix(*style.CustomNumFmt, `yyyy-mm-dd hh:mm" `) {
		t.Fatalf("%s!%s has the format %v", sheet, name, style.CustomNumFmt)
	}
	// Cut, not rounded, to the minute: some readers do.
	minutes := int(math.Floor((days - math.Floor(days)) * 1440))
	at := time.Date(1899, 12, 30+int(days), 0, minutes, 0, 0, time.UTC)
	got := at.Format("2006-01-02 15:04 ") + strings.Trim(strings.TrimPrefix(*style.CustomNumFmt, `yyyy-mm-dd hh:mm`), `" `)
	if got != want {
		t.Errorf("%s!%s is %q, want %q", sheet, name, got, want)
	}
}

// find returns the cell that holds a text.
func find(t *testing.T, f *excelize.File, sheet, text string) (col, row int) {
	t.Helper()
	rows, err := f.GetRows(sheet)
	if err != nil {
		t.Fatal(err)
	}
	for r, cells := range rows {
		for c, v := range cells {
			if v == text {
				return c + 1, r + 1
			}
		}
	}
	t.Fatalf("%s: no cell says %q", sheet, text)
	return 0, 0
}

var formula = regexp.MustCompile(`<f[ >/]`)

// textOnly fails when any cell of the file is a formula or is marked as quoted.
func textOnly(t tester, parts map[string]string) {
	t.Helper()
	for name, body := range parts {
		if strings.HasPrefix(name, "xl/worksheets/sheet") && formula.MatchString(body) {
			t.Fatalf("%s holds a formula", name)
		}
	}
	if strings.Contains(parts["xl/styles.xml"], "quotePrefix") {
		t.Fatal("a style quotes its text")
	}
}

func sheetPart(i int) string { return fmt.Sprintf("xl/worksheets/sheet%d.xml", i) }
