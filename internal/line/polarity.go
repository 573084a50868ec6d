package line

import (
	"context"
	"errors"

	"alike/internal/store"
	"alike/spc/band"
	"alike/spc/envelope"
)

// phaseUnits is how many units of the baseline say what the usual phase is, at most.
const phaseUnits = 3

// polarity compares the phases of left and right at the first seating. The result is
// "same", "opposed", or empty when they cannot tell. Of an opposed pair the phases of the
// baseline say which channel is the reversed one, where they are stored.
func (v *visit) polarity(ctx context.Context, s store.Site, takes []store.TakeRow, b *board) (word, reversed string, err error) {
	if !v.setup.pair() {
		return "", "", nil
	}
	two, err := v.setup.firstSeating(ctx, s, takes)
	if err != nil {
		return "", "", err
	}
	if word = v.setup.polarity(two[0], two[1]); word != "opposed" || b == nil {
		return word, "", nil
	}
	reversed, err = v.setup.reversed(ctx, s, two, b.set.Baseline)
	return word, reversed, err
}

// firstSeating reads the curves of both channels at the first seating; one that is not
// there is empty.
func (s *Setup) firstSeating(ctx context.Context, q store.Site, takes []store.TakeRow) (two [2]band.Curve, err error) {
	for _, t := range takes {
		for i, c := range s.Channels {
			if t.Channel != c || t.Seating != 1 {
				continue
			}
			row, err := q.Curve(ctx, t.Take)
			if err != nil {
				return two, err
			}
			if two[i], err = unpack(row); err != nil {
				return two, err
			}
		}
	}
	return two, nil
}

// reversed returns the channel of an opposed pair whose phase is opposed to that of the
// baseline while the other's is not; empty when the baseline's phases cannot tell.
func (s *Setup) reversed(ctx context.Context, q store.Site, two [2]band.Curve, baseline []string) (string, error) {
	told := ""
	seen := 0
	for _, serial := range baseline {
		if seen == phaseUnits {
			break
		}
		attempts, err := q.Attempts(ctx, serial)
		if errors.Is(err, store.ErrNotFound) || err == nil && len(attempts) == 0 {
			continue
		} else if err != nil {
			return "", err
		}
		takes, err := q.Takes(ctx, attempts[0].Attempt)
		if err != nil {
			return "", err
		}
		usual, err := s.firstSeating(ctx, q, takes)
		if err != nil {
			return "", err
		}
		seen++
		left, right := s.polarity(two[0], usual[0]), s.polarity(two[1], usual[1])
		which := ""
		switch {
		case left == "opposed" && right == "same":
			which = s.Channels[0]
		case left == "same" && right == "opposed":
			which = s.Channels[1]
		default:
			return "", nil
		}
		if told != "" && told != which {
			return "", nil
		}
		told = which
	}
	return told, nil
}

// polarity compares the phases of two curves over the bands in which the channels of a
// pair go together.
func (s *Setup) polarity(left, right band.Curve) string {
	if len(left.Hz) != len(right.Hz) || len(left.Hz) == 0 || left.Hz[0] != right.Hz[0] {
		return ""
	}
	switch opposed, ok := envelope.Opposed(left.Hz, left.Phase, right.Phase, s.Anchor.From/2, s.Anchor.To); {
	case !ok:
		return ""
	case opposed:
		return "opposed"
	}
	return "same"
}

// opposedText is the sentence of a verdict about an opposed pair.
func opposedText(reversed string) string {
	if reversed == "" {
		return "left and right are of opposite polarity: check the wiring of one driver"
	}
	return "by its phase the " + reversed + " channel is reversed: check the wiring of its driver"
}
