package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/cause"
	"alike/spc/envelope"
)

// A Verdict is the judgement of one attempt in words, as it is stored.
type Verdict struct {
	Word       envelope.Word `json:"word"`
	Sentence   string        `json:"sentence"`           // the worst thing and what to check
	Others     []string      `json:"others,omitempty"`   // further limits not kept, worst first
	Worst      string        `json:"worst,omitempty"`    // where the least margin is: "left 63 Hz"
	Margin     *float64      `json:"margin,omitempty"`   // dB inside the limit there; negative outside
	NotChecked []string      `json:"not_checked"`        // what the verdict does not cover
	Envelope   int           `json:"envelope"`           // version judged by
	LimitSet   int           `json:"limit_set"`          // version charted by; 0 for none
	Seatings   int           `json:"seatings"`           // averaged per channel
	Polarity   string        `json:"polarity,omitempty"` // by phase: "same", "opposed", empty when it cannot tell
	Reversed   string        `json:"reversed,omitempty"` // channel of an opposed pair that differs from the baseline's phase
	Swapped    bool          `json:"swapped,omitempty"`  // left looks like the usual right and right like the usual left
	Rig        string        `json:"rig,omitempty"`      // by what the rig was trusted; empty when it is not checked
	ReadAs     *ReadAs       `json:"read_as,omitempty"`  // as which rig the levels are read; nil for as they were measured
}

// judge makes the verdict of a complete attempt, stores it with the unit's reading,
// and has the charts read it when it is the unit's first. On a rig that is not trusted
// the verdict is hold, and the charts wait too. An attempt that was on hold gets its
// verdict in its place.
func (v *visit) judge(ctx context.Context, s store.Site, takes []store.TakeRow) error {
	board, err := v.line.board(ctx, s, v.setup)
	if err != nil {
		return err
	}
	if v.transfer, err = transferAt(ctx, s, v.setup, v.attempt.Station, v.attempt.MeasuredAt); err != nil {
		return err
	}
	takes = corrected(v.setup, takes, v.transfer)
	channels, err := v.channels(takes)
	if err != nil {
		return err
	}
	verdict, err := v.decide(ctx, s, channels, takes, board)
	if err != nil {
		return err
	}
	v.receipt.Verdict = &verdict
	again := v.attempt.Verdict != nil
	if v.unit.Place == nil {
		place, err := s.TakePlace(ctx, v.setup.Code)
		if err != nil {
			return err
		}
		v.unit.Place = &place
		if err := s.SetPlace(ctx, v.unit.Serial, place); err != nil {
			return err
		}
	}
	if err := v.finish(ctx, s, verdict); err != nil {
		return err
	}
	reading := store.ReadingRow{
		Place: *v.unit.Place, Number: v.attempt.Number, Serial: v.unit.Serial, Streams: v.setup.values(channels),
		Charted: v.attempt.Number == 1 && verdict.Word != envelope.Hold,
	}
	if board != nil && !again && reading.Charted {
		if v.receipt.Notice, err = v.late(ctx, s, reading.Place); err != nil {
			return err
		}
		reading.Charted = v.receipt.Notice == ""
	}
	if !again {
		if err := s.AddReading(ctx, v.setup.Code, reading); err != nil {
			return err
		}
	}
	charts := board // verdicts go by frozen limits only: a few units do not tell what is usual
	if charts == nil {
		if charts, err = v.line.charts(ctx, s, v.setup); err != nil {
			return err
		}
	}
	// Charts watch the process, and a repaired or reseated unit is not it.
	switch {
	case again || v.attempt.Number > 1:
		return v.rechart(ctx, s, charts)
	case charts == nil || !reading.Charted:
		return nil
	}
	if charts.learning() {
		v.receipt.Notice = charts.lateText(reading, v.unit.Lot)
	}
	if v.receipt.Signals, err = charts.read(ctx, s, reading); err != nil {
		return err
	}
	if err := v.line.find(ctx, s, v.by, charts, reading, v.receipt.Signals); err != nil || !charts.learning() {
		return err
	}
	return v.line.tellAnew(ctx, s, v.by, charts, reading.Place)
}

// decide makes the verdict. An attempt that has been judged before is judged by the
// envelope it was judged by.
func (v *visit) decide(ctx context.Context, s store.Site, channels []envelope.Channel, takes []store.TakeRow, board *board) (Verdict, error) {
	if v.rig != nil && !v.rig.trust.good {
		verdict := v.rig.verdict(v.setup)
		if v.transfer != nil {
			verdict.ReadAs = readAs(*v.transfer)
		}
		return verdict, nil
	}
	env, limits, err := v.line.limits(ctx, s, v.setup)
	if err != nil {
		return Verdict{}, err
	}
	if n := v.attempt.Envelope; n != nil && *n > 0 && *n != env.Version {
		if env, err = s.Envelope(ctx, v.setup.Code, *n); err != nil {
			return Verdict{}, err
		}
		if limits, err = onBands(env, v.setup); err != nil {
			return Verdict{}, err
		}
	}
	limits, as, err := judgedBy(limits, v.transfer)
	if err != nil {
		return Verdict{}, err
	}
	polarity, reversed, err := v.polarity(ctx, s, takes, board)
	if err != nil {
		return Verdict{}, err
	}
	setup, err := v.setup.withSeating(ctx, s)
	if err != nil {
		return Verdict{}, err
	}
	verdict := setup.verdict(channels, takes, limits, board, polarity, reversed)
	verdict.Envelope, verdict.LimitSet, verdict.Seatings, verdict.ReadAs = env.Version, board.version(), v.setup.Seatings, as
	switch {
	case v.released:
		verdict.Rig = v.release
	case v.rig != nil:
		verdict.Rig = v.rig.note()
	}
	return verdict, nil
}

// finish stores the verdict with the attempt. One that takes the place of another
// leaves its trace.
func (v *visit) finish(ctx context.Context, s store.Site, verdict Verdict) error {
	detail, err := json.Marshal(verdict)
	if err != nil {
		return err
	}
	before := v.attempt.Verdict
	word := string(verdict.Word)
	v.attempt.Verdict, v.attempt.Judgement = &word, detail
	if verdict.Word != envelope.Hold {
		v.attempt.Envelope, v.attempt.LimitSet = &verdict.Envelope, nil
		if verdict.LimitSet > 0 {
			v.attempt.LimitSet = &verdict.LimitSet
		}
	}
	if before != nil {
		return s.ChangeVerdict(ctx, v.attempt, v.released, v.by.Actor, v.release, v.at)
	}
	if err := s.Judge(ctx, v.attempt); err != nil || v.rig == nil {
		return err
	}
	return s.UnderPolicy(ctx, v.attempt.Attempt, v.rig.version)
}

// limits returns the newest envelope of a product and its limits in bands.
func (l *Line) limits(ctx context.Context, s store.Site, setup *Setup) (store.EnvelopeRow, envelope.Limits, error) {
	row, err := s.Envelope(ctx, setup.Code, 0)
	if errors.Is(err, store.ErrNotFound) {
		return row, envelope.Limits{}, refuse(Missing, "envelope", "add one with: alike envelope add PRODUCT FILE",
			"product %s has no envelope to judge by", setup.Code)
	} else if err != nil {
		return row, envelope.Limits{}, err
	}
	lim, err := onBands(row, setup)
	return row, lim, err
}

func onBands(row store.EnvelopeRow, setup *Setup) (envelope.Limits, error) {
	e, err := ParseEnvelope(row.Definition)
	if err != nil {
		return envelope.Limits{}, fmt.Errorf("stored envelope %d of %s: %w", row.Version, row.Product, err)
	}
	return e.On(setup.Band)
}

// channels averages the seatings of each channel, from the stored band levels.
func (v *visit) channels(takes []store.TakeRow) ([]envelope.Channel, error) {
	var out []envelope.Channel
	for _, name := range v.setup.Channels {
		c, err := v.setup.read(name, seatingsOf(takes, name))
		if err != nil {
			return nil, refuse(Invalid, "frequency", "measure from below the anchor range to above it", "unit %s, %s: %v", v.unit.Serial, name, err)
		}
		out = append(out, c)
	}
	return out, nil
}

func seatingsOf(takes []store.TakeRow, channel string) [][]float64 {
	var out [][]float64
	for _, t := range takes {
		if t.Channel == channel {
			out = append(out, wide(t.Bands))
		}
	}
	return out
}

// verdict judges the unit and puts it in words. Plausibility comes first: a dead
// channel is one sentence, not thirty failing bands. Then seatings that disagree,
// then limits, then signs that a pass may not be trusted.
func (s *Setup) verdict(channels []envelope.Channel, takes []store.TakeRow, limits envelope.Limits, b *board, polarity, reversed string) Verdict {
	j := envelope.Judge(s.Band, channels, limits)
	v := Verdict{Word: j.Word, NotChecked: append([]string{}, j.NotChecked...), Polarity: polarity}
	if s.pair() && polarity == "" {
		v.NotChecked = append(v.NotChecked, "polarity: the takes hold no phase that could tell")
	}
	if n := j.Nearest; n != nil {
		v.Worst, v.Margin = s.where(*n), &n.Margin
	}
	if bad := envelope.Plausible(channels, s.nominal()); len(bad) > 0 {
		v.Word, v.Sentence = envelope.Fail, envelope.LevelText(bad[0])
		v.Worst, v.Margin = bad[0].Channel+" level", &bad[0].Margin
		for _, r := range bad[1:] {
			v.Others = append(v.Others, envelope.LevelText(r))
		}
		return v
	}
	if text := s.disagreement(takes, limits); text != "" {
		v.Word, v.Sentence = envelope.Reseat, text
		return v
	}
	for _, r := range j.Results {
		v.Others = append(v.Others, r.Text(s.Band))
	}
	if len(j.Results) > 0 {
		v.Sentence, v.Others = v.Others[0]+s.explain(channels, j.Results[0], b), v.Others[1:]
	}
	if polarity == "opposed" {
		v.Reversed = reversed
		v.raise(envelope.Fail, opposedText(reversed))
	}
	if v.Swapped = b.swapped(channels); v.Swapped {
		v.raise(envelope.Doubtful, "perhaps left and right are swapped: each channel looks like the other one usually does; check cable and wiring")
	}
	if v.Sentence == "" && v.Word == envelope.Doubtful {
		v.Sentence = "a band inside the limits was not measured: measure again over the whole range"
	}
	if v.Sentence == "" {
		v.Sentence = fmt.Sprintf("all judged values lie inside; the nearest is %s", j.Nearest.Text(s.Band))
	}
	return v
}

// raise puts a sentence first and makes the verdict at least as grave as word.
func (v *Verdict) raise(word envelope.Word, sentence string) {
	if v.Sentence != "" {
		v.Others = append([]string{v.Sentence}, v.Others...)
	}
	v.Sentence = sentence
	if word == envelope.Fail || v.Word == envelope.Pass {
		v.Word = word
	}
}

func (s *Setup) nominal() float64 {
	if s.Sensitivity == 0 {
		return math.NaN()
	}
	return s.Sensitivity
}

// where names the place of a result: "left 63 Hz".
func (s *Setup) where(r envelope.Result) string {
	at := s.position(r.Quantity, r.Channel, r.Band)
	if at < 0 {
		return strings.TrimSpace(r.Channel + " " + string(r.Quantity))
	}
	return strings.TrimSuffix(s.StreamList[at].Title, " deviation")
}

// explain adds to a result of one channel what moved together, what it looks like,
// and what to check. With a limit set the change from the usual unit is read,
// unanchored; without one the deviation from the target.
func (s *Setup) explain(channels []envelope.Channel, r envelope.Result, b *board) string {
	i, who := s.suspect(channels, r, b)
	if i < 0 {
		return ""
	}
	change, sd := channels[i].Deviation, []float64(nil)
	if b != nil {
		change, sd = b.change(channels[i])
	}
	at := farthest(change, sd)
	if at < 0 {
		return ""
	}
	shape := cause.ShapeAt(s.Band, change, at)
	text := "; " + who + shape.Words()
	if b != nil && len(s.Shapes) > 0 {
		if looks, first := cause.Words(cause.Fits(change, sd, s.Shapes)); looks != "" {
			return text + "; " + looks + ". " + first // a sentence of the maker's
		}
	}
	return text + ": " + shape.Check()
}

// suspect returns the channel that a result is about, and how a sentence has to name
// it. A difference between left and right is about the one that lies farther from its
// own usual; without a limit set nobody knows which, and -1 is returned.
func (s *Setup) suspect(channels []envelope.Channel, r envelope.Result, b *board) (at int, name string) {
	for k, c := range channels {
		if c.Name == r.Channel {
			return k, ""
		}
	}
	if r.Quantity != envelope.Balance || b == nil {
		return -1, ""
	}
	if b.meanSquare(channels[1], channels[1].Name) > b.meanSquare(channels[0], channels[0].Name) {
		at = 1
	}
	return at, "on the " + channels[at].Name + " "
}

// farthest returns the band with the largest change, in sd where they are given,
// or -1 when there is none.
func farthest(change, sd []float64) int {
	at, most := -1, 0.0
	for i, d := range change {
		d = math.Abs(d)
		if sd != nil {
			d /= sd[i]
		}
		if d > most {
			at, most = i, d
		}
	}
	return at
}

// disagreement says which channel and band the seatings differ in by more than the
// product says seating explains, or nothing. Only bands with a limit count.
func (s *Setup) disagreement(takes []store.TakeRow, limits envelope.Limits) string {
	text, worst := "", 0.0
	for _, name := range s.Channels {
		seats := seatingsOf(takes, name)
		for i, b := range s.Band {
			if math.IsNaN(s.Spread[i]) || math.IsNaN(limits.Lower[i]) && math.IsNaN(limits.Upper[i]) {
				continue
			}
			lo, hi := math.Inf(1), math.Inf(-1)
			for _, seat := range seats {
				lo, hi = math.Min(lo, seat[i]), math.Max(hi, seat[i])
			}
			if over := hi - lo - s.Spread[i]; over > worst {
				worst = over
				text = fmt.Sprintf("%s, %s band: the seatings differ by %s dB, more than the %s dB that seating explains%s: seat the unit again, look at the pad",
					name, b.Name(), envelope.Decibels(hi-lo), envelope.Decibels(s.Spread[i]), apart(seats, i))
			}
		}
	}
	return text
}

// apart names the seating that lies farthest from the median of all in a band; with
// two of them nobody knows which.
func apart(seats [][]float64, i int) string {
	if len(seats) < 3 {
		return ""
	}
	var xs []float64
	for _, seat := range seats {
		xs = append(xs, seat[i])
	}
	slices.Sort(xs)
	middle := (xs[(len(xs)-1)/2] + xs[len(xs)/2]) / 2
	at := 0
	for k, seat := range seats {
		if math.Abs(seat[i]-middle) > math.Abs(seats[at][i]-middle) {
			at = k
		}
	}
	return fmt.Sprintf(" (seating %d lies apart)", at+1)
}
