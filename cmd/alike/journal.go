package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"alike/internal/store"
)

type journalCommand struct {
	List   journalList   `cmd:"" help:"List the entries: who did what, when, from where and why."`
	Head   journalHead   `cmd:"" help:"Print number and hash of the newest entry, to be kept apart."`
	Verify journalVerify `cmd:"" help:"Walk the journal and the rows it speaks for, and name everything that was altered, removed or slipped in."`
}

type journalList struct {
	database
	After   int64  `help:"Begin after this entry." placeholder:"N"`
	Limit   int    `help:"Most entries to list." default:"1000" placeholder:"N"`
	Subject string `help:"Only entries about this serial, lot or product." placeholder:"NAME"`
	JSON    bool   `name:"json" help:"Answer for programs."`
}

func (cmd *journalList) Run(c *console) error {
	if cmd.Limit < 1 || cmd.After < 0 {
		return fmt.Errorf("--limit %d --after %d: give a limit from 1 and an entry from 0", cmd.Limit, cmd.After)
	}
	return cmd.with(c, func(w *workplace) error {
		entries, err := w.db.Site(w.line.Site()).JournalAbout(c.ctx, cmd.Subject, cmd.After, cmd.Limit)
		if err != nil {
			return err
		}
		if cmd.JSON {
			return printJSON(c, journalJSON(entries))
		}
		zone, err := w.line.Zone(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "ENTRY\tAT\tWHO\tFROM\tDEED\tABOUT\tWHY")
		for _, e := range entries {
			fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", e.Entry, e.At.In(zone).Format("2006-01-02 15:04:05 -07:00"),
				oneLine(e.Actor), oneLine(e.Origin), e.Action, oneLine(e.Subject), oneLine(e.Reason))
		}
		return t.Flush()
	})
}

type entryJSON struct {
	Entry   int64           `json:"entry"`
	At      time.Time       `json:"at"`
	Actor   string          `json:"actor"`
	Origin  string          `json:"origin"`
	Action  string          `json:"action"`
	Subject string          `json:"subject"`
	Reason  string          `json:"reason"`
	Detail  json.RawMessage `json:"detail"`
}

func journalJSON(entries []store.Entry) []entryJSON {
	out := []entryJSON{}
	for _, e := range entries {
		out = append(out, entryJSON(e))
	}
	return out
}

// oneLine keeps a text from breaking the table it stands in.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

type journalHead struct{ database }

func (cmd *journalHead) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		h, err := w.db.Site(w.line.Site()).Head(c.ctx)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(c.out, h)
		return err
	})
}

type journalVerify struct {
	database
	Kept []string `help:"A head that was kept apart, as alike journal head printed it; it must still be in the chain." placeholder:"N:HASH"`
}

func (cmd *journalVerify) Run(c *console) error {
	var kept []store.Head
	for _, text := range cmd.Kept {
		h, err := store.ParseHead(text)
		if err != nil {
			return fmt.Errorf("--kept: %w", err)
		}
		kept = append(kept, h)
	}
	return cmd.with(c, func(w *workplace) error {
		m := newMeter(c, "checked")
		what := ""
		v, err := w.db.Verify(c.ctx, w.line.Site(), kept, func(s store.VerifyStep) {
			if s.What != what {
				m.end()
				what, m = s.What, newMeter(c, s.What+" checked")
			}
			m.show(int(s.Done), int(s.Of), "")
		})
		m.end()
		if err != nil {
			return err
		}
		return printVerification(c, v, len(kept))
	})
}

// printVerification says what was found; faults give exit code 1.
func printVerification(c *console, v store.Verification, kept int) error {
	for _, f := range v.Faults {
		fmt.Fprintln(c.out, f.Text)
	}
	if v.More > 0 {
		fmt.Fprintf(c.out, "… and %d more.\n", v.More)
	}
	for _, a := range v.Anchors {
		if a.Entry > 1 {
			fmt.Fprintf(c.out, "Entry %d is an anchor: for rows that were there before it the journal vouches from there on, not earlier.\n", a.Entry)
		}
	}
	fmt.Fprintf(c.out, "%d entries and %d rows looked at; head %s\n", v.Entries, v.Rows, v.Head)
	if n := int64(len(v.Faults)) + v.More; n > 0 {
		fmt.Fprintf(c.err, "alike: %d faults: the record is not what the program wrote\n", n)
		fmt.Fprintln(c.err, "alike: hint: keep this database as it is, restore a backup beside it, and compare the rows named")
		return exitCode(1)
	}
	if kept == 0 {
		fmt.Fprintln(c.out, "Nothing was altered, removed or slipped in since the entries were written. Whoever could write all of it anew is found only by a head that was kept apart (--kept).")
	} else {
		fmt.Fprintln(c.out, "Nothing was altered, removed or slipped in; the heads kept apart are in the chain.")
	}
	return nil
}
