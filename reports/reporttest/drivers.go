package reporttest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"alike/reports"
	"alike/spc/band"
)

// Study returns a comparison of so many batches of n drivers each.
func Study(batches, n int) reports.DriverStudy {
	rng := rand.New(rand.NewPCG(7, uint64(batches)))
	bands, err := band.Between(3, 100, 10000)
	if err != nil {
		panic(err)
	}
	s := reports.DriverStudy{
		Site: "Tarnbeck Workshop", Product: "TB-40 driver rev C", Zone: Zone, By: "batch", Margin: 0.5, Confidence: 0.95,
		Headline:   reports.Headline{P: 0.0004, Draws: 9999},
		Conclusion: []string{"Over all bands together the batches differ (p = 0.0004).", "Means differ in 1 kHz, 2 kHz."},
		Warnings:   []string{"Polarity was not checked for 3 of 60 drivers of B1: their takes hold no phase that could tell."},
		Method:     []reports.Fact{{Name: "program", Value: "test"}},
	}
	for _, b := range bands {
		s.Axis, s.Labels = append(s.Axis, b.Mid()), append(s.Labels, b.Label())
	}
	for g := range batches {
		name := fmt.Sprintf("B%d", g+1)
		group := reports.DriverGroup{
			Name: name, Supplier: "Norvane", Batches: []string{name}, Received: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Pieces: 120,
			Drivers: n, Measured: n, Good: n - 2, Bad: 1, NotChecked: 1,
			Yield:      reports.Yield{Good: n - 2, Of: n - 1, Share: 0.97, Low: 0.9, High: 0.99, Confidence: 0.95},
			Acceptance: []reports.Acceptance{{Batch: name, Of: "bad drivers", Plan: "draw 46 of 120, accept with at most 2 bad", Found: "1 bad of 59 tested", Word: []string{"accept", "refuse", "measure more"}[g%3], Sentence: "A sentence."}},
			Pairing:    reports.Expected{Tolerance: 0.4, Known: g != 1, Pairs: 46.2, Low: 44, High: 48, Why: "too few"},
		}
		for range bands {
			group.Mean, group.SD = append(group.Mean, 90+0.3*float64(g)), append(group.SD, 0.4)
		}
		s.Groups = append(s.Groups, group)
		for i := range n {
			d := reports.DriverLine{Serial: fmt.Sprintf("=%s-%03d", name, i+1), Batch: name, Supplier: "Norvane", Good: i > 1, Bad: i == 0, Sensitivity: 90, Polarity: i%2*2 - 1, Values: []float64{math.NaN()}, Levels: make([]float64, len(bands))}
			if i == 0 {
				d.Text = "resonance frequency of 163 Hz is outside 98 to 145 Hz"
			}
			s.Drivers = append(s.Drivers, d)
		}
	}
	words := []string{"equivalent", "differs", "differs little", "open"}
	compared := func(name string, k int) reports.Compared {
		c := reports.Compared{Name: name, Unit: "dB", Margin: 0.5, MeanP: 0.01, SpreadP: 0.4, BetweenSD: 0.2, WithinSD: 0.4, Share: 0.2}
		for i := range batches {
			c.Groups = append(c.Groups, reports.GroupValue{Name: s.Groups[i].Name, N: n, Mean: 90, SD: 0.4})
			for j := range i {
				d := 0.3*float64(i-j) + 0.1*rng.NormFloat64()
				c.Pairs = append(c.Pairs, reports.Difference{A: s.Groups[i].Name, B: s.Groups[j].Name, Difference: d, Low: d - 0.2, High: d + 0.2, P: 0.01, TukeyLow: d - 0.19, TukeyHigh: d + 0.19, EquivalentP: 0.03, Word: words[k%4]})
			}
		}
		return c
	}
	for k, l := range s.Labels {
		s.Bands = append(s.Bands, compared(l, k))
	}
	m := compared("resonance frequency", 3)
	m.Unit, m.Sentences = "Hz", []string{"The group means differ (p = 0.01)."}
	s.Metrics = []reports.Compared{m}
	for i := range batches {
		for j := range i {
			s.Pairs = append(s.Pairs, reports.GroupPair{A: s.Groups[i].Name, B: s.Groups[j].Name})
		}
	}
	return s
}

// Picks returns a pick list of n pairs.
func Picks(n int) reports.PickList {
	l := reports.PickList{
		Site: "Tarnbeck Workshop", Product: "TB-40 driver rev C", Number: 3, Zone: Zone, MadeAt: time.Date(2026, 3, 4, 9, 30, 0, 0, Zone), Author: "Savka",
		Tolerance: 0.4, Form: "any with any", Total: 0.1 * float64(n), Worst: 0.39,
		Unpaired: []reports.PickLone{{Serial: "D900", Batch: "B1", Why: "nobody is within the tolerance"}},
		TradeOff: []reports.TradePoint{{Tolerance: 0.2, Pairs: n - 1, Total: 1, Worst: 0.19}, {Tolerance: 0.4, Pairs: n, Total: 2, Worst: 0.39}},
		Built:    reports.BuiltSummary{Sentence: "No pair of this list was built and measured yet."},
	}
	for i := range n {
		p := reports.PickPair{Rank: i + 1, Left: fmt.Sprintf("D%03d", 2*i), Right: fmt.Sprintf("D%03d", 2*i+1), LeftBatch: "B1", RightBatch: "B2", Mismatch: 0.1, Predicted: -0.05, Fixed: i == 0, Built: math.NaN()}
		if i == 0 {
			p.Unit, p.Built = "TB40-00001-62", 0.12
		}
		l.Pairs = append(l.Pairs, p)
	}
	return l
}
