package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"alike/internal/store"
	"alike/spc/envelope"
	"alike/spc/gauge"

	"github.com/google/uuid"
)

// levels returns a visit's band levels by seating and place: channel after channel,
// band after band.
func (s *Setup) levels(takes []store.TakeRow) [][]float64 {
	at := map[string]int{}
	for i, c := range s.Channels {
		at[c] = i
	}
	var out [][]float64
	for _, t := range takes {
		for len(out) < t.Seating {
			row := make([]float64, len(s.Channels)*len(s.Band))
			for i := range row {
				row[i] = math.NaN()
			}
			out = append(out, row)
		}
		copy(out[t.Seating-1][at[t.Channel]*len(s.Band):], wide(t.Bands))
	}
	return out
}

// groups gives the places of one band in all channels the same number.
func (s *Setup) groups() []int {
	var out []int
	for range s.Channels {
		for i := range s.Band {
			out = append(out, i)
		}
	}
	return out
}

// place names a place: "left, 63 Hz band".
func (s *Setup) place(p int) string {
	return s.Channels[p/len(s.Band)] + ", " + s.Band[p%len(s.Band)].Name() + " band"
}

// A checkDetail is what is kept of a judged visit.
type checkDetail struct {
	Sentence string     `json:"sentence"`
	Change   []*float64 `json:"change"` // dB per place, null where it was not measured
	Limit    []*float64 `json:"limit"`  // dB per place, null where it is not checked
}

// judgeVisit judges a complete visit of a reference unit, and the units that wait for
// it.
func (l *Line) judgeVisit(ctx context.Context, s store.Site, by By, setup *Setup, row *store.VisitRow, takes []store.TakeRow, policy *RigPolicy, version int, out *RigCheck) error {
	row.Complete = true
	base, err := s.Baseline(ctx, row.Serial, row.Rig)
	switch {
	case errors.Is(err, store.ErrNotFound):
		out.Word, out.Sentence = "recorded", fmt.Sprintf("%s has no baseline on %s yet: it was stored, and nothing was checked", row.Serial, rigName(row.Rig))
		return s.CompleteVisit(ctx, *row)
	case err != nil:
		return err
	case row.Turned:
		out.Word = Turned
		if out.Sentence, err = l.turnText(ctx, s, setup, *row, takes, base); err != nil {
			return err
		}
		return s.CompleteVisit(ctx, *row)
	case policy == nil:
		out.Word, out.Sentence = "recorded", "no rig policy is in force: it was stored, and nothing was checked"
		return s.CompleteVisit(ctx, *row)
	}
	unit, err := s.Reference(ctx, row.Serial)
	if err != nil {
		return err
	}
	if unit.State == Retired {
		out.Word, out.Sentence = "recorded", fmt.Sprintf("%s is retired (%s): it was stored, and nothing was checked", row.Serial, unit.Reason)
		return s.CompleteVisit(ctx, *row)
	}
	ref := gauge.Reference{Seatings: base.Seatings, Mean: base.Mean, SD: base.SD, Freedom: base.Freedom}
	drift, err := ref.Drift(setup.levels(takes), policy.places(setup), policy.risk())
	if err != nil {
		return err
	}
	out.Word, out.Sentence = "failed", setup.driftText(drift)
	if drift.Passed {
		out.Word = "passed"
	}
	row.Baseline, row.Policy, row.Passed = &base.Version, &version, &drift.Passed
	if row.Judgement, err = json.Marshal(checkDetail{out.Sentence, nullable(drift.Change), nullable(drift.Limit)}); err != nil {
		return err
	}
	if err := s.CompleteVisit(ctx, *row); err != nil {
		return err
	}
	why := fmt.Sprintf("check of %s by %s at %s %s", rigName(row.Rig), row.Serial, row.MeasuredAt.UTC().Format("2006-01-02 15:04 UTC"), out.Word)
	k := settling{line: l, by: by, setup: setup, policy: *policy, why: why}
	err = k.run(ctx, s, row.Rig, row.MeasuredAt)
	out.Settled = k.settled
	return err
}

func nullable(xs []float64) []*float64 {
	out := make([]*float64, len(xs))
	for i, x := range xs {
		if !math.IsNaN(x) && !math.IsInf(x, 0) {
			out[i] = &xs[i]
		}
	}
	return out
}

// driftText says how a check lies to its baseline, and of a failed one what the
// change looks like and what to look at.
func (s *Setup) driftText(d gauge.Drift) string {
	if d.Worst < 0 {
		return "no band with a tolerance was measured"
	}
	change, limit := d.Change[d.Worst], d.Limit[d.Worst]
	where := s.place(d.Worst)
	if math.IsNaN(change) {
		return where + ": not measured; measure over the whole range"
	}
	side := "above"
	if change < 0 {
		side = "below"
	}
	if d.Passed {
		return fmt.Sprintf("nearest to its limit is %s: %s dB %s its baseline, %s dB are allowed", where, envelope.Decibels(math.Abs(change)), side, envelope.Decibels(limit))
	}
	return fmt.Sprintf("%s: %s dB %s its baseline, only %s dB are allowed; %s", where, envelope.Decibels(math.Abs(change)), side, envelope.Decibels(limit), s.rigSymptom(d))
}

// rigSymptom describes a change of the rig: which ears, and whether all bands moved
// alike, which a microphone's or amplifier's level does, or the low ones only, which a
// leaking coupler does.
func (s *Setup) rigSymptom(d gauge.Drift) string {
	var ears []string
	level := true
	low := true
	for c, name := range s.Channels {
		change, limit := d.Change[c*len(s.Band):(c+1)*len(s.Band)], d.Limit[c*len(s.Band):(c+1)*len(s.Band)]
		out, sum, n := false, 0.0, 0.0
		for i, x := range change {
			if math.IsNaN(x) || math.IsNaN(limit[i]) {
				continue
			}
			out = out || math.Abs(x) > limit[i]
			sum, n = sum+x, n+1
		}
		if !out {
			continue
		}
		ears = append(ears, name)
		mean := sum / n
		for i, x := range change {
			if math.IsNaN(x) || math.IsNaN(limit[i]) {
				continue
			}
			level = level && math.Abs(x-mean) <= math.Max(limit[i], 0.3*math.Abs(mean))
			low = low && !(math.Abs(x) > limit[i] && (s.Band[i].Mid() > 300 || x > 0))
		}
	}
	switch {
	case len(ears) == len(s.Channels) && len(ears) > 1 && level:
		return "both ears moved alike in all bands: check the drive level and the preamplifier, then the calibration"
	case level:
		return "all bands of the " + ears[0] + " ear moved alike: check its microphone with the calibrator; the unit turned round tells ear from unit"
	case low:
		return "the low bands fell: look for a leak at the pad coupler, and seat the unit again"
	}
	return "seat the unit again; if it stays, turn it round to tell the ear from the unit, and measure the spare"
}

// turnText tells, from the unit turned round and its last visit as it belongs, whether
// an ear of the rig or a side of the unit changed.
func (l *Line) turnText(ctx context.Context, s store.Site, setup *Setup, row store.VisitRow, takes []store.TakeRow, base store.BaselineRow) (string, error) {
	if !setup.pair() || !anyNumber(base.Turned) {
		return "the baseline was not measured turned round: it was stored, and tells nothing yet", nil
	}
	straight, err := s.Visits(ctx, row.Serial, row.Rig, 50)
	if err != nil {
		return "", err
	}
	n := len(setup.Band)
	for i := len(straight) - 1; i >= 0; i-- {
		v := straight[i]
		if v.Turned || !v.Complete || v.MeasuredAt.After(row.MeasuredAt) {
			continue
		}
		others, err := s.RigTakes(ctx, []uuid.UUID{v.Visit})
		if err != nil {
			return "", err
		}
		now, round := changeOf(setup.levels(others), base.Mean), changeOf(setup.levels(takes), base.Turned)
		ears, sides := gauge.Turn(now[:n], now[n:], round[:n], round[n:])
		return setup.turnWords(ears, sides), nil
	}
	return "there is no visit as it belongs to compare with: measure the unit that way too", nil
}

// turnWords names the greater of the two differences.
func (s *Setup) turnWords(ears, sides []float64) string {
	size := func(xs []float64) (rms, mean float64) {
		n := 0.0
		for _, x := range xs {
			if !math.IsNaN(x) {
				rms, mean, n = rms+x*x, mean+x, n+1
			}
		}
		return math.Sqrt(rms / n), mean / n
	}
	ear, earMean := size(ears)
	side, sideMean := size(sides)
	words := func(name string, mean, rms float64) string {
		which := s.Channels[0]
		if mean > 0 {
			which = s.Channels[1]
		}
		return fmt.Sprintf("it is the %s: left against right changed by %s dB (RMS over the bands), the %s one reads lower", name, envelope.Decibels(rms), which)
	}
	switch {
	case ear < 0.1 && side < 0.1:
		return "neither ear nor side changed against the other: what both share does not show by turning, measure the spare"
	case ear > 2*side:
		return words("rig's ear", earMean, ear) + "; mend the rig"
	case side > 2*ear:
		return words("reference unit's side", sideMean, side) + "; the rig is not at fault, take the spare and retire this unit"
	}
	return fmt.Sprintf("ear (%s dB) and side (%s dB) cannot be told apart: seat more often", envelope.Decibels(ear), envelope.Decibels(side))
}

// changeOf returns the mean over seatings minus a baseline.
func changeOf(seatings [][]float64, base []float64) []float64 {
	out := make([]float64, len(base))
	for p := range base {
		for _, seat := range seatings {
			out[p] += seat[p] / float64(len(seatings))
		}
		out[p] -= base[p]
	}
	return out
}
