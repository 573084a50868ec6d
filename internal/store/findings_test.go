package store_test

import (
	"context"
	"strings"
	"testing"

	"alike/internal/store"
	"alike/internal/store/storetest"

	"github.com/jackc/pgx/v5"
)

// signalled returns a site whose unit U1, at place 1, has a signal.
func signalled(t *testing.T, db *store.DB, name string) (store.Site, store.SignalRow) {
	t.Helper()
	ctx := t.Context()
	s, _ := site(t, db, name)
	set := store.LimitSetRow{Product: "p", FromPlace: 1, Baseline: []string{}, LeftOut: []byte(`[]`), Every: 500, Budget: []byte(`{}`),
		Rules: []byte(`[]`), Streams: []string{"x"}, Center: []float64{0}, Sigma: []float64{1}, CreatedAt: moment}
	if v, err := s.AddLimitSet(ctx, set); err != nil || v != 1 {
		t.Fatal(v, err)
	}
	g := store.SignalRow{Product: "p", LimitSet: 1, Place: 1, Stream: "x", Rule: "beyond", Serial: "U1", Value: 5, Z: 5}
	if err := s.SetPlace(ctx, "U1", 1); err != nil {
		t.Fatal(err)
	}
	if err := s.AddSignals(ctx, []store.SignalRow{g}); err != nil {
		t.Fatal(err)
	}
	return s, g
}

func finding(t *testing.T, s store.Site, g store.SignalRow) store.FindingRow {
	t.Helper()
	ctx := t.Context()
	f := store.FindingRow{Product: "p", FirstPlace: 1, LastPlace: 1, Kind: "unit", State: "open", Analysis: []byte(`{}`), AnalysedTo: 1, OpenedAt: moment}
	var err error
	if f.Finding, err = s.AddFinding(ctx, f); err != nil {
		t.Fatal(err)
	}
	if err := s.LinkSignals(ctx, f.Finding, []store.SignalRow{g}); err != nil {
		t.Fatal(err)
	}
	if err := s.AddFindingEvent(ctx, store.FindingEvent{Finding: f.Finding, At: moment, Actor: "a", Kind: "opened", Place: 1, Text: "t"}); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestFindingsBelongToTheirSite(t *testing.T) {
	t.Parallel()
	db := storetest.Open(t)
	ctx := t.Context()
	a, g := signalled(t, db, "a")
	b, h := signalled(t, db, "b")
	fa, fb := finding(t, a, g), finding(t, b, h)
	if fa.Finding != 1 || fb.Finding != 1 {
		t.Fatalf("numbers %d and %d: each site counts for itself", fa.Finding, fb.Finding)
	}
	fa.State, fa.Kind, fa.LastPlace = "acted", "line", 7
	if err := a.SetFinding(ctx, fa); err != nil {
		t.Fatal(err)
	}
	if got, err := b.Finding(ctx, 1); err != nil || got.State != "open" || got.LastPlace != 1 {
		t.Errorf("%+v (%v)", got, err)
	}
	if got, err := a.Finding(ctx, 1); err != nil || got.State != "acted" || got.LastPlace != 7 || got.Kind != "line" || !got.OpenedAt.Equal(moment.Truncate(1000)) {
		t.Errorf("%+v (%v)", got, err)
	}
	if rows, err := a.FindingsSince(ctx, "p", 7); err != nil || len(rows) != 1 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if rows, err := a.FindingsSince(ctx, "p", 8); err != nil || len(rows) != 0 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if rows, err := a.Findings(ctx, "", "open", 10); err != nil || len(rows) != 0 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if rows, err := b.FindingsOfLot(ctx, "L1"); err != nil || len(rows) != 1 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if rows, err := b.SignalsOfFinding(ctx, 1); err != nil || len(rows) != 1 || rows[0] != h {
		t.Errorf("%+v (%v)", rows, err)
	}
	// A signal stays with the finding it came to first.
	second := finding(t, a, g)
	if rows, err := a.SignalsOfFinding(ctx, second.Finding); err != nil || len(rows) != 0 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if rows, err := a.LinksOfLot(ctx, "L1"); err != nil || len(rows) != 1 || rows[0].Finding != 1 {
		t.Errorf("%+v (%v)", rows, err)
	}
}

func TestFindingsAreKept(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	ctx := t.Context()
	db, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	s, g := signalled(t, db, "a")
	f := finding(t, s, g)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, tt := range []struct{ sql, want string }{
		{`DELETE FROM findings`, "never deleted"},
		{`UPDATE findings SET first_place = 2`, "does not change"},
		{`UPDATE findings SET opened_at = now()`, "does not change"},
		{`UPDATE finding_events SET text = 'other'`, "append-only"},
		{`DELETE FROM finding_events`, "append-only"},
		{`DELETE FROM finding_signals`, "append-only"},
		{`UPDATE findings SET state = 'closed'`, "check"},
		{`UPDATE findings SET state = 'closed', closed_place = 3`, "check"},
		{`UPDATE findings SET kind = 'other'`, "check"},
	} {
		if _, err := conn.Exec(ctx, tt.sql); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.sql, err, tt.want)
		}
	}
	f.State, f.Cause, f.Action, f.ClosedPlace = "closed", "c", "a", new(int64)
	*f.ClosedPlace = 9
	if err := s.SetFinding(ctx, f); err != nil {
		t.Error(err)
	}
	if rows, err := s.FindingsSince(ctx, "p", 9); err != nil || len(rows) != 1 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if events, err := s.FindingEvents(ctx, f.Finding); err != nil || len(events) != 1 || events[0].Event != 1 || events[0].Kind != "opened" {
		t.Errorf("%+v (%v)", events, err)
	}
	if rows, err := s.FirstAttempts(ctx, "p", 1, 9); err != nil || len(rows) != 0 { // none is judged
		t.Errorf("%+v (%v)", rows, err)
	}
}
