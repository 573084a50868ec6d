package store_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"alike/internal/store"
	"alike/internal/store/storetest"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// A forger edits the tables as their owner, with the triggers switched off.
type forger struct {
	t    testing.TB
	conn *pgx.Conn
}

func newForger(t testing.TB, url string) forger {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	if _, err := conn.Exec(t.Context(), `SET session_replication_role = replica`); err != nil {
		t.Fatal(err)
	}
	return forger{t, conn}
}

// do executes a statement and expects it to change so many rows.
func (f forger) do(rows int64, sql string, args ...any) {
	f.t.Helper()
	tag, err := f.conn.Exec(f.t.Context(), sql, args...)
	if err != nil {
		f.t.Fatalf("%s: %v", sql, err)
	}
	if rows >= 0 && tag.RowsAffected() != rows {
		f.t.Fatalf("%s changed %d rows, want %d", sql, tag.RowsAffected(), rows)
	}
}

// record is a site "a" with a row in every table that the journal speaks for, and a
// site "b" beside it.
func record(t *testing.T) (*store.DB, string) {
	t.Helper()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	site(t, db, "b")
	_, a := site(t, db, "a")
	ctx := t.Context()
	take := uuid.Must(uuid.NewV7())
	word, hold := "fail", "hold"
	visit := store.VisitRow{Visit: uuid.Must(uuid.NewV7()), Product: "p", Rig: "r", Serial: "REF", MeasuredAt: moment, ReceivedAt: moment}
	must(t, db.InSite(ctx, "a", func(s store.Site) error {
		a.Verdict, a.Judgement, a.Envelope = &word, []byte(`{"word": "fail", "margin": -1.50}`), new(int)
		return errors.Join(
			s.AddTakes(ctx, []store.TakeRow{{Take: take, Attempt: a.Attempt, Channel: "left", Seating: 1, MeasuredAt: moment, ReceivedAt: moment, ContentHash: []byte{1}, Bands: []float32{1, nan32}, Notes: []string{}}},
				[]store.CurveRow{{Take: take, Grid: []byte{1}, Frequencies: []byte{1, 2}, Levels: []byte{3, 4}}}),
			second(s.AddEnvelope(ctx, store.EnvelopeRow{Product: "p", Definition: []byte(`{}`), Reason: "r", CreatedAt: moment})),
			second(s.AddLimitSet(ctx, store.LimitSetRow{Product: "p", Baseline: []string{"U1"}, LeftOut: []byte(`[]`), Budget: []byte(`{}`), Rules: []byte(`[]`), Streams: []string{"x"}, Center: []float64{1}, Sigma: []float64{0.1}, CreatedAt: moment})),
			s.AddTogether(ctx, store.TogetherRow{Product: "p", Version: 1, Lambda: 0.2, FiresAbove: 2, Streams: []string{"x"}, Whiten: []byte{1}}),
			s.SetPlace(ctx, "U1", 1), s.Judge(ctx, a),
			s.AddReading(ctx, "p", store.ReadingRow{Place: 1, Number: 1, Serial: "U1", Streams: []float32{0.25}}),
			s.AddSignals(ctx, []store.SignalRow{
				{Product: "p", LimitSet: 1, Place: 1, Stream: "x", Rule: "beyond", Serial: "U1", Value: 1, Z: 4},
				{Product: "p", LimitSet: 1, Place: 1, Stream: "x", Rule: "trend", Serial: "U1", Value: 1, Z: 4}}),
			second(s.AddPartUse(ctx, store.PartUse{Use: uuid.Must(uuid.NewV7()), Product: "p", Kind: "foam", Batch: "F1", FirstSerial: "U1", LastSerial: "U1", EnteredAt: moment})),
			parts(ctx, s), found(ctx, s), rig(ctx, s, visit),
			s.UnderPolicy(ctx, a.Attempt, 1), s.ChangeVerdict(ctx, held(a, &hold), false, "x", "the rig", moment),
			second(s.Quarantine(ctx, store.QuarantineRow{Item: uuid.Must(uuid.NewV7()), Fingerprint: []byte{7}, Source: "f.txt", ReceivedAt: moment})),
			second(s.AddLotStep(ctx, store.LotStep{Lot: "L1", State: "decided", Outcome: "accept", Reason: "good", Actor: "x", At: moment, Basis: "{}", DataHash: []byte{1}, Signature: []byte{2}})),
			second(s.AddDraw(ctx, store.DrawRow{Lot: "L1", Plan: []byte(`{}`), Seed: "00", Units: []string{"U1"}, Pulled: []string{"U1"}, Actor: "x", At: moment})),
			s.AddPerson(ctx, store.PersonRow{Person: "Zoë", Role: "maker", AddedBy: "x", AddedAt: moment}), s.SetPassword(ctx, "Zoë", "the hash", []byte{8}, moment),
			s.AddToken(ctx, store.TokenRow{Token: "bench 1", Role: "station", Hash: []byte{9}, AddedBy: "x", AddedAt: moment}),
			second(s.AddOverride(ctx, store.OverrideRow{Serial: "U1", Number: 1, Verdict: "pass", Was: "fail", Reason: "heard it", Actor: "x", At: moment, InForce: true})),
			second(s.Write(ctx, store.Entry{At: moment, Actor: "x", Action: "test", Subject: "U1", Reason: "ünïcode, with 3:5 and a comma", Detail: []byte(`{"b": 1, "a": [1.50, "x"]}`)})))
	}))
	for i := range 4 {
		must(t, second(db.Site("a").Write(ctx, store.Entry{At: moment, Action: "note", Subject: fmt.Sprint(i)})))
	}
	return db, url
}

// parts writes what the ledger of parts and incoming drivers hold.
func parts(ctx context.Context, s store.Site) error {
	return errors.Join(
		s.AddBatch(ctx, store.BatchRow{Kind: "foam", Batch: "F/1", Version: 1, Supplier: "x", EnteredAt: moment}, []store.BatchValue{{Kind: "foam", Batch: "F/1", Version: 1, Name: "density", Value: 30, Unit: "kg/m3"}}),
		s.AddValues(ctx, []store.ValueRow{{Serial: "U1", Name: "mass/1", Round: 1, Value: 0.1, ContentHash: []byte{1}, MeasuredAt: moment, ReceivedAt: moment}}),
		second(s.AddPairing(ctx, store.PairingRow{Product: "p", Settings: []byte(`{}`), Outcome: []byte(`{}`), MadeAt: moment}, []store.PairRow{{Rank: 1, LeftPiece: "U1", RightPiece: "U1", Mismatch: 0.2}})),
	)
}

// found writes a finding about the first signal.
func found(ctx context.Context, s store.Site) error {
	n, err := s.AddFinding(ctx, store.FindingRow{Product: "p", FirstPlace: 1, LastPlace: 1, Kind: "unit", State: "open", Analysis: []byte(`{}`), OpenedAt: moment})
	return errors.Join(err,
		s.AddFindingEvent(ctx, store.FindingEvent{Finding: n, At: moment, Kind: "opened", Place: 1}),
		s.LinkSignals(ctx, n, []store.SignalRow{{Product: "p", LimitSet: 1, Place: 1, Stream: "x", Rule: "beyond"}}))
}

// rig writes what the trust in a rig rests on.
func rig(ctx context.Context, s store.Site, visit store.VisitRow) error {
	take := uuid.Must(uuid.NewV7())
	passed := true
	err := errors.Join(
		second(s.AddPolicy(ctx, store.PolicyRow{Product: "p", Definition: []byte(`{}`), CreatedAt: moment})),
		s.AddReference(ctx, store.ReferenceRow{Serial: "REF", Product: "p", State: "in use", AddedAt: moment}),
		s.AddVisit(ctx, &visit),
		s.AddRigTakes(ctx, []store.RigTakeRow{{
			TakeRow: store.TakeRow{Take: take, Attempt: visit.Visit, Channel: "left", Seating: 1, MeasuredAt: moment, ReceivedAt: moment, ContentHash: []byte{1}, Bands: []float32{1}, Notes: []string{}},
			Curve:   store.CurveRow{Take: take, Grid: []byte{1}, Frequencies: []byte{1, 2}, Levels: []byte{}},
		}}),
		second(s.AddBaseline(ctx, store.BaselineRow{Serial: "REF", Rig: "r/1", Visits: []uuid.UUID{visit.Visit}, Mean: []float64{1}, SD: []float64{}, Turned: []float64{}, CreatedAt: moment})),
		s.AddEntry(ctx, store.EntryRow{Entry: uuid.Must(uuid.NewV7()), Rig: "r", Kind: "work", At: moment, EnteredAt: moment}),
		s.AddStudy(ctx, store.StudyRow{Study: "G", Product: "p", Kind: "gauge", Units: []string{}, Operators: []string{}, CreatedAt: moment}),
		second(s.AddSeatingLimit(ctx, store.SeatingLimitRow{Product: "p", Study: "G", Spread: []float64{1}, CreatedAt: moment})),
		s.AddFaultPlan(ctx, store.FaultPlanRow{Study: "G", Key: "leak", Words: "leaks", Faulty: []string{"F1"}, Good: []string{}}),
		second(s.AddFaultSignature(ctx, store.FaultSignatureRow{Product: "p", Key: "leak", State: "in force", Study: "G", Shape: []float64{-1}, Low: []float64{-2}, High: []float64{0}, Units: []string{"F1"}, Basis: []byte(`{}`), CreatedAt: moment})),
		second(s.AddActionPlan(ctx, store.ActionPlanRow{Product: "p", Definition: []byte(`[]`), CreatedAt: moment}, 1)),
		second(s.AddTransfer(ctx, store.TransferRow{Product: "p", Rig: "a/b", Reference: "q", Study: "G", InForce: true, Curve: []float64{1}, DeviationU: []float64{1}, BalanceU: []float64{1}, CreatedAt: moment})))
	visit.Passed, visit.Judgement = &passed, []byte(`{}`)
	return errors.Join(err, s.CompleteVisit(ctx, visit))
}

func held(a store.AttemptRow, word *string) store.AttemptRow {
	a.Verdict = word
	return a
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func verify(t *testing.T, db *store.DB, kept ...store.Head) store.Verification {
	t.Helper()
	v, err := db.Verify(t.Context(), "a", kept, func(store.VerifyStep) {})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestVerifyFindsNothingInAnHonestRecord(t *testing.T) {
	t.Parallel()
	db, _ := record(t)
	v := verify(t, db)
	if len(v.Faults) > 0 || v.More > 0 {
		t.Errorf("faults: %+v", v.Faults)
	}
	if v.Entries != 6 || v.Rows != 43 || v.Head.Entry != 6 || len(v.Head.Hash) != 32 {
		t.Errorf("%d entries, %d rows, head %v; want 6, 43, entry 6", v.Entries, v.Rows, v.Head)
	}
	head, err := store.ParseHead(v.Head.String())
	if err != nil {
		t.Fatal(err)
	}
	if v := verify(t, db, head); len(v.Faults) > 0 {
		t.Errorf("a head that was kept: %+v", v.Faults)
	}
}

// Every way of bending the journal itself is found, and the entry is named.
func TestVerifyFindsABentJournal(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		sql  []string
		want string
	}{
		"altered reason":     {[]string{`UPDATE journal SET reason = 'other' WHERE site = 'a' AND entry = 2`}, "Entry 2 was altered"},
		"altered time":       {[]string{`UPDATE journal SET at = at + interval '1 microsecond' WHERE site = 'a' AND entry = 3`}, "Entry 3 was altered"},
		"altered detail":     {[]string{`UPDATE journal SET detail = '{"a": [1.5, "x"], "b": 1}' WHERE site = 'a' AND entry = 2`}, "Entry 2 was altered"},
		"moved a comma":      {[]string{`UPDATE journal SET subject = subject || ',0:', action = 'no' WHERE site = 'a' AND entry = 3`}, "Entry 3 was altered"},
		"removed":            {[]string{`DELETE FROM journal WHERE site = 'a' AND entry = 4`}, "Entry 4 is missing"},
		"removed the first":  {[]string{`DELETE FROM journal WHERE site = 'a' AND entry = 1`}, "Entry 1 is missing"},
		"removed the newest": {[]string{`DELETE FROM journal WHERE site = 'a' AND entry = 6`}, "Entry 6 is missing"},
		"removed the newest and the counter": {[]string{`DELETE FROM journal WHERE site = 'a' AND entry = 6`,
			`UPDATE sites SET next_entry = 6 WHERE site = 'a'`}, "does not end with entry 5"},
		"closed the gap": {[]string{`DELETE FROM journal WHERE site = 'a' AND entry = 4`, `UPDATE journal SET entry = 4 WHERE site = 'a' AND entry = 5`,
			`UPDATE journal SET entry = 5 WHERE site = 'a' AND entry = 6`, `UPDATE sites SET next_entry = 6 WHERE site = 'a'`}, "Entry 4 does not follow entry 3"},
		"reordered": {[]string{`UPDATE journal SET entry = 99 WHERE site = 'a' AND entry = 4`, `UPDATE journal SET entry = 4 WHERE site = 'a' AND entry = 5`,
			`UPDATE journal SET entry = 5 WHERE site = 'a' AND entry = 99`}, "Entry 4 was altered"},
		"appended outside": {[]string{`INSERT INTO journal (site, entry, at, actor, origin, action, subject, reason, detail) VALUES ('a', 7, now(), 'x', '', 'x', '', '', '{}')`},
			"Entry 7 was written past the program"},
		"appended outside with the counter": {[]string{`INSERT INTO journal (site, entry, at, actor, origin, action, subject, reason, detail) VALUES ('a', 7, now(), 'x', '', 'x', '', '', '{}')`,
			`UPDATE sites SET next_entry = 8 WHERE site = 'a'`}, "Entry 7 was altered, or written past the program"},
		"rehashed":   {[]string{`UPDATE journal SET hash = sha256('x') WHERE site = 'a' AND entry = 3`}, "Entry 4 does not follow entry 3"},
		"rows list":  {[]string{`DELETE FROM journal_rows WHERE site = 'a' AND entry = 2 AND kind = 'takes'`}, "The list of rows that entry 2 speaks for"},
		"rows added": {[]string{`INSERT INTO journal_rows VALUES ('a', 4, 'takes', 'x', 'y')`}, "The list of rows that entry 4 speaks for"},
		"rows of no entry": {[]string{`INSERT INTO journal_rows SELECT 'a', 99, kind, key, sha256('x') FROM journal_rows WHERE site = 'a' AND kind = 'lots'`},
			"for an entry 99 that does not exist"},
		"rows of entry 0": {[]string{`INSERT INTO journal_rows SELECT 'a', 0, kind, key, sha256('x') FROM journal_rows WHERE site = 'a' AND kind = 'lots'`},
			"for an entry 0 that does not exist"},
		"from the other site": {[]string{`UPDATE journal SET (reason, hash, previous) = (SELECT reason, hash, previous FROM journal WHERE site = 'b' AND entry = 1) WHERE site = 'a' AND entry = 1`},
			"Entry 1 was altered"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, url := record(t)
			f := newForger(t, url)
			for _, sql := range c.sql {
				f.do(1, sql)
			}
			wantFault(t, verify(t, db), c.want)
		})
	}
}

func wantFault(t *testing.T, v store.Verification, want string) {
	t.Helper()
	for _, f := range v.Faults {
		if strings.Contains(f.Text, want) {
			return
		}
	}
	t.Errorf("no fault says %q: %+v", want, v.Faults)
}

// Whoever writes the whole journal anew, hashes and all, is found by a head that was
// kept apart.
func TestKeptHeadFindsAJournalWrittenAnew(t *testing.T) {
	t.Parallel()
	db, url := record(t)
	kept, err := db.Site("a").Head(t.Context())
	must(t, err)
	f := newForger(t, url)
	f.do(5, `DELETE FROM journal WHERE site = 'a' AND entry > 1`)
	f.do(-1, `DELETE FROM journal_rows WHERE site = 'a' AND entry > 1`)
	f.do(1, `UPDATE sites SET next_entry = 2, journal_head = (SELECT hash FROM journal WHERE site = 'a' AND entry = 1) WHERE site = 'a'`)
	wantFault(t, verify(t, db, kept), "before the head that was kept")
	for range 6 {
		must(t, second(db.Site("a").Write(t.Context(), store.Entry{At: moment, Action: "forged"})))
	}
	for _, fault := range verify(t, db).Faults {
		if fault.Table == "" {
			t.Errorf("without the head nothing can tell, yet: %+v", fault)
		}
	}
	wantFault(t, verify(t, db, kept), "Entry 6 is not the one whose hash was kept")
}

// An edit of any row that the journal speaks for is found, and table and row are named.
func TestVerifyFindsEditedRows(t *testing.T) {
	t.Parallel()
	edits := map[string]string{
		"action_plans":     `UPDATE action_plans SET definition = '[1]' WHERE site = 'a'`,
		"fault_plans":      `UPDATE fault_plans SET side = 'both' WHERE site = 'a'`,
		"fault_signatures": `UPDATE fault_signatures SET shape = '{-2}' WHERE site = 'a'`,
		"attempts":         `UPDATE attempts SET verdict = 'pass' WHERE site = 'a'`,
		"batch_values":     `UPDATE batch_values SET value = 31 WHERE site = 'a'`,
		"batches":          `UPDATE batches SET supplier = 'y' WHERE site = 'a'`,
		"finding_events":   `UPDATE finding_events SET actor = 'y' WHERE site = 'a'`,
		"finding_signals":  `UPDATE finding_signals SET finding = 2 WHERE site = 'a'`,
		"findings":         `UPDATE findings SET cause = 'none' WHERE site = 'a'`,
		"people":           `UPDATE people SET role = 'administrator' WHERE site = 'a'`,
		"tokens":           `UPDATE tokens SET revoked_at = NULL, hash = '\x01' WHERE site = 'a'`,
		"pairing_pairs":    `UPDATE pairing_pairs SET mismatch = 0.1 WHERE site = 'a'`,
		"pairings":         `UPDATE pairings SET withdrawn_at = now() WHERE site = 'a'`,
		"reference_states": `UPDATE reference_states SET state = 'retired' WHERE site = 'a'`,
		"reference_units":  `UPDATE reference_units SET note = 'y' WHERE site = 'a'`,
		"rig_baselines":    `UPDATE rig_baselines SET mean = '{1.0000000000000002}' WHERE site = 'a'`,
		"rig_entries":      `UPDATE rig_entries SET changed = NOT changed WHERE site = 'a'`,
		"rig_policies":     `UPDATE rig_policies SET definition = '{"off": true}' WHERE site = 'a'`,
		"rig_takes":        `UPDATE rig_takes SET levels = '\x01' WHERE site = 'a'`,
		"rig_transfers":    `UPDATE rig_transfers SET curve = '{2}' WHERE site = 'a'`,
		"rig_visits":       `UPDATE rig_visits SET passed = false WHERE site = 'a'`,
		"seating_limits":   `UPDATE seating_limits SET spread = '{2}' WHERE site = 'a'`,
		"studies":          `UPDATE studies SET seed = seed + 1 WHERE site = 'a'`,
		"together_charts":  `UPDATE together_charts SET fires_above = 9 WHERE site = 'a'`,
		"unit_values":      `UPDATE unit_values SET value = 0.2 WHERE site = 'a'`,
		"verdict_changes":  `UPDATE verdict_changes SET reason = '' WHERE site = 'a'`,
		"draws":            `UPDATE draws SET seed = '01' WHERE site = 'a'`,
		"envelopes":        `UPDATE envelopes SET definition = '{"guard": null}' WHERE site = 'a'`,
		"grids":            `UPDATE grids SET frequencies = '\x0103' WHERE site = 'a'`,
		"limit_sets":       `UPDATE limit_sets SET sigma = '{0.10000000000000002}' WHERE site = 'a'`,
		"lot_steps":        `UPDATE lot_steps SET outcome = 'reject' WHERE site = 'a'`,
		"lots":             `UPDATE lots SET opened_at = opened_at - interval '1 day' WHERE site = 'a'`,
		"overrides":        `UPDATE overrides SET reason = '' WHERE site = 'a'`,
		"part_uses":        `UPDATE part_uses SET batch = 'F2' WHERE site = 'a'`,
		"products":         `UPDATE products SET definition = '{"x": 1}' WHERE site = 'a'`,
		"quarantine":       `UPDATE quarantine SET reason = 'none' WHERE site = 'a'`,
		"readings":         `UPDATE readings SET streams = '{0.25000003}' WHERE site = 'a'`,
		"signals":          `DELETE FROM signals WHERE site = 'a' AND rule = 'trend'`,
		"sites":            `UPDATE sites SET zone = 'Europe/Vienna' WHERE site = 'a'`,
		"take_curves":      `UPDATE take_curves SET levels = '\x0305' WHERE site = 'a'`,
		"takes":            `UPDATE takes SET bands = '{1,0}' WHERE site = 'a'`,
		"units":            `UPDATE units SET place = NULL WHERE site = 'a'`,
	}
	if len(edits) != len(store.KindNames()) {
		t.Errorf("%d edits for %d kinds of row", len(edits), len(store.KindNames()))
	}
	for table, sql := range edits {
		t.Run(table, func(t *testing.T) {
			t.Parallel()
			db, url := record(t)
			f := newForger(t, url)
			f.do(1, sql)
			v := verify(t, db)
			if len(v.Faults) != 1 || v.Faults[0].Table != table || v.Faults[0].Row == "" || !strings.Contains(v.Faults[0].Text, "was altered") {
				t.Errorf("edit: %+v", v.Faults)
			}
			f.do(-1, `DELETE FROM `+table+` WHERE site = 'a'`)
			if table != "sites" { // without its row the site has no journal to walk
				wantFault(t, verify(t, db), "of table "+table+" is missing")
			}
		})
	}
}

// Every table is spoken for, or stands here with its reason.
func TestEveryTableIsSpokenFor(t *testing.T) {
	t.Parallel()
	conn := newForger(t, storetest.URL(t)).conn
	rows, err := conn.Query(t.Context(), `SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY tablename`)
	must(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	must(t, err)
	spoken := map[string]bool{
		"journal": true, "journal_rows": true, // the chain itself
		"goose_db_version": true, // of the program, not of a site
		// Secrets and what is gone in a day. Of a password the mark in people is spoken for,
		// and one that does not have it opens nothing (line.TestPasswordWrittenPastTheProgram).
		"passwords": true, "sessions": true, "invitations": true, "sign_in_tries": true,
	}
	for _, k := range store.KindNames() {
		table, _, _ := strings.Cut(k, ".")
		spoken[table] = true
	}
	for _, table := range tables {
		if !spoken[table] {
			t.Errorf("the journal does not speak for table %s: add its kind to covered.go and touch to the methods that write it", table)
		}
	}
}

// A row that was written past the program is found as well.
func TestVerifyFindsRowsWrittenPastTheProgram(t *testing.T) {
	t.Parallel()
	db, url := record(t)
	newForger(t, url).do(1, `INSERT INTO units (site, serial, product, lot, first_seen) VALUES ('a', 'U2', 'p', 'L1', now())`)
	v := verify(t, db)
	if len(v.Faults) != 1 || v.Faults[0].Table != "units" || v.Faults[0].Row != "U2" {
		t.Errorf("%+v", v.Faults)
	}
	wantFault(t, v, "no entry speaks for it")
}

// No setting of the database that changes how values look changes a digest.
func TestDigestsDoNotDependOnSettings(t *testing.T) {
	t.Parallel()
	db, url := record(t)
	f := newForger(t, url)
	name := ""
	must(t, f.conn.QueryRow(t.Context(), `SELECT current_database()`).Scan(&name))
	for _, set := range []string{"timezone = 'Asia/Kathmandu'", "extra_float_digits = 0", "bytea_output = 'escape'", "datestyle = 'German'"} {
		f.do(-1, `ALTER DATABASE "`+name+`" SET `+set)
	}
	other, err := store.Open(t.Context(), url)
	must(t, err)
	defer other.Close()
	if v := verify(t, other); len(v.Faults) > 0 || v.Rows == 0 {
		t.Errorf("%+v", v.Faults)
	}
	_ = db
}

func TestWritesWithoutAJournalEntryAreRefused(t *testing.T) {
	t.Parallel()
	db, _ := record(t)
	ctx := t.Context()
	add := func(s store.Site) error {
		return s.AddUnit(ctx, store.UnitRow{Serial: "U2", Product: "p", Lot: "L1", FirstSeen: moment})
	}
	if err := db.InSite(ctx, "a", add); err == nil || !strings.Contains(err.Error(), "without a journal entry") {
		t.Errorf("got %v, want a refusal", err)
	}
	// What a savepoint undoes needs no entry, and what went before it still does.
	boom := errors.New("boom")
	must(t, db.InSite(ctx, "a", func(s store.Site) error {
		if err := s.Within(ctx, func(s store.Site) error { return errors.Join(add(s), boom) }); !errors.Is(err, boom) {
			t.Errorf("got %v", err)
		}
		return nil
	}))
	err := db.InSite(ctx, "a", func(s store.Site) error {
		must(t, add(s))
		_ = s.Within(ctx, func(s store.Site) error {
			must(t, second(s.Write(ctx, store.Entry{At: moment, Action: "undone"})))
			return boom
		})
		return nil
	})
	if err == nil || !strings.Contains(err.Error(), "without a journal entry") {
		t.Errorf("after an undone entry: %v, want a refusal", err)
	}
	if v := verify(t, db); len(v.Faults) > 0 {
		t.Errorf("%+v", v.Faults)
	}
}

func TestVerifyCanBeCancelled(t *testing.T) {
	t.Parallel()
	db, _ := record(t)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := db.Verify(ctx, "a", nil, func(store.VerifyStep) { cancel() })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

func TestParseHead(t *testing.T) {
	t.Parallel()
	for _, bad := range []string{"", "7", "7:", "7:ab", "x:" + strings.Repeat("ab", 32), "0:" + strings.Repeat("ab", 32), "7:" + strings.Repeat("ag", 32)} {
		if _, err := store.ParseHead(bad); err == nil {
			t.Errorf("%q is read", bad)
		}
	}
}
