package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// The journal is a chain per site. The hash of an entry is the SHA-256 of these
// fields, each written as its length in bytes, a colon, the field and a comma:
//
//	"alike journal 1"
//	hash of the entry before, hexadecimal, empty for the first
//	site
//	number of the entry
//	time in microseconds since 1970-01-01 UTC
//	actor, origin, action, subject, reason
//	detail, as the database writes it (jsonb as text)
//	hash over the rows that the entry speaks for, hexadecimal, empty for none
//
// The hash over the rows takes, in byte order of kind and key, kind, key and digest
// (hexadecimal) of each in the same way. What a digest is: see kind.

// frame writes fields so that no two lists of fields give the same bytes.
func frame(h hash.Hash, fields ...string) {
	b := make([]byte, 0, 512)
	for _, f := range fields {
		b = strconv.AppendInt(b, int64(len(f)), 10)
		b = append(append(append(b, ':'), f...), ',')
	}
	h.Write(b)
}

// A link is an entry with what chains it.
type link struct {
	Entry
	Previous []byte
	Covers   []byte
	Hash     []byte
}

// sum is the hash that the link should have.
func (l link) sum(site string) []byte {
	h := sha256.New()
	frame(h, "alike journal 1", hex.EncodeToString(l.Previous), site, strconv.FormatInt(l.Entry.Entry, 10),
		strconv.FormatInt(l.At.UnixMicro(), 10), l.Actor, l.Origin, l.Action, l.Subject, l.Reason, string(l.Detail),
		hex.EncodeToString(l.Covers))
	return h.Sum(nil)
}

// A rowDigest is what one row looked like.
type rowDigest struct {
	Kind   string
	Key    string
	Digest []byte
}

// covers is the hash over rows in byte order of kind and key.
func covers(rows []rowDigest) []byte {
	if len(rows) == 0 {
		return []byte{}
	}
	h := sha256.New()
	for _, r := range rows {
		frame(h, r.Kind, r.Key, hex.EncodeToString(r.Digest))
	}
	return h.Sum(nil)
}

// touched lists the rows written in a transaction since its last journal entry.
type touched struct{ rows []rowDigest }

// touch notes that a row was written; the next journal entry of the transaction will
// speak for it.
func (s Site) touch(kind string, keys ...string) {
	if s.touched == nil {
		return // outside a transaction: tests only
	}
	for _, k := range keys {
		s.touched.rows = append(s.touched.rows, rowDigest{Kind: kindNamed(kind).name, Key: k})
	}
}

// unspoken is an error when rows were written without a journal entry.
func (t *touched) unspoken() error {
	if len(t.rows) == 0 {
		return nil
	}
	return fmt.Errorf("store: %d rows were written without a journal entry, the first is %s %s", len(t.rows), t.rows[0].Kind, t.rows[0].Key)
}

// Write appends an entry to the journal and returns its number. It speaks for all
// rows written in this transaction since the entry before. The site's row stays
// locked until the transaction ends, so that numbers have no gaps and the chain has
// one order. Who listens is told when the transaction is committed.
func (s Site) Write(ctx context.Context, e Entry) (n int64, err error) {
	if f, ok := s.q.(fenced); ok {
		err := (&DB{f.pool}).InSite(ctx, s.Name, func(s Site) error {
			n, err = s.Write(ctx, e)
			return err
		})
		return n, err
	}
	if e.Detail == nil {
		e.Detail = json.RawMessage(`{}`)
	}
	e.At = now(e.At)
	l := link{Entry: e}
	rows, err := s.prepare(ctx, &l)
	if err != nil {
		return 0, err
	}
	l.Covers = covers(rows)
	if err := s.append(ctx, &l, rows); err != nil {
		return 0, err
	}
	if s.touched != nil {
		s.touched.rows = nil
	}
	return l.Entry.Entry, nil
}

// prepare locks the chain, reads its end, the stored form of the detail and the
// digests of the touched rows, in one round trip.
func (s Site) prepare(ctx context.Context, l *link) (rows []rowDigest, err error) {
	b := &pgx.Batch{}
	var detail string
	b.Queue(`SELECT next_entry, journal_head, $2::jsonb::text FROM sites WHERE site = $1 FOR UPDATE`, s.Name, l.Detail).
		QueryRow(func(r pgx.Row) error { return r.Scan(&l.Entry.Entry, &l.Previous, &detail) })
	keys := map[string][]string{}
	if s.touched != nil {
		for _, r := range s.touched.rows {
			if !slices.Contains(keys[r.Kind], r.Key) {
				keys[r.Kind] = append(keys[r.Kind], r.Key)
			}
		}
	}
	for _, k := range kinds {
		if len(keys[k.name]) == 0 {
			continue
		}
		b.Queue(k.digests(true), s.Name, keys[k.name]).Query(func(r pgx.Rows) error {
			found, err := pgx.CollectRows(r, func(r pgx.CollectableRow) (d rowDigest, err error) {
				d.Kind = k.name
				return d, r.Scan(&d.Key, &d.Digest)
			})
			if err == nil && len(found) != len(keys[k.name]) {
				err = fmt.Errorf("store: %d rows of %s were written, %d are there", len(keys[k.name]), k.name, len(found))
			}
			rows = append(rows, found...)
			return err
		})
	}
	if err := s.q.SendBatch(ctx, b).Close(); err != nil {
		return nil, translate(err)
	}
	l.Detail = json.RawMessage(detail)
	slices.SortFunc(rows, func(a, b rowDigest) int {
		if c := strings.Compare(a.Kind, b.Kind); c != 0 {
			return c
		}
		return strings.Compare(a.Key, b.Key)
	})
	return rows, nil
}

// append stores the link, its rows, and the new end of the chain.
func (s Site) append(ctx context.Context, l *link, rows []rowDigest) error {
	b := &pgx.Batch{}
	s.queueLink(b, l)
	if len(rows) > 0 {
		n := len(rows)
		names, keys, digests := make([]string, n), make([]string, n), make([][]byte, n)
		for i, r := range rows {
			names[i], keys[i], digests[i] = r.Kind, r.Key, r.Digest
		}
		b.Queue(`INSERT INTO journal_rows (site, entry, kind, key, digest)
			SELECT $1, $2, * FROM unnest($3::text[], $4::text[], $5::bytea[])`, s.Name, l.Entry.Entry, names, keys, digests)
	}
	return translate(s.q.SendBatch(ctx, b).Close())
}

func (s Site) queueLink(b *pgx.Batch, l *link) {
	l.Hash = l.sum(s.Name)
	b.Queue(`INSERT INTO journal (site, entry, at, actor, origin, action, subject, reason, detail, previous, covers, hash)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		s.Name, l.Entry.Entry, l.At, l.Actor, l.Origin, l.Action, l.Subject, l.Reason, l.Detail, l.Previous, l.Covers, l.Hash)
	b.Queue(`UPDATE sites SET next_entry = $2, journal_head = $3 WHERE site = $1`, s.Name, l.Entry.Entry+1, l.Hash)
	b.Queue(`SELECT pg_notify('`+journalChannel+`', $1)`, s.Name)
}

// A Head is the end of a site's journal. Who keeps one apart, on paper or in another
// hand, can tell later whether the journal up to there is still the same.
type Head struct {
	Entry int64 // 0 for an empty journal
	Hash  []byte
}

// String is the head as people keep it: number and hash.
func (h Head) String() string { return fmt.Sprintf("%d:%x", h.Entry, h.Hash) }

// ParseHead reads what String writes.
func ParseHead(text string) (Head, error) {
	number, sum, ok := strings.Cut(strings.TrimSpace(text), ":")
	n, err := strconv.ParseInt(number, 10, 64)
	raw, e := hex.DecodeString(sum)
	if !ok || err != nil || e != nil || n < 1 || len(raw) != sha256.Size {
		return Head{}, fmt.Errorf("%q is no head of a journal: give number and hash, as alike journal head prints them", text)
	}
	return Head{n, raw}, nil
}

// Head returns the end of the journal.
func (s Site) Head(ctx context.Context) (h Head, err error) {
	err = s.q.QueryRow(ctx, `SELECT next_entry - 1, journal_head FROM sites WHERE site = $1`, s.Name).Scan(&h.Entry, &h.Hash)
	return h, translate(err)
}

// anchor lets the journal speak for kinds of row that it did not speak for before: a
// database from before the chain, or a kind that a newer program adds. One entry per
// site covers all rows as they stand; what happened to them earlier it cannot know.
func (db *DB) anchor(ctx context.Context) error {
	var sites []SiteRow
	err := db.within(ctx, pgx.TxOptions{}, ownerRole, "", func(tx pgx.Tx) (err error) {
		sites, err = all[SiteRow](ctx, tx, `
			SELECT site, name, zone, created_at FROM sites WHERE NOT journalled @> $1 ORDER BY site`, kindNames)
		return err
	})
	if err != nil {
		return err
	}
	for _, row := range sites {
		err := db.InSite(ctx, row.Site, func(s Site) error { return s.anchor(ctx) })
		if err != nil {
			return fmt.Errorf("anchor the journal of site %s: %w", row.Site, err)
		}
	}
	return nil
}

func (s Site) anchor(ctx context.Context) error {
	var known []string
	var at time.Time
	l := link{Entry: Entry{Actor: "alike", Origin: "new schema", Action: "anchor", Subject: s.Name,
		Reason: "the journal speaks for these kinds of row from here on, as they stand now"}}
	err := s.q.QueryRow(ctx, `SELECT next_entry, journal_head, journalled, clock_timestamp() FROM sites WHERE site = $1 FOR UPDATE`,
		s.Name).Scan(&l.Entry.Entry, &l.Previous, &known, &at)
	if err != nil {
		return translate(err)
	}
	l.At = now(at)
	counts := map[string]int{}
	h := sha256.New()
	some := false
	for _, k := range kinds {
		if slices.Contains(known, k.name) {
			continue
		}
		counts[k.name] = 0
		if err := s.eachDigest(ctx, k, func(key string, digest []byte) {
			frame(h, k.name, key, hex.EncodeToString(digest))
			counts[k.name]++
			some = true
		}); err != nil {
			return err
		}
	}
	if len(counts) == 0 {
		return nil // another program was faster
	}
	if l.Covers = []byte{}; some {
		l.Covers = h.Sum(nil)
	}
	detail, err := json.Marshal(map[string]any{"rows": counts})
	if err != nil {
		return err
	}
	var stored string
	if err := s.q.QueryRow(ctx, `SELECT $1::jsonb::text`, json.RawMessage(detail)).Scan(&stored); err != nil {
		return translate(err)
	}
	l.Detail = json.RawMessage(stored)
	b := &pgx.Batch{}
	s.queueLink(b, &l)
	for name := range counts {
		b.Queue(`INSERT INTO journal_rows (site, entry, kind, key, digest) SELECT $1, $2, $3, d.* FROM (`+
			strings.ReplaceAll(kindNamed(name).digests(false), "$1", "$1::text")+`) d`, s.Name, l.Entry.Entry, name)
	}
	b.Queue(`UPDATE sites SET journalled = (SELECT array_agg(DISTINCT k ORDER BY k) FROM unnest(journalled || $2) k) WHERE site = $1`,
		s.Name, kindNames)
	return translate(s.q.SendBatch(ctx, b).Close())
}

// eachDigest gives key and digest of every row of a kind in byte order of the key.
func (s Site) eachDigest(ctx context.Context, k kind, do func(key string, digest []byte)) error {
	rows, err := s.q.Query(ctx, `SELECT * FROM (`+k.digests(false)+`) d ORDER BY d.key COLLATE "C"`, s.Name)
	if err != nil {
		return translate(err)
	}
	var key string
	var digest []byte
	_, err = pgx.ForEachRow(rows, []any{&key, &digest}, func() error {
		do(key, bytes.Clone(digest))
		return nil
	})
	return translate(err)
}
