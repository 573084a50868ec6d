package store

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// A Fault is one thing that is not as it was written.
type Fault struct {
	Entry int64  // of the journal; for a row the newest entry that speaks for it; 0 for none
	Table string // empty when the journal itself is at fault
	Row   string
	Text  string // a whole sentence
}

// A Verification is what a walk over a site's journal found.
type Verification struct {
	Entries int64 // looked at
	Rows    int64 // held against what the journal says
	Head    Head
	Anchors []Anchor
	Faults  []Fault
	More    int64 // faults beyond those listed
}

// An Anchor is an entry from which on the journal speaks for kinds of row that were
// there before; entries before the first one were chained at that time as they stood.
type Anchor struct {
	Entry  int64
	Detail string
}

// mostFaults is how many faults of one sort are listed: the first ones tell the tale.
const mostFaults = 50

func (v *Verification) fault(f Fault) {
	n := 0
	for _, have := range v.Faults {
		if have.Table == f.Table {
			n++
		}
	}
	if n >= mostFaults {
		v.More++
		return
	}
	v.Faults = append(v.Faults, f)
}

// A VerifyStep reports how far a verification has come.
type VerifyStep struct {
	What     string
	Done, Of int64
}

// Verify walks the journal of a site entry by entry and holds every row it speaks for
// against the row's digest, in one snapshot. kept are heads that were kept apart,
// which must still be in the chain. It can be cancelled, and changes nothing.
func (db *DB) Verify(ctx context.Context, site string, kept []Head, report func(VerifyStep)) (Verification, error) {
	var v Verification
	ctx = AsSite(ctx) // the journal speaks for people too, whom the licensor does not read
	err := db.Snapshot(ctx, site, func(s Site) error {
		// Each table is read once, whole: compiling the question would cost more than it
		// saves, and the keys of 100 000 rows should sort in memory.
		for _, set := range []string{`SET LOCAL jit = off`, `SET LOCAL work_mem = '64MB'`} {
			if err := s.exec(ctx, set); err != nil {
				return err
			}
		}
		next, err := s.verifyEntries(ctx, &v, kept, report)
		if err != nil {
			return err
		}
		if err := s.verifyLoose(ctx, &v, next); err != nil {
			return err
		}
		return s.verifyRows(ctx, &v, report)
	})
	return v, err
}

// chunk is how many entries are read at a time.
const chunk = 5000

// verifyEntries walks the chain and returns the number after its end.
func (s Site) verifyEntries(ctx context.Context, v *Verification, kept []Head, report func(VerifyStep)) (next int64, err error) {
	if err := s.q.QueryRow(ctx, `SELECT next_entry, journal_head FROM sites WHERE site = $1`, s.Name).Scan(&next, &v.Head.Hash); err != nil {
		return 0, translate(err)
	}
	v.Head.Entry = next - 1
	var previous []byte
	for from := int64(1); from < next; from += chunk {
		to := min(from+chunk, next)
		links, err := s.links(ctx, from, to)
		if err != nil {
			return 0, err
		}
		covered, err := s.coveredBy(ctx, from, to)
		if err != nil {
			return 0, err
		}
		for n := from; n < to; n++ {
			l, ok := links[n]
			if !ok {
				v.fault(Fault{Entry: n, Text: fmt.Sprintf("Entry %d is missing: it was removed.", n)})
				previous = nil
				continue
			}
			v.Entries++
			v.checkLink(l, s.Name, previous, n == 1, covered[n])
			checkKept(v, l, kept)
			previous = l.Hash
		}
		report(VerifyStep{"entries", to - 1, next - 1})
	}
	if previous != nil && !bytes.Equal(previous, v.Head.Hash) {
		v.fault(Fault{Entry: next - 1, Text: fmt.Sprintf("The journal does not end with entry %d as it was written: the newest entries were removed or replaced.", next-1)})
	}
	for _, h := range kept {
		if h.Entry >= next {
			v.fault(Fault{Entry: h.Entry, Text: fmt.Sprintf("The journal ends at entry %d, before the head that was kept (%d): the newest entries were removed.", next-1, h.Entry)})
		}
	}
	return next, nil
}

// checkLink holds one entry against its own hash, the entry before it (nil when that
// is missing) and its rows.
func (v *Verification) checkLink(l link, site string, previous []byte, first bool, rows []rowDigest) {
	n := l.Entry.Entry
	if l.Action == "anchor" {
		v.Anchors = append(v.Anchors, Anchor{n, string(l.Detail)})
	}
	if !bytes.Equal(l.sum(site), l.Hash) {
		v.fault(Fault{Entry: n, Text: fmt.Sprintf("Entry %d was altered, or written past the program: its content does not give its hash.", n)})
	}
	switch {
	case first && len(l.Previous) > 0, previous != nil && !bytes.Equal(previous, l.Previous):
		v.fault(Fault{Entry: n, Text: fmt.Sprintf("Entry %d does not follow entry %d as it stands: one of the two was replaced, moved or written past the program.", n, n-1)})
	}
	if !bytes.Equal(covers(rows), l.Covers) {
		v.fault(Fault{Entry: n, Text: fmt.Sprintf("The list of rows that entry %d speaks for was altered.", n)})
	}
}

func checkKept(v *Verification, l link, kept []Head) {
	for _, h := range kept {
		if h.Entry == l.Entry.Entry && !bytes.Equal(h.Hash, l.Hash) {
			v.fault(Fault{Entry: h.Entry, Text: fmt.Sprintf("Entry %d is not the one whose hash was kept (%s): the journal up to there was written anew.", h.Entry, hex.EncodeToString(h.Hash))})
		}
	}
}

// links returns the entries of a range by number.
func (s Site) links(ctx context.Context, from, to int64) (map[int64]link, error) {
	rows, err := s.q.Query(ctx, `
		SELECT entry, at, actor, origin, action, subject, reason, detail::text, previous, covers, hash FROM journal
		WHERE site = $1 AND entry >= $2 AND entry < $3`, s.Name, from, to)
	if err != nil {
		return nil, translate(err)
	}
	out := make(map[int64]link, to-from)
	var l link
	var detail string
	_, err = pgx.ForEachRow(rows, []any{&l.Entry.Entry, &l.At, &l.Actor, &l.Origin, &l.Action, &l.Subject, &l.Reason, &detail,
		&l.Previous, &l.Covers, &l.Hash}, func() error {
		got := l
		got.Detail = []byte(detail)
		got.Previous, got.Covers, got.Hash = bytes.Clone(l.Previous), bytes.Clone(l.Covers), bytes.Clone(l.Hash)
		out[l.Entry.Entry] = got
		return nil
	})
	return out, translate(err)
}

// coveredBy returns the rows that the entries of a range speak for.
func (s Site) coveredBy(ctx context.Context, from, to int64) (map[int64][]rowDigest, error) {
	rows, err := s.q.Query(ctx, `
		SELECT entry, kind, key, digest FROM journal_rows WHERE site = $1 AND entry >= $2 AND entry < $3
		ORDER BY entry, kind COLLATE "C", key COLLATE "C"`, s.Name, from, to)
	if err != nil {
		return nil, translate(err)
	}
	out := map[int64][]rowDigest{}
	var entry int64
	var d rowDigest
	_, err = pgx.ForEachRow(rows, []any{&entry, &d.Kind, &d.Key, &d.Digest}, func() error {
		out[entry] = append(out[entry], rowDigest{d.Kind, d.Key, bytes.Clone(d.Digest)})
		return nil
	})
	return out, translate(err)
}

// verifyLoose finds entries beyond the counter or below 1.
func (s Site) verifyLoose(ctx context.Context, v *Verification, next int64) error {
	rows, err := s.q.Query(ctx, `SELECT entry FROM journal WHERE site = $1 AND (entry >= $2 OR entry < 1) ORDER BY entry`, s.Name, next)
	if err != nil {
		return translate(err)
	}
	var n int64
	_, err = pgx.ForEachRow(rows, []any{&n}, func() error {
		v.fault(Fault{Entry: n, Text: fmt.Sprintf("Entry %d was written past the program: the journal ends at entry %d.", n, next-1)})
		return nil
	})
	if err != nil {
		return translate(err)
	}
	// Digests of an entry that does not exist would speak for rows unchecked.
	rows, err = s.q.Query(ctx, `
		SELECT DISTINCT r.entry FROM journal_rows r LEFT JOIN journal j ON j.site = r.site AND j.entry = r.entry
		WHERE r.site = $1 AND (r.entry >= $2 OR r.entry < 1 OR j.entry IS NULL) ORDER BY r.entry`, s.Name, next)
	if err != nil {
		return translate(err)
	}
	_, err = pgx.ForEachRow(rows, []any{&n}, func() error {
		v.fault(Fault{Entry: n, Text: fmt.Sprintf("Digests of rows were written past the program, for an entry %d that does not exist.", n)})
		return nil
	})
	return translate(err)
}

// verifyRows holds the tables against the digests. The newest entry that speaks for
// a row counts.
func (s Site) verifyRows(ctx context.Context, v *Verification, report func(VerifyStep)) error {
	for i, k := range kinds {
		n, err := s.verifyKind(ctx, v, k)
		if err != nil {
			return err
		}
		v.Rows += n
		report(VerifyStep{"tables", int64(i + 1), int64(len(kinds))})
	}
	return nil
}

func (s Site) verifyKind(ctx context.Context, v *Verification, k kind) (looked int64, err error) {
	rows, err := s.q.Query(ctx, `
		WITH spoken AS (
			SELECT DISTINCT ON (key COLLATE "C") key, digest, entry FROM journal_rows
			WHERE site = $1 AND kind = $2 ORDER BY key COLLATE "C", entry DESC
		), there AS (`+k.digests(false)+`)
		SELECT coalesce(s.key, t.key), coalesce(s.entry, 0), s.key IS NOT NULL, t.key IS NOT NULL
		FROM spoken s FULL JOIN there t ON t.key = s.key
		WHERE s.digest IS DISTINCT FROM t.digest ORDER BY coalesce(s.key, t.key) COLLATE "C"`, s.Name, k.name)
	if err != nil {
		return 0, translate(err)
	}
	var key string
	var entry int64
	var spoken, present bool
	_, err = pgx.ForEachRow(rows, []any{&key, &entry, &spoken, &present}, func() error {
		f := Fault{Entry: entry, Table: k.tableName(), Row: key}
		switch {
		case !spoken:
			f.Text = fmt.Sprintf("Row %s of table %s was written past the program: no entry speaks for it.", f.Row, f.Table)
		case !present:
			f.Text = fmt.Sprintf("Row %s of table %s is missing: entry %d speaks for it.", f.Row, f.Table, f.Entry)
		default:
			f.Text = fmt.Sprintf("Row %s of table %s was altered: it is not what entry %d wrote.", f.Row, f.Table, f.Entry)
		}
		v.fault(f)
		return nil
	})
	if err != nil {
		return 0, translate(err)
	}
	err = s.q.QueryRow(ctx, `SELECT count(*) FROM `+k.tableName()+` WHERE site = $1`, s.Name).Scan(&looked)
	return looked, translate(err)
}
