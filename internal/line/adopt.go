package line

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
	"alike/spc/gauge"
)

// LeastTransferUnits have to be measured on both rigs before their curve corrects
// anything: of fewer the scatter between the rigs, which the working limits are tightened
// by, is known to worse than a factor of two (common practice, no source; ten are better).
const LeastTransferUnits = 5

// An Adoption says which comparison of rigs is to correct a rig's readings, and since
// when.
type Adoption struct {
	Study string
	Rig   string    // whose readings are corrected; empty for the comparison's second rig
	From  time.Time // attempts measured from here on; zero for now, unless After is given
	After string    // or: attempts measured after this unit's
	// Risk is that of the guard band in force, whose factor the transfer's uncertainty
	// gets too; 0 for 0.05.
	Risk   float64
	Reason string
}

// AdoptTransfer puts the curve of a comparison in force: what the rig measures of the
// product from the beginning on is read as the other rig would read it, before it is
// anchored, judged and charted, with working limits tightened by the curve's uncertainty.
// Nothing that was judged before is judged again.
func (l *Line) AdoptTransfer(ctx context.Context, by By, a Adoption) (store.TransferRow, error) {
	var row store.TransferRow
	if a.Risk == 0 {
		a.Risk = ResultOptions{}.filled().Risk
	}
	if !(a.Risk > 0 && a.Risk <= 0.5) {
		return row, refuse(Invalid, "risk", "use a share above 0 and up to 0.5, such as 0.05", "risk %v is no share", a.Risk)
	}
	if a.Reason == "" {
		return row, refuse(Invalid, "reason", "say why the rig is to be read as the other one", "a transfer needs a reason")
	}
	err := l.db.InSite(ctx, l.site, func(s store.Site) error {
		study, err := l.studyOf(ctx, s, a.Study)
		if err != nil {
			return err
		}
		if _, err := s.LockProduct(ctx, study.Product); err != nil {
			return err
		}
		c, err := l.comparison(ctx, s, a.Study)
		if err != nil {
			return err
		}
		if row, err = c.adopted(a); err != nil {
			return err
		}
		if err := l.adoptable(ctx, s, c, row); err != nil {
			return err
		}
		if row.Begins, err = l.beginning(ctx, s, row.Product, row.Rig, a.From, a.After); err != nil {
			return err
		}
		row.Reason, row.Author, row.CreatedAt = a.Reason, by.Actor, l.now()
		if row.Version, err = s.AddTransfer(ctx, row); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "adopt transfer", row.Rig, a.Reason, map[string]any{
			"product": row.Product, "version": row.Version, "as": row.Reference, "study": row.Study, "begins": row.Begins,
			"units": row.Units, "risk": row.Risk, "curve": nullable(row.Curve),
		})
	})
	return row, err
}

// WithdrawTransfer ends the correction of a rig's readings from a moment, or the
// measurement of a unit, on.
func (l *Line) WithdrawTransfer(ctx context.Context, by By, product, rig string, from time.Time, after, reason string) (store.TransferRow, error) {
	var row store.TransferRow
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return row, err
	}
	if reason == "" {
		return row, refuse(Invalid, "reason", "say why the rig is to be read as it is", "a transfer is not withdrawn without a reason")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		newest, err := newestTransfers(ctx, s, setup.Code)
		if err != nil {
			return err
		}
		old := newest[rig]
		if !old.InForce {
			return refuse(Missing, "rig", "see them with: alike rig transfers", "no transfer is in force for %s and product %s", rigName(rig), setup.Code)
		}
		row = store.TransferRow{
			Product: setup.Code, Rig: rig, Reference: old.Reference, Study: old.Study, Risk: old.Risk,
			Curve: []float64{}, DeviationU: []float64{}, BalanceU: []float64{}, Reason: reason, Author: by.Actor, CreatedAt: l.now(),
		}
		if row.Begins, err = l.beginning(ctx, s, setup.Code, rig, from, after); err != nil {
			return err
		}
		if row.Version, err = s.AddTransfer(ctx, row); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "withdraw transfer", rig, reason, map[string]any{"product": setup.Code, "version": row.Version, "begins": row.Begins})
	})
	return row, err
}

// newestTransfers returns the newest version of each rig.
func newestTransfers(ctx context.Context, s store.Site, product string) (map[string]store.TransferRow, error) {
	rows, err := s.Transfers(ctx, product)
	out := map[string]store.TransferRow{}
	for _, r := range rows {
		out[r.Rig] = r
	}
	return out, err
}

// beginning finds from when on a version counts. It lies behind everything that the rig
// measured and that has a verdict, and never before the version before it, so that an
// attempt has one version for ever, however late its takes come in.
func (l *Line) beginning(ctx context.Context, s store.Site, product, rig string, from time.Time, after string) (time.Time, error) {
	const remedy = "give a later moment, or the last unit that the rig measured"
	judged, serial, err := s.LastJudgedOn(ctx, product, rig)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return from, err
	}
	begins, field := from, "from"
	switch {
	case !from.IsZero() && after != "":
		return from, refuse(Invalid, "after", "leave one of them out", "a moment and a unit are given")
	case after != "":
		attempts, err := s.Attempts(ctx, after)
		if err != nil {
			return from, err
		}
		field = "after"
		for _, a := range attempts {
			if a.Station == rig && a.MeasuredAt.After(begins) {
				begins = a.MeasuredAt
			}
		}
		if begins.IsZero() {
			return from, refuse(Missing, "after", "check the serial", "%s measured no unit %q", rigName(rig), after)
		}
		begins = begins.Add(time.Microsecond)
	case from.IsZero():
		begins = l.now()
	}
	if serial != "" && !begins.After(judged) {
		return from, refuse(Conflict, field, remedy, "unit %s was measured on %s at %s, not before the beginning at %s, and is judged: what is judged keeps its verdict",
			serial, rigName(rig), judged.UTC().Format("2006-01-02 15:04:05 UTC"), begins.UTC().Format("2006-01-02 15:04:05 UTC"))
	}
	newest, err := newestTransfers(ctx, s, product)
	if err != nil {
		return from, err
	}
	if n := newest[rig]; n.Version > 0 && begins.Before(n.Begins) {
		return from, refuse(Conflict, field, remedy, "version %d of this transfer begins at %s, which is later", n.Version, n.Begins.UTC().Format("2006-01-02 15:04:05 UTC"))
	}
	return begins.UTC().Truncate(time.Microsecond), nil
}

// adopted makes the row of a comparison: the curve, and for everything that is judged the
// standard uncertainty of one unit's corrected value. That is found from the values
// themselves, read as a unit's are, so that what bands share by the anchor is in it.
func (c *comparison) adopted(a Adoption) (store.TransferRow, error) {
	row := store.TransferRow{Product: c.state.Product, Study: a.Study, Rig: a.Rig, InForce: true, Risk: a.Risk, Units: len(c.first)}
	if row.Rig == "" {
		row.Rig = c.state.Operators[1]
	}
	as, of := c.first, c.second
	switch row.Rig {
	case c.state.Operators[1]:
		row.Reference = c.state.Operators[0]
	case c.state.Operators[0]:
		row.Reference = c.state.Operators[1]
		as, of = of, as
	default:
		return row, refuse(Invalid, "rig", "use one of "+strings.Join(c.state.Operators, ", "), "study %s does not compare %s", a.Study, rigName(row.Rig))
	}
	if row.Units < LeastTransferUnits {
		return row, refuse(Conflict, "study", "measure more units on both rigs", "%d units of study %s were measured on both rigs, and a transfer needs at least %d: from fewer its uncertainty is not known", row.Units, a.Study, LeastTransferUnits)
	}
	t, err := gauge.TransferOf(as, of, 0)
	if err != nil {
		return row, err
	}
	row.Curve = t.Mean
	for p, n := range t.N {
		if n < LeastTransferUnits {
			row.Curve[p] = math.NaN() // a place that few units have is not known
		}
	}
	return row, c.uncertainty(&row, as, of)
}

func (c *comparison) uncertainty(row *store.TransferRow, as, of [][]float64) error {
	var first, second [][]float64
	for u := range as {
		a, err := c.unitStreams(as[u], nil)
		if err != nil {
			return err
		}
		b, err := c.unitStreams(of[u], row.Curve)
		if err != nil {
			return err
		}
		first, second = append(first, a), append(second, b)
	}
	t, err := gauge.TransferOf(first, second, 0)
	if err != nil {
		return err
	}
	n := len(c.setup.Band)
	row.DeviationU, row.BalanceU = slices.Repeat([]float64{math.NaN()}, n), slices.Repeat([]float64{math.NaN()}, n)
	widest := func(into *float64, u float64) {
		if !(u <= *into) { // also when nothing stands there yet
			*into = u
		}
	}
	for i, st := range c.setup.StreamList {
		switch u := t.UnitU[i]; {
		case math.IsNaN(u):
		case st.Quantity == envelope.Deviation:
			widest(&row.DeviationU[st.Band], u)
		case st.Quantity == envelope.Balance && st.Band >= 0:
			widest(&row.BalanceU[st.Band], u)
		case st.Quantity == envelope.Sensitivity:
			widest(&row.SensitivityU, u)
		case st.Quantity == envelope.Roughness:
			widest(&row.RoughnessU, u)
		}
	}
	return nil
}

// unitStreams reads a unit's mean levels, less a curve, as the values that are judged.
func (c *comparison) unitStreams(levels, curve []float64) ([]float64, error) {
	n := len(c.setup.Band)
	var channels []envelope.Channel
	for i, name := range c.setup.Channels {
		row := slices.Clone(levels[i*n : (i+1)*n])
		for k := range row {
			if curve != nil {
				row[k] -= curve[i*n+k]
			}
		}
		ch, err := c.setup.read(name, [][]float64{row})
		if err != nil {
			return nil, refuse(Conflict, "study", "measure from below the anchor range to above it on both rigs", "the comparison does not cover the anchor range of product %s, %s", c.setup.Code, name)
		}
		channels = append(channels, ch)
	}
	return wide(c.setup.values(channels)), nil
}

// adoptable refuses a transfer that would not be sound.
func (l *Line) adoptable(ctx context.Context, s store.Site, c *comparison, row store.TransferRow) error {
	if c.setup.Stage == StageDriver {
		return refuse(Conflict, "product", "compare and pair drivers that one rig measured", "product %s is one of single drivers, which are paired and compared as they were measured", c.setup.Code)
	}
	if err := l.unchained(ctx, s, row); err != nil {
		return err
	}
	held, err := s.OnHold(ctx, row.Product)
	if err != nil {
		return err
	}
	for _, rig := range []string{row.Rig, row.Reference} {
		n := 0
		for _, a := range held {
			if a.Station == rig {
				n++
			}
		}
		if n > 0 {
			return refuse(Conflict, "rig", "check it with its reference unit, or release them, first", "%s wait on hold on %s: a rig that is not trusted is read as no other, and no other as it", number(n, "unit"), rigName(rig))
		}
		if err := c.workedSince(ctx, s, rig); err != nil {
			return err
		}
	}
	_, limits, err := l.limits(ctx, s, c.setup)
	if err != nil {
		return err
	}
	if err := l.covered(ctx, s, c.setup, limits, row); err != nil {
		return err
	}
	return roomLeft(c.setup, limits, row)
}

// unchained refuses a transfer whose reference is itself read as another rig, or whose
// rig others are read as: the uncertainties of a chain are not those of its links.
func (l *Line) unchained(ctx context.Context, s store.Site, row store.TransferRow) error {
	newest, err := newestTransfers(ctx, s, row.Product)
	if err != nil {
		return err
	}
	const remedy = "compare each rig with the same reference rig, or withdraw the other transfer first"
	for _, t := range newest {
		switch {
		case !t.InForce:
		case t.Rig == row.Reference:
			return refuse(Conflict, "rig", remedy, "%s is itself read as %s: transfers are not chained", rigName(row.Reference), rigName(t.Reference))
		case t.Reference == row.Rig:
			return refuse(Conflict, "rig", remedy, "%s is itself read as %s: transfers are not chained", rigName(t.Rig), rigName(row.Rig))
		}
	}
	return nil
}

// workedSince refuses a comparison that a rig was changed after.
func (c *comparison) workedSince(ctx context.Context, s store.Site, rig string) error {
	var last time.Time
	for _, v := range c.visits {
		if v.Rig == rig && v.MeasuredAt.After(last) {
			last = v.MeasuredAt
		}
	}
	entries, err := s.EntriesOf(ctx, rig, 1000)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if e.Changed && e.At.After(last) {
			return refuse(Conflict, "study", "compare the rigs again", "%s was changed at %s (%s), after study %s measured on it", rigName(rig), e.At.UTC().Format("2006-01-02 15:04 UTC"), strings.TrimSpace(e.Subject+" "+e.Note), c.state.Study)
		}
	}
	return nil
}

// covered refuses a curve that leaves out a band which the product anchors, limits or
// charts.
func (l *Line) covered(ctx context.Context, s store.Site, setup *Setup, limits envelope.Limits, row store.TransferRow) error {
	set, err := s.LimitSet(ctx, setup.Code, 0)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return err
	}
	n := len(setup.Band)
	var lost []string
	for p, d := range row.Curve {
		i := p % n
		limited := !math.IsNaN(limits.Lower[i]) || !math.IsNaN(limits.Upper[i]) || !math.IsNaN(limits.Balance[i])
		at := slices.Index(set.Streams, setup.StreamList[setup.position(envelope.Deviation, setup.Channels[p/n], i)].Key)
		charted := at >= 0 && !math.IsNaN(set.Center[at])
		if math.IsNaN(d) && (setup.InAnchor[i] || limited || charted) {
			lost = append(lost, setup.place(p))
		}
	}
	if len(lost) == 0 {
		return nil
	}
	return refuse(Conflict, "study", "compare the rigs over the product's whole range", "the curve of study %s is not known from %d units at %s, where product %s is judged: units of %s could not be read there", row.Study, LeastTransferUnits, strings.Join(firstFew(lost), "; "), setup.Code, rigName(row.Rig))
}

// roomLeft refuses a transfer whose uncertainty eats up the limits.
func roomLeft(setup *Setup, limits envelope.Limits, row store.TransferRow) error {
	wide, err := widened(limits, row)
	if err != nil {
		return err
	}
	var full []string
	for i, b := range setup.Band {
		if w := limits.Upper[i] - limits.Lower[i]; w <= 2*wide.Guard[i] {
			full = append(full, fmt.Sprintf("%s (%.2f dB of %.2f)", b.Name(), 2*wide.Guard[i], w))
		}
		if limits.Balance[i] <= wide.BalanceGuard[i] {
			full = append(full, fmt.Sprintf("balance %s (%.2f dB of %.2f)", b.Name(), wide.BalanceGuard[i], limits.Balance[i]))
		}
	}
	if s := wide.Sensitivity; s != nil && 2*s.Guard >= s.Upper-s.Lower {
		full = append(full, fmt.Sprintf("sensitivity (%.2f dB of %.2f)", 2*s.Guard, s.Upper-s.Lower))
	}
	if limits.Roughness > 0 && wide.RoughnessGuard >= limits.Roughness {
		full = append(full, fmt.Sprintf("roughness (%.2f dB of %.2f)", wide.RoughnessGuard, limits.Roughness))
	}
	if len(full) == 0 {
		return nil
	}
	return refuse(Conflict, "study", "measure more units and seatings on both rigs, or widen the limits", "the uncertainty of study %s leaves nothing of the limits at %s", row.Study, strings.Join(firstFew(full), "; "))
}

// Transfers lists all versions of a product's transfers, by rig and version.
func (l *Line) Transfers(ctx context.Context, product string) ([]store.TransferRow, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return nil, err
	}
	return l.db.Site(l.site).Transfers(ctx, setup.Code)
}

// TransferWords says in a clause what a version does, and from when on.
func TransferWords(r store.TransferRow, zone *time.Location) string {
	from := r.Begins.In(zone).Format("2006-01-02 15:04:05 MST")
	if !r.InForce {
		return fmt.Sprintf("withdrawn: %s is read as it is from %s on", rigName(r.Rig), from)
	}
	most := 0.0
	for _, d := range r.Curve {
		if d = math.Abs(d); d > most {
			most = d
		}
	}
	return fmt.Sprintf("%s is read as %s would from %s on, by %d units of study %s, corrected by up to %.2f dB", rigName(r.Rig), rigName(r.Reference), from, r.Units, r.Study, most)
}
