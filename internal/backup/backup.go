package backup

import (
	"context"
	"fmt"
	"io"
	"time"

	"alike/internal/store"
)

// Progress says how far long work has come: tables done of all, and rows so far.
type Progress struct {
	What     string // reading, writing, checking
	Done, Of int
	Rows     int64
}

// Write writes a backup of the whole database, all sites, to w. It sees one moment;
// others may go on writing.
func Write(ctx context.Context, db *store.DB, w io.Writer, program string, now time.Time, report func(Progress)) (Head, End, error) {
	var head Head
	var end End
	err := db.Dump(ctx, func(d *store.Dump) (err error) {
		head = Head{Format: format, Program: program, Made: now.UTC().Truncate(time.Second)}
		if head.Schema, err = d.Schema(ctx); err != nil {
			return err
		}
		if head.Schema == 0 {
			return fmt.Errorf("there is nothing to back up: the database holds no tables of alike")
		}
		if head.Tables, err = d.Tables(ctx); err != nil {
			return err
		}
		out, err := newWriter(w, head)
		if err != nil {
			return err
		}
		if end, err = copyOut(ctx, d, head, out, report); err != nil {
			return err
		}
		return out.end(end)
	})
	return head, end, err
}

func copyOut(ctx context.Context, d *store.Dump, head Head, out *writer, report func(Progress)) (end End, err error) {
	end.Tables = map[string]Tally{}
	p := Progress{What: "writing", Of: len(head.Tables)}
	for _, t := range head.Tables {
		out.begin(t.Name)
		before := p.Rows
		if err := d.Copy(ctx, t, watched{out, func() { p.Rows = before + out.tally.Rows; report(p) }}); err != nil {
			return end, fmt.Errorf("table %s: %w", t.Name, err)
		}
		if end.Tables[t.Name], err = out.finish(); err != nil {
			return end, err
		}
		p.Done, p.Rows = p.Done+1, before+end.Tables[t.Name].Rows
		report(p)
	}
	if end.Sequences, err = d.Sequences(ctx); err != nil {
		return end, err
	}
	end.Journal, err = d.Heads(ctx)
	return end, err
}

// watched calls after each piece written.
type watched struct {
	io.Writer
	after func()
}

func (w watched) Write(p []byte) (int, error) {
	n, err := w.Writer.Write(p)
	w.after()
	return n, err
}
