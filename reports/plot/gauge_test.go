package plot

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"alike/reports"
)

func gaugeOf() reports.Gauge {
	g := reports.Gauge{Code: "GS-1", Units: []string{"a", "b"}, Who: []string{"x", "y"}, Trials: 2, Seatings: 3, Axis: []float64{100, 1000, 10000}, Labels: []string{"100", "1k", "10k"}}
	for _, c := range []string{"left", "right"} {
		for i, l := range g.Labels {
			g.Rows = append(g.Rows, reports.GaugeRow{Quantity: "deviation", Channel: c, Label: l, Part: 0.5, Repeatability: 0.1 * float64(i+1), Reproducibility: 0.05, Mean: 0.08})
		}
	}
	g.Rows = append(g.Rows, reports.GaugeRow{Quantity: "sensitivity", Channel: "left", Part: 99})
	g.Rows[1].Part = math.NaN() // the study does not tell
	return g
}

func TestGaugePicturesSayWhatTheyShow(t *testing.T) {
	plots := OfGauge(gaugeOf())
	if len(plots) != 2 {
		t.Fatalf("%d pictures, want one per channel", len(plots))
	}
	var svg bytes.Buffer
	if err := Envelope(&svg, plots[0]); err != nil {
		t.Fatal(err)
	}
	text := svg.String()
	for _, want := range []string{"Spread by source, left", ">units<", ">one seating<", ">operators<", ">mean of 3 seatings<", "Gauge study GS-1, left"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if strings.Contains(text, "fail") {
		t.Error("a source of spread is called a failing unit")
	}
	if got := plots[0].Levels; got[0] != 0 || got[len(got)-1] < 0.5 || got[len(got)-1] > 1 {
		t.Errorf("levels %v", got)
	}
	if OfGauge(reports.Gauge{}) != nil {
		t.Error("a study that is not measured has a picture")
	}
}

func TestTransferPicture(t *testing.T) {
	tr := reports.Transfer{Code: "T", From: "rig-a", To: "rig-b", Units: 5, Confidence: 0.95, Axis: []float64{100, 1000}}
	for range 4 {
		tr.Rows = append(tr.Rows, reports.TransferRow{Channel: "left", Mean: 0.5, Low: 0.2, High: 0.8})
	}
	tr.Rows[2].Channel, tr.Rows[3].Channel = "right", "right"
	plots := OfTransfer(tr)
	if len(plots) != 2 || plots[1].Title != "rig-b minus rig-a, right" {
		t.Fatalf("%+v", plots)
	}
	var svg bytes.Buffer
	if err := Envelope(&svg, plots[0]); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"95 % for the whole curve", "mean difference", "Add the curve to a reading of rig-a"} {
		if !strings.Contains(svg.String(), want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
}
