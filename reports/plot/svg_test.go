package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"alike/reports"
	"alike/reports/reporttest"

	"pgregory.net/rapid"
)

// A picture is what encoding/xml reads back.
type picture struct {
	root  xml.Name
	count map[string]int
	texts []string // content of text elements
	title string
	desc  string
	paths []string
}

func read(svg []byte) (picture, error) {
	p := picture{count: map[string]int{}}
	dec := xml.NewDecoder(bytes.NewReader(svg))
	inside := ""
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return p, nil
		}
		if err != nil {
			return p, err
		}
		switch e := tok.(type) {
		case xml.StartElement:
			if p.root.Local == "" {
				p.root = e.Name
			}
			inside = e.Name.Local
			p.count[inside]++
			for _, a := range e.Attr {
				if a.Name.Local == "d" {
					p.paths = append(p.paths, a.Value)
				}
				if a.Name.Local == "style" {
					return p, errors.New("inline style")
				}
			}
		case xml.CharData:
			switch inside {
			case "text":
				p.texts = append(p.texts, string(e))
			case "title":
				p.title += string(e)
			case "desc":
				p.desc += string(e)
			}
		case xml.EndElement:
			inside = ""
		}
	}
}

func draw(t interface {
	Helper()
	Fatal(...any)
}, write func(io.Writer) error) ([]byte, picture) {
	t.Helper()
	var buf bytes.Buffer
	if err := write(&buf); err != nil {
		t.Fatal(err)
	}
	p, err := read(buf.Bytes())
	if err != nil {
		t.Fatal(err, buf.String())
	}
	return buf.Bytes(), p
}

func has(texts []string, want string) bool {
	for _, s := range texts {
		if s == want {
			return true
		}
	}
	return false
}

func TestEnvelopeOfALot(t *testing.T) {
	p := OfLot(reporttest.Lot(40, 2))[1]
	svg, pic := draw(t, func(w io.Writer) error { return Envelope(w, p) })
	if pic.root.Local != "svg" || pic.root.Space != "http://www.w3.org/2000/svg" {
		t.Errorf("root is %v", pic.root)
	}
	if pic.title != "Deviation from the target, right" {
		t.Errorf("title is %q", pic.title)
	}
	for _, want := range []string{"All 3 failing units", "TB40-00128", "logarithmic"} {
		if !strings.Contains(pic.desc, want) {
			t.Errorf("description lacks %q: %s", want, pic.desc)
		}
	}
	for _, label := range []string{"20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k", "−2", "limits", "fail: TB40-00128", "frequency, Hz"} {
		if !has(pic.texts, label) {
			t.Errorf("no label %q", label)
		}
	}
	// 37 other units, 3 named ones, two limits and two working limits.
	if len(pic.paths) != 44 {
		t.Errorf("%d paths, want 44", len(pic.paths))
	}
	again, _ := draw(t, func(w io.Writer) error { return Envelope(w, p) })
	if !bytes.Equal(svg, again) {
		t.Error("the same plot gave other bytes")
	}
}

func TestEnvelopeOfAManyUnitLot(t *testing.T) {
	p := OfLot(reporttest.Lot(300, 2))[0]
	_, pic := draw(t, func(w io.Writer) error { return Envelope(w, p) })
	// Two areas, the median, four limits, eight named units.
	if len(pic.paths) != 15 {
		t.Errorf("%d paths, want 15", len(pic.paths))
	}
	for _, label := range []string{"smallest to largest", "middle 90 %", "median unit"} {
		if !has(pic.texts, label) {
			t.Errorf("no label %q", label)
		}
	}
}

func TestPlaceOfACurve(t *testing.T) {
	for _, gap := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		p := EnvelopePlot{Title: "t", Axis: []float64{20, 200, 2000, 20000}, Plain: []Curve{{"u", []float64{-1, 0, gap, 1}}}}
		_, pic := draw(t, func(w io.Writer) error { return Envelope(w, p) })
		// Frame from x 60 to 700 and y 40 to 370, −1 to 1 dB; the last point has no
		// neighbour and stays a lone start.
		want := "M60 370L273.33 205M700 40"
		if len(pic.paths) != 1 || pic.paths[0] != want {
			t.Errorf("with %v: paths %q, want %q", gap, pic.paths, want)
		}
	}
}

func TestGapInAnArea(t *testing.T) {
	var c canvas
	nan := math.NaN()
	c.area([]float64{0, 1, 2, 3, 4, 5}, []float64{0, 0, nan, 0, nan, 0}, []float64{1, 1, 1, 1, 1, 1}, Faint)
	if got := regexp.MustCompile(`d="([^"]*)"`).FindAllStringSubmatch(c.buf.String(), -1); len(got) != 1 || got[0][1] != "M0 1L1 1L1 0L0 0Z" {
		t.Errorf("area paths %v", got)
	}
}

func TestControlOfAStream(t *testing.T) {
	c := reporttest.Lot(40, 2).Charts[0]
	svg, pic := draw(t, func(w io.Writer) error { return Control(w, c) })
	for _, label := range []string{"upper 1.00", "centre 0.10", "lower −0.80", "upper 1.11", "mean 0.34", "this lot", "before it", "1", "2", "TB40-00096", "dB", "moving range"} {
		if !has(pic.texts, label) {
			t.Errorf("no label %q", label)
		}
	}
	// 65 values and 64 ranges, two keys; two ranges lie above their limit and one
	// key in the legend.
	if n := pic.count["circle"]; n != 65+64+2+len(Beyond(c))+1 {
		t.Errorf("%d circles", n)
	}
	all := strings.Join(pic.texts, " ")
	if !strings.Contains(all, "The value lies beyond a control limit. At TB40-00149") {
		t.Error("the legend does not say the rule's sentence")
	}
	again, _ := draw(t, func(w io.Writer) error { return Control(w, c) })
	if !bytes.Equal(svg, again) {
		t.Error("the same chart gave other bytes")
	}
}

func TestNamesOfLimitsStayApart(t *testing.T) {
	c := reporttest.Lot(40, 2).Charts[0]
	c.Values[50] = 70 // presses the limits together
	svg, _ := draw(t, func(w io.Writer) error { return Control(w, c) })
	var ys []float64
	for _, m := range regexp.MustCompile(`y="([0-9.]+)"[^>]*>(?:upper|centre|lower) `).FindAllSubmatch(svg, 3) {
		y, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		ys = append(ys, y)
	}
	if len(ys) != 3 || ys[1]-ys[0] < 12 || ys[2]-ys[1] < 12 {
		t.Errorf("the names stand at %v", ys)
	}
}

func TestControlWithoutRangesOrUnits(t *testing.T) {
	nan := math.NaN()
	c := reports.Chart{Stream: "s", Center: nan, Lower: nan, Upper: nan, RangeMean: nan, RangeHigh: nan}
	_, pic := draw(t, func(w io.Writer) error { return Control(w, c) })
	if !has(pic.texts, "no unit was measured") || has(pic.texts, "moving range") {
		t.Errorf("texts %q", pic.texts)
	}
}

func TestErrors(t *testing.T) {
	for name, err := range map[string]error{
		"short row":     Envelope(io.Discard, EnvelopePlot{Axis: []float64{1, 2}, Lower: []float64{1}}),
		"falling axis":  Envelope(io.Discard, EnvelopePlot{Axis: []float64{2, 1}}),
		"negative axis": Envelope(io.Discard, EnvelopePlot{Axis: []float64{-2, 1}}),
		"chart":         Control(io.Discard, reports.Chart{Values: []float64{1}}),
		"mark":          Control(io.Discard, reports.Chart{Marks: []reports.Mark{{Index: 0}}}),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

var drawn = regexp.MustCompile(`NaN|Inf`)

// Any text and any number give well-formed XML that says the text.
func TestAnythingDraws(t *testing.T) {
	number := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 1, -3}))
	rapid.Check(t, func(t *rapid.T) {
		row := rapid.SliceOfN(number, 3, 3)
		p := EnvelopePlot{
			Title: rapid.String().Draw(t, "title"), Description: rapid.String().Draw(t, "description"), Note: rapid.String().Draw(t, "note"),
			Axis: []float64{100, 1000, 4000}, Lower: row.Draw(t, "lower"), Upper: row.Draw(t, "upper"),
			Areas:  []Area{{rapid.String().Draw(t, "area"), row.Draw(t, "low"), row.Draw(t, "high")}},
			Plain:  []Curve{{"", row.Draw(t, "plain")}},
			Strong: []Curve{{rapid.String().Draw(t, "name"), row.Draw(t, "strong")}},
		}
		svg, pic := draw(t, func(w io.Writer) error { return Envelope(w, p) })
		if clean(p.Title) == p.Title && pic.title != p.Title {
			t.Fatalf("title %q came back as %q", p.Title, pic.title)
		}
		if where := drawn.Find(numbersOf(svg)); where != nil {
			t.Fatalf("%s in the picture", where)
		}

		c := reports.Chart{
			Stream: rapid.String().Draw(t, "stream"), Unit: rapid.String().Draw(t, "unit"),
			Serials: rapid.SliceOfN(rapid.String(), 3, 3).Draw(t, "serials"), Values: row.Draw(t, "values"),
			InLot: []bool{false, true, true}, Moving: row.Draw(t, "moving"),
			Center: number.Draw(t, "centre"), Lower: number.Draw(t, "l"), Upper: number.Draw(t, "u"),
			RangeMean: number.Draw(t, "mean"), RangeHigh: number.Draw(t, "high"),
			Marks: []reports.Mark{{Index: 2, Rule: rapid.String().Draw(t, "rule"), Text: rapid.String().Draw(t, "text")}},
		}
		svg, _ = draw(t, func(w io.Writer) error { return Control(w, c) })
		if where := drawn.Find(numbersOf(svg)); where != nil {
			t.Fatalf("%s in the picture", where)
		}
	})
}

// numbersOf leaves out text, which may say anything.
func numbersOf(svg []byte) []byte {
	return regexp.MustCompile(`>[^<]*<`).ReplaceAll(svg, []byte("><"))
}

// clean drops what XML 1.0 does not allow or a parser changes.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if (r < ' ') || r == unicode.ReplacementChar || r == 0xFFFE || r == 0xFFFF {
			return -1
		}
		return r
	}, s)
}
