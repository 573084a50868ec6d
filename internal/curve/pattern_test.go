package curve

import (
	"errors"
	"strings"
	"testing"
	"time"
)

func mustPattern(t testing.TB, s string) Pattern {
	t.Helper()
	p, err := ParsePattern(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPatternFaults(t *testing.T) {
	for _, c := range []struct {
		text   string
		at     int
		reason string
	}{
		{"", 0, "no field"},
		{"plain.txt", 0, "no field"},
		{"{any}.txt", 0, "no field"},
		{"{serail}.txt", 0, `"serail"`},
		{"{serial}{channel}.txt", 8, "nothing says where one ends"},
		{"{serial}_{serial}.txt", 9, "twice"},
		{"{serial.txt", 0, "{ without }"},
		{"{serial}_}.txt", 9, "} without {"},
		{"{serial}_{{channel}", 9, "no field"},
		{"/{serial}.txt", 0, "path"},
		{"{serial}/", 0, "path"},
		{`{lot}\{serial}.txt`, 0, "path"},
	} {
		p, err := ParsePattern(c.text)
		var e *PatternError
		if !errors.As(err, &e) || e.At != c.at || !strings.Contains(e.Reason, c.reason) || e.Remedy == "" || p.text != "" {
			t.Errorf("%q gives %v, want %q at %d", c.text, err, c.reason, c.at)
		}
	}
}

func TestPatternMatch(t *testing.T) {
	day := time.Date(2024, 3, 4, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		pattern, name string
		want          Identity
		fault         string
	}{
		{"{serial}_{channel}_{seating}.txt", "A102_L_2.txt", Identity{Serial: "A102", Channel: "left", Seating: 2}, ""},
		{"{serial}_{channel}_{seating}.txt", "A_7_B_right_02.TXT", Identity{Serial: "A_7_B", Channel: "right", Seating: 2}, ""},
		{"{serial}_{channel}_{seating}.txt", "in/some/folder/A_l_1.txt", Identity{Serial: "A", Channel: "left", Seating: 1}, ""},
		{"{serial}_{channel}_{seating}.txt", "A102_L.txt", Identity{}, "does not fit"},
		{"{serial}_{channel}_{seating}.txt", "A102_L_x.txt", Identity{}, "does not fit"},
		{"{serial}_{channel}_{seating}.txt", "A102_L_0.txt", Identity{}, "not a count from 1"},
		{"{serial}_{channel}_{seating}.txt", "A102_L_2.csv", Identity{}, "does not fit"},
		{"{serial}_{channel}_{seating}.txt", "_L_2.txt", Identity{}, "does not fit"},
		{"{serial}_{channel}_{seating}.txt", "A\x01_L_2.txt", Identity{}, "U+0001"},
		{"{serial}_{channel}_{seating}.txt", " _L_2.txt", Identity{}, "is blank"},
		{"{serial}_{channel}", "A_1_mono.dat", Identity{Serial: "A_1", Channel: "mono"}, ""},
		{"{serial}_{channel}", "A.1_m", Identity{Serial: "A.1", Channel: "mono"}, ""},
		{"{lot}_{serial}_{channel}.txt", "L7_A_1_r.txt", Identity{Lot: "L7", Serial: "A_1", Channel: "right"}, ""},
		{"{lot}/{serial}-{channel}.txt", "x/L7/A-1-r.txt", Identity{Lot: "L7", Serial: "A-1", Channel: "right"}, ""},
		{"{lot}/{serial}-{channel}.txt", "A-1-r.txt", Identity{}, "does not fit"},
		{"{date} {serial}-{channel}.txt", "2024-03-04 A-1-r.txt", Identity{Serial: "A-1", Channel: "right", MeasuredAt: day}, ""},
		{"{serial}-{channel}-{date}.txt", "A-1-r-2024-03-04.txt", Identity{Serial: "A-1", Channel: "right", MeasuredAt: day}, ""},
		{"{serial}-{channel}-{date}.txt", "A-1-r-20240304T102105.txt", Identity{Serial: "A-1", Channel: "right", MeasuredAt: day.Add(10*time.Hour + 21*time.Minute + 5*time.Second)}, ""},
		{"{serial}-{channel}-{date}.txt", "A-1-r-20241304.txt", Identity{}, "does not fit"},
		{"take{seating} of {serial} ({channel}) {any}.txt", "Take3 of A ( l ) whatever.txt", Identity{Serial: "A", Channel: "left", Seating: 3}, ""},
		{"{operator}+{station}+{product}+{serial}+{attempt}.txt", "ann+rig 2+Open+7+8+2.txt", Identity{Operator: "ann", Station: "rig 2", Product: "Open", Serial: "7+8", Attempt: 2}, ""},
		{"{channel}_{seating}.txt", "left_2.txt", Identity{Channel: "left", Seating: 2}, ""},
	} {
		got, err := mustPattern(t, c.pattern).Match(c.name)
		var r *Refusal
		switch {
		case c.fault == "" && (err != nil || !got.same(c.want)):
			t.Errorf("%s on %s gives %+v, %v; want %+v", c.pattern, c.name, got, err, c.want)
		case c.fault != "" && (!errors.As(err, &r) || !strings.Contains(r.Reason, c.fault) || r.File != c.name || r.Remedy == "" || got != Identity{}):
			t.Errorf("%s on %s gives %+v, %v; want %q", c.pattern, c.name, got, err, c.fault)
		}
	}
	if _, err := (Pattern{}).Match("a.txt"); err == nil || !strings.Contains(err.Error(), "nothing says") {
		t.Errorf("the zero pattern: %v", err)
	}
}

func TestPatternZone(t *testing.T) {
	id, err := mustPattern(t, "{serial}_{date}.txt").In(berlin(t)).Match("A_2024-03-04.txt")
	if err != nil || !id.MeasuredAt.Equal(time.Date(2024, 3, 3, 23, 0, 0, 0, time.UTC)) {
		t.Errorf("got %v, %v", id.MeasuredAt, err)
	}
}

func TestPatternName(t *testing.T) {
	id := Identity{Serial: "A_1", Channel: "left", Seating: 2, Lot: "L7", MeasuredAt: time.Date(2024, 3, 4, 9, 0, 1, 0, time.UTC)}
	if got, err := mustPattern(t, "{lot}/{date}_{serial}_{channel}_{seating}.txt").Name(id); err != nil || got != "L7/20240304T090001_A_1_left_2.txt" {
		t.Errorf("got %q, %v", got, err)
	}
	for _, p := range []string{"{lot}_{channel}_{serial}_{attempt}.txt", "{serial}_{any}.txt", "{channel}_{serial}_{seating}_{product}.txt"} {
		if got, err := mustPattern(t, p).Name(id); err == nil {
			t.Errorf("%s says %q", p, got)
		}
	}
	id.Lot = "L_7"
	if got, err := mustPattern(t, "{lot}_{serial}").Name(id); err == nil {
		t.Errorf("a lot with the separator gives %q", got)
	}
}
