package line

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/store"
)

// A ValueSet is the numbers measured of one piece beside its curve, by the product's
// keys.
type ValueSet struct {
	Serial     string
	Lot        string // of a piece that is new; empty when it is known
	Values     map[string]float64
	MeasuredAt time.Time // zero for now
	Reason     string    // why a number is measured again
	Source     curve.Source
}

// A ValueReceipt says what became of one set of numbers.
type ValueReceipt struct {
	Serial     string
	New, Known int // numbers
	Refused    *Refusal
}

// valueColumns are the columns of a values file that are no metrics.
var valueColumns = []string{"serial", "batch", "measured_at", "reason"}

// ReadValues reads a values file of a product: CSV with a head, a row per piece, and a
// column per metric named by its key, alone or with its unit behind it: resonance
// [Hz]. An empty cell was not measured. A bad head refuses the file, a bad row only
// itself. Times without an offset are taken in zone.
func (s *Setup) ReadValues(name string, data []byte, zone *time.Location) ([]ValueSet, []*curve.Refusal) {
	keys := map[string]string{} // head → key
	t, err := readSheet(name, data, func(h string) error {
		if slices.Contains(valueColumns, h) {
			return nil
		}
		key, err := s.metricHead(name, h)
		keys[h] = key
		return err
	}, "serial")
	var refused []*curve.Refusal
	if err != nil {
		return nil, append(refused, asRefusal(name, err))
	}
	var out []ValueSet
	seen := map[string]int{}
	for _, row := range t.rows {
		v, err := s.valueRow(t, row, keys, zone)
		if before := seen[v.Serial]; err == nil && before > 0 {
			err = partFault(name, row.line, "serial", fmt.Sprintf("%s is on line %d too", v.Serial, before), "list every piece once, or correct the serial")
		}
		if err != nil {
			refused = append(refused, asRefusal(name, err))
			continue
		}
		seen[v.Serial] = row.line
		out = append(out, v)
	}
	return out, refused
}

func asRefusal(name string, err error) *curve.Refusal {
	var r *curve.Refusal
	if errors.As(err, &r) {
		return r
	}
	return &curve.Refusal{File: name, Reason: err.Error()}
}

// metricHead finds the metric of a head such as "resonance" or "resonance [Hz]".
func (s *Setup) metricHead(name, h string) (string, error) {
	bare, unit := splitUnit(h)
	m, ok := s.metric(bare)
	if !ok {
		var known []string
		for _, m := range s.Metrics {
			known = append(known, m.Key)
		}
		return "", partFault(name, 1, h, "is no metric of product "+s.Code, "use "+strings.Join(append(slices.Clone(valueColumns), known...), ", "))
	}
	if unit != "" && unit != strings.ToLower(m.Unit) {
		return "", partFault(name, 1, h, "is not in the unit of the product", "give it in "+m.Unit)
	}
	return m.Key, nil
}

func (s *Setup) valueRow(t *csvSheet, row csvRow, keys map[string]string, zone *time.Location) (ValueSet, error) {
	v := ValueSet{Values: map[string]float64{}, Source: curve.Source{File: t.name, Line: row.line}, Reason: t.get(row, "reason")}
	id, err := curve.Identity{Serial: t.get(row, "serial"), Channel: "mono", Lot: t.get(row, "batch"), Reason: v.Reason}.Normal()
	var fault *curve.FieldError
	if errors.As(err, &fault) {
		return v, partFault(t.name, row.line, fault.Field, fault.Reason, fault.Remedy)
	} else if err != nil {
		return v, err
	}
	v.Serial, v.Lot = id.Serial, id.Lot
	if v.MeasuredAt, err = moment(t, row, zone); err != nil {
		return v, err
	}
	for h, key := range keys {
		if t.get(row, h) == "" {
			continue
		}
		if v.Values[key], err = t.number(row, h); err != nil {
			return v, err
		}
	}
	if len(v.Values) == 0 {
		return v, partFault(t.name, row.line, "", "has no numbers", "fill a metric in, or leave the row out")
	}
	return v, nil
}

func moment(t *csvSheet, row csvRow, zone *time.Location) (time.Time, error) {
	text := t.get(row, "measured_at")
	if text == "" {
		return time.Time{}, nil
	}
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, nil
	}
	for _, layout := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04"} {
		if at, err := time.ParseInLocation(layout, text, zone); err == nil {
			return at, nil
		}
	}
	return time.Time{}, partFault(t.name, row.line, "measured_at", fmt.Sprintf("%q is not a time", text), "write 2006-01-02T15:04:05+01:00, or 2006-01-02 15:04 in the workshop's time zone")
}

// AddValues stores the numbers of one piece in one transaction. The same numbers
// again change nothing. A number that differs from the stored one is refused, unless
// a reason says why it was measured again; the one before stays. A piece that is not
// known becomes one of its lot.
func (l *Line) AddValues(ctx context.Context, by By, product string, v ValueSet) (ValueReceipt, error) {
	r := ValueReceipt{Serial: v.Serial}
	setup, err := l.DriverSetup(ctx, product)
	if err != nil {
		return r, err
	}
	if len(v.Values) == 0 {
		return r, refuse(Invalid, "values", "give at least one of the product's metrics", "no number is given for %s", v.Serial)
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		r = ValueReceipt{Serial: v.Serial}
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		if err := l.pieceOf(ctx, s, setup, v); err != nil {
			return err
		}
		return l.addValues(ctx, s, by, setup, v, &r)
	})
	return r, err
}

// pieceOf finds the piece, or makes it one of its batch.
func (l *Line) pieceOf(ctx context.Context, s store.Site, setup *Setup, v ValueSet) error {
	u, err := s.Unit(ctx, v.Serial)
	switch {
	case errors.Is(err, store.ErrNotFound) && v.Lot == "":
		return refuse(Missing, "batch", "name its batch in a column batch, or with --batch", "%s is new and its batch is not named", v.Serial)
	case errors.Is(err, store.ErrNotFound):
		if st, err := s.LotState(ctx, v.Lot); err != nil {
			return err
		} else if r := shutTo(st, v.Lot, v.Serial, true); r != nil {
			return r
		}
		if _, err := s.AddLot(ctx, v.Lot, setup.Code, l.now()); errors.Is(err, store.ErrExists) {
			return refuse(Conflict, "batch", "give the batch another code", "%s is a lot of another product", v.Lot)
		} else if err != nil {
			return err
		}
		return s.AddUnit(ctx, store.UnitRow{Serial: v.Serial, Product: setup.Code, Lot: v.Lot, FirstSeen: l.now()})
	case err != nil:
		return err
	case u.Product != setup.Code:
		return refuse(Conflict, "product", "correct the product or the serial", "%s belongs to product %s, not %s", v.Serial, u.Product, setup.Code)
	case v.Lot != "" && v.Lot != u.Lot:
		return refuse(Conflict, "batch", "correct the batch or the serial", "%s is of batch %s, not %s", v.Serial, u.Lot, v.Lot)
	}
	return nil
}

// stillMeasured refuses new numbers of a piece whose batch is decided.
func stillMeasured(ctx context.Context, s store.Site, serial string) error {
	u, err := s.Unit(ctx, serial)
	if err != nil {
		return err
	}
	st, err := s.LotState(ctx, u.Lot)
	if err != nil {
		return err
	}
	if r := shutTo(st, u.Lot, serial, false); r != nil {
		return r
	}
	return nil
}

func (l *Line) addValues(ctx context.Context, s store.Site, by By, setup *Setup, v ValueSet, r *ValueReceipt) error {
	rows, err := s.Values(ctx, []string{v.Serial})
	if err != nil {
		return err
	}
	held := map[string]store.ValueRow{}
	for _, h := range rows {
		held[h.Name] = h
	}
	at := v.MeasuredAt
	if at.IsZero() {
		at = l.now()
	}
	var fresh []store.ValueRow
	for _, m := range setup.Metrics {
		x, ok := v.Values[m.Key]
		if !ok {
			continue
		}
		h, before := held[m.Key]
		hash := sha256.Sum256(fmt.Appendf(nil, "%q %q %v", v.Serial, m.Key, x))
		if before && string(h.ContentHash) == string(hash[:]) {
			r.Known++
			continue
		}
		if before && v.Reason == "" {
			return refuse(Conflict, m.Key, "correct the serial, or give the reason why it was measured again",
				"%s of %s is stored already as %v %s, and this says %v", m.Name, v.Serial, h.Value, m.Unit, x)
		}
		fresh = append(fresh, store.ValueRow{Serial: v.Serial, Name: m.Key, Round: h.Round + 1, Value: x, Reason: v.Reason,
			Source: sourceText(v.Source), ContentHash: hash[:], MeasuredAt: at, ReceivedAt: l.now()})
	}
	for key := range v.Values {
		if _, ok := setup.metric(key); !ok {
			return refuse(Invalid, key, "add it to the product's metrics", "product %s has no metric %q", setup.Code, key)
		}
	}
	if r.New = len(fresh); r.New == 0 {
		return nil
	}
	if err := stillMeasured(ctx, s, v.Serial); err != nil {
		return err
	}
	if err := s.AddValues(ctx, fresh); err != nil {
		return err
	}
	detail := map[string]any{}
	for _, f := range fresh {
		detail[f.Name] = f.Value
	}
	return l.journal(ctx, s, by, "take in values", v.Serial, v.Reason, detail)
}

// A ValuesOutcome sums up a values file.
type ValuesOutcome struct {
	Pieces, Stored, Known int
	Refused               []curve.Refusal
}

// IngestValues takes in a values file row by row; what is refused goes to quarantine
// with the file. lot is the batch of pieces that are new and do not say.
func (l *Line) IngestValues(ctx context.Context, by By, product, lot, name string, data []byte) (ValuesOutcome, error) {
	var out ValuesOutcome
	setup, err := l.DriverSetup(ctx, product)
	if err != nil {
		return out, err
	}
	zone, err := l.Zone(ctx)
	if err != nil {
		return out, err
	}
	sets, refused := setup.ReadValues(name, data, zone)
	for _, v := range sets {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		if v.Lot == "" {
			if _, err := l.db.Site(l.site).Unit(ctx, v.Serial); errors.Is(err, store.ErrNotFound) {
				v.Lot = lot
			}
		}
		r, err := l.AddValues(ctx, by, setup.Code, v)
		var refusal *Refusal
		if errors.As(err, &refusal) {
			at := refusal.At(v.Source)
			refused = append(refused, &at)
			continue
		} else if err != nil {
			return out, err
		}
		out.Pieces++
		out.Stored, out.Known = out.Stored+r.New, out.Known+r.Known
	}
	for _, r := range refused {
		out.Refused = append(out.Refused, *r)
		if _, err := l.Quarantine(ctx, by, *r, lot, data); err != nil {
			return out, err
		}
	}
	return out, nil
}
