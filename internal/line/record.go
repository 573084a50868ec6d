package line

import (
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/capability"
	"alike/spc/envelope"
)

// loadLife reads the lot's steps and overrides, and pins the report of a decided lot to
// what was known then.
func (g *gathering) loadLife(ctx context.Context, s store.Site) (err error) {
	if g.steps, err = s.LotSteps(ctx, g.lot.Lot); err != nil {
		return err
	}
	if n := len(g.steps); g.pin == nil && n > 0 && g.steps[n-1].State == LotDecided {
		g.pin = &pin{limitSet: g.steps[n-1].LimitSet, at: g.steps[n-1].At}
	}
	g.over, err = s.OverridesOfLot(ctx, g.lot.Lot)
	return err
}

// newest is the newest limit set that the report may use.
func (g *gathering) newest() int {
	if g.pin == nil {
		return math.MaxInt32
	}
	return g.pin.limitSet
}

// until is the time up to which the report may know of things.
func (g *gathering) until() time.Time {
	if g.pin == nil {
		return forever
	}
	return g.pin.at
}

// cut leaves out what came after the decision.
func (g *gathering) cut() {
	if g.pin == nil {
		return
	}
	g.signals = slices.DeleteFunc(g.signals, func(r store.SignalRow) bool { return r.LimitSet > g.pin.limitSet })
	g.refused = slices.DeleteFunc(g.refused, func(r store.QuarantineRow) bool { return r.ReceivedAt.After(g.pin.at) })
}

// attemptRows lists every visit to the rig, in the units' order.
func (g *gathering) attemptRows() {
	envelopes, limits := map[int]bool{}, map[int]bool{}
	for _, u := range g.units {
		attempts := g.attempts[u.Serial]
		for _, a := range attempts {
			row := reports.AttemptRow{
				Serial: a.Serial, Number: a.Number, Of: len(attempts), Verdict: word(a), Stands: g.standing(a),
				Override: g.overrideText(a.Serial, a.Number), Reason: a.Reason, MeasuredAt: a.MeasuredAt.In(g.zone), Station: a.Station, Operator: a.Operator,
			}
			if v, err := storedVerdict(a); err == nil && v != nil {
				row.Sentence = v.Sentence
			}
			if a.Envelope != nil {
				row.Envelope, envelopes[*a.Envelope] = *a.Envelope, true
			}
			if a.LimitSet != nil {
				row.LimitSet, limits[*a.LimitSet] = *a.LimitSet, true
			}
			g.out.Attempts = append(g.out.Attempts, row)
		}
	}
	g.out.Envelopes, g.out.LimitSets = sorted(envelopes), sorted(limits)
}

func sorted(set map[int]bool) []int {
	out := []int{}
	for v := range set {
		out = append(out, v)
	}
	slices.Sort(out)
	return out
}

// afterRetests tells beside the verdict of a unit that was measured more than once, or
// whose verdict a person set aside, how it came about.
func (g *gathering) afterRetests(attempts []store.AttemptRow) string {
	text := ""
	n := len(attempts)
	if over := g.overrideText(attempts[n-1].Serial, n); over != "" {
		text = over + "; measured: "
	}
	if n == 1 {
		return text
	}
	var before []string
	for _, a := range attempts[:n-1] {
		before = append(before, g.standing(a))
	}
	return fmt.Sprintf("attempt %d, after %s; %s", n, strings.Join(before, ", "), text)
}

// late names the units that passed at a later attempt than the first.
func (g *gathering) late() []string {
	var out []string
	for _, u := range g.out.Units {
		if u.Attempts > 1 && u.Last == string(envelope.Pass) {
			out = append(out, fmt.Sprintf("%s at attempt %d", u.Serial, u.Attempts))
		}
	}
	return out
}

// record fills what a decision rests on beside units and charts.
func (g *gathering) record(ctx context.Context, s store.Site) error {
	if err := g.sampling(ctx, s); err != nil {
		return err
	}
	g.capability()
	return g.missingParts(ctx, s)
}

// capabilityConfidence is that of the lower bounds and intervals of capability.
const capabilityConfidence = 0.95

// capability relates the first attempts' values of every limited stream to its limits.
// Fewer than ten values tell too little to be shown.
func (g *gathering) capability() {
	rows := make([]*reports.CapabilityRow, len(g.setup.StreamList))
	var wait sync.WaitGroup
	turns := make(chan struct{}, runtime.GOMAXPROCS(0)) // a page waits for a hundred streams
	for i := range rows {
		turns <- struct{}{}
		wait.Go(func() {
			rows[i] = g.capabilityOf(i)
			<-turns
		})
	}
	wait.Wait()
	for _, r := range rows {
		if r != nil {
			g.out.Capability = append(g.out.Capability, *r)
		}
	}
	slices.SortStableFunc(g.out.Capability, func(a, b reports.CapabilityRow) int { return cmpFloat(a.AtLeast, b.AtLeast) })
}

// capabilityOf studies one stream, nil where there is nothing to relate.
func (g *gathering) capabilityOf(i int) *reports.CapabilityRow {
	const fewest = 10
	st := g.setup.StreamList[i]
	lower, upper := g.limitsOf(st)
	if math.IsNaN(lower) && math.IsNaN(upper) {
		return nil
	}
	var xs []float64
	for _, r := range g.first {
		if x := float64(r.Streams[i]); !math.IsNaN(x) {
			xs = append(xs, x)
		}
	}
	if len(xs) < fewest {
		return nil
	}
	r, err := capability.Study(xs, capability.Spec{Lower: known(lower), Upper: known(upper)}, capability.Options{Confidence: capabilityConfidence, Bare: true})
	if err != nil { // no spread at all
		return nil
	}
	row := &reports.CapabilityRow{Stream: st.Title, Unit: st.Unit, N: r.N, Mean: r.Mean, SD: r.SD, Lower: lower, Upper: upper,
		Ppk: r.Ppk.Value, Low: r.Ppk.Low, High: r.Ppk.High, AtLeast: r.AtLeast, Confidence: r.Confidence, NormalP: math.NaN(), Warnings: strings.Join(r.Warnings, " "),
		Group: st.Group(), Hz: st.Hz}
	if r.Normality != nil {
		row.NormalP = r.Normality.P
	}
	return row
}

func known(x float64) *float64 {
	if math.IsNaN(x) {
		return nil
	}
	return &x
}

// limitsOf returns the envelope's limits of a stream, NaN for none.
func (g *gathering) limitsOf(st Stream) (lower, upper float64) {
	nan := math.NaN()
	switch l := g.limits; {
	case st.Quantity == envelope.Deviation:
		return l.Lower[st.Band], l.Upper[st.Band]
	case st.Quantity == envelope.Balance && st.Band >= 0:
		return -l.Balance[st.Band], l.Balance[st.Band]
	case st.Quantity == envelope.Sensitivity && l.Sensitivity != nil:
		return l.Sensitivity.Lower, l.Sensitivity.Upper
	case st.Quantity == envelope.Roughness && l.Roughness > 0:
		return nan, l.Roughness
	}
	return nan, nan
}

// missingParts says for which units of the lot the ledger names no batch of a part that
// it names for other units of the product.
func (g *gathering) missingParts(ctx context.Context, s store.Site) error {
	rows, err := s.UnitsWithoutPart(ctx, g.lot.Lot, g.until()) // parts named later are no gap of a lot decided before
	if err != nil {
		return err
	}
	for _, r := range rows {
		part := r.Kind
		if r.Channel != "" {
			part += " " + r.Channel
		}
		units := fmt.Sprintf("%d units, %s to %s", r.Units, r.FirstSerial, r.LastSerial)
		if r.Units == 1 {
			units = "unit " + r.FirstSerial
		}
		g.out.MissingParts = append(g.out.MissingParts, fmt.Sprintf("The parts ledger names no %s for %s.", part, units))
	}
	return nil
}

// life tells where the lot stands, what speaks against deciding it, whether the newest
// decision is still one on these data, and what the journal says about it.
func (g *gathering) life(ctx context.Context, s store.Site) error {
	life := &g.out.Life
	life.State = LotOpen
	for _, p := range g.steps {
		life.State = p.State
		life.Steps = append(life.Steps, reports.LotStep{State: p.State, Outcome: p.Outcome, Reason: p.Reason, Who: p.Actor, From: p.Origin, At: p.At.In(g.zone)})
	}
	life.NotReady, life.Questions = g.notReady(), g.questions()
	if err := g.signature(ctx, s); err != nil {
		return err
	}
	return g.journalRows(ctx, s)
}

// notReady lists in sentences what speaks against deciding the lot.
func (g *gathering) notReady() []string {
	var out []string
	add := func(text string, args ...any) { out = append(out, fmt.Sprintf(text, args...)) }
	if g.out.Life.State == LotOpen {
		add("The lot is still open for measuring.")
	}
	if g.out.Counts.Units == 0 {
		add("No unit of the lot has been measured.")
	}
	for _, w := range []struct{ word, text string }{
		{Waiting, "Takes are missing of"}, {string(envelope.Hold), "On hold, since the rig is not trusted:"}, {string(envelope.Reseat), "To be seated and measured again:"},
	} {
		if units := g.with(w.word); len(units) > 0 {
			add("%s %s.", w.text, strings.Join(units, ", "))
		}
	}
	for _, o := range slices.Concat(g.pendingOverrides(), g.openFindings()) {
		add("%s", o)
	}
	if g.out.Sampling.Result == NotComplete && g.out.Sampling.Method == "plan" {
		add("%s", SamplingText(g.out.Sampling))
	}
	return append(out, g.out.MissingParts...)
}

// with names the units with a last verdict, the first few.
func (g *gathering) with(word string) []string {
	var out []string
	for _, u := range g.out.Units {
		if u.Last == word {
			out = append(out, u.Serial)
		}
	}
	if n := len(out); n > mostNamed {
		out = append(out[:mostNamed], fmt.Sprintf("and %d more", n-mostNamed))
	}
	return out
}

// pendingOverrides names the attempts whose newest override waits for a second person.
func (g *gathering) pendingOverrides() []string {
	var out []string
	for i, o := range g.over {
		last := i+1 == len(g.over) || g.over[i+1].Serial != o.Serial || g.over[i+1].Number != o.Number
		if last && !o.InForce {
			out = append(out, fmt.Sprintf("A second person has to agree that unit %s, attempt %d, is %s.", o.Serial, o.Number, o.Verdict))
		}
	}
	return out
}

// mostChanges is how many differences from what was signed are listed of each section.
const mostChanges = 2

// signature holds the newest decision against the report's data as they are.
func (g *gathering) signature(ctx context.Context, s store.Site) error {
	at := slices.IndexFunc(g.reversed(), func(p store.LotStep) bool { return p.State == LotDecided })
	if at < 0 {
		return nil
	}
	p := g.reversed()[at]
	data, err := g.out.Data()
	if err != nil {
		return err
	}
	sig := &reports.Signature{
		Who: p.Actor, At: p.At.In(g.zone), Outcome: p.Outcome, Reason: p.Reason, DataHash: hex.EncodeToString(p.DataHash),
		Sum: hex.EncodeToString(p.Signature), Sound: slices.Equal(signature(g.line.site, p), p.Signature),
		Present: hex.EncodeToString(reports.Hash(data)), InForce: at == 0,
	}
	g.out.Life.Signature = sig
	sig.Matches = sig.Present == sig.DataHash
	if sig.Matches {
		return nil
	}
	basis, err := s.LotBasis(ctx, p.Lot, p.Step)
	if err != nil {
		return err
	}
	if hex.EncodeToString(reports.Hash([]byte(basis))) != sig.DataHash {
		sig.Sound = false
	}
	if sig.Changes, err = reports.Differences([]byte(basis), data, mostChanges); err != nil {
		sig.Sound, sig.Changes = false, []string{err.Error()}
	}
	sig.Matches = sig.Sound && len(sig.Changes) == 0 // a newer program says more about the same data
	return nil
}

// SignatureText says in sentences whether a decision still stands on the report's data.
func SignatureText(s reports.Signature) []string {
	out := []string{fmt.Sprintf("%s by %s on %s: %s", s.Outcome, s.Who, s.At.Format("2006-01-02 15:04 -07:00"), s.Reason),
		"Data hash " + s.DataHash + ", signature " + s.Sum + "."}
	switch {
	case !s.Sound:
		out = append(out, "The stored decision is not the one that was signed: somebody altered it.")
	case !s.Matches:
		out = append(out, "The signature does not match any more: the data hash is now "+s.Present+". Changed since: "+strings.Join(s.Changes, "; ")+".")
	default:
		out = append(out, "The data are those that were signed.")
	}
	if !s.InForce {
		out = append(out, "The lot was re-opened since: the decision is not in force.")
	}
	return out
}

func (g *gathering) reversed() []store.LotStep {
	out := slices.Clone(g.steps)
	slices.Reverse(out)
	return out
}

// journalRows lists the journal's entries about the lot and its units; those of a
// decided lot end with the decision.
func (g *gathering) journalRows(ctx context.Context, s store.Site) error {
	entries, err := s.JournalOfLot(ctx, g.lot.Lot, math.MaxInt64)
	if err != nil {
		return err
	}
	head, err := s.Head(ctx)
	if err != nil {
		return err
	}
	g.out.JournalHead = head.String()
	if g.out.Life.State == LotDecided {
		for i := len(entries) - 1; i >= 0; i-- {
			if entries[i].Subject == g.lot.Lot && entries[i].Action == "decide lot" {
				entries = entries[:i+1]
				break
			}
		}
	}
	for _, e := range entries {
		g.out.Journal = append(g.out.Journal, reports.JournalRow{
			Entry: e.Entry, At: e.At.In(g.zone), Who: e.Actor, From: e.Origin, Deed: e.Action, About: e.Subject, Why: e.Reason, Detail: string(e.Detail),
		})
	}
	return nil
}
