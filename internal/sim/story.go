package sim

import (
	"fmt"
	"iter"
	"math"
	"time"

	"alike/internal/curve"
)

// The workshop.
const (
	SiteCode = "tarnbeck"
	SiteName = "Tarnbeck Workshop"
	Station  = "rig-1"
	Seatings = 3
	Weeks    = 6
)

// Operators by turns: each has the rig for a day.
var Operators = []string{"Jorun", "Pelle", "Savka"}

// Options of a story.
type Options struct {
	Seed uint64

	// Units per lot, from LeastUnits to MostUnits; 0 for 40.
	Units int

	// Start lies in the first week, and its zone is the workshop's; the zero
	// Start is Monday 2026-09-07 at UTC+1.
	Start time.Time

	// Drifts of the rig; none unless given.
	Drifts []Drift
}

// Limits of Options.Units: below, a trouble would have no units before it; above,
// the rig would be needed for more than a working week.
const (
	LeastUnits = 12
	MostUnits  = 300
)

// A Story is six weekly lots of the workshop, in order of time.
type Story struct {
	Options Options // as given, with the defaults filled in
	Product *Product
	Lots    []Lot
	Parts   []Part
	Truth   Truth

	monday time.Time // first day, 00:00
	serial []string
	units  []*Unit // by number from 0, as serial
}

// A Lot is one week's units.
type Lot struct {
	Code     string // ISO 8601 week, such as 2026-W37
	Serials  []string
	Attempts []Attempt // in order of time
}

// An Attempt is one visit of a unit to the rig: both channels at all seatings.
type Attempt struct {
	Unit   *Unit
	Serial string

	Number   int // from 1
	Operator string
	At       time.Time // of the first take
	Reason   string    // of an attempt after the first

	seat func(seating int) []Change // may be nil
}

// New tells the story of its options.
func New(o Options) (*Story, error) {
	if o.Units == 0 {
		o.Units = 40
	}
	if o.Units < LeastUnits || o.Units > MostUnits {
		return nil, fmt.Errorf("units per lot %d is not from %d to %d", o.Units, LeastUnits, MostUnits)
	}
	if o.Start.IsZero() {
		o.Start = time.Date(2026, 9, 7, 0, 0, 0, 0, time.FixedZone("UTC+1", 3600))
	}
	if y := o.Start.Year(); y < 1 || y > 9998 {
		return nil, fmt.Errorf("start year %d is not from 1 to 9998", y)
	}
	for _, d := range o.Drifts {
		if err := d.check(); err != nil {
			return nil, err
		}
	}
	s := &Story{Options: o, Product: TB40()}
	back := (int(o.Start.Weekday()) + 6) % 7
	y, m, d := o.Start.Date()
	s.monday = time.Date(y, m, d-back, 0, 0, 0, 0, o.Start.Location())
	for n := range Weeks * o.Units {
		s.serial = append(s.serial, Serial(n+1))
	}
	s.Parts = s.ledger()
	s.Truth = s.script()
	s.build()
	return s, nil
}

// Monday is the first day of the story, at midnight in its zone.
func (s *Story) Monday() time.Time { return s.monday }

// A mark is a place in the story: a lot from 0, and the share of its units that
// came before.
type mark struct {
	lot   int
	share float64
}

// number returns the mark's unit, counted from 0 through all lots.
func (s *Story) number(m mark) int {
	return m.lot*s.Options.Units + int(m.share*float64(s.Options.Units))
}

// build draws all units and sets their visits to the rig.
func (s *Story) build() {
	per := s.Options.Units
	for lot := range Weeks {
		code := s.lotCode(lot)
		l := Lot{Code: code, Serials: s.serial[lot*per : (lot+1)*per]}
		for i := range per {
			n := lot*per + i
			u := s.Product.Draw(Key{s.Options.Seed, lot, i}, s.changes(n)...)
			u.Swapped = s.Truth.at(KindSwapped, n) != nil
			s.units = append(s.units, u)
			l.Attempts = append(l.Attempts, s.visit(n))
		}
		s.Lots = append(s.Lots, l)
	}
	s.retest()
}

// visit returns the first attempt of unit n.
func (s *Story) visit(n int) Attempt {
	lot, i := n/s.Options.Units, n%s.Options.Units
	at, day := s.clock(lot, i)
	a := Attempt{
		Unit: s.units[n], Serial: s.serial[n], Number: 1,
		At: at, Operator: Operators[(lot*5+day)%len(Operators)],
	}
	if t := s.Truth.at(KindPadFold, n); t != nil {
		a.seat = fold(t.channel)
	}
	return a
}

// clock returns when unit i of a lot comes to the rig, and on which day of the
// week from 0. The rig is in use for 7¾ hours a day with a break at noon; units
// come at an uneven pace, but never in another order.
func (s *Story) clock(lot, i int) (at time.Time, day int) {
	const morning, noon, open = 8 * 60, 12 * 60, 7.75 * 60
	const pause = 45
	k := Key{s.Options.Seed, lot, i}
	x := (float64(i) + 0.2 + 0.6*k.stream(streamClock).Float64()) / float64(s.Options.Units) * 5
	day = int(x)
	minutes := morning + (x-math.Floor(x))*open
	if minutes >= noon {
		minutes += pause
	}
	y, m, d := s.monday.Date()
	seconds := int(minutes * 60)
	return time.Date(y, m, d+7*lot+day, 0, 0, seconds, 0, s.monday.Location()), day
}

// retest sends the unit with the folded pad to the rig again, as soon as the
// rig is free after the next units.
func (s *Story) retest() {
	for _, t := range s.Truth.Troubles {
		if t.Kind != KindPadFold {
			continue
		}
		lot, i := t.first/s.Options.Units, t.first%s.Options.Units
		l := &s.Lots[lot]
		after := i + 1 + s.Options.Units/40
		again := l.Attempts[i]
		again.Number, again.Reason, again.seat = 2, t.Action, nil
		again.Operator = l.Attempts[after].Operator
		again.At = l.Attempts[after].At.Add(visitTime)
		l.Attempts = append(l.Attempts[:after+1], append([]Attempt{again}, l.Attempts[after+1:]...)...)
	}
}

// Pace at the rig: a seating takes 25 s, its two channels one after the other.
const (
	seatTime    = 25 * time.Second
	channelTime = 9 * time.Second
	visitTime   = Seatings*seatTime + 5*time.Second
)

// Takes returns all takes of the story in order of time. Each is measured when
// it is asked for, the same every time. Takes share the slice of frequencies.
func (s *Story) Takes() iter.Seq[curve.Take] {
	return func(yield func(curve.Take) bool) {
		for lot := range s.Lots {
			for t := range s.LotTakes(lot) {
				if !yield(t) {
					return
				}
			}
		}
	}
}

// LotTakes returns the takes of one lot, by its index, in order of time.
func (s *Story) LotTakes(lot int) iter.Seq[curve.Take] {
	return func(yield func(curve.Take) bool) {
		for _, a := range s.Lots[lot].Attempts {
			for t := range s.AttemptTakes(lot, a) {
				if !yield(t) {
					return
				}
			}
		}
	}
}

// AttemptTakes returns the takes of one attempt of a lot: at each seating left,
// then right.
func (s *Story) AttemptTakes(lot int, a Attempt) iter.Seq[curve.Take] {
	return func(yield func(curve.Take) bool) {
		for seating := 1; seating <= Seatings; seating++ {
			var changes []Change
			if a.seat != nil {
				changes = a.seat(seating)
			}
			for ch, channel := range Channels {
				since := time.Duration(seating-1)*seatTime + time.Duration(ch)*channelTime
				t := s.measure(a.Unit, ch, a.Number, seating, a.At.Add(since), changes)
				t.Identity = curve.Identity{
					Product: s.Product.Code, Lot: s.Lots[lot].Code,
					Serial: a.Serial, Channel: channel, Seating: seating, Attempt: a.Number,
					Station: Station, Operator: a.Operator,
					MeasuredAt: a.At.Add(since), Reason: a.Reason,
				}
				if !yield(t) {
					return
				}
			}
		}
	}
}

// lotCode returns the code of a lot by its index: the week it was built in.
func (s *Story) lotCode(lot int) string {
	y, w := s.monday.AddDate(0, 0, 7*lot).ISOWeek()
	return fmt.Sprintf("%04d-W%02d", y, w)
}
