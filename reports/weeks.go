package reports

import "time"

// A Weeks is the weekly report over workshops and lots, for whoever licenses the design.
type Weeks struct {
	From, Until time.Time // first and last day
	Names       []string  // of the weeks, "2026 week 39", oldest first
	Sites       []string  // names of the workshops
	Eyes        []Eye     // what needs a look, gravest first
	Rows        []WeekRow // by site, product and week
	Lots        []WeekLot
	Findings    []WeekFinding
	RigDays     []WeekRigDay
	Program     string
}

// An Eye is one thing that needs the licensor's look.
type Eye struct {
	Site, About, Sentence string
}

// A WeekRow is one week of one product at one workshop. Units belong to the week in which
// they were first measured.
type WeekRow struct {
	Site, Product, Week string
	Lots                int // opened in the week
	Units, Judged       int
	Retests             int // attempts beyond the first of each unit
	Hold, Waiting       int // units that are not judged now
	First, Final        Yield
	Asked               float64 // first-pass yield that the product asks for
	Found, Closed       int     // findings first seen, findings ended
	RigDays, Unchecked  int     // days on which a rig measured, and those without a check
}

// A WeekLot is a lot that was opened or decided in the weeks.
type WeekLot struct {
	Site, Product, Lot string
	Opened             time.Time
	Units              int
	First              Yield
	State, Outcome     string
	Who, Reason        string
	At                 time.Time // of the last step
	Signature          string    // "fits", "does not fit any more", empty before a decision
}

// A WeekFinding is a finding that was first seen, or ended, in the weeks.
type WeekFinding struct {
	Site, Product string
	Number        int64
	Kind, State   string
	Seen          time.Time // when the first unit with a signal was measured
	Sentence      string
	Cause, Action string
}

// A WeekRigDay is a day on which a rig measured without any check by a reference unit.
type WeekRigDay struct {
	Site, Product, Rig, Day string
	Units                   int
}

// Twin returns the report for programs, as JSON in the form of Lot.Twin.
func (w Weeks) Twin() ([]byte, error) { return twinOf(w) }
