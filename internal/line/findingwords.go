package line

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/spc/cause"
	"alike/spc/envelope"
)

// tellingP is the chance, of one factor alone, below which a coincidence is named.
const tellingP = 0.1

// likely returns the causes that explain enough and are not told from the best.
func (a *analysing) likely() (out []Cause) {
	for _, c := range a.out.Causes {
		if c.Likely && c.Behind < cause.Apart {
			out = append(out, c)
		}
	}
	return out
}

// fitted returns the likely causes that were fitted to the curves.
func (a *analysing) fitted() []Cause {
	return slices.DeleteFunc(a.likely(), func(c Cause) bool { return c.Units > 0 })
}

// telling returns the coincidences to name: two at most, that changed where the line did
// and are no likely chance.
func (a *analysing) telling() (out []Coincides) {
	for _, c := range a.out.Coincidences {
		if c.Within && c.P <= tellingP && len(out) < 2 {
			out = append(out, c)
		}
	}
	return out
}

// doubtful reports whether chance explains the change: a false alarm, or too few units yet.
func (a *analysing) doubtful() bool {
	return a.out.Change.doubtful()
}

func (c *Since) doubtful() bool { return c != nil && c.P > 1-c.Confidence }

// Perhaps reports whether a finding of the line may be chance.
func (f Finding) Perhaps() bool { return f.Kind == TheLine && f.Analysis.Change.doubtful() }

// serial names the unit of the first signal.
func (a *analysing) serial() string {
	if len(a.signals) > 0 {
		return a.signals[0].Serial
	}
	return ""
}

// sentence is what a technician reads.
func (a *analysing) sentence() string {
	if a.f.Kind == OneUnit {
		return a.sentenceOfUnit()
	}
	text := "Since " + a.serial()
	if c := a.out.Change; c != nil {
		if a.doubtful() {
			return fmt.Sprintf("Perhaps nothing: %s fired at %s, and the units around show no change that chance does not explain (p = %s). The next units tell.",
				a.b.title(a.out.Streams[0]), a.serial(), probability(c.P))
		}
		text = "Since " + c.Serial
		if c.First != c.Last {
			text += fmt.Sprintf(" (%.0f %% sure: %s to %s)", 100*c.Confidence, c.First, c.Last)
		}
	}
	text += " " + a.whatMoved() + "."
	if a.swapped() {
		return text + fmt.Sprintf(" On %d of %d units left looks like the usual right and right like the usual left: the channels are exchanged.", a.out.Swapped, a.out.After)
	}
	if w := a.out.Rig; w != nil && w.Word == InRig {
		return text + " " + w.Sentence + "."
	}
	text += a.looksLike() + a.coincides()
	if w := a.out.Rig; w != nil && w.Word == InProduct {
		text += " " + w.Sentence + "."
	}
	if a.out.Opposed > 0 {
		what := "left and right in opposite polarity"
		if a.reversed != "" {
			what = "the " + a.reversed + " channel reversed"
		}
		text += fmt.Sprintf(" By their phase, %d of %d units have %s.", a.out.Opposed, a.out.After, what)
	}
	return text
}

// whatMoved says which channels changed, where and by how much.
func (a *analysing) whatMoved() string {
	var parts []string
	for _, m := range a.out.Channels {
		if !m.Moved || m.Words == "" {
			continue
		}
		part := fmt.Sprintf("%s: %s (%s dB at %s)", m.Channel, m.Words, signed(m.Size), m.Worst)
		if c := a.out.Change; c != nil && (c.Shape == "drift" || c.Shape == "growth") {
			part += fmt.Sprintf(", growing, by now %s dB", signed(m.Latest[a.b.setup.bandNamed(m.Worst)]))
		}
		parts = append(parts, part)
	}
	if len(parts) == 0 {
		return "the line moved: " + a.b.title(a.out.Streams[0])
	}
	return strings.Join(parts, "; ")
}

func signed(db float64) string {
	if db < 0 {
		return "-" + envelope.Decibels(-db)
	}
	return "+" + envelope.Decibels(db)
}

func (s *Setup) bandNamed(name string) int {
	for i, b := range s.Band {
		if b.Name() == name {
			return i
		}
	}
	return 0
}

// looksLike names the likely causes, and what shape does not tell from them.
func (a *analysing) looksLike() string {
	likely := a.fitted()
	if len(likely) == 0 {
		if len(a.b.setup.Shapes) == 0 {
			return ""
		}
		return " It looks like none of the product's fault signatures."
	}
	var names []string
	named := map[string]bool{}
	for _, c := range likely {
		names = append(names, fmt.Sprintf("%s (%.0f %%)", c.Words, 100*c.Explained))
		named[c.Key] = true
	}
	text := " It looks like " + strings.Join(names, " or ")
	var also []string
	for _, key := range likely[0].Confused {
		for _, g := range a.b.setup.Shapes {
			if g.Key == key && !named[key] {
				also = append(also, g.Words)
			}
		}
	}
	if len(also) > 0 {
		text += "; these units do not tell it from: " + strings.Join(also, ", ")
	}
	return text + "."
}

func (a *analysing) coincides() string {
	var parts []string
	for _, c := range a.telling() {
		parts = append(parts, fmt.Sprintf("%s went from %s to %s at %s (p = %s, %s for %s)",
			c.Factor, c.From, c.To, c.Serial, probability(c.P), probability(c.Adjusted), number(len(a.out.Coincidences), "candidate")))
	}
	if len(parts) == 0 {
		return " Nothing in the parts ledger or the record changed where the line did."
	}
	return " It coincides: " + strings.Join(parts, "; ") + "."
}

func probability(p float64) string { return fmt.Sprintf("%.2g", math.Min(1, p)) }

// sentenceOfUnit says what is odd about a single unit.
func (a *analysing) sentenceOfUnit() string {
	text := a.serial() + " stands out alone"
	if len(a.signals) > 0 {
		worst := a.signals[0]
		for _, g := range a.signals {
			if math.Abs(float64(g.Z)) > math.Abs(float64(worst.Z)) {
				worst = g
			}
		}
		text += fmt.Sprintf(": %s is %+.1f sigmas from the centre", a.b.title(worst.Stream), worst.Z)
	}
	u := a.units[a.f.FirstPlace]
	if v, err := storedVerdictOf(u.Judgement); err == nil && v != nil && v.Word != envelope.Pass {
		text += fmt.Sprintf("; it was judged %s: %s", v.Word, strings.TrimSuffix(v.Sentence, "."))
	} else if likely := a.fitted(); len(likely) > 0 {
		text += fmt.Sprintf("; it passes, and looks like %s (%.0f %%)", likely[0].Words, 100*likely[0].Explained)
	} else {
		text += "; it passes"
	}
	if n := a.upTo - a.f.FirstPlace; n >= follow {
		return text + ". No unit after it shows the same: it says nothing about the line."
	} else if n > 0 {
		return text + fmt.Sprintf(". None of the %s after it shows the same so far.", number(int(n), "unit"))
	}
	return text + ". The next units tell whether it is alone."
}
