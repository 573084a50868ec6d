package sheet

import (
	"encoding/xml"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"alike/reports/plot"
	"alike/reports/reporttest"
)

// chartsOf returns the chart parts in their order.
func chartsOf(parts map[string]string) []string {
	var out []string
	for i := 1; ; i++ {
		body, ok := parts[fmt.Sprintf("xl/charts/chart%d.xml", i)]
		if !ok {
			return out
		}
		out = append(out, body)
	}
}

func TestChartsOfALot(t *testing.T) {
	parts := partsOf(t, write(t, reporttest.Lot(40, 2), made))
	charts := chartsOf(parts)
	// Two channels on the Summary and two on Charts, three streams of two halves, the
	// sampling plan's curve.
	if len(charts) != 11 {
		t.Fatalf("%d charts, want 11", len(charts))
	}
	logX := regexp.MustCompile(`<valAx><axId val="100000000"/><scaling><logBase val="10"/><orientation`)
	for i, body := range charts {
		wellFormed(t, "chart", body)
		if got := strings.Count(body, "logBase"); logX.MatchString(body) != (i < 4) || got != map[bool]int{true: 1, false: 0}[i < 4] {
			t.Errorf("chart %d: %d logarithmic axes", i+1, got)
		}
		if strings.Contains(body, "<xVal><strRef>") || !strings.Contains(body, "<xVal><numRef>") {
			t.Errorf("chart %d: horizontal values are not numbers", i+1)
		}
		if !strings.Contains(body, `<dispBlanksAs val="gap"`) {
			t.Errorf("chart %d: gaps are bridged", i+1)
		}
	}
	for _, alien := range []string{"view3D", "floor", "lblOffset", "noMultiLvlLbl"} {
		if strings.Contains(charts[0], alien) {
			t.Errorf("a scatter chart with %s", alien)
		}
	}
	// The grid, 37 other units, two working limits; three failing units and two
	// limits twice.
	if n := strings.Count(charts[0], "<ser>"); n != 50 {
		t.Errorf("%d series in the envelope, want 50", n)
	}
	// In the legend: other units, limits, working limits, three failing units.
	if n := strings.Count(charts[0], "<legendEntry>"); n != 50-6 {
		t.Errorf("%d entries out of the legend, want 44", n)
	}
	for _, label := range []string{">20<", ">500<", ">1k<", ">20k<"} {
		if !strings.Contains(charts[0], label) {
			t.Errorf("the frequency axis lacks the label %s", label)
		}
	}
	for _, label := range []string{">upper 1.00<", ">centre 0.10<", ">lower −0.80<", ">1<", ">TB40-00096<"} {
		if !strings.Contains(charts[4], label) {
			t.Errorf("the control chart lacks the label %s", label)
		}
	}
	// Limits and failing units come first and last: some readers paint the first
	// series on top, some the last.
	names := regexp.MustCompile(`<tx><strRef><f>Data!\$[AC]\$(\d+)</f>`).FindAllStringSubmatch(charts[0], -1)
	for i := range 5 {
		if names[i][1] != names[len(names)-1-i][1] {
			t.Errorf("series %d from the front is row %s, from the back row %s", i, names[i][1], names[len(names)-1-i][1])
		}
	}
	if !strings.Contains(charts[4], `<symbol val="diamond"/>`) || !strings.Contains(charts[4], `<symbol val="square"/>`) {
		t.Error("marks of two rules do not differ in shape")
	}
}

func TestLimitsThatAreNotKnownAreNotDrawn(t *testing.T) {
	l := reporttest.Lot(5, 2)
	l.Charts = l.Charts[:1]
	c := &l.Charts[0]
	c.Lower, c.RangeHigh = math.NaN(), math.Inf(1)
	charts := chartsOf(partsOf(t, write(t, l, made)))
	values, ranges := charts[4], charts[5]
	if strings.Contains(values, "lower") || !strings.Contains(values, "upper 1.00") {
		t.Error("the individuals chart names a limit that is not known, or not the known one")
	}
	if strings.Contains(ranges, "upper") || !strings.Contains(ranges, "mean 0.34") {
		t.Error("the moving range names a limit that is not known, or not the known mean")
	}
}

func TestNamesOfLimitsDoNotOverprint(t *testing.T) {
	l := reporttest.Lot(5, 2)
	l.Charts = l.Charts[:1]
	l.Charts[0].Values[20] = 70 // presses the limits together
	charts := chartsOf(partsOf(t, write(t, l, made)))
	if !strings.Contains(charts[4], "upper 1.00") || strings.Contains(charts[4], "lower −0.80") || strings.Contains(charts[4], "centre 0.10") {
		t.Error("the individuals chart does not name the upper limit alone")
	}
	rows, _ := open(t, write(t, l, made)).GetRows("Charts")
	if text := fmt.Sprint(rows); !strings.Contains(text, "Centre 0.10, limits −0.80 and 1.00 dB. Mean moving range 0.34, its limit 1.11 dB.") {
		t.Error("the heading does not say the lines")
	}
}

func TestChartsOfAManyUnitLot(t *testing.T) {
	parts := partsOf(t, write(t, reporttest.Lot(300, 2), made))
	charts := chartsOf(parts)
	// The grid, smallest and largest, two ends of the middle, median, two working
	// limits; two limits and eight named units twice.
	if n := strings.Count(charts[0], "<ser>"); n != 28 {
		t.Errorf("%d series in the envelope, want 28", n)
	}
	f := open(t, write(t, reporttest.Lot(300, 2), made))
	find(t, f, "Charts", plot.OfLot(reporttest.Lot(300, 2))[0].Note)
	// The most series: a chart holds 255.
	charts = chartsOf(partsOf(t, write(t, reporttest.Lot(plot.Most, 2), made)))
	if n := strings.Count(charts[0], "<ser>"); n > 255 || n < plot.Most {
		t.Errorf("%d series for %d units", n, plot.Most)
	}
}

// The cells a series points at hold the unit's curve.
func TestSeriesPointAtTheirData(t *testing.T) {
	l := reporttest.Lot(3, 2)
	raw := write(t, l, made)
	body := chartsOf(partsOf(t, raw))[1]
	f := open(t, raw)
	series := regexp.MustCompile(`<ser>.*?<tx><strRef><f>Data!\$C\$(\d+)</f>.*?<yVal><numRef><f>Data!\$D\$(\d+):\$AH\$(\d+)</f>`).FindAllStringSubmatch(body, -1)
	if len(series) < 7 {
		t.Fatalf("%d series point at a row of values", len(series))
	}
	u := l.Units[1]
	_, row := 0, 0
	rows, err := f.GetRows("Data")
	if err != nil {
		t.Fatal(err)
	}
	for i, cells := range rows {
		if len(cells) > 1 && cells[0] == u.Serial && cells[1] == "right" {
			row = i + 1
		}
	}
	want := fmt.Sprint(row)
	found := slices.ContainsFunc(series, func(m []string) bool { return m[1] == want && m[2] == want && m[3] == want })
	if row == 0 || !found {
		t.Fatalf("no series points at row %d: %v", row, series)
	}
	for i, v := range u.Curves[1].Values {
		cell(t, f, "Data", at(firstValue+i, row), fmt.Sprintf("%.2f", v))
	}
}

// Charts begin and end on cell borders, whatever a reader takes for a row.
func TestAnchorsAndAltText(t *testing.T) {
	parts := partsOf(t, write(t, reporttest.Lot(40, 2), made))
	drawings := 0
	for name, body := range parts {
		if !strings.HasPrefix(name, "xl/drawings/drawing") {
			continue
		}
		drawings++
		var d struct {
			Anchors []struct {
				From, To struct {
					Col    int `xml:"col"`
					ColOff int `xml:"colOff"`
					Row    int `xml:"row"`
					RowOff int `xml:"rowOff"`
				}
				Frame struct {
					Props struct {
						ID    int    `xml:"id,attr"`
						Name  string `xml:"name,attr"`
						Descr string `xml:"descr,attr"`
					} `xml:"nvGraphicFramePr>cNvPr"`
				} `xml:"graphicFrame"`
			} `xml:"twoCellAnchor"`
		}
		if err := xml.Unmarshal([]byte(strings.NewReplacer("xdr:from", "xdr:From", "xdr:to>", "xdr:To>").Replace(body)), &d); err != nil {
			t.Fatal(err)
		}
		if len(d.Anchors) == 0 {
			t.Errorf("%s has no chart", name)
		}
		for _, a := range d.Anchors {
			if a.To.ColOff != 0 || a.To.RowOff != 0 || a.From.ColOff != 0 || a.From.RowOff != 0 {
				t.Errorf("%s, %s: ends inside a cell: %+v", name, a.Frame.Props.Name, a)
			}
			if a.To.Col-a.From.Col != gridColumns || a.To.Row <= a.From.Row {
				t.Errorf("%s, %s: covers %+v", name, a.Frame.Props.Name, a)
			}
			if len(a.Frame.Props.Descr) < 40 {
				t.Errorf("%s, %s: says %q to who cannot see it", name, a.Frame.Props.Name, a.Frame.Props.Descr)
			}
		}
	}
	if drawings != 3 {
		t.Errorf("%d drawings, want one on Summary, one on Charts and one on Sampling", drawings)
	}
}

const scatterPart = `<?xml version="1.0"?><c:chartSpace xmlns:c="urn:c" xmlns:a="urn:a"><c:chart><c:view3D/><c:plotArea><c:scatterChart>` +
	`<c:ser><c:idx val="0"/><c:spPr/><c:marker/><c:xVal><c:strRef><c:f>A</c:f></c:strRef></c:xVal></c:ser></c:scatterChart>` +
	`<c:valAx><c:axId val="1"/><c:scaling><c:orientation val="minMax"/></c:scaling><c:auto val="1"/></c:valAx>` +
	`<c:valAx><c:axId val="2"/><c:scaling><c:orientation val="minMax"/></c:scaling></c:valAx></c:plotArea>` +
	`<c:legend><c:legendPos val="b"/><c:overlay val="0"/></c:legend></c:chart></c:chartSpace>`

func TestChartPartKeepsWhatItDoesNotKnow(t *testing.T) {
	p, err := openPart([]byte(scatterPart))
	if err != nil {
		t.Fatal(err)
	}
	out, err := p.bytes()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimPrefix(string(out), xml.Header); got != strings.TrimPrefix(scatterPart, `<?xml version="1.0"?>`) {
		t.Errorf("the part changed to %s", got)
	}
}

func TestChartPartEdits(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*part)
		want string
	}{
		"log":     {func(p *part) { p.logX() }, `<c:axId val="1"/><c:scaling><c:logBase val="10"/><c:orientation`},
		"numeric": {func(p *part) { p.numericX() }, `<c:xVal><c:numRef><c:f>A</c:f></c:numRef></c:xVal>`},
		"hide":    {func(p *part) { p.hide(0, 3) }, `<c:legendPos val="b"/><c:legendEntry><c:idx val="0"/><c:delete val="1"/></c:legendEntry><c:legendEntry><c:idx val="3"/><c:delete val="1"/></c:legendEntry><c:overlay`},
		"inner":   {func(p *part) { p.inner(0.1, 0.2, 0.3, 0.4) }, `<c:plotArea><c:layout><c:manualLayout><c:layoutTarget val="inner"/><c:xMode val="edge"/><c:yMode val="edge"/><c:x val="0.1"/><c:y val="0.2"/><c:w val="0.3"/><c:h val="0.4"/></c:manualLayout></c:layout><c:scatterChart>`},
		"plain":   {func(p *part) { p.plain() }, `<c:chart><c:plotArea>`},
		"label":   {func(p *part) { p.label(0, pointLabel{2, "a<b", "t", "#112233", true}) }, `<c:marker/><c:dLbls><c:dLbl><c:idx val="2"/><c:tx><c:rich><a:bodyPr wrap="none"/><a:p><a:r><a:rPr lang="en-US" sz="900" b="1"><a:solidFill><a:srgbClr val="112233"/></a:solidFill><a:latin typeface="Arial"/></a:rPr><a:t>a&lt;b</a:t>`},
		"mark":    {func(p *part) { p.mark(0, "star", 9, "", "#112233") }, `<c:marker><c:symbol val="star"/><c:size val="9"/><c:spPr><a:noFill/><a:ln w="15875">`},
	} {
		p, err := openPart([]byte(scatterPart))
		if err != nil {
			t.Fatal(err)
		}
		c.edit(p)
		out, err := p.bytes()
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if !strings.Contains(string(out), c.want) {
			t.Errorf("%s: no %s in %s", name, c.want, out)
		}
	}
}

func TestChartPartErrors(t *testing.T) {
	for name, edit := range map[string]func(*part){
		"log":    func(p *part) { p.logX() },
		"hide":   func(p *part) { p.hide(1) },
		"series": func(p *part) { p.mark(0, "x", 5, "", "#000000") },
		"inner":  func(p *part) { p.inner(0, 0, 1, 1) },
	} {
		p, err := openPart([]byte(`<chartSpace/>`))
		if err != nil {
			t.Fatal(err)
		}
		edit(p)
		if _, err := p.bytes(); err == nil || !strings.Contains(err.Error(), "part has no") {
			t.Errorf("%s: error %v", name, err)
		}
	}
	for _, bad := range []string{"", "<a", "<a>", "</a>", "<a></b>"} {
		if _, err := openPart([]byte(bad)); err == nil {
			t.Errorf("%q opened", bad)
		}
	}
}

func TestNewestUnitsOfALongStream(t *testing.T) {
	l := reporttest.Lot(40, 2)
	c := &l.Charts[0]
	for len(c.Values) < mostPoints+10 {
		c.Serials, c.Values = append(c.Serials, "late"), append(c.Values, 0.2)
		c.InLot, c.Moving = append(c.InLot, true), append(c.Moving, 0.1)
	}
	cut := newest(*c)
	if len(cut.Values) != mostPoints || cut.Serials[0] != c.Serials[10] || cut.Marks[0].Index != c.Marks[0].Index-10 {
		t.Errorf("%d values from %s, first mark at %d", len(cut.Values), cut.Serials[0], cut.Marks[0].Index)
	}
	if err := cut.Check(); err != nil {
		t.Error(err)
	}
	f := open(t, write(t, l, made))
	rows, _ := f.GetRows("Charts")
	if text := fmt.Sprint(rows); !strings.Contains(text, "The newest 2000 of 2010 units are drawn.") {
		t.Error("the page does not say that older units are left out")
	}
}
