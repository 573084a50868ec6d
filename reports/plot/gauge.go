package plot

import (
	"fmt"
	"math"

	"alike/reports"
)

// OfGauge draws the result of a gauge study, one picture per channel: standard
// deviations over frequency, of units, of one seating, of what changes with the
// operator, and of the mean that the product takes. It is empty before the study is
// measured.
func OfGauge(g reports.Gauge) []EnvelopePlot {
	var channels []string
	rows := map[string]map[string]reports.GaugeRow{}
	for _, r := range g.Rows {
		if r.Quantity != "deviation" {
			continue
		}
		if rows[r.Channel] == nil {
			rows[r.Channel] = map[string]reports.GaugeRow{}
			channels = append(channels, r.Channel)
		}
		rows[r.Channel][r.Label] = r
	}
	most := 0.0
	var plots []EnvelopePlot
	for _, c := range channels {
		p := EnvelopePlot{
			Title: "Spread by source, " + c, Channel: c, Axis: g.Axis, StrongLead: "-",
			Note: fmt.Sprintf("Standard deviations in dB. Units and measuring can be told apart where the units' line lies well above the mean's. Study %s, %d units, %d operators, %d seatings each.",
				g.Code, len(g.Units), len(g.Who), g.Trials),
		}
		for _, line := range []struct {
			name  string
			value func(reports.GaugeRow) float64
		}{
			{"units", func(r reports.GaugeRow) float64 { return r.Part }},
			{"one seating", func(r reports.GaugeRow) float64 { return r.Repeatability }},
			{"operators", func(r reports.GaugeRow) float64 { return r.Reproducibility }},
			{fmt.Sprintf("mean of %d seatings", g.Seatings), func(r reports.GaugeRow) float64 { return r.Mean }},
		} {
			values := make([]float64, len(g.Labels))
			for i, label := range g.Labels {
				values[i] = math.NaN()
				if r, ok := rows[c][label]; ok {
					values[i] = line.value(r)
				}
				if Finite(values[i]) {
					most = math.Max(most, values[i])
				}
			}
			p.Strong = append(p.Strong, Curve{line.name, values})
		}
		p.Description = fmt.Sprintf("Gauge study %s, %s: standard deviation in dB over frequency of units, one seating, operators and the mean of %d seatings.", g.Code, c, g.Seatings)
		plots = append(plots, p)
	}
	for i := range plots {
		plots[i].Levels = LevelTicks(0, most, mostLevels)
	}
	return plots
}

// OfTransfer draws the curve from one rig to another, one picture per channel, with
// the interval that holds the whole curve.
func OfTransfer(t reports.Transfer) []EnvelopePlot {
	var plots []EnvelopePlot
	n := len(t.Axis)
	lo, hi := 0.0, 0.0
	for from := 0; from+n <= len(t.Rows) && n > 0; from += n {
		var mean, low, high []float64
		for _, r := range t.Rows[from : from+n] {
			mean, low, high = append(mean, r.Mean), append(low, r.Low), append(high, r.High)
		}
		if a, b, ok := Span(low, high); ok {
			lo, hi = math.Min(lo, a), math.Max(hi, b)
		}
		c := t.Rows[from].Channel
		plots = append(plots, EnvelopePlot{
			Title: fmt.Sprintf("%s minus %s, %s", t.To, t.From, c), Channel: c, Axis: t.Axis,
			Areas:       []Area{{fmt.Sprintf("%.0f %% for the whole curve", 100*t.Confidence), low, high}},
			Center:      mean,
			Middle:      "mean difference",
			Note:        fmt.Sprintf("From %d units measured on both rigs. Add the curve to a reading of %s to get what %s would read.", t.Units, t.From, t.To),
			Description: fmt.Sprintf("Transfer curve from %s to %s, %s: mean difference in dB over frequency with its %.0f %% interval, from %d units.", t.From, t.To, c, 100*t.Confidence, t.Units),
		})
	}
	for i := range plots {
		plots[i].Levels = LevelTicks(lo, hi, mostLevels)
	}
	return plots
}
