package station

import (
	"fmt"
	"strings"
	"sync"
	"time"
)

// A State is what a station is doing and has done since it started.
type State struct {
	Stored, Known, Refused int // takes; files that no take could be read from count once

	Changing   int // files not read yet: not still for long enough, or no room in the spool
	Incomplete int // files that cannot be read, perhaps because they are half written
	Stuck      int // files that a faulty manifest.csv keeps waiting
	Spooled    int // files in the spool

	Sending bool
	Away    time.Time // since when no request got through; zero when the last one did
	Why     string    // why not
	Disk    string    // why the spool or a folder cannot be written, empty when it can
	Ended   bool
}

// String returns the state as one line, with times of the local clock. Reasons stand at
// the end, for a narrow terminal cuts the line.
func (s State) String() string {
	var parts []string
	say := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	switch {
	case s.Ended:
		say("stopped")
	case !s.Away.IsZero():
		say("server away since %s", s.Away.Format("15:04:05"))
	case s.Sending:
		say("sending")
	default:
		say("waiting for files")
	}
	if s.Spooled > 0 {
		say("%d in the spool", s.Spooled)
	}
	if s.Changing > 0 {
		say("%d not read yet", s.Changing)
	}
	if s.Incomplete > 0 {
		say("%d not complete", s.Incomplete)
	}
	if s.Stuck > 0 {
		say("%d waiting for a better manifest.csv", s.Stuck)
	}
	say("%d stored", s.Stored)
	if s.Known > 0 {
		say("%d known before", s.Known)
	}
	if s.Refused > 0 {
		say("%d refused", s.Refused)
	}
	text := strings.Join(parts, ", ")
	if s.Disk != "" {
		text += "; " + s.Disk
	}
	if !s.Away.IsZero() {
		text += "; " + s.Why
	}
	return text
}

// A board holds the state that watcher and sender share.
type board struct {
	mu    sync.Mutex
	state State
	show  func(State)
}

func newBoard(show func(State)) *board { return &board{show: show} }

func (b *board) change(do func(*State)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	before := b.state
	do(&b.state)
	if b.state != before {
		b.show(b.state)
	}
}

func (b *board) now() State {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.state
}
