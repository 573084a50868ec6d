package sheet

import (
	"fmt"
	"regexp"
	"strings"
	"unicode/utf16"

	"alike/reports/plot"
)

// longest is how many letters (UTF-16 units) a cell may hold.
const longest = 32767

// clean makes text fit for the file's XML without hiding anything: control
// letters appear as their pictures (U+2400 and on), bytes that are no UTF-8 and
// code points that XML forbids as U+FFFD. Line ends become line feeds.
func clean(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.ReplaceAll(s, "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case r < 0x20:
			return 0x2400 + r
		case r == 0x7F:
			return 0x2421
		case r == 0xFFFE || r == 0xFFFF:
			return 0xFFFD
		}
		return r
	}, s)
}

// escape matches what a spreadsheet would read back as a control letter, such as
// _x000D_ for a carriage return.
var escape = regexp.MustCompile(`_x[0-9A-Fa-f]{4}_`)

// cellText makes text fit for a cell: clean, not too long, and shown letter by
// letter even where it looks like an escape. It says how much was cut.
func cellText(s string) string {
	s = clean(s)
	if n := units(s); n > longest-200 {
		kept := cut(s, longest-400)
		s = kept + fmt.Sprintf(" … (%d more letters did not fit)", n-units(kept))
	}
	if !strings.Contains(s, "_x") {
		return s
	}
	// Overlapping escapes (_x0041_x0042_) need a second look at the shared
	// underscore, so the match is advanced by its first letter only.
	var out strings.Builder
	for s != "" {
		at := escape.FindStringIndex(s)
		if at == nil {
			out.WriteString(s)
			break
		}
		out.WriteString(s[:at[0]] + "_x005F_")
		s = s[at[0]+1:]
	}
	if units(out.String()) > longest { // a cell full of escapes
		return "(text of escape codes too long to show)"
	}
	return out.String()
}

// units counts the UTF-16 units of a text.
func units(s string) int {
	n := 0
	for _, r := range s {
		n += utf16.RuneLen(r)
	}
	return n
}

// cut returns the start of a valid text with at most n UTF-16 units.
func cut(s string, n int) string {
	for i, r := range s {
		if n -= utf16.RuneLen(r); n < 0 {
			return s[:i]
		}
	}
	return s
}

// pixels is the width of a line of text at a size in points.
func pixels(s string, pt float64) float64 { return plot.TextWidth(s, pt*96/72) }

// lines is how many lines a text takes in a column of a width in pixels. Cells
// keep a few pixels free at both sides.
func lines(s string, px, pt float64) int {
	const widest = 3000 // letters; more do not fit the highest row
	return len(plot.Wrap(cut(clean(s), widest), px-8, pt*96/72))
}

// headerText doubles the sign that starts a code in a page header or footer, and
// keeps the text short: all codes and texts of one may have 255 letters.
func headerText(s string) string {
	s = strings.ReplaceAll(clean(s), "\n", " ")
	if units(s) > 60 {
		s = cut(s, 60) + "…"
	}
	return strings.ReplaceAll(s, "&", "&&")
}
