package reports_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"alike/reports"
	"alike/reports/reporttest"
)

func TestTwinHoldsWhatIsKnown(t *testing.T) {
	t.Parallel()
	l := reports.Lot{Code: "L1", Opened: time.Date(2026, 9, 7, 8, 0, 0, 0, time.UTC), Program: "alike 1"}
	l.Bands = []reports.BandRow{{Channel: "left", Mean: math.NaN(), SD: 0.30000000000000004, LowSerial: "a<b&c"}}
	data, err := l.Data()
	if err != nil {
		t.Fatal(err)
	}
	// Canonical JSON: keys in order, no blanks, the shortest number, no
	// escapes that are not needed (RFC 8785, 3.2).
	for _, want := range []string{`"bands":[{"baseline_mean":0,`, `"low_serial":"a<b&c"`, `"mean":null`, `"sd":0.3,`, `"opened":"2026-09-07T08:00:00Z"`, `"closed":null`, `"charts":[]`} {
		if !strings.Contains(string(data), want) {
			t.Errorf("data lack %s:\n%s", want, data)
		}
	}
	for _, not := range []string{"life", "journal", "program"} {
		if strings.Contains(string(data), `"`+not+`"`) {
			t.Errorf("data hold %s, which is not signed", not)
		}
	}
	other := l
	other.Program, other.Life.State, other.Journal = "alike 2", "decided", []reports.JournalRow{{Entry: 1}}
	again, _ := other.Data()
	if string(again) != string(data) {
		t.Error("what is not data changes the data")
	}
	twin, err := other.Twin()
	if err != nil || !json.Valid(twin) || !strings.Contains(string(twin), `"program": "alike 2"`) {
		t.Errorf("%v %s", err, twin)
	}
}

func TestDifferences(t *testing.T) {
	t.Parallel()
	a := reporttest.Lot(5, 2)
	b := reporttest.Lot(5, 2)
	b.Counts.Pass++
	b.Units = b.Units[1:]
	x, err := a.Data()
	if err != nil {
		t.Fatal(err)
	}
	y, _ := b.Data()
	same, err := reports.Differences(x, x, 2)
	if err != nil || len(same) > 0 {
		t.Errorf("%v (%v)", same, err)
	}
	got, err := reports.Differences(x, y, 2)
	if err != nil || len(got) != 4 || !strings.HasPrefix(got[0], "counts.pass: ") || !strings.Contains(got[3], "more of units") {
		t.Errorf("%q (%v)", got, err)
	}
	// A section that only a newer program writes is no difference; one that is gone is.
	got, _ = reports.Differences([]byte(`{"a":1}`), []byte(`{"a":1,"b":2}`), 2)
	gone, _ := reports.Differences([]byte(`{"a":1,"b":2}`), []byte(`{"a":1}`), 2)
	if len(got) != 0 || len(gone) != 1 || gone[0] != "b: 2, now nothing" {
		t.Errorf("%q, %q", got, gone)
	}
	if _, err := reports.Differences([]byte(`{`), x, 2); err == nil {
		t.Error("what is not JSON is compared")
	}
}
