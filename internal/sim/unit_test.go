package sim

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"alike/spc/band"
	"alike/spc/sample"
)

// TestSpreads draws 10000 units and compares the spread of their parts with the
// stated one. The standard error of a standard deviation is 1/sqrt(2n) of it:
// 0.7 %, so that 3 % is more than four of them.
func TestSpreads(t *testing.T) {
	const n = 10000
	p := TB40()
	s := p.Spread
	logs := map[string][]float64{}
	for k := range n {
		u := p.Draw(Key{Seed: 3, Unit: k})
		a, d := u.Cups[right], p.Cups[right]
		for name, v := range map[string]float64{
			"fs": a.Fs / d.Fs, "mms": a.Mms / d.Mms, "re": a.Re / d.Re, "rf": a.Rf / d.Rf, "rm": a.Rm / d.Rm,
			"mp": a.Mp / d.Mp, "mpl": a.Mpl / d.Mpl, "rpl": a.Rpl / d.Rpl, "v2": a.V2 / d.V2, "v3": a.V3 / d.V3,
			"rl": a.Rl / d.Rl, "mode hz": u.modes[right][1].hz / modes[1].hz,
		} {
			logs[name] = append(logs[name], math.Log(v))
		}
		l := u.Cups[left].Bl / p.Cups[left].Bl
		logs["bl"] = append(logs["bl"], 20*math.Log10(a.Bl/d.Bl))
		logs["pair"] = append(logs["pair"], 20*math.Log10(l/(a.Bl/d.Bl)))
		logs["mode db"] = append(logs["mode db"], u.modes[right][1].db-modes[1].db)
	}
	for name, sd := range map[string]float64{
		"fs": s.Fs, "mms": s.Mms, "re": s.Re, "rf": s.Rf, "rm": s.Rm, "mp": s.Mp, "mpl": s.Mpl, "rpl": s.Rpl,
		"v2": s.V2, "v3": s.V3, "rl": s.Rl, "mode hz": s.ModeHz, "mode db": s.ModeDB, "bl": s.Bl, "pair": s.Pair,
	} {
		within(t, "spread of "+name, sample.SD(logs[name])/sd, 0.97, 1.03)
		within(t, "middle of "+name, sample.Mean(logs[name])/sd*math.Sqrt(n), -4, 4)
	}
}

// TestSpreadOfLevels compares units and seatings around the nominal cup, without
// modes and noise, with an independent simulation of 600 draws. Its standard
// deviations are good to 3 %, ours to 2 %; the table is rounded to 0.01 dB.
func TestSpreadOfLevels(t *testing.T) {
	const units = 1200
	_, rows := table(t, "spread.csv")
	p := TB40()
	p.Cups = [2]Params{Nominal(), Nominal()}
	p.Spread.ModeHz, p.Spread.ModeDB, p.Spread.SeatModeHz, p.Spread.SeatModeDB = 0, 0, 0, 0
	p.Spread.Noise, p.Spread.NoiseLow = 0, 0
	p.grid = mids()
	p.plain = make([]float64, len(p.grid))
	still := *p
	still.Spread.SeatRl, still.Spread.SeatV2, still.Spread.SeatRw = 0, 0, 0

	between, seats := make([][]float64, 31), make([][]float64, 31)
	fixed := p.Draw(Key{Seed: 5})
	fixed.Cups[right] = Nominal()
	for k := range units {
		unit := still.Draw(Key{Seed: 4, Unit: k}).Curve(right, 1, 1).DB
		seat := fixed.Curve(right, 1, k+1).DB
		for i := range mids() {
			between[i], seats[i] = append(between[i], unit[i]), append(seats[i], seat[i])
		}
	}
	for i, r := range rows {
		unit, seat := number(t, r["unit"]), number(t, r["seat"])
		near(t, "unit spread at "+r["label"], sample.SD(between[i]), r["unit"], 0.006+0.12*unit)
		near(t, "seat spread at "+r["label"], sample.SD(seats[i]), r["seat"], 0.006+0.12*seat)
	}
}

func TestNoise(t *testing.T) {
	p := TB40()
	p.Spread.SeatRl, p.Spread.SeatV2, p.Spread.SeatRw, p.Spread.SeatModeHz, p.Spread.SeatModeDB = 0, 0, 0, 0, 0
	u := p.Draw(Key{Seed: 1})
	clean := p.measure(u.Cups[left], u.modes[left])
	var low, high []float64
	for seating := 1; seating <= 40; seating++ {
		c := u.Curve(left, 1, seating)
		for i, f := range c.Hz {
			switch d := c.DB[i] - clean.DB[i]; {
			case f < 20:
				low = append(low, d)
			case f > 200:
				high = append(high, d)
			}
		}
	}
	within(t, "noise below 20 Hz", sample.SD(low), 0.108, 0.124)
	within(t, "noise above 200 Hz", sample.SD(high), 0.0195, 0.0205)
}

func TestStreamsStayApart(t *testing.T) {
	p := TB40()
	a := p.Draw(Key{1, 2, 3})
	first := a.Curve(left, 1, 2)
	for name, c := range map[string]band.Curve{
		"seed":    p.Draw(Key{2, 2, 3}).Curve(left, 1, 2),
		"lot":     p.Draw(Key{1, 3, 3}).Curve(left, 1, 2),
		"unit":    p.Draw(Key{1, 2, 4}).Curve(left, 1, 2),
		"channel": a.Curve(right, 1, 2),
		"attempt": a.Curve(left, 2, 2),
		"seating": a.Curve(left, 1, 3),
	} {
		if slices.Equal(c.DB, first.DB) {
			t.Errorf("another %s gives the same curve", name)
		}
	}
	again := p.Draw(Key{1, 2, 3}).Curve(left, 1, 2)
	if !slices.Equal(again.DB, first.DB) || !slices.Equal(again.Phase, first.Phase) {
		t.Error("the same key gives another curve")
	}
}

func TestSwapAndPolarity(t *testing.T) {
	p := TB40()
	u := p.Draw(Key{Seed: 1})
	plain := [2]band.Curve{u.Curve(left, 1, 1), u.Curve(right, 1, 1)}
	u.Swapped = true
	// Seats and noise keep their channel; the cup's own shape moves.
	at500 := func(c band.Curve) float64 { v, _ := c.At(500); w, _ := c.At(850); return v - w }
	within(t, "left cup seen on the right", at500(u.Curve(right, 1, 1))-at500(plain[left]), -0.5, 0.5)
	within(t, "right cup seen on the left", at500(u.Curve(left, 1, 1))-at500(plain[right]), -0.5, 0.5)
	within(t, "cups as they should be", at500(plain[left])-at500(plain[right]), 0.9, 3)

	u.Swapped = false
	u.Reversed[left] = true
	c := u.Curve(left, 1, 1)
	if !slices.Equal(c.DB, plain[left].DB) {
		t.Error("polarity changes the level")
	}
	for i := range c.Phase {
		got := cmplx.Rect(1, c.Phase[i]*math.Pi/180) + cmplx.Rect(1, plain[left].Phase[i]*math.Pi/180)
		if cmplx.Abs(got) > 1e-9 || c.Phase[i] <= -180 || c.Phase[i] > 180 {
			t.Fatalf("phase %g with the wires exchanged, %g without", c.Phase[i], plain[left].Phase[i])
		}
	}
}

// TestSeatsTellLeaks: a pad leak changes from seat to seat by far more than a
// glue gap that takes as much bass.
func TestSeatsTellLeaks(t *testing.T) {
	p := TB40()
	at40 := func(c band.Curve) float64 { v, _ := c.At(40); return v }
	good := p.Draw(Key{Seed: 6})
	gap := p.Draw(Key{Seed: 6}, on(left, func(p Params) Params { return p.GlueGap(Slit{15e-3, 0.7e-3, 3e-3}) }))
	var glue, pad []float64
	for seating := 1; seating <= Seatings; seating++ {
		clean := at40(good.Curve(left, 1, seating))
		glue = append(glue, at40(gap.Curve(left, 1, seating))-clean)
		pad = append(pad, at40(good.Curve(left, 1, seating, fold(left)(seating)...))-clean)
	}
	within(t, "glue gap at 40 Hz", sample.Mean(glue), -4.5, -2.5)
	within(t, "folded pad at 40 Hz", sample.Mean(pad), -14, -7)
	within(t, "seats of the glue gap", slices.Max(glue)-slices.Min(glue), 0, 0.3)
	within(t, "seats of the folded pad", slices.Max(pad)-slices.Min(pad), 1, 6)
}
