package line

import (
	"context"
	"fmt"
	"math"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/envelope"
)

// Certificates says of every good unit of a lot what was measured, for its box; of one
// unit when a serial is given. There are none for a lot that is not decided to ship, or
// whose decision does not fit its data any more, and none for a unit that did not pass:
// these are listed with the reason, and a single one is refused with it.
func (l *Line) Certificates(ctx context.Context, lot, serial, program string) (reports.Certificates, error) {
	var out reports.Certificates
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		g := &gathering{line: l, program: program}
		if err := g.run(ctx, s, lot); err != nil {
			return err
		}
		out, err = g.certificates(ctx, s, serial)
		return err
	})
	return out, err
}

func (g *gathering) certificates(ctx context.Context, s store.Site, serial string) (reports.Certificates, error) {
	lot := g.out.Code
	out := reports.Certificates{Lot: lot, Program: g.out.Program}
	if err := Ships(g.out); err != nil {
		return out, err
	}
	limits := map[int]reports.Limits{g.env.Version: g.out.Limits} // by version of the envelope
	for _, u := range g.out.Units {
		if serial != "" && u.Serial != serial {
			continue
		}
		if u.Last != string(envelope.Pass) {
			why := fmt.Sprintf("its last verdict is %s", u.Last)
			if serial != "" {
				return out, refuse(Conflict, "serial", "only units that passed get a certificate", "unit %s has no certificate: %s", serial, why)
			}
			out.LeftOut = append(out.LeftOut, reports.LeftOut{Serial: u.Serial, Reason: why})
			continue
		}
		c, err := g.certificate(u)
		if err != nil {
			return out, err
		}
		if _, ok := limits[c.Envelope]; !ok {
			row, err := s.Envelope(ctx, g.setup.Code, c.Envelope)
			if err != nil {
				return out, err
			}
			lim, err := onBands(row, g.setup)
			if err != nil {
				return out, err
			}
			limits[c.Envelope] = reportLimits(lim)
		}
		c.Limits = limits[c.Envelope]
		out.Good = append(out.Good, c)
	}
	if serial != "" && len(out.Good) == 0 {
		return out, refuse(Missing, "serial", "check the serial", "there is no measured unit %q in lot %s", serial, lot)
	}
	return out, nil
}

// CertificateOf is Certificates for one unit, whatever its lot.
func (l *Line) CertificateOf(ctx context.Context, serial, program string) (reports.Certificates, error) {
	u, err := l.Unit(ctx, serial)
	if err != nil {
		return reports.Certificates{}, err
	}
	return l.Certificates(ctx, u.Lot, u.Serial, program)
}

// Ships refuses a lot that nobody decided to ship, or whose decision does not fit its
// data any more.
func Ships(r reports.Lot) error {
	sig := r.Life.Signature
	switch {
	case r.Life.State != LotDecided || sig == nil || !sig.InForce:
		return refuse(Conflict, "lot", "decide it first: accept, or concession", "lot %s is not decided: its units have no certificates yet", r.Code)
	case sig.Outcome != OutcomeAccept && sig.Outcome != OutcomeConcession:
		return refuse(Conflict, "lot", "certificates go with units that ship", "lot %s is decided: %s; its units do not ship", r.Code, sig.Outcome)
	case !sig.Sound || !sig.Matches:
		return refuse(Conflict, "lot", "re-open the lot with the reason, look at what changed, and decide again", "the decision on lot %s does not fit its data any more", r.Code)
	}
	return nil
}

func (g *gathering) certificate(u reports.UnitRow) (reports.Certificate, error) {
	sig := g.out.Life.Signature
	attempts := g.attempts[u.Serial]
	last := attempts[len(attempts)-1]
	c := reports.Certificate{
		Site: g.out.Site, Product: g.out.Product, Lot: g.out.Code, Serial: u.Serial, MeasuredAt: u.MeasuredAt, Attempt: last.Number,
		Verdict: u.Last, NotChecked: u.NotChecked, Override: g.overrideText(u.Serial, last.Number), Axis: g.out.Axis,
		Curves: u.Curves, Sensitivity: u.Sensitivity, Balance: u.Balance, Rig: "the rig was not checked with a reference unit",
		Outcome: sig.Outcome, DecidedBy: sig.Who, DecidedAt: sig.At, Reason: sig.Reason, DataHash: sig.DataHash,
	}
	if len(c.Sensitivity) < 2 {
		c.Balance = math.NaN()
	}
	v, err := storedVerdict(last)
	if err != nil {
		return c, err
	}
	if v != nil {
		c.Sentence, c.Envelope = v.Sentence, v.Envelope
		if v.Rig != "" {
			c.Rig = v.Rig
		}
		if as := v.ReadAs.Short(); as != "" {
			c.Rig += "; " + as
		}
	}
	return c, nil
}
