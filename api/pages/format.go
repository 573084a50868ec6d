package pages

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"alike/reports/plot"
	"alike/spc/band"
)

// functions are what templates may call. Times carry the zone of the workshop.
var functions = template.FuncMap{
	"asset": AssetPath, "stamp": Stamp, "day": Day, "clock": Clock, "date": Date, "db": DB, "dbs": Signed, "number": Number,
	"percent": Percent, "hz": Frequency, "look": plot.LookOf, "mark": Mark, "class": class, "count": Count,
	"unitPath": UnitPath, "lotPath": LotPath, "productPath": ProductPath, "streamPath": StreamPath, "join": strings.Join,
	"upper": Upper, "rows": func(name string, rows any) any {
		return struct {
			Name string
			Rows any
		}{name, rows}
	}, "sentence": Sentence, "minus": plot.Minus, "signed": func(v float32) string { return Signed(float64(v)) }, "stateLook": stateLook, "sameDay": sameDay,
	"words": func() []string { return plot.Words }, "add": func(a, b int) int { return a + b }, "least": func(a, b int) int { return min(a, b) }, "query": func(s string) string { return s }, // within an address the template escapes: twice would be once too often
}

// Stamp writes a moment with its offset from UTC.
func Stamp(t time.Time) template.HTML {
	return template.HTML(fmt.Sprintf(`<time datetime="%s">%s</time>`, t.Format(time.RFC3339), Date(t))) // digits and signs only
}

// Date writes a moment with its offset from UTC as plain text.
func Date(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.Format("2006-01-02 15:04 -07:00")
}

// Day writes a day of the workshop with its weekday.
func Day(t time.Time) string { return t.Format("Mon 2006-01-02") }

// Clock writes a time of day.
func Clock(t time.Time) string { return t.Format("15:04") }

// Missing stands where there is no value.
const Missing = "–"

// Number writes v with a number of decimals and a real minus sign, Missing for NaN.
func Number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Missing
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// DB writes a level in dB: a seat moves it by tenths, so one decimal is what it
// deserves.
func DB(v float64) string { return Number(v, 1) }

// Signed writes a difference in dB with its sign.
func Signed(v float64) string {
	s := Number(v, 1)
	if v > 0 && s != "0.0" && s != Missing {
		s = "+" + s
	}
	return s
}

// Frequency writes a frequency with its unit, as the trade does: 31.5 Hz, 1.25 kHz.
func Frequency(f float64) string {
	f, _ = strconv.ParseFloat(strconv.FormatFloat(f, 'g', 4, 64), 64) // the ends of a sweep are odd numbers
	if s, ok := strings.CutSuffix(band.Hertz(f), "k"); ok {
		return s + " kHz"
	}
	return band.Hertz(f) + " Hz"
}

// Percent writes a share of 0 to 1 in whole percent. Only all is 100 % and only none
// is 0 %.
func Percent(share float64) string {
	if math.IsNaN(share) {
		return Missing
	}
	p := math.Round(100 * share)
	switch {
	case share < 1 && p == 100:
		return "over 99 %"
	case share > 0 && p == 0:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", p)
}

// Count writes a number of things: "1 unit", "12 000 units".
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && len(s) > 4; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s + " " + many
}

// Mark writes a verdict or proposal word with its sign; the colour goes with it and
// never without it.
func Mark(word string) template.HTML {
	return template.HTML(fmt.Sprintf(`<span class="mark look-%s"><span aria-hidden="true">%s</span> %s</span>`,
		class(word), template.HTMLEscapeString(plot.LookOf(word).Sign), template.HTMLEscapeString(word)))
}

// Upper begins a sentence.
func Upper(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}

// Sentence makes a whole sentence of a clause, or of a text that is one already, with
// real minus signs.
func Sentence(s string) string {
	s = Upper(plot.Minus(strings.TrimSpace(s)))
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// UnitPath returns the address of a unit's page.
func UnitPath(serial string) string { return "/units/" + url.PathEscape(serial) }

// LotPath returns the address of a lot's page.
func LotPath(lot string) string { return "/lots/" + url.PathEscape(lot) }

// ProductPath returns the address of a product's page.
func ProductPath(product string) string { return "/products/" + url.PathEscape(product) }

// StreamPath returns the address of the page of a stream, whose key holds slashes.
func StreamPath(product, stream string) string {
	return "/streams/" + url.PathEscape(product) + "/" + url.PathEscape(stream)
}

// stateLook gives the answer on the line the look of the verdict that is as grave.
func stateLook(state any) string {
	switch fmt.Sprint(state) {
	case "all right":
		return "pass"
	case "not all right":
		return "fail"
	case "look at it":
		return "doubtful"
	}
	return "waiting"
}

func sameDay(a, b time.Time) bool { return a.Format(time.DateOnly) == b.Format(time.DateOnly) }
