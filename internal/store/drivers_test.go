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

// The ledger, its batches, numbers and pairings are added to and withdrawn from, and
// nothing else; a corrected serial still reaches the rows that name it.
func TestLedgerIsNotEdited(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	ctx := t.Context()
	s, _ := site(t, db, "a")
	use := store.PartUse{Use: uuid.Must(uuid.NewV7()), Product: "p", Kind: "driver", Channel: "left", Batch: "B", FirstSerial: "U1", LastSerial: "U1", Piece: "D1", EnteredAt: moment, EnteredBy: "x"}
	pieces := 3
	number := 0
	if err := errors.Join(
		s.AddUnit(ctx, store.UnitRow{Serial: "U2", Product: "p", Lot: "L1", FirstSeen: moment}),
		second(s.AddPartUse(ctx, use)),
		s.AddBatch(ctx, store.BatchRow{Kind: "driver", Batch: "B", Version: 1, Pieces: &pieces, EnteredAt: moment}, []store.BatchValue{{Name: "mass", Value: 1, Unit: "g"}}),
		s.AddValues(ctx, []store.ValueRow{{Serial: "U1", Name: "resonance", Round: 1, Value: 120, ContentHash: []byte{1}, MeasuredAt: moment, ReceivedAt: moment}}),
		func() (err error) {
			number, err = s.AddPairing(ctx, store.PairingRow{Product: "p", Settings: []byte(`{}`), Outcome: []byte(`{}`), MadeAt: moment},
				[]store.PairRow{{Rank: 1, LeftPiece: "U1", RightPiece: "U2", Mismatch: 0.1}})
			return err
		}(),
	); err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, deed := range []string{
		"UPDATE part_uses SET batch = 'C'", "UPDATE part_uses SET batch = 'C', withdrawn_at = now()", "DELETE FROM part_uses",
		"UPDATE batches SET supplier = 'x'", "DELETE FROM batches", "UPDATE batch_values SET value = 2", "DELETE FROM batch_values",
		"UPDATE unit_values SET value = 2", "DELETE FROM unit_values",
		"UPDATE pairings SET settings = '[]'", "DELETE FROM pairings", "UPDATE pairing_pairs SET mismatch = 0", "DELETE FROM pairing_pairs",
	} {
		if _, err := conn.Exec(ctx, deed); err == nil || !strings.Contains(err.Error(), "append-only") && !strings.Contains(err.Error(), "may be set") {
			t.Errorf("%s: %v, want a refusal", deed, err)
		}
	}
	// One piece in two units, and two pieces in one place, are refused by the database too.
	for _, edit := range []func(*store.PartUse){
		func(p *store.PartUse) { p.FirstSerial, p.LastSerial = "U2", "U2" },
		func(p *store.PartUse) { p.Piece, p.Batch = "D2", "C" },
	} {
		again := use
		again.Use = uuid.Must(uuid.NewV7())
		edit(&again)
		if _, err := s.AddPartUse(ctx, again); !errors.Is(err, store.ErrExists) {
			t.Errorf("%+v: %v", again, err)
		}
	}
	if _, err := conn.Exec(ctx, "UPDATE units SET serial = 'U1b' WHERE serial = 'U1'"); err != nil {
		t.Fatal(err)
	}
	if v, err := s.Values(ctx, []string{"U1b"}); err != nil || len(v) != 1 {
		t.Errorf("%+v, %v", v, err)
	}
	if p, err := s.Pairs(ctx, "p", number); err != nil || len(p) != 1 || p[0].LeftPiece != "U1b" {
		t.Errorf("%+v, %v", p, err)
	}
	for i, want := range []error{nil, store.ErrNotFound} { // what is withdrawn stays as it is
		if err := s.WithdrawPart(ctx, use.Use, moment, "x", "wrong", nil); !errors.Is(err, want) {
			t.Errorf("%d: %v, want %v", i, err, want)
		}
		if err := s.WithdrawPairing(ctx, "p", number, moment, "x", "wrong"); !errors.Is(err, want) {
			t.Errorf("%d: %v, want %v", i, err, want)
		}
	}
	if _, err := conn.Exec(ctx, "UPDATE part_uses SET withdrawn_why = 'better'"); err == nil {
		t.Error("a withdrawn entry was changed")
	}
	if p, err := s.Promised(ctx, "p"); err != nil || len(p) != 0 {
		t.Errorf("%+v, %v", p, err)
	}
}
