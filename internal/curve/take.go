package curve

import (
	"time"

	"alike/spc/band"
)

// Identity is what a source says about a take beside its curve.
type Identity struct {
	Product, Lot, Serial, Channel string

	Seating int // from 1; 0 when not said
	Attempt int // from 1; 0 when not said

	Station, Operator string

	MeasuredAt time.Time // zero when not said
	Reason     string    // cause found or action taken before a retest
}

// A Take is one measured frequency response: one channel of one unit at one
// seating on the rig.
type Take struct {
	Identity

	// Curve has levels in dB over frequencies in Hz. Takes of one wide CSV share
	// the Hz slice: do not write into it.
	Curve  band.Curve
	Source Source

	// Notes are whole sentences that say what was understood or set right.
	Notes []string
}

// A Source says where a take was read.
type Source struct {
	File string // name as given
	Line int    // row of a wide CSV, 0 for a text file
}

// or returns id with the fields it does not say taken from d.
func (id Identity) or(d Identity) Identity {
	for _, p := range []struct {
		to   *string
		from string
	}{
		{&id.Product, d.Product}, {&id.Lot, d.Lot}, {&id.Serial, d.Serial}, {&id.Channel, d.Channel},
		{&id.Station, d.Station}, {&id.Operator, d.Operator}, {&id.Reason, d.Reason},
	} {
		if *p.to == "" {
			*p.to = p.from
		}
	}
	if id.Seating == 0 {
		id.Seating = d.Seating
	}
	if id.Attempt == 0 {
		id.Attempt = d.Attempt
	}
	if id.MeasuredAt.IsZero() {
		id.MeasuredAt = d.MeasuredAt
	}
	return id
}

// A place is where a take belongs. Two moments, rigs or operators make two takes of
// one seating: a week's checks of a reference unit stand in one list, and so do the
// runs of a study. In production the second one is refused when it is taken in.
type place struct {
	serial, channel   string
	seating, attempt  int
	station, operator string
	moment            time.Time
}

func (id Identity) place() place {
	return place{id.Serial, id.Channel, id.Seating, id.Attempt, id.Station, id.Operator, id.MeasuredAt.UTC()}
}
