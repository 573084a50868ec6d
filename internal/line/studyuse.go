package line

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"alike/internal/store"
	"alike/spc/envelope"
)

// notMeasured refuses to use a study that lacks runs.
func (r StudyResult) notMeasured() error {
	left := 0
	for _, run := range r.Runs {
		if !run.Done {
			left++
		}
	}
	if left == 0 && r.kind == FaultStudy {
		return refuse(Conflict, "study", "see what it teaches with: alike fault status "+r.Code, "%s measures units that were built faulty and says nothing of seatings and operators", r.Code)
	}
	if left == 0 {
		return refuse(Conflict, "study", "use a gauge study", "%s compares rigs and says nothing of seatings and operators", r.Code)
	}
	return refuse(Conflict, "study", "see which with: alike gauge status "+r.Code, "%d of %d runs of study %s are not measured", left, len(r.Runs), r.Code)
}

// GuardFromStudy puts a study's guard bands in force as a new version of the
// product's limits: per band the widest of its channels. It refuses when a guard leaves
// nothing of the limits.
func (l *Line) GuardFromStudy(ctx context.Context, by By, code string, o ResultOptions, reason string) (version int, r StudyResult, err error) {
	if r, err = l.GaugeSheet(ctx, code, o); err != nil {
		return 0, r, err
	}
	if !r.Measured() {
		return 0, r, r.notMeasured()
	}
	e, err := ParseEnvelope(r.env.Definition)
	if err != nil {
		return 0, r, fmt.Errorf("stored envelope %d of %s: %w", r.env.Version, r.setup.Code, err)
	}
	var full []string
	for i, b := range r.setup.Band {
		guard := 0.0
		for _, row := range r.Rows {
			if row.Quantity == string(envelope.Deviation) && row.Label == b.Label() && row.Guard > guard {
				guard = row.Guard
			}
		}
		width := r.limits.Upper[i] - r.limits.Lower[i]
		if math.IsNaN(r.limits.Lower[i]) && math.IsNaN(r.limits.Upper[i]) || guard == 0 {
			continue
		}
		guard = math.Ceil(guard*100-1e-9) / 100 // upwards, so that the risk is kept
		if width <= 2*guard {
			full = append(full, fmt.Sprintf("%s (%.2f dB of %.2f)", b.Name(), 2*guard, width))
		}
		e.Guard = append(e.Guard, envelope.Guard{From: b.Nominal(), To: b.Nominal(), DB: guard})
	}
	if len(full) > 0 {
		return 0, r, refuse(Conflict, "guard", "take more seatings, widen the limits there, or accept a higher risk", "the guard bands on both sides leave nothing of the limits at %s", strings.Join(full, ", "))
	}
	if s := e.Sensitivity; s != nil {
		for _, row := range r.Rows {
			if row.Quantity == string(envelope.Sensitivity) && row.Guard > 0 {
				s.Guard = math.Max(s.Guard, math.Ceil(row.Guard*100-1e-9)/100)
			}
		}
		if 2*s.Guard >= s.Upper-s.Lower {
			return 0, r, refuse(Conflict, "guard", "take more seatings or widen the limits", "the guard of %.2f dB leaves nothing of the sensitivity's limits", s.Guard)
		}
	}
	if reason == "" {
		return 0, r, refuse(Invalid, "reason", "say why the limits change", "a new version of the limits needs a reason")
	}
	version, err = l.AddEnvelope(ctx, by, r.setup.Code, e, fmt.Sprintf("guard bands from gauge study %s for %d seatings, risk %g: %s", code, r.Seatings, r.Risk, reason))
	return version, r, err
}

// SeatingFromStudy puts what a study says of seatings in force: beyond it the
// seatings of an attempt ask for another one.
func (l *Line) SeatingFromStudy(ctx context.Context, by By, code string, o ResultOptions, reason string) (version int, r StudyResult, err error) {
	if r, err = l.GaugeSheet(ctx, code, o); err != nil {
		return 0, r, err
	}
	switch {
	case !r.Measured():
		return 0, r, r.notMeasured()
	case r.setup.Seatings < 2:
		return 0, r, refuse(Conflict, "seatings", "give the product two seatings or more", "product %s takes one seating: there is nothing to compare", r.setup.Code)
	case reason == "":
		return 0, r, refuse(Invalid, "reason", "say why the limits change", "new seating limits need a reason")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, r.setup.Code); err != nil {
			return err
		}
		version, err = s.AddSeatingLimit(ctx, store.SeatingLimitRow{
			Product: r.setup.Code, Study: code, Spread: r.SeatingSpread, Reason: reason, Author: by.Actor, CreatedAt: l.now(),
		})
		if err != nil {
			return err
		}
		return l.journal(ctx, s, by, "set seating limits", r.setup.Code, reason, map[string]any{"version": version, "study": code})
	})
	return version, r, err
}

// withSeating returns the setup with the seating limits in force: a study's, else the
// product's own.
func (s *Setup) withSeating(ctx context.Context, q store.Site) (*Setup, error) {
	row, err := q.SeatingLimit(ctx, s.Code)
	if errors.Is(err, store.ErrNotFound) {
		return s, nil
	} else if err != nil {
		return nil, err
	}
	if len(row.Spread) != len(s.Band) {
		return nil, fmt.Errorf("stored seating limits %d of %s are for %d bands, the product has %d", row.Version, s.Code, len(row.Spread), len(s.Band))
	}
	out := *s
	out.Spread = row.Spread
	return &out, nil
}
