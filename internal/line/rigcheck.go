package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

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

// A BaselineSet says what SetBaseline did.
type BaselineSet struct {
	Version  int
	Visits   int
	Turned   int // visits turned round among them
	Seatings int
	Check    RigCheck // of the last visit
	Warnings []string
}

// SetBaseline takes the last visits of a reference unit on a rig as what it reads on a
// healthy rig, with the reason why the rig is held healthy. The last of them becomes
// the first check that passes, and units that waited for it are judged.
func (l *Line) SetBaseline(ctx context.Context, by By, serial, rig string, visits int, reason string) (BaselineSet, error) {
	var out BaselineSet
	if reason == "" {
		return out, refuse(Invalid, "reason", "say how it is known that the rig is good now, such as calibrated today", "a baseline needs a reason")
	}
	if visits < 1 || visits > 200 {
		return out, refuse(Invalid, "visits", "use 1 to 200", "a baseline cannot rest on %d visits", visits)
	}
	err := l.db.InSite(ctx, l.site, func(s store.Site) error {
		unit, err := l.referenceOf(ctx, s, serial)
		if err != nil {
			return err
		}
		setup, err := l.setup(ctx, s, unit.Product)
		if err != nil {
			return err
		}
		rows, err := s.Visits(ctx, serial, rig, visits)
		if err != nil {
			return err
		}
		return l.setBaseline(ctx, s, by, setup, serial, rig, complete(rows), reason, &out)
	})
	return out, err
}

func complete(rows []store.VisitRow) []store.VisitRow {
	var out []store.VisitRow
	for _, r := range rows {
		if r.Complete {
			out = append(out, r)
		}
	}
	return out
}

func (l *Line) setBaseline(ctx context.Context, s store.Site, by By, setup *Setup, serial, rig string, rows []store.VisitRow, reason string, out *BaselineSet) error {
	row := store.BaselineRow{Serial: serial, Rig: rig, Reason: reason, Author: by.Actor, CreatedAt: l.now(), Visits: []uuid.UUID{}}
	var straight, turned [][][]float64
	var last *store.VisitRow
	var lastTakes []store.TakeRow
	for i, r := range rows {
		takes, err := s.RigTakes(ctx, []uuid.UUID{r.Visit})
		if err != nil {
			return err
		}
		row.Visits = append(row.Visits, r.Visit)
		if r.Turned {
			turned = append(turned, setup.levels(takes))
			continue
		}
		straight = append(straight, setup.levels(takes))
		last, lastTakes = &rows[i], takes
	}
	if last == nil {
		return refuse(Missing, "visits", "measure it there first, five times on different days if you can", "reference unit %s has no complete visit on %s", serial, rigName(rig))
	}
	ref, err := gauge.ReferenceOf(straight, setup.groups())
	if err != nil {
		return refuse(Invalid, "visits", "measure it again", "reference unit %s: %v", serial, err)
	}
	row.Seatings, row.Mean, row.SD, row.Freedom = ref.Seatings, ref.Mean, ref.SD, ref.Freedom
	row.Turned = make([]float64, len(ref.Mean))
	for p := range row.Turned {
		sum, n := 0.0, 0.0
		for _, v := range turned {
			for _, seat := range v {
				sum, n = sum+seat[p], n+1
			}
		}
		row.Turned[p] = sum / n // NaN without
	}
	if row.Version, err = s.AddBaseline(ctx, row); err != nil {
		return err
	}
	*out = BaselineSet{Version: row.Version, Visits: len(straight), Turned: len(turned), Seatings: row.Seatings, Warnings: ref.Warnings}
	if len(turned) == 0 && setup.pair() {
		out.Warnings = append(out.Warnings, "The unit was not measured turned round: without that, turning it later cannot tell a bad ear from a bad unit.")
	}
	if err := l.journal(ctx, s, by, "set rig baseline", serial, reason, map[string]any{"rig": rig, "version": row.Version, "visits": len(rows)}); err != nil {
		return err
	}
	return l.firstCheck(ctx, s, by, setup, last, lastTakes, out)
}

// firstCheck judges the last visit of a new baseline, unless it was judged before.
func (l *Line) firstCheck(ctx context.Context, s store.Site, by By, setup *Setup, last *store.VisitRow, takes []store.TakeRow, out *BaselineSet) error {
	out.Check = RigCheck{Serial: last.Serial, Rig: last.Rig, Number: last.Number, At: last.MeasuredAt}
	route, err := s.Route(ctx, setup.Code, last.Serial, "")
	if err != nil {
		return err
	}
	policy, err := policyOf(route)
	if err != nil {
		return err
	}
	if last.Passed != nil {
		out.Check.Word, out.Check.Sentence = "recorded", "the last visit was judged by the baseline before; measure the unit once more to check the rig by the new one"
		return nil
	}
	if err := l.judgeVisit(ctx, s, by, setup, last, takes, policy, route.Version, &out.Check); err != nil {
		return err
	}
	return l.journal(ctx, s, by, "check rig", last.Serial, "", map[string]any{"rig": last.Rig, "visit": last.Number, "result": out.Check.Word})
}

// An Entry is something done to a rig, or read around it.
type Entry struct {
	Rig     string
	Kind    string // calibration, work, ambient
	At      time.Time
	Subject string // microphone, coupler, ...
	// Changed says that readings before and after may differ: until a check passes
	// again units wait, and a later check does not speak for units before it.
	Changed     bool
	Level       *float64 // dB
	Certificate string
	Due         *time.Time
	Temperature *float64 // °C
	Humidity    *float64 // per cent, relative
	Noise       *float64 // dB(A)
	Note        string
}

// AddEntry notes it. When it changed the rig, units measured since then go on hold
// until a check passes.
func (l *Line) AddEntry(ctx context.Context, by By, e Entry) ([]Settled, error) {
	if err := e.check(l.now()); err != nil {
		return nil, err
	}
	if e.At.IsZero() {
		e.At = l.now()
	}
	var settled []Settled
	err := l.db.InSite(ctx, l.site, func(s store.Site) error {
		products, err := s.Products(ctx)
		if err != nil {
			return err
		}
		for _, p := range products {
			if _, err := s.LockProduct(ctx, p.Product); err != nil {
				return err
			}
		}
		if err := s.AddEntry(ctx, store.EntryRow{
			Entry: uuid.Must(uuid.NewV7()), Rig: e.Rig, Kind: e.Kind, At: e.At, Subject: e.Subject, Changed: e.Changed, Level: e.Level,
			Certificate: e.Certificate, Due: e.Due, Temperature: e.Temperature, Humidity: e.Humidity, Noise: e.Noise, Note: e.Note,
			Author: by.Actor, EnteredAt: l.now(),
		}); err != nil {
			return err
		}
		if err := l.journal(ctx, s, by, "note on rig", e.Rig, e.Note, map[string]any{"kind": e.Kind, "subject": e.Subject, "changed": e.Changed}); err != nil {
			return err
		}
		if !e.Changed {
			return nil
		}
		for _, p := range products {
			k, err := l.settlingOf(ctx, s, by, p.Product, fmt.Sprintf("%s was changed: %s %s", rigName(e.Rig), e.Subject, e.Note))
			if err != nil {
				return err
			}
			if k == nil {
				continue
			}
			if err := k.run(ctx, s, e.Rig, e.At); err != nil {
				return err
			}
			settled = append(settled, k.settled...)
		}
		return nil
	})
	return settled, err
}

// settlingOf prepares the settling of a product under its policy, nil without one.
func (l *Line) settlingOf(ctx context.Context, s store.Site, by By, product, why string) (*settling, error) {
	route, err := s.Route(ctx, product, "", "")
	if err != nil {
		return nil, err
	}
	policy, err := policyOf(route)
	if err != nil || policy == nil {
		return nil, err
	}
	setup, err := l.setup(ctx, s, product)
	return &settling{line: l, by: by, setup: setup, policy: *policy, why: why}, err
}

func (e Entry) check(now time.Time) error {
	bad := func(x *float64, low, high float64) bool { return x != nil && !(*x >= low && *x <= high) }
	switch {
	case e.At.After(now.Add(24 * time.Hour)):
		return refuse(Invalid, "at", "give the time when it was done", "%s lies in the future", e.At.Format(time.RFC3339))
	case e.Kind != "calibration" && e.Kind != "work" && e.Kind != "ambient":
		return refuse(Invalid, "kind", "use calibration, work or ambient", "there is no kind %q", e.Kind)
	case e.Kind == "work" && e.Note == "":
		return refuse(Invalid, "note", "say what was done", "work on a rig needs a note")
	case e.Kind == "calibration" && (e.Subject == "" || e.Level == nil):
		return refuse(Invalid, "subject", "say what was calibrated, such as microphone left, and the level it read in dB", "a calibration names its subject and level")
	case e.Kind == "ambient" && e.Temperature == nil && e.Humidity == nil && e.Noise == nil:
		return refuse(Invalid, "temperature", "give temperature, humidity or noise", "an entry on the surroundings holds no value")
	case bad(e.Temperature, -40, 80) || bad(e.Humidity, 0, 100) || bad(e.Noise, -20, 150) || bad(e.Level, -200, 200):
		return refuse(Invalid, "value", "give degrees Celsius, per cent and dB", "a value is not plausible")
	}
	return nil
}
