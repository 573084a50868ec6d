package store_test

import (
	"errors"
	"strings"
	"testing"

	"alike/internal/store"
	"alike/internal/store/storetest"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// What tells whether a rig could be trusted cannot be changed afterwards, by anyone
// who goes through the database either.
func TestRigRecordsRefuseChanges(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	ctx := t.Context()
	s, a := site(t, db, "a")
	visit := store.VisitRow{Visit: uuid.Must(uuid.NewV7()), Product: "p", Rig: "r", Serial: "REF", MeasuredAt: moment, ReceivedAt: moment}
	take := uuid.Must(uuid.NewV7())
	word, hold := "pass", "hold"
	judged := a
	judged.Verdict, judged.Judgement, judged.Envelope = &hold, []byte(`{}`), new(int)
	if err := errors.Join(
		second(s.AddPolicy(ctx, store.PolicyRow{Product: "p", Definition: []byte(`{}`), CreatedAt: moment})),
		s.AddReference(ctx, store.ReferenceRow{Serial: "REF", Product: "p", State: "in use", AddedAt: moment}),
		s.AddVisit(ctx, &visit),
		s.AddRigTakes(ctx, []store.RigTakeRow{{
			TakeRow: store.TakeRow{Take: take, Attempt: visit.Visit, Channel: "left", Seating: 1, MeasuredAt: moment, ReceivedAt: moment, ContentHash: []byte{1}, Bands: []float32{1}, Notes: []string{}},
			Curve:   store.CurveRow{Take: take, Grid: []byte{1}, Frequencies: []byte{}, Levels: []byte{}},
		}}),
		second(s.AddBaseline(ctx, store.BaselineRow{Serial: "REF", Rig: "r", Visits: []uuid.UUID{visit.Visit}, Mean: []float64{}, SD: []float64{}, Turned: []float64{}, CreatedAt: moment})),
		s.AddEntry(ctx, store.EntryRow{Entry: uuid.Must(uuid.NewV7()), Rig: "r", Kind: "work", At: moment, EnteredAt: moment}),
		s.AddStudy(ctx, store.StudyRow{Study: "G", Product: "p", Kind: "gauge", Units: []string{}, Operators: []string{}, CreatedAt: moment}),
		second(s.AddSeatingLimit(ctx, store.SeatingLimitRow{Product: "p", Study: "G", Spread: []float64{}, CreatedAt: moment})),
		second(s.AddTransfer(ctx, store.TransferRow{Product: "p", Rig: "r", Reference: "q", Study: "G", Curve: []float64{}, DeviationU: []float64{}, BalanceU: []float64{}, CreatedAt: moment})),
		s.Judge(ctx, judged),
	); err != nil {
		t.Fatal(err)
	}
	judged.Verdict = &word
	if err := s.ChangeVerdict(ctx, judged, false, "x", "r", moment); err != nil {
		t.Fatal(err)
	}
	passed := true
	visit.Passed, visit.Judgement = &passed, []byte(`{}`)
	if err := s.CompleteVisit(ctx, visit); err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, table := range []string{"rig_policies", "reference_units", "reference_states", "rig_takes", "rig_baselines", "rig_entries", "studies", "seating_limits", "rig_transfers", "verdict_changes"} {
		for _, deed := range []string{"UPDATE " + table + " SET site = site", "DELETE FROM " + table} {
			if _, err := conn.Exec(ctx, deed); err == nil || !strings.Contains(err.Error(), "append-only") {
				t.Errorf("%s: %v, want a refusal", deed, err)
			}
		}
	}
	for deed, say := range map[string]string{
		"UPDATE rig_visits SET passed = false":                         "judged once",
		"DELETE FROM rig_visits":                                       "never deleted",
		"UPDATE attempts SET verdict = 'fail' WHERE verdict = 'pass'":  "only to hold and from hold",
		"UPDATE attempts SET verdict = NULL WHERE verdict IS NOT NULL": "only to hold and from hold",
	} {
		if _, err := conn.Exec(ctx, deed); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%s: %v, want %q", deed, err, say)
		}
	}
}

// Visits of a reference unit are numbered by unit, and another site sees none of it.
func TestRigRowsBelongToTheirSite(t *testing.T) {
	t.Parallel()
	db := storetest.Open(t)
	ctx := t.Context()
	a, _ := site(t, db, "a")
	b, _ := site(t, db, "b")
	for n := 1; n <= 2; n++ {
		v := store.VisitRow{Visit: uuid.Must(uuid.NewV7()), Product: "p", Rig: "r", Serial: "REF", MeasuredAt: moment, ReceivedAt: moment}
		if err := a.AddVisit(ctx, &v); err != nil || v.Number != n {
			t.Errorf("visit %d has number %d (%v)", n, v.Number, err)
		}
	}
	if err := a.AddReference(ctx, store.ReferenceRow{Serial: "REF", Product: "p", State: "in use", AddedAt: moment}); err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]store.Site{"a": a, "b": b} {
		r, err := s.Route(ctx, "p", "REF", "L1")
		visits, err2 := s.Visits(ctx, "REF", "r", 9)
		rigs, err3 := s.Rigs(ctx, "p")
		if err := errors.Join(err, err2, err3); err != nil {
			t.Fatal(err)
		}
		own := name == "a"
		if r.Reference != own || (len(visits) == 2) != own || (len(rigs) == 2) != own { // the attempt of site() names no station
			t.Errorf("site %s: %+v, %d visits, rigs %q", name, r, len(visits), rigs)
		}
	}
}
