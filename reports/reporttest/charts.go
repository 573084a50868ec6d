package reporttest

import (
	"fmt"
	"math"
	"time"

	"alike/reports"
)

// charts adds three streams: one that steps up, one that holds, one with a gap.
func (m *maker) charts() {
	for k, s := range []struct {
		stream      string
		shift, gapP float64
	}{
		{m.names[0] + " 63 Hz deviation", 0.9, 0},
		{m.names[len(m.names)-1] + " 8k deviation", 0.25, 0.05},
		{"sensitivity " + m.names[0], 0, 0},
	} {
		c := reports.Chart{Stream: s.stream, Unit: "dB", Center: 0.1, Lower: -0.8, Upper: 1.0, RangeMean: 0.34, RangeHigh: 1.11}
		const before = 25
		for i := range before + m.n {
			v := 0.1 + 0.3*m.r.NormFloat64()
			if i > before+2*m.n/3 {
				v += s.shift
			}
			if m.r.Float64() < s.gapP {
				v = math.NaN()
			}
			c.Serials = append(c.Serials, fmt.Sprintf("TB40-%05d", 121-before+i))
			c.Values = append(c.Values, v)
			c.InLot = append(c.InLot, i >= before)
			moving := math.NaN()
			if i > 0 {
				moving = math.Abs(v - c.Values[i-1])
			}
			c.Moving = append(c.Moving, moving)
		}
		mark(&c)
		m.l.Charts = append(m.l.Charts, c)
		if len(c.Marks) > 0 {
			m.l.Signals = append(m.l.Signals, reports.SignalRow{
				Stream: c.Stream, Rule: c.Marks[0].Rule, Text: c.Marks[0].Text,
				First: c.Serials[c.Marks[0].Index], Last: c.Serials[c.Marks[len(c.Marks)-1].Index],
				Count: len(c.Marks), Largest: 3.4 - float64(k), LimitsFrom: "limits 3 of 2026-02-11", Finding: 3,
			})
		}
	}
}

// mark fires two of the run rules on the points of the lot.
func mark(c *reports.Chart) {
	side := 0
	for i, v := range c.Values {
		switch {
		case math.IsNaN(v):
			side = 0
			continue
		case v > c.Center:
			side = max(side, 0) + 1
		default:
			side = min(side, 0) - 1
		}
		if c.InLot[i] && (v > c.Upper || v < c.Lower) {
			c.Marks = append(c.Marks, reports.Mark{Index: i, Rule: "beyond", Text: "The value lies beyond a control limit."})
		}
		if c.InLot[i] && (side >= 9 || side <= -9) {
			c.Marks = append(c.Marks, reports.Mark{Index: i, Rule: "same-side", Text: "Nine values in a row lie on the same side of the centre."})
		}
	}
}

func (m *maker) ledger() {
	first, last := "", ""
	if m.n > 0 {
		first, last = m.l.Units[0].Serial, m.l.Units[m.n-1].Serial
	}
	for _, name := range m.names {
		m.l.Parts = append(m.l.Parts,
			reports.PartRow{Kind: "driver", Channel: name, Batch: "D40-0932", Supplier: "Ahrensfeld Acoustics", FirstSerial: first, LastSerial: last, Units: m.n},
			reports.PartRow{Kind: "pad", Channel: name, Batch: "P-77", Supplier: "Weberei Lohmann", FirstSerial: first, LastSerial: last, Units: m.n})
	}
	m.l.Parts = append(m.l.Parts, reports.PartRow{Kind: "foam", Batch: "F-118", Supplier: "Schaum & Partner", FirstSerial: "TB40-00148", LastSerial: last, Units: m.n / 3})
	m.l.Method = reports.Method{
		Lines: []reports.Fact{
			{Name: "bands", Value: "One-third octave, 20 Hz to 20 kHz, exact mid-bands of IEC 61260-1:2014; mean power over log-frequency between the edges."},
			{Name: "target", Value: "Diffuse-field response of the rig, tilted by −10 dB from 20 Hz to 20 kHz; anchored from 500 Hz to 2 kHz."},
			{Name: "envelope", Value: "Version 4, in force since 2026-01-19: around target, ± 2.4 to 5 dB; guard band 0.4 dB."},
			{Name: "limits of the charts", Value: "Version 3 of 2026-02-11, from 60 units TB40-00036 to TB40-00095."},
			{Name: "false alarms", Value: "The whole board is set to one false alarm in 500 units."},
			{Name: "seatings", Value: "Three per channel, averaged as dB."},
		},
		Refused: []reports.Refused{
			{Source: "2026-03-02/TB40-00130_left_2.txt", Line: 48, Field: "frequency", Reason: "1000 does not rise above 1000", Remedy: "export the curve again without repeated lines", At: m.l.Opened.Add(65 * time.Minute)},
			{Source: "2026-03-02/TB40-00131_right_1.txt", Field: "content", Reason: "the same curve as TB40-00130 right, seating 1", Remedy: "measure the unit again or correct the serial", At: m.l.Opened.Add(74 * time.Minute)},
		},
	}
}
