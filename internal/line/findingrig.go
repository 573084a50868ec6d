package line

import (
	"context"
	"fmt"
	"math"
	"time"

	"alike/internal/store"
	"alike/spc/dist"
	"alike/spc/sample"

	"github.com/google/uuid"
)

// Where a change lies, by what a reference unit read on the same rig before and after.
const (
	InRig     = "rig"     // the reference unit moved with the units
	InProduct = "product" // it did not
	NotTold   = "open"    // its visits are too few or scatter too much to say
)

// A RigWitness is what a reference unit says about a change.
type RigWitness struct {
	Word      string  `json:"word"` // rig, product or open
	Rig       string  `json:"rig"`
	Reference string  `json:"reference"`
	Before    int     `json:"before"` // visits
	After     int     `json:"after"`
	Known     bool    `json:"known"` // its visits give the numbers below
	Share     float64 `json:"share"` // how much of the units' change the reference unit shows, 1 for all of it
	Low       float64 `json:"low"`   // 95 % interval of that
	High      float64 `json:"high"`
	Sentence  string  `json:"sentence"`
}

// witnessed is the share of a change that a reference unit must show, or stay below, for
// the change to lie in the rig, or in the product.
const witnessed = 0.5

// mostWitness is how many visits of a reference unit are looked at, to either side of now.
const mostWitness = 60

// witness asks the reference units of the rig that measured most units since the change.
func (a *analysing) witness(ctx context.Context) error {
	if a.f.Kind == OneUnit || a.split <= 0 || a.split >= len(a.rows) {
		return nil
	}
	refs, err := a.s.References(ctx, a.f.Product)
	if err != nil || len(refs) == 0 {
		return err
	}
	rig, since := a.mostOn()
	best := RigWitness{Word: NotTold, Rig: rig}
	for _, ref := range refs {
		visits, err := a.s.Visits(ctx, ref.Serial, rig, mostWitness)
		if err != nil {
			return err
		}
		w, err := a.ask(ctx, rig, ref.Serial, visits, since)
		if err != nil {
			return err
		}
		if w.Before+w.After > 0 && (best.Reference == "" || min(w.Before, w.After) > min(best.Before, best.After)) {
			best = w
		}
	}
	best.Sentence = best.words()
	a.out.Rig = &best
	return nil
}

// mostOn returns the station of most units since the change, and when the first of them
// was measured.
func (a *analysing) mostOn() (rig string, since time.Time) {
	count := map[string]int{}
	for _, r := range a.rows[a.split:] {
		if u, ok := a.units[r.Place]; ok {
			if count[u.Station]++; count[u.Station] > count[rig] || rig == u.Station {
				rig = u.Station
			}
		}
	}
	for _, r := range a.rows[a.split:] {
		if u, ok := a.units[r.Place]; ok && u.Station == rig && (since.IsZero() || u.MeasuredAt.Before(since)) {
			since = u.MeasuredAt
		}
	}
	return rig, since
}

// ask projects the visits of one reference unit on the units' change.
func (a *analysing) ask(ctx context.Context, rig, serial string, visits []store.VisitRow, since time.Time) (RigWitness, error) {
	w := RigWitness{Word: NotTold, Rig: rig, Reference: serial}
	var ids []uuid.UUID
	var after []bool
	for _, v := range visits {
		if v.Complete && !v.Turned {
			ids, after = append(ids, v.Visit), append(after, !v.MeasuredAt.Before(since))
		}
	}
	takes, err := a.s.RigTakes(ctx, ids)
	if err != nil {
		return w, err
	}
	byVisit := map[uuid.UUID][]store.TakeRow{}
	for _, t := range takes {
		byVisit[t.Attempt] = append(byVisit[t.Attempt], t)
	}
	change := a.changeByPlace()
	var levels [][]float64
	for i, id := range ids {
		levels = append(levels, changeOf(a.b.setup.levels(byVisit[id]), make([]float64, len(change))))
		if after[i] {
			w.After++
		} else {
			w.Before++
		}
	}
	w.tell(change, levels, after)
	return w, nil
}

// changeByPlace is the units' change, channel after channel, NaN where a channel did not
// move.
func (a *analysing) changeByPlace() (out []float64) {
	for _, m := range a.out.Channels {
		for _, d := range m.Change {
			if !m.Moved {
				d = math.NaN()
			}
			out = append(out, d)
		}
	}
	return out
}

// tell fits the visits to the change: each visit becomes one number, in units of the
// change, so that bands that go together need no model, and the two groups are compared
// by Student's t with their pooled spread. Weights are 1/variance of a visit per place.
func (w *RigWitness) tell(change []float64, levels [][]float64, after []bool) {
	if w.Before < 2 || w.After < 1 {
		return
	}
	score := make([]float64, len(levels))
	whole := 0.0
	for p, d := range change {
		groups := [2][]float64{}
		for i, l := range levels {
			groups[side(after[i])] = append(groups[side(after[i])], l[p])
		}
		v := (sample.SumSquares(groups[0]) + sample.SumSquares(groups[1])) / float64(len(levels)-2)
		if math.IsNaN(d) || math.IsNaN(v) || v <= 0 {
			continue
		}
		whole += d * d / v
		mean := sample.Mean(groups[0])
		for i, l := range levels {
			score[i] += d * (l[p] - mean) / v
		}
	}
	if whole == 0 || len(levels) < 3 {
		return
	}
	groups := [2][]float64{}
	for i, s := range score {
		groups[side(after[i])] = append(groups[side(after[i])], s/whole)
	}
	df := float64(len(levels) - 2)
	v := (sample.SumSquares(groups[0]) + sample.SumSquares(groups[1])) / df
	half := dist.StudentT{Nu: df}.Quantile(0.975) * math.Sqrt(v*(1/float64(w.Before)+1/float64(w.After)))
	w.Share = sample.Mean(groups[1]) - sample.Mean(groups[0])
	w.Low, w.High = w.Share-half, w.Share+half
	w.Known = true
	switch {
	case w.Low > 0 && w.Share >= witnessed:
		w.Word = InRig
	case w.High < witnessed && w.After > 1: // one visit may have come before the rig moved
		w.Word = InProduct
	}
}

func side(after bool) int {
	if after {
		return 1
	}
	return 0
}

func (w RigWitness) words() string {
	rig := rigName(w.Rig)
	told := fmt.Sprintf("%s shows %.0f %% of the change (95 %%: %.0f to %.0f %%; %s before, %d after)",
		w.Reference, 100*w.Share, 100*w.Low, 100*w.High, number(w.Before, "visit"), w.After)
	switch {
	case w.Word == InRig:
		return fmt.Sprintf("This is %s, not the product: reference unit %s", rig, told)
	case w.Word == InProduct:
		return fmt.Sprintf("It is not %s: reference unit %s", rig, told)
	case !w.Known && w.Reference == "":
		return fmt.Sprintf("Whether %s moved is not known: no reference unit was measured on it", rig)
	case !w.Known:
		return fmt.Sprintf("Whether %s moved is not known: reference unit %s was measured %s before and %d times after", rig, w.Reference, times(w.Before), w.After)
	}
	return fmt.Sprintf("Whether %s moved is not told yet: reference unit %s", rig, told)
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
