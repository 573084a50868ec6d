package line

import (
	"strings"
	"testing"

	"alike/internal/store"
)

// A finding that may be chance is not told as a line that moved, and a sure one goes first.
func TestFindingThatMayBeChanceIsNoMovedLine(t *testing.T) {
	t.Parallel()
	finding := func(n int64, serial string, p float64) Finding {
		return Finding{Number: n, Kind: TheLine, FirstSerial: serial, Analysis: Analysis{Change: &Since{P: p, Confidence: 0.95}}}
	}
	perhaps, sure := finding(7, "G", 0.3), finding(1, "A", 0.005)
	for want, moved := range map[string][]Finding{
		"finding 7 yet: perhaps nothing, perhaps a change that begins, with signals first at G.": {perhaps},
		"finding 1 yet: the line moved, first seen at A.":                                        {perhaps, sure},
	} {
		p := ProductNow{Envelope: &store.EnvelopeRow{}, LimitSet: &store.LimitSetRow{}}
		p.judge(&Setup{}, []store.Watched{{Serial: "G", Verdict: "pass"}}, moved)
		if got := strings.Join(p.Reasons, " "); !strings.Contains(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
