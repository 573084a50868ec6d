package line

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
	"alike/spc/gauge"
)

// A ReadAs says that an attempt's levels are not those of the rig that measured it, but
// what another rig would have read.
type ReadAs struct {
	Rig       string  `json:"rig"` // that measured
	Reference string  `json:"as"`  // as which it is read
	Version   int     `json:"version"`
	Study     string  `json:"study"`
	Most      float64 `json:"most"`     // largest correction, dB, without its sign
	Tightest  float64 `json:"tightest"` // most by which a band's working limit moved inwards for it, dB; 0 on hold
}

// Text says it in a clause.
func (r ReadAs) Text() string {
	text := fmt.Sprintf("measured on %s and read as %s would: transfer %d from study %s corrects up to %.2f dB", rigName(r.Rig), rigName(r.Reference), r.Version, r.Study, r.Most)
	if r.Tightest > 0 {
		text += fmt.Sprintf(", and working limits are up to %.2f dB tighter for its uncertainty", r.Tightest)
	}
	return text
}

// Short says it beside a verdict.
func (r *ReadAs) Short() string {
	if r == nil {
		return ""
	}
	return fmt.Sprintf("read as %s would (transfer %d)", rigName(r.Reference), r.Version)
}

// transferAt returns the transfer in force for what a rig measures of a product at a
// moment, nil for none.
func transferAt(ctx context.Context, s store.Site, setup *Setup, rig string, at time.Time) (*store.TransferRow, error) {
	row, err := s.TransferAt(ctx, setup.Code, rig, at)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	case !row.InForce:
		return nil, nil
	case len(row.Curve) != len(setup.Channels)*len(setup.Band) || len(row.DeviationU) != len(setup.Band):
		return nil, fmt.Errorf("stored transfer %d of %s on %s is for %d places, the product has %d", row.Version, setup.Code, rig, len(row.Curve), len(setup.Channels)*len(setup.Band))
	}
	return &row, nil
}

// corrected returns takes with their levels as the reference rig would read them; the
// given ones stay as they are. Without a transfer they are returned themselves.
func corrected(setup *Setup, takes []store.TakeRow, t *store.TransferRow) []store.TakeRow {
	if t == nil {
		return takes
	}
	n := len(setup.Band)
	out := slices.Clone(takes)
	for i := range out {
		c := slices.Index(setup.Channels, out[i].Channel)
		if c < 0 {
			continue
		}
		out[i].Bands = slices.Clone(out[i].Bands)
		for k := range out[i].Bands {
			out[i].Bands[k] = float32(float64(out[i].Bands[k]) - t.Curve[c*n+k])
		}
	}
	return out
}

// widened returns limits whose guard bands hold a transfer's uncertainty too. What has no
// guard band in force gets one of the transfer's alone.
func widened(l envelope.Limits, t store.TransferRow) (envelope.Limits, error) {
	var err error
	widen := func(guard, u float64) float64 {
		if math.IsNaN(u) { // not measured in the comparison, hence not judged
			return guard
		}
		w, e := gauge.Widen(guard, u, t.Risk)
		if e != nil {
			err = fmt.Errorf("transfer %d of %s: %w", t.Version, t.Rig, e)
		}
		return w
	}
	l.Guard, l.BalanceGuard = slices.Clone(l.Guard), slices.Clone(l.BalanceGuard)
	if l.BalanceGuard == nil {
		l.BalanceGuard = make([]float64, len(l.Guard))
	}
	for i := range l.Guard {
		l.Guard[i], l.BalanceGuard[i] = widen(l.Guard[i], t.DeviationU[i]), widen(l.BalanceGuard[i], t.BalanceU[i])
	}
	if l.Sensitivity != nil {
		s := *l.Sensitivity
		s.Guard = widen(s.Guard, t.SensitivityU)
		l.Sensitivity = &s
	}
	if l.Roughness > 0 {
		l.RoughnessGuard = widen(l.RoughnessGuard, t.RoughnessU)
	}
	return l, err
}

// readAs tells of a transfer for a verdict.
func readAs(t store.TransferRow) *ReadAs {
	r := &ReadAs{Rig: t.Rig, Reference: t.Reference, Version: t.Version, Study: t.Study}
	for _, d := range t.Curve {
		if d = math.Abs(d); d > r.Most {
			r.Most = d
		}
	}
	return r
}

// judgedBy returns the limits to judge an attempt by, and what a verdict says of its
// transfer: the limits as they are and nil without one.
func judgedBy(l envelope.Limits, t *store.TransferRow) (envelope.Limits, *ReadAs, error) {
	if t == nil {
		return l, nil, nil
	}
	wide, err := widened(l, *t)
	as := readAs(*t)
	for i := range l.Guard {
		if !math.IsNaN(l.Lower[i]) || !math.IsNaN(l.Upper[i]) {
			as.Tightest = math.Max(as.Tightest, wide.Guard[i]-l.Guard[i])
		}
	}
	return wide, as, err
}

// transferNotes says on a rig's state as which rig it is read, and when a baseline that
// was set since tells that the rigs may not differ any more as they did.
func transferNotes(ctx context.Context, s store.Site, t *Trust, rig string, out *RigState) error {
	newest, err := newestTransfers(ctx, s, t.Product)
	if err != nil || !newest[rig].InForce {
		return err
	}
	row := newest[rig]
	out.Notes = append(out.Notes, fmt.Sprintf("From %s on its units are read as %s would read them (transfer %d from study %s); its checks are its own.",
		row.Begins.In(t.Zone).Format("2006-01-02 15:04"), rigName(row.Reference), row.Version, row.Study))
	for _, u := range t.References {
		for _, r := range []string{row.Rig, row.Reference} {
			b, err := s.Baseline(ctx, u.Serial, r)
			if errors.Is(err, store.ErrNotFound) {
				continue
			} else if err != nil {
				return err
			}
			if b.CreatedAt.After(row.CreatedAt) && b.Version > 1 {
				out.Notes = append(out.Notes, fmt.Sprintf("The baseline of %s on %s was set anew on %s, after that transfer: compare the rigs again.", u.Serial, rigName(r), b.CreatedAt.In(t.Zone).Format(time.DateOnly)))
			}
		}
	}
	return nil
}
