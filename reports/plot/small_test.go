package plot_test

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"alike/reports/plot"
)

func TestSmall(t *testing.T) {
	p := plot.SmallPlot{Title: "leak <1>", Description: "d", Axis: []float64{31.5, 125, 1000, 8000}, Values: []float64{-4, -2, math.NaN(), 0.2}, Low: []float64{-5, -3, -1, 0}, High: []float64{-3, -1, 1, 0.4}}
	var out bytes.Buffer
	if err := plot.Small(&out, p); err != nil {
		t.Fatal(err)
	}
	for d := xml.NewDecoder(bytes.NewReader(out.Bytes())); ; {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	for _, part := range []string{"leak &lt;1&gt;", ">100<", ">1k<", `role="img"`, "Z\""} {
		if !strings.Contains(out.String(), part) {
			t.Errorf("lacks %q: %s", part, out.String())
		}
	}
	p.Low = nil
	var plain bytes.Buffer
	if err := plot.Small(&plain, p); err != nil || strings.Contains(plain.String(), "Z\"") {
		t.Errorf("without an interval: %v %s", err, plain.String())
	}
	p.Values = p.Values[1:]
	if err := plot.Small(io.Discard, p); err == nil {
		t.Error("three values for four frequencies are drawn")
	}
}
