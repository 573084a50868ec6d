package backup

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"alike/internal/curve"
	"alike/internal/store"
	"alike/spc/band"
)

// Check reads a backup to its end and returns what it holds. A *DamageError says why
// it cannot be trusted.
func Check(ctx context.Context, r io.Reader, report func(Progress)) (Head, End, error) {
	in, err := newReader(stoppable{ctx, r})
	if err != nil {
		return Head{}, End{}, orStopped(ctx, err)
	}
	end, err := eachTable(in, "checking", report, func(t store.Table, rows io.Reader) error {
		_, err := io.Copy(io.Discard, rows)
		return err
	})
	return in.Head, end, orStopped(ctx, err)
}

// stoppable lets the end of a context stop reading.
type stoppable struct {
	ctx context.Context
	r   io.Reader
}

func (s stoppable) Read(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(p)
}

func orStopped(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return err
}

// eachTable hands each table's rows to take and holds what passed against the end of
// the file.
func eachTable(in *reader, what string, report func(Progress), take func(store.Table, io.Reader) error) (End, error) {
	p := Progress{What: what, Of: len(in.Tables)}
	seen := map[string]Tally{}
	for _, t := range in.Tables {
		var tally Tally
		in.open(t.Name)
		before := p.Rows
		rows := io.TeeReader(in, watched{&tally, func() { p.Rows = before + tally.Rows; report(p) }})
		if err := take(t, rows); err != nil {
			return End{}, err
		}
		if _, double := seen[t.Name]; double {
			return End{}, damage("table %s stands there twice", t.Name)
		}
		seen[t.Name] = tally
		p.Done++
		report(p)
	}
	end, err := in.end()
	if err != nil {
		return End{}, err
	}
	return end, compare(end.Tables, seen)
}

// compare holds tables against what they should be.
func compare(want, got map[string]Tally) error {
	if len(want) != len(got) {
		return damage("it counts %d tables and has %d", len(want), len(got))
	}
	for name, w := range want {
		g, ok := got[name]
		switch {
		case !ok:
			return damage("table %s is missing", name)
		case g.part:
			return damage("the last row of table %s is cut", name)
		case g.Rows != w.Rows:
			return damage("table %s has %d rows and should have %d", name, g.Rows, w.Rows)
		case !g.Same(w):
			return damage("the rows of table %s are not those that were written", name)
		}
	}
	return nil
}

// A Result says what a restore did.
type Result struct {
	Head Head
	End  End
	// Wrong are curves whose content does not have the hash that stands beside it. They
	// were wrong in the backup too.
	Wrong []string
}

// Restore reads a backup into an empty database. It calls open twice, for a file that
// starts at its first byte. Errors: *DamageError, store.ErrNotEmpty. After an error the
// database holds no rows.
func Restore(ctx context.Context, db *store.DB, open func() (io.ReadCloser, error), report func(Progress)) (Result, error) {
	first, err := open()
	if err != nil {
		return Result{}, err
	}
	head, end, err := Check(ctx, first, report)
	first.Close()
	if err != nil {
		return Result{}, err
	}
	if err := prepare(ctx, db, head); err != nil {
		return Result{}, err
	}
	second, err := open()
	if err != nil {
		return Result{}, err
	}
	defer second.Close()
	out := Result{Head: head, End: end}
	err = db.Load(ctx, func(l *store.Load) error {
		if err := fill(ctx, l, stoppable{ctx, second}, head, end, report); err != nil {
			return err
		}
		if err := readBack(ctx, l, head, end, report); err != nil {
			return err
		}
		out.Wrong, err = wrongCurves(ctx, l)
		return err
	})
	return out, orStopped(ctx, err)
}

// prepare makes the schema of the backup in the empty database.
func prepare(ctx context.Context, db *store.DB, head Head) error {
	newest, err := store.NewestSchema()
	if err != nil {
		return err
	}
	if head.Schema > newest || head.Schema < 1 {
		return fmt.Errorf("the backup has schema %d, this program knows up to %d: use the newer program", head.Schema, newest)
	}
	present, err := db.CheckEmpty(ctx)
	if errors.Is(err, store.ErrNotEmpty) {
		return fmt.Errorf("%w; a backup goes into an empty database only, give another data folder or database", err)
	} else if err != nil {
		return err
	}
	if present > head.Schema {
		return fmt.Errorf("the database has no rows but schema %d, newer than the backup's %d; give a new data folder or database", present, head.Schema)
	}
	return db.MigrateTo(ctx, head.Schema)
}

func fill(ctx context.Context, l *store.Load, file io.Reader, head Head, want End, report func(Progress)) error {
	in, err := newReader(file)
	if err != nil {
		return err
	}
	tables, err := l.Tables(ctx)
	if err != nil {
		return err
	}
	if !sameTables(tables, head.Tables) {
		return damage("its tables are not those of schema %d", head.Schema)
	}
	end, err := eachTable(in, "writing", report, func(t store.Table, rows io.Reader) error {
		if err := l.Fill(ctx, t, rows); err != nil {
			return fmt.Errorf("table %s: %w", t.Name, err)
		}
		return nil
	})
	if err == nil {
		err = compare(want.Tables, end.Tables) // the file may have changed since it was checked
	}
	if err != nil {
		return err
	}
	for name, value := range end.Sequences {
		if err := l.SetSequence(ctx, name, value); err != nil {
			return err
		}
	}
	return nil
}

func sameTables(a, b []store.Table) bool {
	return slices.EqualFunc(a, b, func(x, y store.Table) bool { return x.Name == y.Name && slices.Equal(x.Columns, y.Columns) })
}

// readBack compares the database with the file before anything is committed.
func readBack(ctx context.Context, l *store.Load, head Head, end End, report func(Progress)) error {
	got := map[string]Tally{}
	p := Progress{What: "reading back", Of: len(head.Tables)}
	for _, t := range head.Tables {
		var tally Tally
		before := p.Rows
		if err := l.Copy(ctx, t, watched{&tally, func() { p.Rows = before + tally.Rows; report(p) }}); err != nil {
			return err
		}
		got[t.Name] = tally
		p.Done++
		report(p)
	}
	if err := compare(end.Tables, got); err != nil {
		return err
	}
	heads, err := l.Heads(ctx)
	if err != nil {
		return err
	}
	if !slices.Equal(heads, end.Journal) {
		return damage("the end of the journal is not the one that was written")
	}
	return nil
}

// wrongCurves recomputes the hash of every stored curve.
func wrongCurves(ctx context.Context, l *store.Load) (wrong []string, err error) {
	err = l.Contents(ctx, func(k store.Content) error {
		h := curve.Hash(unpack(k.Frequencies, k.Levels))
		if !bytes.Equal(h[:], k.ContentHash) {
			wrong = append(wrong, fmt.Sprintf("%s of site %s", k.Take, k.Site))
		}
		return nil
	})
	return wrong, err
}

// unpack turns stored numbers, little-endian float64 and float32, into a curve.
func unpack(frequencies, levels []byte) band.Curve {
	c := band.Curve{}
	for ; len(frequencies) >= 8; frequencies = frequencies[8:] {
		c.Hz = append(c.Hz, math.Float64frombits(binary.LittleEndian.Uint64(frequencies)))
	}
	for ; len(levels) >= 4; levels = levels[4:] {
		c.DB = append(c.DB, float64(math.Float32frombits(binary.LittleEndian.Uint32(levels))))
	}
	return c
}
