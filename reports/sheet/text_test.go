package sheet

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"alike/reports"
	"alike/reports/reporttest"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"
)

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"plain":        "plain",
		"a\x00b\x1fc":  "a␀b␟c",
		"tab\there":    "tab␉here",
		"\r=1":         "␍=1",
		"two\r\nlines": "two\nlines",
		"\x7f":         "␡",
		"\xffab":       "\uFFFDab",
		"\uFFFE\uFFFF": "\uFFFD\uFFFD",
		"日本 ü 🎧":       "日本 ü 🎧",
	} {
		if got := clean(in); got != want {
			t.Errorf("clean(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestCellTextEscapes(t *testing.T) {
	for in, want := range map[string]string{
		"_x000D_":       "_x005F_x000D_",
		"_x000D_x0041_": "_x005F_x000D_x005F_x0041_",
		"_x00_":         "_x00_",
		"a_xbb":         "a_xbb",
	} {
		if got := cellText(in); got != want {
			t.Errorf("cellText(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestCellTextThatIsTooLong(t *testing.T) {
	fits := strings.Repeat("a", longest-200)
	if got := cellText(fits); got != fits {
		t.Errorf("a text of %d letters was cut to %d", len(fits), len(got))
	}
	if got := cellText(fits + "a"); !strings.HasSuffix(got, " … (201 more letters did not fit)") {
		t.Errorf("a text of %d letters ends %q", len(fits)+1, got[len(got)-40:])
	}
	got := cellText(strings.Repeat("🎧", 20000)) // two UTF-16 units each
	if units(got) > longest || !strings.Contains(got, "more letters did not fit") {
		t.Errorf("%d units, end %q", units(got), got[len(got)-40:])
	}
	if got := cellText(strings.Repeat("_x0000", 5000) + "_"); units(got) > longest {
		t.Errorf("%d units", units(got))
	}
	l := reporttest.Lot(1, 2)
	l.Units[0].Sentence = strings.Repeat("word ", 20000)
	cellOf := open(t, write(t, l, made))
	v, err := cellOf.GetCellValue("Units", "D5")
	if err != nil || !strings.HasPrefix(v, "word word") || !strings.HasSuffix(v, "letters did not fit)") {
		t.Errorf("cell ends %q, %v", v[max(0, len(v)-40):], err)
	}
}

// Texts that a spreadsheet could take for a formula stay the texts they are.
func TestTextIsNeverAFormula(t *testing.T) {
	serials := []string{`=1+1`, `+49 30 123`, `-5`, `@SUM(A1)`, "\t=1", "\r=1", `=HYPERLINK("http://x","y")`, `'=1`, "00123", "1E5", "TRUE", "_x000D_=1"}
	l := reporttest.Lot(len(serials), 2)
	for i, s := range serials {
		u := &l.Units[i]
		u.Serial, u.Operator, u.Sentence, u.Station = s, s, s, s
	}
	l.Code, l.Product, l.Site = serials[0], serials[1], serials[3]
	l.Proposal.Reasons = serials
	l.Parts[0].Batch = serials[0]
	l.Method.Lines[0].Value = serials[3]
	l.Charts[0].Stream = serials[0]
	raw := write(t, l, made)
	parts := partsOf(t, raw)
	textOnly(t, parts)
	f := open(t, raw)
	for i, s := range serials {
		name := at(2, headRow+1+i)
		cell(t, f, "Units", name, clean(s))
		kind, err := f.GetCellType("Units", name)
		if err != nil || kind != excelize.CellTypeSharedString {
			t.Errorf("%s (%q) has type %v, %v", name, s, kind, err)
		}
		if got, _ := f.GetCellFormula("Units", name); got != "" {
			t.Errorf("%s is the formula %q", name, got)
		}
	}
	for _, want := range []string{`<t>=1+1</t>`, `<t>+49 30 123</t>`, `<t>@SUM(A1)</t>`, `<t>␉=1</t>`, `<t>␍=1</t>`, `<t>-5</t>`, `<t>00123</t>`} {
		if !strings.Contains(parts["xl/sharedStrings.xml"], want) {
			t.Errorf("the strings lack %s", want)
		}
	}
}

func TestLongAndForeignNames(t *testing.T) {
	l := reporttest.Lot(3, 2)
	long := strings.Repeat("TB40", 16)
	l.Units[0].Serial, l.Charts[0].Serials[0] = long, long
	l.Units[1].Serial = "キット-０１"
	l.Site, l.Product = "Werkstatt Übermäßig & Söhne – 工房", "Наушники «ТБ-40» 🎧"
	l.Bands[0].LowSerial = long
	f := open(t, write(t, l, made))
	cell(t, f, "Units", "B5", long)
	cell(t, f, "Units", "B6", "キット-０１")
	cell(t, f, "Summary", "A2", l.Product)
	if h, err := f.GetRowHeight("Units", 5); err != nil || h < 40 {
		t.Errorf("the row of a 64-letter serial is %v points high, %v", h, err)
	}
}

// Whatever the strings and numbers are, the file opens, every part is XML, no
// cell is a formula, and serials come back.
func TestAnythingWrites(t *testing.T) {
	text := rapid.OneOf(rapid.String(), rapid.StringMatching(`[=+\-@\t\r].*`), rapid.StringMatching(`(_x00[0-9A-F]{2}_?)+`), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }))
	number := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -2}))
	rapid.Check(t, func(t *rapid.T) {
		l := reporttest.Lot(2, rapid.IntRange(1, 2).Draw(t, "channels"))
		l.Charts = l.Charts[:2]
		for _, s := range []*string{&l.Site, &l.Product, &l.Code, &l.Proposal.Word, &l.Proposal.Reasons[0], &l.Yield[0].Name, &l.Labels[2],
			&l.Bands[0].Channel, &l.Bands[0].HighSerial, &l.Units[0].Serial, &l.Units[0].Last, &l.Units[0].Sentence, &l.Units[1].Curves[0].Name,
			&l.Charts[0].Stream, &l.Charts[0].Unit, &l.Charts[0].Serials[3], &l.Parts[0].Kind, &l.Method.Lines[1].Name, &l.Method.Refused[0].Reason} {
			*s = text.Draw(t, "text")
		}
		for _, v := range []*float64{&l.Yield[0].Share, &l.Limits.Upper[4], &l.Bands[1].Mean, &l.Bands[1].UpperLimit, &l.Units[0].Margin, &l.Units[0].Sensitivity[0],
			&l.Units[1].Curves[0].Values[2], &l.Charts[0].Values[5], &l.Charts[0].Upper, &l.Charts[0].Moving[7], &l.Charts[1].RangeHigh} {
			*v = number.Draw(t, "number")
		}
		l.Charts[0].Marks = append(l.Charts[0].Marks, reports.Mark{Index: 5, Rule: text.Draw(t, "rule"), Text: text.Draw(t, "sentence")})
		raw := write(t, l, made)
		parts := partsOf(t, raw)
		for name, body := range parts {
			wellFormed(t, name, body)
		}
		textOnly(t, parts)
		f := open(t, raw)
		defer f.Close()
		got, err := f.GetCellValue("Units", "B5")
		if err != nil {
			t.Fatal(err)
		}
		if got != clean(l.Units[0].Serial) {
			t.Fatalf("serial %q came back as %q", l.Units[0].Serial, got)
		}
	})
}

func FuzzCellText(f *testing.F) {
	for _, s := range []string{"", "=1", "\x00", "_x000D_", "_x005F_x000D_", "\xff\xfe", "a\r\nb\tc", "🎧"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := cellText(s)
		if !utf8.ValidString(got) || units(got) > longest {
			t.Fatalf("cellText(%q) is not fit for a cell", s)
		}
		for _, r := range got {
			if r < 0x20 && r != '\n' || r == 0xFFFE || r == 0xFFFF {
				t.Fatalf("cellText(%q) keeps %U", s, r)
			}
		}
	})
}
