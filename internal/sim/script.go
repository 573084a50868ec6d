package sim

// Kinds of trouble, as they stand in Trouble.Kind.
const (
	KindPlateMissing = "plate-missing"
	KindSwapped      = "swapped"
	KindGlueGap      = "glue-gap"
	KindFoamDense    = "foam-dense"
	KindPadFold      = "pad-fold"
)

// Truth is what really happened, for tests: the tool has to find it out.
type Truth struct {
	Lots     []LotTruth // in order
	Troubles []Trouble  // in order of first unit
}

// A LotTruth says whether a lot as a whole went wrong. A good lot may hold
// single bad units.
type LotTruth struct {
	Lot   string
	Bad   bool
	Words string
}

// A Trouble is one thing that went wrong, on one unit or on a run of units.
type Trouble struct {
	Kind        string // one of the Kind constants
	Lot         string
	First, Last string // serials, both included
	Channel     string // left, right or both
	Words       string
	Action      string // what the workshop wrote down about it

	lot, first, last int // index of the lot; units counted from 0 through all lots
	channel          int // index in Channels, or -1 for both
}

// at returns the trouble of a kind that unit n has, or nil.
func (t Truth) at(kind string, n int) *Trouble {
	for i := range t.Troubles {
		if x := &t.Troubles[i]; x.Kind == kind && n >= x.first && n <= x.last {
			return x
		}
	}
	return nil
}

// Places of the troubles. The glue gap and the dense foam begin where a new
// batch of the parts ledger does.
var (
	plateAt  = mark{2, 0.3}
	swapAt   = mark{2, 0.7}
	gapFrom  = mark{3, 0.4}
	denseIn  = 4
	foldedAt = mark{5, 0.55}
)

// The glue gap in m, at its first and last unit.
const (
	gapFirst = 0.45e-3
	gapLast  = 0.7e-3
)

func (s *Story) script() Truth {
	var t Truth
	for lot, l := range []LotTruth{
		{"", false, "the baseline"},
		{"", false, "a new foam sheet and a second driver supplier, both as they should be"},
		{"", false, "two single units went wrong, the lot did not"},
		{"", true, "the left glue seam leaks from one unit on, more and more"},
		{"", true, "the foam sheet is too dense on every unit"},
		{"", false, "good again; one unit passed at its second attempt"},
	} {
		l.Lot = s.lotCode(lot)
		t.Lots = append(t.Lots, l)
	}
	one := func(m mark) (int, int) { n := s.number(m); return n, n }
	add := func(kind string, first, last, channel int, words, action string) {
		lot := first / s.Options.Units
		x := Trouble{
			Kind: kind, Lot: s.lotCode(lot), First: s.serial[first], Last: s.serial[last],
			Channel: "both", Words: words, Action: action,
			lot: lot, first: first, last: last, channel: channel,
		}
		if channel >= 0 {
			x.Channel = Channels[channel]
		}
		t.Troubles = append(t.Troubles, x)
	}
	first, last := one(plateAt)
	add(KindPlateMissing, first, last, left, "the left cup was closed without its tuning plate", "left cup opened, no tuning plate inside")
	first, last = one(swapAt)
	add(KindSwapped, first, last, -1, "left and right were exchanged at final assembly", "plug wires found exchanged")
	add(KindGlueGap, s.number(gapFrom), s.number(mark{4, 0})-1, left,
		"the left glue gun's nozzle wears: a gap between driver and baffle grows from 0.45 to 0.7 mm",
		"left glue gun: worn nozzle replaced, seam laid twice")
	add(KindFoamDense, s.number(mark{denseIn, 0}), s.number(mark{denseIn + 1, 0})-1, -1,
		"the new foam sheet has 1.8 times the flow resistance", "foam sheet FS-09 sent back")
	first, last = one(foldedAt)
	add(KindPadFold, first, last, left, "a fold in the left pad leaks at every seating", "fold in the left pad pressed out, pad fitted anew")
	return t
}

// changes returns what batches and troubles did to unit n.
func (s *Story) changes(n int) []Change {
	out := s.batches(n)
	if t := s.Truth.at(KindPlateMissing, n); t != nil {
		out = append(out, on(t.channel, Params.PlateMissing))
	}
	if t := s.Truth.at(KindGlueGap, n); t != nil {
		gap := gapFirst
		if t.last > t.first {
			gap += (gapLast - gapFirst) * float64(n-t.first) / float64(t.last-t.first)
		}
		out = append(out, on(t.channel, func(p Params) Params { return p.GlueGap(Slit{15e-3, gap, 3e-3}) }))
	}
	return out
}

// on returns a change of one channel only; channel -1 means both.
func on(channel int, change func(Params) Params) Change {
	return func(ch int, p Params) Params {
		if channel >= 0 && ch != channel {
			return p
		}
		return change(p)
	}
}

// fold returns the changes of a pad with a fold in it: a wide leak at every
// seating, never twice the same.
func fold(channel int) func(seating int) []Change {
	gaps := [Seatings]float64{1.5e-3, 1.2e-3, 1.7e-3}
	return func(seating int) []Change {
		slit := Slit{30e-3, gaps[(seating-1)%Seatings], 15e-3}
		return []Change{on(channel, func(p Params) Params { return p.PadLeak(slit) })}
	}
}
