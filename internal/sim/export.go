package sim

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"alike/internal/curve"
)

// A Folder is where Write put a story.
type Folder struct {
	Dir    string
	Takes  string   // the folder with a folder for each lot, and nothing else
	Lots   []string // folders below Takes, in the order of Story.Lots
	Parts  string   // parts.csv: kind, channel, batch, supplier, first, last, received, note
	Target string   // the rig's diffuse-field response: frequency in Hz, level in dB
	Count  int      // takes written
}

// Write writes the story below dir as the workshop keeps it: the takes of each
// lot in the habit of that week's measuring program, with a manifest where the
// files themselves do not say whose they are, the parts of all lots, and the
// rig's diffuse-field response. Files hold exactly the numbers of Takes.
//
// After each attempt progress is called, unless nil, with the takes written so
// far and their total. The error is of the disk, that of a cancelled ctx, or says
// that dir already holds takes; then what was written is removed again.
func (s *Story) Write(ctx context.Context, dir string, progress func(done, total int)) (Folder, error) {
	f := Folder{
		Dir:    dir,
		Takes:  filepath.Join(dir, "takes"),
		Parts:  filepath.Join(dir, "parts.csv"),
		Target: filepath.Join(dir, "rig-diffuse-field.csv"),
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return Folder{}, fmt.Errorf("cannot make the story's folder: %w", err)
	}
	for _, name := range []string{f.Takes, f.Parts, f.Target} {
		if _, err := os.Lstat(name); !errors.Is(err, fs.ErrNotExist) {
			return Folder{}, fmt.Errorf("%s is already there; name a folder without a story", name)
		}
	}
	if err := s.write(ctx, &f, progress); err != nil {
		os.RemoveAll(f.Takes)
		os.Remove(f.Parts)
		os.Remove(f.Target)
		return Folder{}, err
	}
	return f, nil
}

func (s *Story) write(ctx context.Context, f *Folder, progress func(done, total int)) error {
	total := 0
	for _, l := range s.Lots {
		total += len(l.Attempts) * Seatings * len(Channels)
	}
	step := func(n int) error {
		f.Count += n
		if progress != nil && n > 0 {
			progress(f.Count, total)
		}
		return ctx.Err()
	}
	if err := s.writeParts(f.Parts); err != nil {
		return err
	}
	if err := writeTarget(f.Target, s.Product); err != nil {
		return err
	}
	for lot, l := range s.Lots {
		folder := filepath.Join(f.Takes, l.Code)
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return fmt.Errorf("cannot make a lot's folder: %w", err)
		}
		f.Lots = append(f.Lots, folder)
		h := habits[lot%len(habits)]
		save := s.saveTexts
		if h.wide {
			save = s.saveDays
		}
		if err := save(folder, lot, h, step); err != nil {
			return fmt.Errorf("lot %s: %w", l.Code, err)
		}
	}
	return nil
}

// saveTexts writes a file per take, and the manifest when all are there.
func (s *Story) saveTexts(folder string, lot int, h habit, step func(n int) error) error {
	var rows []curve.ManifestRow
	for _, a := range s.Lots[lot].Attempts {
		n := 0
		for take := range s.AttemptTakes(lot, a) {
			style := h.style
			style.Comments = h.comments(take.Identity)
			name := h.name(take.Identity)
			if err := save(filepath.Join(folder, name), func(b *bytes.Buffer) error { return curve.WriteText(b, take.Curve, style) }); err != nil {
				return err
			}
			rows = append(rows, curve.ManifestRow{Identity: take.Identity, File: name})
			n++
		}
		if err := step(n); err != nil {
			return err
		}
	}
	return save(filepath.Join(folder, curve.ManifestName), func(b *bytes.Buffer) error { return curve.WriteManifest(b, rows) })
}

// saveDays writes a wide CSV per day. Its rows say whose they are, so that there
// is no manifest.
func (s *Story) saveDays(folder string, lot int, h habit, step func(n int) error) error {
	var takes []curve.Take
	day := ""
	flush := func() error {
		if len(takes) == 0 {
			return nil
		}
		name := filepath.Join(folder, day+".csv")
		err := save(name, func(b *bytes.Buffer) error { return curve.WriteWide(b, takes, h.style) })
		takes = nil
		return err
	}
	for _, a := range s.Lots[lot].Attempts {
		if d := a.At.Format(time.DateOnly); d != day {
			if err := flush(); err != nil {
				return err
			}
			day = d
		}
		n := len(takes)
		for take := range s.AttemptTakes(lot, a) {
			takes = append(takes, take)
		}
		if err := step(len(takes) - n); err != nil {
			return err
		}
	}
	return flush()
}

// writeParts writes the parts ledger.
func (s *Story) writeParts(name string) error {
	return save(name, func(b *bytes.Buffer) error {
		w := csv.NewWriter(b)
		w.Write([]string{"kind", "channel", "batch", "supplier", "first", "last", "received", "note"})
		for _, p := range s.Parts {
			w.Write([]string{p.Kind, p.Channel, p.Batch, p.Supplier, p.First, p.Last, p.Received.Format(time.DateOnly), p.Note})
		}
		w.Flush()
		return w.Error()
	})
}

func writeTarget(name string, p *Product) error {
	return save(name, func(b *bytes.Buffer) error {
		return curve.WriteText(b, p.Target.Curve, curve.Style{
			Comments: []string{"Diffuse-field response of " + Station + ", an invented rig"},
			HzDigits: 2, DBDigits: 2,
		})
	})
}

// save writes a file whose text is made in memory first. It never replaces one.
func save(name string, text func(*bytes.Buffer) error) error {
	var b bytes.Buffer
	if err := text(&b); err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("cannot write a file: %w", err)
	}
	_, err = f.Write(b.Bytes())
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return fmt.Errorf("cannot write a file: %w", err)
	}
	return nil
}
