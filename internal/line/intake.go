package line

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/store"
	"alike/spc/band"

	"github.com/google/uuid"
)

// A Receipt says what became of the takes of one visit.
type Receipt struct {
	Serial  string
	Lot     string
	Attempt int // 0 when nothing was accepted
	Takes   []TakeReceipt
	Waiting string // which takes are still missing; empty once judged
	Verdict *Verdict
	Signals []store.SignalRow
	Notice  string // that the charts leave the unit out, since it comes in late; empty for none
	// Checks holds a reference unit's visits, when the takes are of one.
	Checks []RigCheck
	Study  *StudyRun // when the takes are of a study
}

// A TakeReceipt says what became of one take, in the order of the call.
type TakeReceipt struct {
	ID      uuid.UUID
	Known   bool     // it was stored before; nothing changed
	Refused *Refusal // nil when stored
}

// New reports whether anything was stored.
func (r Receipt) New() bool {
	return slices.ContainsFunc(r.Takes, func(t TakeReceipt) bool { return t.Refused == nil && !t.Known })
}

// telling is the number of points from which two equal curves cannot be chance: at
// a resolution of 0.1 dB and the scatter of units, ten points may coincide, twenty
// do not.
const telling = 20

// Visits groups takes into visits of a unit to the rig, in the order in which each
// unit is first met.
func Visits(takes []curve.Take) [][]curve.Take {
	type key struct {
		product, serial string
		attempt         int
	}
	at := map[key]int{}
	var out [][]curve.Take
	for _, t := range takes {
		k := key{t.Product, t.Serial, t.Attempt}
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], t)
	}
	return out
}

// Intake takes in the takes of one visit of one unit, in one transaction: it stores
// them, and once every channel and seating is there judges the unit, puts it on the
// charts and reads them. The same take again changes nothing. A take that
// contradicts what is stored is refused on its own; the others go in. The error is a
// *Refusal when none can be accepted. Takes of a reference unit, and those whose lot
// is a study, are not production: they are stored apart, and a check decides about the
// units that its rig measured.
func (l *Line) Intake(ctx context.Context, by By, takes []curve.Take) (Receipt, error) {
	if len(takes) == 0 {
		return Receipt{}, refuse(Invalid, "takes", "send at least one take", "there is none")
	}
	setup, err := l.Setup(ctx, takes[0].Product)
	if err != nil {
		return Receipt{}, err
	}
	v := &visit{line: l, by: by, setup: setup, at: l.now(), takes: takes, lot: takes[0].Lot}
	v.receipt = Receipt{Serial: takes[0].Serial, Takes: make([]TakeReceipt, len(takes))}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error { return v.run(ctx, s) })
	return v.receipt, err
}

// A visit is one call of Intake on its way.
type visit struct {
	line    *Line
	by      By
	setup   *Setup
	at      time.Time
	takes   []curve.Take
	lot     string
	state   store.LotState // of the lot
	hashes  [][]byte
	unit    store.UnitRow
	attempt store.AttemptRow
	receipt Receipt

	rig      *judgeRig // nil when the rig is not checked
	release  string    // why a verdict changes to hold or from it
	released bool      // a person answers for the rig

	transfer *store.TransferRow // by which the takes are read; nil for as they were measured
}

// prepare checks what needs no database. A take at fault gets its refusal.
func (v *visit) prepare() {
	first := v.takes[0]
	for i := range v.takes {
		t := &v.takes[i]
		if t.Seating == 0 && v.setup.Seatings == 1 {
			t.Seating = 1
		}
		v.receipt.Takes[i].Refused = v.check(*t, first)
	}
}

func (v *visit) check(t, first curve.Take) *Refusal {
	s := v.setup
	switch {
	case t.Serial != first.Serial || t.Attempt != first.Attempt || t.Product != first.Product:
		panic("line: a visit with takes of different units")
	case t.Lot != first.Lot:
		return refuse(Invalid, "lot", "give all takes of a unit the same lot", "takes of unit %s name the lots %q and %q", t.Serial, first.Lot, t.Lot)
	case !slices.Contains(s.Channels, t.Channel):
		return refuse(Invalid, "channel", "use one of "+strings.Join(s.Channels, ", "), "product %s has no channel %q", s.Code, t.Channel)
	case t.Seating == 0:
		return refuse(Invalid, "seating", fmt.Sprintf("number the seatings 1 to %d", s.Seatings), "it is not said which seating this take of unit %s is", t.Serial)
	case t.Seating > s.Seatings:
		return refuse(Invalid, "seating", "measure again as a new attempt with its reason if the unit needs it",
			"seating %d of unit %s is more than the %d that product %s takes", t.Seating, t.Serial, s.Seatings, s.Code)
	}
	if low, high := t.Curve.Hz[0], t.Curve.Hz[len(t.Curve.Hz)-1]; !s.reaches(low, high) {
		return refuse(Invalid, "frequency", "measure from below the anchor range to above it", "the curve runs from %s to %s Hz and covers no band of the anchor range %v to %v Hz",
			band.Hertz(low), band.Hertz(high), s.Anchor.From, s.Anchor.To)
	}
	return nil
}

// reaches reports whether a curve from low to high Hz covers an anchor band.
func (s *Setup) reaches(low, high float64) bool {
	for i, b := range s.Band {
		if s.InAnchor[i] && !isNaN(float32(s.Target[i])) && b.Lower() >= low && b.Upper() <= high {
			return true
		}
	}
	return false
}

// run is the visit's transaction.
func (v *visit) run(ctx context.Context, s store.Site) error {
	if _, err := s.LockProduct(ctx, v.setup.Code); err != nil {
		return err
	}
	for i := range v.takes {
		hash := curve.Hash(v.takes[i].Curve)
		v.hashes = append(v.hashes, hash[:])
		if v.takes[i].MeasuredAt.IsZero() {
			v.takes[i].MeasuredAt = v.at
		}
	}
	route, err := s.Route(ctx, v.setup.Code, v.takes[0].Serial, v.lot)
	if err != nil {
		return err
	}
	policy, err := policyOf(route)
	if err != nil {
		return err
	}
	switch {
	case route.Study != "":
		return v.study(ctx, s, route.Study)
	case route.Reference:
		return v.reference(ctx, s, policy, route.Version)
	}
	v.prepare()
	if err := v.findUnit(ctx, s); err != nil {
		return err
	}
	if v.state, err = s.LotState(ctx, v.lot); err != nil {
		return err
	}
	if err := v.sort(ctx, s); err != nil {
		return err
	}
	fresh := v.fresh()
	if len(fresh) == 0 {
		return nil
	}
	if err := v.store(ctx, s, fresh); err != nil {
		return err
	}
	stored, err := s.Takes(ctx, v.attempt.Attempt)
	if err != nil {
		return err
	}
	if v.receipt.Waiting = v.setup.missing(stored, v.setup.Seatings); v.receipt.Waiting == "" {
		if policy != nil {
			if v.rig, err = v.line.trustIn(ctx, s, v.setup, *policy, route.Version, v.attempt.Station, v.attempt.MeasuredAt); err != nil {
				return err
			}
		}
		if err := v.judge(ctx, s, stored); err != nil {
			return err
		}
	}
	return v.journal(ctx, s, len(fresh))
}

// fresh returns the indices of the takes to store.
func (v *visit) fresh() []int {
	var out []int
	for i, t := range v.receipt.Takes {
		if t.Refused == nil && !t.Known {
			out = append(out, i)
		}
	}
	return out
}

// findUnit finds the unit, or prepares a new one, which is stored with its first
// take.
func (v *visit) findUnit(ctx context.Context, s store.Site) error {
	serial := v.receipt.Serial
	unit, err := s.Unit(ctx, serial)
	if errors.Is(err, store.ErrNotFound) {
		study, err := s.FaultStudyOf(ctx, v.setup.Code, serial)
		if err == nil {
			return refuse(Conflict, "lot", "name lot "+study+", or measure a good unit under a serial of its own", "unit %s was built faulty for study %s and never counts as production", serial, study)
		} else if !errors.Is(err, store.ErrNotFound) {
			return err
		}
		if v.lot == "" {
			return refuse(Invalid, "lot", "name the lot: a column of the manifest, {lot} in the file-name pattern, or --lot", "unit %s is new and its takes name no lot", serial)
		}
		v.receipt.Lot = v.lot
		return nil
	}
	if err != nil {
		return err
	}
	if unit.Product != v.setup.Code {
		return refuse(Conflict, "product", "correct the product or the serial", "unit %s belongs to product %s, not %s", serial, unit.Product, v.setup.Code)
	}
	if v.lot != "" && v.lot != unit.Lot {
		return refuse(Conflict, "lot", "correct the lot or the serial", "unit %s belongs to lot %s, not %s", serial, unit.Lot, v.lot)
	}
	v.unit, v.lot, v.receipt.Lot = unit, unit.Lot, unit.Lot
	return nil
}

// sort decides for each take whether it is known, refused or fresh, and which
// attempt the fresh ones belong to.
func (v *visit) sort(ctx context.Context, s store.Site) error {
	twins, err := s.Twins(ctx, v.hashes)
	if err != nil {
		return err
	}
	number, attempts, err := v.number(ctx, s)
	if err != nil {
		return err
	}
	var present []store.TakeRow
	for _, a := range attempts {
		if a.Number == number {
			v.attempt = a
			if present, err = s.Takes(ctx, a.Attempt); err != nil {
				return err
			}
		}
	}
	slots := map[string]string{} // channel and seating → hash of what holds it
	for _, t := range present {
		slots[slot(t.Channel, t.Seating)] = string(t.ContentHash)
	}
	seen := map[string]string{} // hash → channel and seating, within this call
	for i, t := range v.takes {
		r := &v.receipt.Takes[i]
		if r.Refused != nil {
			continue
		}
		if r.ID, r.Known = v.known(t, v.hashes[i], twins); r.Known {
			continue
		}
		here, hash := slot(t.Channel, t.Seating), string(v.hashes[i])
		r.Refused = v.contradiction(t, hash, twins, slots[here], seen[hash])
		if r.Refused == nil {
			r.Refused = v.shut(number, attempts)
		}
		if r.Refused == nil {
			r.Refused = v.closed(t, number, attempts)
		}
		if r.Refused == nil {
			slots[here], seen[hash] = hash, here
		}
	}
	v.receipt.Attempt = number
	return nil
}

func slot(channel string, seating int) string { return fmt.Sprintf("%s seating %d", channel, seating) }

// number returns the attempt the takes belong to. When they do not say, it is the
// latest one, for the caller to find it open or closed.
func (v *visit) number(ctx context.Context, s store.Site) (int, []store.AttemptRow, error) {
	attempts, err := s.Attempts(ctx, v.receipt.Serial)
	if err != nil {
		return 0, nil, err
	}
	n := v.takes[0].Attempt
	if n == 0 {
		n = max(1, len(attempts))
	}
	return n, attempts, nil
}

// known reports whether the very same take is stored already.
func (v *visit) known(t curve.Take, hash []byte, twins []store.Twin) (uuid.UUID, bool) {
	for _, w := range twins {
		if string(w.ContentHash) == string(hash) && !w.Visit && w.Serial == t.Serial && w.Channel == t.Channel &&
			w.Seating == t.Seating && (t.Attempt == 0 || t.Attempt == w.Number) {
			return w.Take, true
		}
	}
	return uuid.UUID{}, false
}

// contradiction refuses a curve that is stored under another identity, and one whose
// place is taken by another curve.
func (v *visit) contradiction(t curve.Take, hash string, twins []store.Twin, holder, before string) *Refusal {
	if len(t.Curve.Hz) >= telling {
		const remedy = "find out which of the two was measured: the rig may have saved one file twice"
		for _, w := range twins {
			if string(w.ContentHash) == hash {
				return refuse(Conflict, "content", remedy, "the curve of unit %s, %s, is stored already as unit %s, %s, attempt %d",
					t.Serial, slot(t.Channel, t.Seating), w.Serial, slot(w.Channel, w.Seating), w.Number)
			}
		}
		if before != "" {
			return refuse(Conflict, "content", remedy, "unit %s has the same curve as %s and as %s", t.Serial, before, slot(t.Channel, t.Seating))
		}
	}
	if holder != "" && holder != hash {
		return refuse(Conflict, "attempt", "if the unit was measured again, give attempt 2 or later and the reason; else correct the serial",
			"unit %s already has another curve for %s in this attempt", t.Serial, slot(t.Channel, t.Seating))
	}
	return nil
}

// closed refuses a take for an attempt that is judged, comes out of turn, or has no
// reason: the first attempt decides first-pass yield for ever, and a retest follows
// a cause.
func (v *visit) closed(t curve.Take, number int, attempts []store.AttemptRow) *Refusal {
	const again = "if the unit was measured again, give attempt %d and the cause found or action taken (reason); else correct the serial"
	held := 0 // attempts on a rig that was not trusted do not count
	for _, a := range attempts {
		if a.Verdict != nil && *a.Verdict == "hold" {
			held++
		}
	}
	if p := v.setup; number > p.MaxAttempts+held {
		return refuse(Invalid, "attempt", "set the unit aside: it is not measured until it passes", "attempt %d of unit %s is more than the %d that product %s allows", number, t.Serial, p.MaxAttempts, p.Code)
	}
	if number <= len(attempts) {
		if a := attempts[number-1]; a.Verdict != nil {
			return refuse(Conflict, "attempt", fmt.Sprintf(again, len(attempts)+1), "attempt %d of unit %s is judged already (%s)", number, t.Serial, *a.Verdict)
		}
		return nil
	}
	if number > len(attempts)+1 {
		return refuse(Conflict, "attempt", fmt.Sprintf("send attempt %d first", len(attempts)+1), "unit %s has %d attempts, and this take says attempt %d", t.Serial, len(attempts), number)
	}
	if number == 1 {
		return nil
	}
	last := attempts[number-2]
	if last.Verdict == nil {
		return refuse(Conflict, "attempt", "send the missing takes of that attempt first", "attempt %d of unit %s is not complete", last.Number, t.Serial)
	}
	if t.Reason == "" && *last.Verdict != "reseat" {
		return refuse(Invalid, "reason", "say what was found or done before measuring again", "attempt %d of unit %s has no reason, and attempt %d was judged %s", number, t.Serial, last.Number, *last.Verdict)
	}
	return nil
}

// store writes lot, unit and attempt as far as they are new, and the fresh takes.
func (v *visit) store(ctx context.Context, s store.Site, fresh []int) error {
	first := v.takes[fresh[0]]
	if v.unit.Serial == "" {
		if _, err := s.AddLot(ctx, v.lot, v.setup.Code, first.MeasuredAt); errors.Is(err, store.ErrExists) {
			return refuse(Conflict, "lot", "give the lot another code, or correct the product", "lot %s belongs to another product", v.lot)
		} else if err != nil {
			return err
		}
		v.unit = store.UnitRow{Serial: first.Serial, Product: v.setup.Code, Lot: v.lot, FirstSeen: v.at}
		if err := s.AddUnit(ctx, v.unit); err != nil {
			return err
		}
	}
	if v.attempt.Attempt == uuid.Nil {
		v.attempt = store.AttemptRow{
			Attempt: uuid.Must(uuid.NewV7()), Serial: first.Serial, Number: v.receipt.Attempt, Station: first.Station,
			Operator: first.Operator, Reason: first.Reason, MeasuredAt: first.MeasuredAt, ReceivedAt: v.at,
		}
		if err := s.AddAttempt(ctx, v.attempt); err != nil {
			return err
		}
	}
	var rows []store.TakeRow
	var curves []store.CurveRow
	for _, i := range fresh {
		t := v.takes[i]
		id := uuid.Must(uuid.NewV7())
		v.receipt.Takes[i].ID = id
		row := store.TakeRow{
			Take: id, Attempt: v.attempt.Attempt, Channel: t.Channel, Seating: t.Seating, MeasuredAt: t.MeasuredAt,
			ReceivedAt: v.at, ContentHash: v.hashes[i], Source: sourceText(t.Source), Notes: t.Notes,
		}
		if row.Notes == nil {
			row.Notes = []string{}
		}
		for _, lv := range band.Levels(t.Curve, v.setup.Band) {
			row.Bands = append(row.Bands, float32(lv.DB))
		}
		rows, curves = append(rows, row), append(curves, encode(id, t.Curve))
	}
	return s.AddTakes(ctx, rows, curves)
}

func sourceText(s curve.Source) string {
	if s.Line > 0 {
		return fmt.Sprintf("%s, line %d", s.File, s.Line)
	}
	return s.File
}

// encode packs a curve for storage.
func encode(take uuid.UUID, c band.Curve) store.CurveRow {
	row := store.CurveRow{Take: take, Frequencies: packDoubles(c.Hz), Levels: packFloats(c.DB)}
	if c.Phase != nil {
		row.Phases = packFloats(c.Phase)
	}
	sum := sha256.Sum256(row.Frequencies)
	row.Grid = sum[:]
	return row
}

// missing says in words which takes an attempt still waits for, empty for none.
func (s *Setup) missing(have []store.TakeRow, seatings int) string {
	there := map[string]bool{}
	for _, t := range have {
		there[slot(t.Channel, t.Seating)] = true
	}
	var parts []string
	for _, c := range s.Channels {
		for n := 1; n <= seatings; n++ {
			if k := slot(c, n); !there[k] {
				parts = append(parts, k)
			}
		}
	}
	return strings.Join(parts, ", ")
}

func (v *visit) journal(ctx context.Context, s store.Site, takes int) error {
	detail := map[string]any{"attempt": v.attempt.Number, "takes": takes}
	if w := v.receipt.Verdict; w != nil {
		detail["verdict"] = w.Word
	}
	return v.line.journal(ctx, s, v.by, "take in", v.receipt.Serial, v.attempt.Reason, detail)
}

// journal writes one entry of the journal.
func (l *Line) journal(ctx context.Context, s store.Site, by By, action, subject, reason string, detail any) error {
	e := store.Entry{At: l.now(), Actor: by.Actor, Origin: by.Origin, Action: action, Subject: subject, Reason: reason}
	if detail != nil {
		var err error
		if e.Detail, err = json.Marshal(detail); err != nil {
			return err
		}
	}
	_, err := s.Write(ctx, e)
	return err
}
