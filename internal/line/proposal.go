package line

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/envelope"
	"alike/spc/sample"
)

// Words of a proposal for a lot. The program proposes; a person decides.
const (
	Accept      = "accept"
	Refuse      = "refuse"
	NotComplete = "not complete"
)

// counts fills the numbers of the summary.
func (g *gathering) counts(ctx context.Context, s store.Site) error {
	c := &g.out.Counts
	c.Units = len(g.out.Units)
	for _, u := range g.out.Units {
		switch u.Last {
		case string(envelope.Pass):
			c.Pass++
		case string(envelope.Fail):
			c.Fail++
		case string(envelope.Doubtful):
			c.Doubtful++
		case string(envelope.Reseat):
			c.Reseat++
		case string(envelope.Hold):
			c.Hold++
		default:
			c.Waiting++
		}
		if u.First == string(envelope.Pass) {
			c.FirstPass++
		}
		if u.Attempts > 1 {
			c.Retested++
		}
		for _, a := range g.attempts[u.Serial] {
			if a.Verdict != nil {
				c.Attempts++
			}
		}
	}
	c.Refused = len(g.refused)
	var err error
	c.Takes, err = s.CountTakes(ctx, g.lot.Lot)
	judged := c.Units - waitingFirst(g.out.Units)
	g.out.Yield = []reports.Yield{
		yield("first-pass yield", c.FirstPass, judged),
		yield("final yield", c.Pass, judged),
	}
	return err
}

func waitingFirst(units []reports.UnitRow) (n int) {
	for _, u := range units {
		if u.First == Waiting || u.First == string(envelope.Hold) {
			n++
		}
	}
	return n
}

func yield(name string, good, of int) reports.Yield {
	y := reports.Yield{Name: name, Good: good, Of: of, Confidence: 0.95, Share: math.NaN(), Low: math.NaN(), High: math.NaN()}
	if share, low, high, err := sample.Share(good, of, y.Confidence); err == nil {
		y.Share, y.Low, y.High = share, low, high
	}
	return y
}

// proposal weighs the lot: first whether it can be judged at all, then its yield,
// then whether the line moved under it. What people did about findings is not weighed
// here: the units are as they were built, and a decided lot's proposal stays.
func (g *gathering) proposal() reports.Proposal {
	c := g.out.Counts
	p := reports.Proposal{Word: Accept}
	say := func(reason string, args ...any) { p.Reasons = append(p.Reasons, fmt.Sprintf(reason, args...)) }
	against := func(word, reason string, args ...any) {
		if p.Word != Refuse {
			p.Word = word
		}
		say(reason, args...)
	}
	if c.Units == 0 {
		against(NotComplete, "No unit of the lot has been measured.")
	}
	first := g.out.Yield[0]
	if first.Of > 0 && first.Share < g.setup.FirstPassYield {
		against(Refuse, "First-pass yield is %.0f %%, below the %.0f %% that the product asks for.", 100*first.Share, 100*g.setup.FirstPassYield)
	}
	m := g.moved()
	if m.line {
		against(Refuse, "%s", m.sentence())
	}
	if n := c.Waiting; n > 0 {
		against(NotComplete, "%s not judged because takes are missing.", isAre(n))
	}
	if n := c.Reseat; n > 0 {
		against(NotComplete, "%s not judged yet (reseat): measure again.", isAre(n))
	}
	if n := c.Hold; n > 0 {
		against(NotComplete, "%s on hold because the rig was not trusted: check it with a reference unit, or release them with a reason.", isAre(n))
	}
	if p.Accept = p.Word == Accept; p.Accept {
		say("%d of %d units pass; first-pass yield is %.0f %%.", c.Pass, c.Units, 100*first.Share)
	}
	if p.Word == Refuse {
		say("The lot is not good to ship as it is: sort it, rework it, or reject it.")
	}
	if out := g.notPassed(); len(out) > 0 {
		say("%s not good to ship: %s.", isAre(len(out)), strings.Join(out, ", "))
	}
	if late := g.late(); len(late) > 0 {
		say("Passed only when measured again: %s.", strings.Join(late, ", "))
	}
	if !g.watched && (len(g.first) > 0 || c.Units == 0) { // units that wait are on no chart yet
		say("%s", g.learntSentence())
	}
	if len(m.units) > 0 && !m.line {
		say("Chart signals at %s: %s. Look at %s.", number(len(m.units), "unit")+" that passed", strings.Join(m.units, ", "), map[bool]string{true: "it", false: "them"}[len(m.units) == 1])
	}
	for _, t := range g.touching {
		if t.kind == TheLine {
			say("%s", t.sentence(g.out.Counts.Units))
		}
	}
	return p
}

func isAre(n int) string {
	if n == 1 {
		return "1 unit is"
	}
	return fmt.Sprintf("%d units are", n)
}

// learntSentence says what the charts saw while limits were still being learnt.
func (g *gathering) learntSentence() string {
	if g.learner == nil {
		return "No limit set was in force yet: drift was not watched."
	}
	text := fmt.Sprintf("No limit set was in force yet: limits were still being learnt (%s by the end of the lot)", number(len(g.learner.learner.learnt), "unit"))
	var units []string
	for _, sig := range g.signals {
		if sig.LimitSet == 0 && (len(units) == 0 || units[len(units)-1] != sig.Serial) {
			units = append(units, sig.Serial)
		}
	}
	if len(units) == 0 {
		return text + ", and the charts that learn saw nothing; a small drift may hide from them."
	}
	return fmt.Sprintf("%s, and the charts that learn gave signals at %s.", text, strings.Join(firstFew(units), ", "))
}

// notPassed lists the units whose last verdict is fail or doubtful, with where: inside
// the guard band a unit is not accepted either.
func (g *gathering) notPassed() []string {
	var out []string
	for _, u := range g.out.Units {
		if u.Last != string(envelope.Fail) && u.Last != string(envelope.Doubtful) {
			continue
		}
		why := u.Last
		if u.Worst != "" {
			why += ", " + u.Worst
		}
		out = append(out, fmt.Sprintf("%s (%s)", u.Serial, why))
	}
	return firstFew(out)
}

// firstFew shortens a list for a sentence.
func firstFew(list []string) []string {
	if n := len(list); n > mostNamed {
		return append(list[:mostNamed:mostNamed], fmt.Sprintf("and %d more", n-mostNamed))
	}
	return list
}

// method says how the numbers were made.
func (g *gathering) method() {
	add := func(name, format string, args ...any) {
		g.out.Method.Lines = append(g.out.Method.Lines, reports.Fact{Name: name, Value: fmt.Sprintf(format, args...)})
	}
	s := g.setup
	add("Data hash", "%x (SHA-256 over content hash, serial, attempt, channel and seating of every take, and the versions below)", g.hash())
	add("Product", "%s (%s), code %s", s.Name, revision(s.Revision), s.Code)
	add("Bands", "1/%d octave, IEC 61260-1 base ten, %s to %s Hz; mean power over log-frequency, exact for a curve that is straight between its points", s.Fraction, s.Band[0].Label(), s.Band[len(s.Band)-1].Label())
	add("Target", "%s, by the same band rule", targetText(s.Product.Target))
	add("Anchor", "mean deviation of the bands from %g to %g Hz is set to zero; sensitivity and balance are judged unanchored", s.Anchor.From, s.Anchor.To)
	add("Seatings", "%d per channel, arithmetic mean in dB of all of them%s", s.Seatings, g.seating)
	add("Envelope", "version %d of %s by %s: %s", g.env.Version, g.env.CreatedAt.In(g.zone).Format("2006-01-02 15:04 -07:00"), g.env.Author, g.env.Reason)
	if g.learner != nil {
		k := g.learner.learner
		add("Limits learnt", "no limit set was in force: each stream was held against mean and sigma of the units before it, from the third unit on (self-starting scores after Hawkins and Quesenberry, independent standard normal while nothing changes), by one score beyond %.1f and by sums of scores that go out at %.1f (slack %.2f, a score counts %.0f at most); limits of the bass and of roughness are %.0f %% wider, for they are skew; all of it cries wolf at most once in %d units, whatever the streams have to do with each other; units that did not pass, or show a change, are not learnt; learnt by the end of the lot: %s",
			k.limits.beyond, k.limits.sum, learnSlack, learnScore, 100*(learnLean-1), s.FalseAlarms, number(len(k.learnt), "unit"))
	}
	if b := g.board; b.learning() {
		add("Chart order", "first attempts on a trusted rig, in the order in which they were completed")
	} else if b != nil {
		add("Limit set", "version %d of %s by %s: %s", b.set.Version, b.set.CreatedAt.In(g.zone).Format("2006-01-02 15:04 -07:00"), b.set.Author, b.set.Reason)
		add("Baseline", "%d units, %s to %s; sigma is the mean moving range over 2/√π", len(b.set.Baseline), b.set.Baseline[0], b.set.Baseline[len(b.set.Baseline)-1])
		add("False-alarm budget", "all rules on all charts together: first false alarm after %d units on average while the process stands still%s", b.set.Every, budgetText(b.set))
		for _, r := range b.rules {
			add("Rule "+string(r.Key), "%s", r.Text())
		}
		if t := b.together; t != nil {
			add("Rule "+string(Together), "the average of all %d streams at once (weight %g of the newest unit, correlation shrunk by %.2f, each unit by its direction and at most its usual length) over what chance gives it is above %.2f; inside the budget, where %.0f %% of first false alarms are its", t.Streams, t.Lambda, t.Shrinkage, t.limit, 100*t.share)
		}
		add("Findings", "signals that one change explains are one finding; its change point is fitted jointly on the streams with signals (95 %% set by permutation), its size is unanchored, what coincides is ranked by rotations of the labels with Holm, signatures are fitted by least squares with amounts that are not negative, and ranked with the covariance of all bands of the channels that moved")
		add("Chart order", "first attempts on a trusted rig, in the order in which they were completed")
	} else {
		add("Limit set", "none in force: the charts were not read")
	}
	for _, text := range g.rigs {
		add("Rig check", "%s", text)
	}
	add("First-pass yield", "decided by the first attempt for ever, one on hold aside; interval after Clopper and Pearson")
	add("Lot proposal", "refused when first-pass yield is below %.0f %%, when %d units or more that passed carry chart signals of their own or show the change of a finding of the line, or when the lot as a whole shows such a change", 100*s.FirstPassYield, movedUnits)
	add("Takes", "%d stored, %d files or takes of this lot refused", g.out.Counts.Takes, g.out.Counts.Refused)
	for _, q := range g.refused {
		g.out.Method.Refused = append(g.out.Method.Refused, reports.Refused{
			Source: q.Source, Line: q.Line, Field: q.Field, Reason: q.Reason, Remedy: q.Remedy, At: q.ReceivedAt.In(g.zone),
		})
	}
}

// budgetText says what the calibration of a limit set found.
func budgetText(set store.LimitSetRow) string {
	var b Budget
	if json.Unmarshal(set.Budget, &b) != nil || b.Mean == 0 {
		return ""
	}
	return fmt.Sprintf("; simulated %.0f (standard error %.0f) for baselines of %d units; half of such boards go longer than %.0f units, one in ten not longer than %.0f",
		b.Mean, b.SE, len(set.Baseline), b.Median, b.Tenth)
}

// hash covers the lot's data and what they were judged by.
func (g *gathering) hash() []byte {
	h := sha256.New()
	for _, t := range g.digest {
		fmt.Fprintf(h, "%x %q %d %q %d\n", t.ContentHash, t.Serial, t.Number, t.Channel, t.Seating)
	}
	fmt.Fprintf(h, "product %s envelope %d limit set %d\n", g.setup.Code, g.env.Version, g.board.version())
	return h.Sum(nil)
}

func targetText(t Target) string {
	text := "flat"
	if n := len(t.Points); n > 0 {
		text = fmt.Sprintf("curve of %d points", n)
	}
	if t.Tilt != nil && t.Tilt.DB != 0 {
		text += fmt.Sprintf(", plus %+g dB from %g to %g Hz straight over log-frequency", t.Tilt.DB, t.Tilt.From, t.Tilt.To)
	}
	return text
}

// storedVerdict reads the verdict of an attempt, nil while it has none.
func storedVerdict(a store.AttemptRow) (*Verdict, error) {
	v, err := storedVerdictOf(a.Judgement)
	if err != nil {
		return nil, fmt.Errorf("stored judgement of %s, attempt %d: %w", a.Serial, a.Number, err)
	}
	return v, nil
}

func storedVerdictOf(judgement json.RawMessage) (*Verdict, error) {
	if judgement == nil {
		return nil, nil
	}
	v := new(Verdict)
	return v, json.Unmarshal(judgement, v)
}

func versionText(v int) string {
	if v == 0 {
		return "limits still being learnt"
	}
	return fmt.Sprintf("limit set %d", v)
}
