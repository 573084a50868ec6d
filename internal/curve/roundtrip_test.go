package curve

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"alike/spc/band"

	"pgregory.net/rapid"
)

func drawCurve(t *rapid.T) band.Curve {
	n := rapid.IntRange(2, 120).Draw(t, "points")
	var c band.Curve
	phase := rapid.Bool().Draw(t, "phase")
	f := rapid.Float64Range(1, 100).Draw(t, "first")
	for range n {
		c.Hz = append(c.Hz, f)
		f += rapid.Float64Range(0.2, 400).Draw(t, "step")
		c.DB = append(c.DB, rapid.Float64Range(-290, 290).Draw(t, "level"))
		if phase {
			c.Phase = append(c.Phase, rapid.Float64Range(-1e6, 1e6).Draw(t, "angle"))
		}
	}
	return c
}

func drawStyle(t *rapid.T, text bool) Style {
	s := Style{
		Decimal:      rapid.SampledFrom([]byte{'.', ','}).Draw(t, "decimal"),
		Delimiter:    rapid.SampledFrom([]byte{',', ';', '\t'}).Draw(t, "delimiter"),
		Quoted:       rapid.Bool().Draw(t, "quoted"),
		Trailing:     rapid.Bool().Draw(t, "trailing"),
		Encoding:     Encoding(rapid.IntRange(0, int(Windows1252)).Draw(t, "encoding")),
		LineEnd:      rapid.SampledFrom([]string{"", "\n", "\r\n", "\r"}).Draw(t, "end"),
		Comments:     rapid.SliceOfN(rapid.SampledFrom([]string{"rig 2", "µ and é", "", "level in volts, 20;30", "# twice"}), 0, 3).Draw(t, "comments"),
		CommentSign:  rapid.SampledFrom([]byte{'#', '*', ';'}).Draw(t, "sign"),
		Kilohertz:    rapid.Bool().Draw(t, "kHz"),
		Falling:      rapid.Bool().Draw(t, "falling"),
		UnicodeMinus: rapid.Bool().Draw(t, "minus"),
		HzDigits:     rapid.SampledFrom([]int{0, 2, 5}).Draw(t, "Hz digits"),
		DBDigits:     rapid.SampledFrom([]int{0, 1, 2, 3, 6}).Draw(t, "dB digits"),
	}
	if s.Kilohertz && s.HzDigits > 0 {
		s.HzDigits = 6
	}
	if s.Decimal == ',' && s.Delimiter == ',' {
		s.Quoted = true
	}
	if s.Encoding == Windows1252 {
		s.UnicodeMinus = false
	}
	if !text {
		return s
	}
	if rapid.Bool().Draw(t, "blanks") {
		s.Delimiter, s.Trailing = ' ', false
	}
	if rapid.Bool().Draw(t, "quote as sign") {
		s.CommentSign = '"'
	}
	s.NoHead = !s.Kilohertz && rapid.Bool().Draw(t, "no head")
	s.Phase = rapid.Bool().Draw(t, "write phase")
	s.Radians = !s.NoHead && rapid.Bool().Draw(t, "radians")
	return s
}

// within reports whether got is want to half a step of the last digit that was
// printed, and a float64's rounding; radians below 1e-300 lose digits.
func within(got, want []float64, digits int, unit float64) error {
	if len(got) != len(want) {
		return fmt.Errorf("%d values, want %d", len(got), len(want))
	}
	step := 0.0
	if digits > 0 {
		step = 0.5 * unit * math.Pow(10, -float64(digits))
	}
	for i := range got {
		if d := math.Abs(got[i] - want[i]); d > step*(1+1e-9)+4e-16*math.Abs(want[i])+1e-300 {
			return fmt.Errorf("value %d is %v, want %v", i, got[i], want[i])
		}
	}
	return nil
}

func hertzUnit(s Style) float64 {
	if s.Kilohertz {
		return 1000
	}
	return 1
}

func TestTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, s := drawCurve(t), drawStyle(t, true)
		var b bytes.Buffer
		if err := WriteText(&b, c, s); err != nil {
			t.Fatal(err)
		}
		got, _, err := ReadText("x", b.Bytes())
		if err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		unit := 1.0
		if s.Radians {
			unit = 180 / math.Pi
		}
		if err := within(got.Hz, c.Hz, s.HzDigits, hertzUnit(s)); err != nil {
			t.Fatalf("frequency: %v", err)
		}
		if err := within(got.DB, c.DB, s.DBDigits, 1); err != nil {
			t.Fatalf("level: %v", err)
		}
		if !s.Phase {
			c.Phase = nil
		}
		if err := within(got.Phase, c.Phase, s.DBDigits, unit); err != nil {
			t.Fatalf("phase: %v", err)
		}
	})
}

func drawIdentity(t *rapid.T, i int) Identity {
	name := rapid.StringOfN(rapid.RuneFrom([]rune(`aB7 _-#*;,."'|éß(`)), 1, 12, -1)
	word := func(field string) string {
		return strings.TrimSpace(rapid.OneOf(rapid.Just(""), name).Draw(t, field))
	}
	id := Identity{
		Serial:  strings.TrimSpace(name.Draw(t, "serial")) + fmt.Sprint(i),
		Channel: rapid.SampledFrom([]string{"left", "right", "mono", "ch1"}).Draw(t, "channel"),
		Seating: rapid.IntRange(0, 12).Draw(t, "seating"), Attempt: rapid.IntRange(0, 12).Draw(t, "attempt"),
		Product: word("product"), Lot: word("lot"), Station: word("station"), Operator: word("operator"), Reason: word("reason"),
	}
	if id.Lot == "." || id.Lot == ".." {
		id.Lot = ""
	}
	if rapid.Bool().Draw(t, "timed") {
		id.MeasuredAt = time.Unix(rapid.Int64Range(1, 4e9).Draw(t, "seconds"), 250e6).In(time.FixedZone("", 3600))
	}
	return id
}

func TestWideRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, s := drawCurve(t), drawStyle(t, false)
		var takes []Take
		for i := range rapid.IntRange(1, 4).Draw(t, "takes") {
			d := band.Curve{Hz: c.Hz, DB: make([]float64, len(c.DB))}
			for j := range d.DB {
				d.DB[j] = c.DB[j] + float64(i)
			}
			takes = append(takes, Take{Identity: drawIdentity(t, i), Curve: d})
		}
		var b bytes.Buffer
		if err := WriteWide(&b, takes, s); err != nil {
			if strings.Contains(err.Error(), "between thousands") {
				return // a grid such as 1.125, 2 cannot be written safely
			}
			t.Fatal(err)
		}
		got, refused := ReadWide("x", b.Bytes(), nil)
		if len(refused) > 0 || len(got) != len(takes) {
			t.Fatalf("refused %v\n%s", Refusals(refused), b.String())
		}
		for i, take := range got {
			if !take.Identity.same(takes[i].Identity) {
				t.Fatalf("identity %+v, want %+v", take.Identity, takes[i].Identity)
			}
			if err := within(take.Curve.Hz, c.Hz, s.HzDigits, hertzUnit(s)); err != nil {
				t.Fatal(err)
			}
			if err := within(take.Curve.DB, takes[i].Curve.DB, s.DBDigits, 1); err != nil {
				t.Fatal(err)
			}
		}
	})
}

func TestManifestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rows []ManifestRow
		for i := range rapid.IntRange(1, 5).Draw(t, "rows") {
			file := rapid.StringMatching(`[#*;]?[a-z ,"é]{0,8}(/[a-z;]{1,4})?`).Draw(t, "file") + fmt.Sprint(i) + ".txt"
			rows = append(rows, ManifestRow{Identity: drawIdentity(t, i), File: strings.TrimLeft(file, " /"), Line: i + 2})
		}
		var b bytes.Buffer
		if err := WriteManifest(&b, rows); err != nil {
			t.Fatal(err)
		}
		m, err := ReadManifest("x", b.Bytes(), nil)
		if err != nil || len(m.Rows) != len(rows) {
			t.Fatalf("%v\n%s", err, b.String())
		}
		for i, got := range m.Rows {
			if !got.Identity.same(rows[i].Identity) || got.File != rows[i].File || got.Line != rows[i].Line {
				t.Fatalf("got %+v, want %+v", got, rows[i])
			}
		}
	})
}

func TestPatternRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := ParsePattern(rapid.SampledFrom([]string{
			"{serial}_{channel}_{seating}.txt", "{lot}/{serial}-{channel}", "{date}~{serial}~{attempt}.dat", "{operator}={station}={serial}={product}.csv",
		}).Draw(t, "pattern"))
		if err != nil {
			t.Fatal(err)
		}
		word := rapid.StringMatching(`[a-z0-9#.é]{1,6}`)
		id := drawIdentity(t, 1)
		id.MeasuredAt = time.Unix(rapid.Int64Range(1, 4e9).Draw(t, "seconds"), 0)
		id.Lot, id.Product, id.Operator, id.Station = word.Draw(t, "l")+"x", word.Draw(t, "p"), word.Draw(t, "o"), word.Draw(t, "s")
		id.Seating, id.Attempt = id.Seating+1, id.Attempt+1
		name, err := p.Name(id)
		if err != nil {
			t.Fatal(err)
		}
		got, err := p.Match("some/folder/" + name)
		if err != nil || !got.or(id).same(id) {
			t.Fatalf("%s: %+v, %v; want %+v", name, got, err, id)
		}
		for field, said := range map[string]bool{"{serial}": got.Serial == id.Serial, "{lot}": got.Lot == id.Lot, "{seating}": got.Seating == id.Seating, "{product}": got.Product == id.Product} {
			if strings.Contains(p.String(), field) && !said {
				t.Fatalf("%s on %s loses %s", p, name, field)
			}
		}
	})
}

func TestWritersRefuse(t *testing.T) {
	c := band.Curve{Hz: []float64{20, 20.001}, DB: []float64{1, 2}}
	for name, s := range map[string]Style{
		"digits":    {HzDigits: 2},
		"commas":    {Decimal: ','},
		"kHz":       {Kilohertz: true, NoHead: true},
		"delimiter": {Delimiter: 'x'},
		"comment":   {Comments: []string{"a\nb"}},
		"encoding":  {Encoding: Windows1252, Comments: []string{"\u2212"}},
		"blank":     {Delimiter: ' ', Trailing: true},
		"unknown":   {Encoding: Windows1252 + 1},
	} {
		var b bytes.Buffer
		if err := WriteText(&b, c, s); err == nil || b.Len() > 0 {
			t.Errorf("%s: wrote %q, %v", name, b.String(), err)
		}
	}
	small := band.Curve{Hz: []float64{0.01, 20}, DB: []float64{1, 2}}
	if err := WriteText(&bytes.Buffer{}, small, Style{HzDigits: 1}); err == nil {
		t.Error("a frequency printed as 0")
	}
	for _, c := range []band.Curve{c, small} {
		if err := WriteWide(&bytes.Buffer{}, []Take{{Curve: c}}, Style{HzDigits: 1}); err == nil {
			t.Errorf("too few digits for %v in a wide CSV", c.Hz)
		}
	}
	other := band.Curve{Hz: []float64{20, 30}, DB: []float64{1, 2}}
	if err := WriteWide(&bytes.Buffer{}, []Take{{Curve: c}, {Curve: other}}, Style{}); err == nil {
		t.Error("two grids in one wide CSV")
	}
	if err := WriteManifest(&bytes.Buffer{}, []ManifestRow{{File: "a\nb"}}); err == nil {
		t.Error("a line break in a manifest")
	}
}
