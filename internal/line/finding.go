package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"alike/internal/store"
)

// Kinds of finding.
const (
	// OneUnit stands out alone: something is wrong with it, and nothing is said about the
	// line. It becomes TheLine when a unit soon after shows the same.
	OneUnit = "unit"
	// TheLine moved: several units, or a rule that goes by several, show the same change.
	TheLine = "line"
)

// States of a finding.
//
//	open ──action──► acted ──close──► closed
//	  └──────close (with cause and action)──┘   reopen, with a reason: back to open
//
// Signals that begin after an action, or after the end, open a new finding that names the
// earlier one: whether the action held is then plain to see, and no story is told twice in
// one place.
const (
	Open   = "open"
	Acted  = "acted"
	Closed = "closed"
)

const (
	// follow is how many units after a single one a like one still makes it a change of
	// the line.
	follow = 10
	// quiet is how many units without a signal end a finding's claim on new ones: a later
	// signal opens a new finding.
	quiet = 30
)

// A Finding is what the charts found, with all that is known of it.
type Finding struct {
	Number      int64
	Product     string
	Kind        string
	State       string
	FirstSerial string // unit of the first signal
	LastSerial  string // unit of the latest one
	FirstPlace  int64
	LastPlace   int64
	Signals     int
	Cause       string
	Action      string
	OpenedAt    time.Time
	Analysis    Analysis
	Same        []int64 // findings that tell of the same change, when one was asked for by number
	Events      []store.FindingEvent
	Rows        []store.SignalRow
}

// Levels are dB per band, null in JSON where there is none.
type Levels []float64

// MarshalJSON writes NaN as null.
func (l Levels) MarshalJSON() ([]byte, error) {
	out := make([]*float64, len(l))
	for i := range l {
		if !math.IsNaN(l[i]) && !math.IsInf(l[i], 0) {
			out[i] = &l[i]
		}
	}
	return json.Marshal(out)
}

// UnmarshalJSON reads null as NaN.
func (l *Levels) UnmarshalJSON(data []byte) error {
	var in []*float64
	if err := json.Unmarshal(data, &in); err != nil {
		return err
	}
	*l = make(Levels, len(in))
	for i, v := range in {
		(*l)[i] = math.NaN()
		if v != nil {
			(*l)[i] = *v
		}
	}
	return nil
}

// Findings lists what the charts found, newest first, analysed up to the latest unit. An
// empty product stands for all, an empty state for any.
func (l *Line) Findings(ctx context.Context, product, state string, limit int) ([]Finding, error) {
	if state != "" && state != Open && state != Acted && state != Closed {
		return nil, refuse(Invalid, "state", "use open, acted or closed", "findings have no state %q", state)
	}
	var out []Finding
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		rows, err := s.Findings(ctx, product, state, limit)
		if err != nil {
			return err
		}
		for _, r := range rows {
			f, err := findingOf(r)
			if err != nil {
				return err
			}
			if f.FirstSerial, f.LastSerial, f.Signals, err = s.FindingSpan(ctx, r.Finding); err != nil {
				return err
			}
			if f.Analysis, err = l.current(ctx, s, r); err != nil {
				return err
			}
			out = append(out, f)
		}
		return nil
	})
	return out, err
}

// Finding returns one finding with its events and signals, analysed anew up to the
// latest unit.
func (l *Line) Finding(ctx context.Context, number int64) (Finding, error) {
	var out Finding
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		row, err := s.Finding(ctx, number)
		if errors.Is(err, store.ErrNotFound) {
			return noFinding(number)
		} else if err != nil {
			return err
		}
		if out, err = findingOf(row); err != nil {
			return err
		}
		if out.Rows, err = s.SignalsOfFinding(ctx, number); err != nil {
			return err
		}
		if out.Events, err = s.FindingEvents(ctx, number); err != nil {
			return err
		}
		out.Signals = len(out.Rows)
		if out.FirstSerial, out.LastSerial, _, err = s.FindingSpan(ctx, number); err != nil {
			return err
		}
		if out.Analysis, err = l.current(ctx, s, row); err != nil {
			return err
		}
		out.Same, err = l.sameStory(ctx, s, out)
		return err
	})
	return out, err
}

func noFinding(number int64) *Refusal {
	return refuse(Missing, "finding", "see the findings with: alike finding list", "there is no finding %d", number)
}

// A freshly keeps the analyses of findings as of one entry of the journal: nothing that
// they rest on changes without one.
type freshly struct {
	mu    sync.Mutex
	entry int64
	of    map[int64]Analysis
}

// current analyses a finding up to the latest unit without storing anything; one that is
// closed reads as it stood then. A list and a look at one finding both come through here,
// so that they say the same.
func (l *Line) current(ctx context.Context, s store.Site, row store.FindingRow) (Analysis, error) {
	if row.State == Closed {
		f, err := findingOf(row)
		return f.Analysis, err
	}
	head, err := s.Head(ctx)
	if err != nil {
		return Analysis{}, err
	}
	l.fresh.mu.Lock()
	if l.fresh.entry != head.Entry || l.fresh.of == nil {
		l.fresh.entry, l.fresh.of = head.Entry, map[int64]Analysis{}
	}
	a, ok := l.fresh.of[row.Finding]
	l.fresh.mu.Unlock()
	if ok {
		return a, nil
	}
	if a, err = l.analysed(ctx, s, row); err != nil {
		return a, err
	}
	l.fresh.mu.Lock()
	defer l.fresh.mu.Unlock()
	if l.fresh.entry == head.Entry {
		l.fresh.of[row.Finding] = a
	}
	return a, nil
}

func (l *Line) analysed(ctx context.Context, s store.Site, row store.FindingRow) (Analysis, error) {
	setup, err := l.setup(ctx, s, row.Product)
	if err != nil {
		return Analysis{}, err
	}
	b, err := l.board(ctx, s, setup)
	if err != nil {
		return Analysis{}, err
	}
	last, err := s.LastReadings(ctx, row.Product, 1, math.MaxInt64, 1)
	if err != nil || len(last) == 0 {
		return Analysis{}, err
	}
	return analyse(ctx, s, b, row, last[0].Place)
}

func findingOf(r store.FindingRow) (Finding, error) {
	f := Finding{
		Number: r.Finding, Product: r.Product, Kind: r.Kind, State: r.State, FirstPlace: r.FirstPlace, LastPlace: r.LastPlace,
		Cause: r.Cause, Action: r.Action, OpenedAt: r.OpenedAt,
	}
	if err := json.Unmarshal(r.Analysis, &f.Analysis); err != nil {
		return f, fmt.Errorf("stored analysis of finding %d: %w", r.Finding, err)
	}
	return f, nil
}
