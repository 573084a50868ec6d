package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"alike/internal/curve"
	"alike/internal/store"

	"github.com/google/uuid"
)

// CorrectPart withdraws an entry of the parts ledger, which stays readable with who
// did it and why, and puts another in its place unless instead is nil. It returns the
// new entry's id.
func (l *Line) CorrectPart(ctx context.Context, by By, use uuid.UUID, instead *PartUse, reason string) (uuid.UUID, error) {
	if strings.TrimSpace(reason) == "" {
		return uuid.Nil, refuse(Invalid, "reason", "say what was wrong", "a correction needs a reason")
	}
	held, err := l.db.Site(l.site).Part(ctx, use)
	if errors.Is(err, store.ErrNotFound) {
		return uuid.Nil, refuse(Missing, "entry", "see them with: alike parts list", "there is no entry %s", use)
	} else if err != nil {
		return uuid.Nil, err
	}
	setup, err := l.Setup(ctx, held.Product)
	if err != nil {
		return uuid.Nil, err
	}
	var next uuid.UUID
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		k := &ledger{line: l, by: by, setup: setup, s: s}
		if err := k.open(ctx); err != nil {
			return err
		}
		next, err = k.correct(ctx, use, instead, reason)
		if err != nil {
			return err
		}
		detail := map[string]any{"was": entryText(held)}
		if instead != nil {
			detail["replaced_by"] = next
		}
		return l.journal(ctx, s, by, "correct part", use.String(), reason, detail)
	})
	return next, err
}

func entryText(p store.PartUse) string {
	return strings.TrimSpace(fmt.Sprintf("%s %s %s %s in %s to %s", p.Kind, p.Channel, p.Batch, p.Piece, p.FirstSerial, p.LastSerial))
}

// correct withdraws first: piece and place must be free for the new entry.
func (k *ledger) correct(ctx context.Context, use uuid.UUID, instead *PartUse, reason string) (uuid.UUID, error) {
	var next *uuid.UUID
	if instead != nil {
		if instead.Lot != "" {
			return uuid.Nil, refuse(Invalid, "lot", "give first and last serial", "one entry is replaced by one entry, not by a lot")
		}
		id := uuid.Must(uuid.NewV7())
		next = &id
	}
	err := k.s.WithdrawPart(ctx, use, k.line.now(), k.by.Actor, reason, next)
	if errors.Is(err, store.ErrNotFound) {
		return uuid.Nil, refuse(Conflict, "entry", "correct the entry that replaced it: alike parts list", "entry %s was withdrawn before", use)
	}
	if err != nil || instead == nil {
		return uuid.Nil, err
	}
	p := *instead
	if field, reason, remedy := p.fault(); field != "" {
		return uuid.Nil, refuse(Invalid, field, remedy, "%s", reason)
	}
	if err := k.check(ctx, &p); err != nil {
		return uuid.Nil, err
	}
	fresh, err := k.put(ctx, *next, p, p.First, p.Last)
	if err == nil && !fresh {
		return uuid.Nil, refuse(Conflict, "entry", "withdraw the wrong one only", "the entry that is to replace it is in force already")
	}
	return *next, err
}

// ScanParts enters parts as a hand scanner reads them at the bench, one code after
// the other. The code of a batch, alone or as kind:batch, is from then on in every
// unit; the serial of a driver waits for the unit that follows it, the first for the
// left and the second for the right; any other code is a unit's serial. Nothing of a
// file with a fault is entered. It returns how many entries were new.
func (l *Line) ScanParts(ctx context.Context, by By, product, name string, data []byte) (added int, err error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return 0, err
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		k := &ledger{line: l, by: by, setup: setup, s: s}
		if err := k.open(ctx); err != nil {
			return err
		}
		b := &bench{ledger: k, file: name, current: map[string]string{}}
		if err := b.read(ctx, data); err != nil {
			return err
		}
		if added = b.added; added == 0 {
			return nil
		}
		return l.journal(ctx, s, by, "scan parts", setup.Code, "", map[string]any{"entries": added, "source": name})
	})
	return added, err
}

// A bench is what lies in front of the person who scans.
type bench struct {
	*ledger
	file    string
	current map[string]string // kind → batch
	waiting []string          // drivers for the next unit
	added   int
}

func (b *bench) read(ctx context.Context, data []byte) error {
	line, units := 0, 0
	for text := range strings.Lines(strings.TrimPrefix(string(data), "\ufeff")) {
		line++
		code := strings.TrimSpace(text)
		if code == "" || strings.HasPrefix(code, "#") {
			continue
		}
		isUnit, err := b.scan(ctx, code)
		if err != nil {
			return b.placed(line, err)
		}
		if isUnit {
			units++
		}
	}
	switch {
	case len(b.waiting) > 0:
		return partFault(b.file, line, "unit", "ends with driver "+strings.Join(b.waiting, ", ")+" and no unit behind it", "scan the unit they are in")
	case units == 0:
		return partFault(b.file, line, "unit", "names no unit", "scan the batches, then the units they are in")
	}
	return nil
}

// placed gives a refusal its file and line.
func (b *bench) placed(line int, err error) error {
	var r *Refusal
	if errors.As(err, &r) {
		return &curve.Refusal{File: b.file, Line: line, Field: r.Field, Reason: r.Reason, Remedy: r.Remedy}
	}
	return err
}

func (b *bench) scan(ctx context.Context, code string) (isUnit bool, err error) {
	kind, batch, err := b.batch(code)
	if err != nil {
		return false, err
	}
	if kind != "" {
		b.current[kind] = batch
		return false, nil
	}
	u, err := b.s.Unit(ctx, code)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return false, err
	}
	if err == nil && u.Product != b.setup.Code {
		return false, b.driver(ctx, u)
	}
	if len(b.current) == 0 && len(b.waiting) == 0 {
		return false, refuse(Invalid, "batch", "scan the batches first, or enter them with: alike parts batch", "%q is no batch in the ledger, and none was scanned before this unit", code)
	}
	return true, b.unit(ctx, code)
}

// batch finds the batch of a code; kind is empty when it is none.
func (b *bench) batch(code string) (kind, batch string, err error) {
	wantKind, wantBatch, split := strings.Cut(code, ":")
	var kinds []string
	for key := range b.batches {
		if key[1] == code || split && key[0] == strings.ToLower(wantKind) && key[1] == wantBatch {
			kinds, batch = append(kinds, key[0]), key[1]
		}
	}
	slices.Sort(kinds)
	switch len(kinds) {
	case 0:
		return "", "", nil
	case 1:
		return kinds[0], batch, nil
	}
	return "", "", refuse(Invalid, "batch", "scan it as kind:batch, such as "+kinds[0]+":"+code, "%q is a batch of %s", code, strings.Join(kinds, " and of "))
}

func (b *bench) driver(ctx context.Context, u store.UnitRow) error {
	setup, err := b.line.setup(ctx, b.s, u.Product)
	if err != nil {
		return err
	}
	if setup.Stage != StageDriver {
		return refuse(Conflict, "unit", "scan a unit of the product", "%s is a unit of product %s", u.Serial, u.Product)
	}
	if len(b.waiting) == len(b.setup.Channels) {
		return refuse(Conflict, "piece", "scan the unit before the next drivers", "%d drivers wait for a unit already, and %s is one more", len(b.waiting), u.Serial)
	}
	b.waiting = append(b.waiting, u.Serial)
	return nil
}

// unit enters what lies on the bench into a unit.
func (b *bench) unit(ctx context.Context, serial string) error {
	kinds := make([]string, 0, len(b.current))
	for k := range b.current {
		kinds = append(kinds, k)
	}
	slices.Sort(kinds)
	var entries []PartUse
	for _, k := range kinds {
		entries = append(entries, PartUse{Kind: k, Batch: b.current[k], First: serial, Last: serial})
	}
	for i, d := range b.waiting {
		entries = append(entries, PartUse{Kind: KindDriver, Channel: b.setup.Channels[i], Piece: d, First: serial, Last: serial})
	}
	b.waiting = nil
	for _, p := range entries {
		p.Note = "scanned"
		n, err := b.add(ctx, p)
		if err != nil {
			return err
		}
		b.added += n
	}
	return nil
}
