package line

import (
	"context"
	"errors"
	"os"

	"alike/internal/curve"
	"alike/internal/store"
	"alike/spc/envelope"
)

// An Outcome sums up an ingest.
type Outcome struct {
	Stored   int // takes
	Known    int // takes that were there before
	Units    int // visits of which something was stored
	Verdicts map[envelope.Word]int
	Waiting  []string // units with takes missing, and which
	Signals  []store.SignalRow
	Refused  []curve.Refusal // everything refused, known or not
	Fresh    int             // of Refused, those new to quarantine
	Late     []string        // notices of units that come in after later ones were charted
	Checks   []RigCheck      // visits of reference units
	Study    *StudyRun       // how far the last study met has come
}

// Progress reports how far an ingest has come, in files.
type Progress struct {
	Done, Of int
	Outcome  *Outcome
}

// Ingest reads planned files and takes them in, visit by visit in their order. What
// is refused goes to quarantine with its content, and the others go on. When ctx is
// cancelled it stops between two visits, with the Outcome so far: every unit is
// there whole or not at all, and the same call again does the rest.
func (l *Line) Ingest(ctx context.Context, by By, entries []curve.Entry, refused []*curve.Refusal, report func(Progress)) (Outcome, error) {
	in := &ingest{line: l, by: by, out: Outcome{Verdicts: map[envelope.Word]int{}}}
	for _, r := range refused {
		if err := in.refuse(ctx, *r, ""); err != nil {
			return in.out, err
		}
	}
	done := 0
	for _, visit := range visitsOf(entries) {
		if err := ctx.Err(); err != nil {
			return in.out, err
		}
		if err := in.visit(ctx, visit); err != nil {
			return in.out, err
		}
		done += len(visit)
		report(Progress{Done: done, Of: len(entries), Outcome: &in.out})
	}
	return in.out, nil
}

// visitsOf groups files by the visit they say they belong to; a wide CSV stands
// alone, for it holds many.
func visitsOf(entries []curve.Entry) [][]curve.Entry {
	type key struct {
		product, serial string
		attempt         int
	}
	at := map[key]int{}
	var out [][]curve.Entry
	for _, e := range entries {
		k := key{e.Product, e.Serial, e.Attempt}
		i, ok := at[k]
		if !ok || e.Wide {
			i = len(out)
			out = append(out, nil)
			if !e.Wide {
				at[k] = i
			}
		}
		out[i] = append(out[i], e)
	}
	return out
}

type ingest struct {
	line *Line
	by   By
	out  Outcome
}

// visit reads the files of a visit and takes it in.
func (in *ingest) visit(ctx context.Context, entries []curve.Entry) error {
	var takes []curve.Take
	for _, e := range entries {
		got, refused := e.Takes()
		takes = append(takes, got...)
		for _, r := range refused {
			if err := in.refuse(ctx, *r, e.Lot); err != nil {
				return err
			}
		}
	}
	for _, v := range Visits(takes) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := in.intake(ctx, v); err != nil {
			return err
		}
	}
	return nil
}

func (in *ingest) intake(ctx context.Context, takes []curve.Take) error {
	r, err := in.line.Intake(ctx, in.by, takes)
	var whole *Refusal
	if errors.As(err, &whole) {
		for _, t := range takes {
			if err := in.refuse(ctx, whole.At(t.Source), t.Lot); err != nil {
				return err
			}
		}
		return nil
	} else if err != nil {
		return err
	}
	for i, t := range r.Takes {
		switch {
		case t.Refused != nil:
			if err := in.refuse(ctx, t.Refused.At(takes[i].Source), r.Lot); err != nil {
				return err
			}
		case t.Known:
			in.out.Known++
		default:
			in.out.Stored++
		}
	}
	if r.New() {
		in.out.Units++
	}
	in.out.Checks = append(in.out.Checks, r.Checks...)
	if r.Study != nil {
		in.out.Study = r.Study
	}
	if r.Waiting != "" {
		in.out.Waiting = append(in.out.Waiting, r.Serial+": "+r.Waiting)
	}
	if r.Verdict != nil {
		in.out.Verdicts[r.Verdict.Word]++
	}
	in.out.Signals = append(in.out.Signals, r.Signals...)
	if r.Notice != "" {
		in.out.Late = append(in.out.Late, r.Notice)
	}
	return nil
}

// refuse puts a refusal into quarantine with the file it is about. A file that
// cannot be read any more is kept as its reason alone.
func (in *ingest) refuse(ctx context.Context, r curve.Refusal, lot string) error {
	in.out.Refused = append(in.out.Refused, r)
	var content []byte
	if info, err := os.Stat(r.File); err == nil && info.Mode().IsRegular() && info.Size() <= mostKept {
		content, _ = os.ReadFile(r.File)
	}
	added, err := in.line.Quarantine(ctx, in.by, r, lot, content)
	if added {
		in.out.Fresh++
	}
	return err
}
