package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/store"

	"github.com/google/uuid"
)

// A PartUse says which batch of a component went into which units: those from First
// to Last, or those of a Lot. With a Piece it is about that single piece, such as a
// driver by its serial, and First and Last are the one unit.
type PartUse struct {
	Line                           int // of the file, for messages
	Kind, Channel, Batch, Supplier string
	First, Last                    string
	Lot                            string // instead of First and Last
	Piece                          string
	Received                       *time.Time
	Note                           string
}

// partColumns are the columns of a parts file.
var partColumns = []string{"kind", "channel", "batch", "supplier", "first", "last", "unit", "lot", "piece", "received", "note"}

// ReadParts reads a parts file: CSV with a head, separated by commas, semicolons or
// tabs. A row says in which units a batch is, by first and last serial, by unit, or by
// lot. An error is a *curve.Refusal that names file, line and field; a file with a
// fault is refused whole.
func ReadParts(name string, data []byte) ([]PartUse, error) {
	t, err := readSheet(name, data, func(h string) error {
		if !slices.Contains(partColumns, h) {
			return partFault(name, 1, h, "there is no such column", "use "+strings.Join(partColumns, ", "))
		}
		return nil
	}, "kind")
	if err != nil {
		return nil, err
	}
	var out []PartUse
	for _, row := range t.rows {
		get := func(h string) string { return t.get(row, h) }
		p := PartUse{Line: row.line, Kind: strings.ToLower(get("kind")), Batch: get("batch"), Supplier: get("supplier"),
			First: get("first"), Last: get("last"), Lot: get("lot"), Piece: get("piece"), Note: get("note")}
		if c := strings.ToLower(get("channel")); c != "" && c != "both" && c != "all" {
			p.Channel = curve.Channel(c)
		}
		if p.Received, err = t.day(row, "received"); err != nil {
			return nil, err
		}
		if u := get("unit"); u != "" && p.First == "" && p.Last == "" {
			p.First, p.Last = u, u
		} else if u != "" {
			return nil, partFault(name, p.Line, "unit", "stands beside first and last", "give one unit, or first and last of a range")
		}
		if field, reason, remedy := p.fault(); field != "" {
			return nil, partFault(name, p.Line, field, reason, remedy)
		}
		out = append(out, p)
	}
	return out, nil
}

// fault returns the first thing that is wrong with an entry; field is empty for none.
func (p PartUse) fault() (field, reason, remedy string) {
	switch {
	case p.Kind == "":
		return "kind", "is empty", "fill it in"
	case p.Batch == "" && p.Piece == "":
		return "batch", "is empty", "fill it in"
	case p.Lot != "" && (p.First != "" || p.Last != ""):
		return "lot", "stands beside the serials of units", "give a lot, or serials"
	case p.Piece != "" && (p.Lot != "" || p.First != p.Last):
		return "piece", "one piece cannot be in several units", "give the one unit it is in"
	case p.Lot != "":
		return "", "", ""
	case p.First == "":
		return "first", "is empty", "fill it in: first and last serial, a unit, or a lot"
	case p.Last == "":
		return "last", "is empty", "fill it in: first and last serial, a unit, or a lot"
	case len(p.First) != len(p.Last) || p.First > p.Last:
		return "last", fmt.Sprintf("serial %s does not follow %s among serials of the same length", p.Last, p.First), "give first and last serial of one unbroken range"
	}
	return "", "", ""
}

func partFault(name string, line int, field, reason, remedy string) error {
	return &curve.Refusal{File: name, Line: line, Field: field, Reason: reason, Remedy: remedy}
}

// AddParts writes a product's parts ledger, all of it or nothing. Entries that are
// there already change nothing. It returns how many were new.
func (l *Line) AddParts(ctx context.Context, by By, product string, parts []PartUse) (added int, err error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return 0, err
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		added = 0
		k := &ledger{line: l, by: by, setup: setup, s: s}
		if err := k.open(ctx); err != nil {
			return err
		}
		for _, p := range parts {
			n, err := k.add(ctx, p)
			if err != nil {
				return err
			}
			added += n
		}
		if added == 0 {
			return nil
		}
		return l.journal(ctx, s, by, "add parts", setup.Code, "", map[string]any{"entries": added})
	})
	return added, err
}

// A ledger is one transaction on a product's parts.
type ledger struct {
	line    *Line
	by      By
	setup   *Setup
	s       store.Site
	batches map[[2]string]store.BatchRow // in force, by kind and code
}

// open locks the product, so that two stations do not put one piece into two units.
func (k *ledger) open(ctx context.Context) error {
	if _, err := k.s.LockProduct(ctx, k.setup.Code); err != nil {
		return err
	}
	rows, err := k.s.Batches(ctx, "")
	if err != nil {
		return err
	}
	k.batches = map[[2]string]store.BatchRow{}
	for _, r := range rows {
		k.batches[[2]string{r.Kind, r.Batch}] = r
	}
	return nil
}

// add stores one entry, which for a lot may be several, and returns how many were
// new.
func (k *ledger) add(ctx context.Context, p PartUse) (int, error) {
	if field, reason, remedy := p.fault(); field != "" {
		return 0, refuse(Invalid, field, remedy, "%s%s", lineText(p.Line), reason)
	}
	if err := k.check(ctx, &p); err != nil {
		return 0, err
	}
	ranges := [][2]string{{p.First, p.Last}}
	if p.Lot != "" {
		var err error
		if ranges, err = k.lot(ctx, p); err != nil {
			return 0, err
		}
	}
	added := 0
	for _, r := range ranges {
		fresh, err := k.put(ctx, uuid.Must(uuid.NewV7()), p, r[0], r[1])
		if err != nil {
			return added, err
		}
		if fresh {
			added++
		}
	}
	return added, nil
}

// put stores an entry that is checked.
func (k *ledger) put(ctx context.Context, id uuid.UUID, p PartUse, first, last string) (fresh bool, err error) {
	row := store.PartUse{
		Use: id, Product: k.setup.Code, Kind: p.Kind, Channel: p.Channel, Batch: p.Batch,
		Supplier: p.Supplier, ReceivedOn: p.Received, FirstSerial: first, LastSerial: last, Note: p.Note,
		EnteredAt: k.line.now(), Piece: p.Piece, EnteredBy: k.by.Actor,
	}
	if p.Piece != "" {
		known, err := k.place(ctx, p, first)
		if err != nil || known {
			return false, err
		}
	}
	return k.s.AddPartUse(ctx, row)
}

// check completes an entry from the batches ledger and refuses what contradicts it.
func (k *ledger) check(ctx context.Context, p *PartUse) error {
	at := lineText(p.Line)
	if p.Channel != "" && !slices.Contains(k.setup.Channels, p.Channel) {
		return refuse(Invalid, "channel", "use one of "+strings.Join(k.setup.Channels, ", ")+", or leave it empty",
			"%sproduct %s has no channel %q", at, k.setup.Code, p.Channel)
	}
	if err := k.setup.knownKind(p.Kind, p.Line); err != nil {
		return err
	}
	if p.Piece != "" {
		if err := k.piece(ctx, p); err != nil {
			return err
		}
	}
	b, ok := k.batches[[2]string{p.Kind, p.Batch}]
	if !ok {
		return nil // a ledger may begin before its batches are entered
	}
	if p.Supplier == "" {
		p.Supplier = b.Supplier
	}
	if p.Supplier != b.Supplier {
		return refuse(Conflict, "supplier", "correct the row, or the batch with a reason", "%s%s batch %s is from %q, not %q", at, p.Kind, p.Batch, b.Supplier, p.Supplier)
	}
	if p.Received == nil {
		p.Received = b.ReceivedOn
	}
	return nil
}

// piece checks a single piece: its own measurement says which batch it is of.
func (k *ledger) piece(ctx context.Context, p *PartUse) error {
	at := lineText(p.Line)
	if p.Channel == "" && len(k.setup.Channels) > 1 {
		return refuse(Invalid, "channel", "use one of "+strings.Join(k.setup.Channels, ", "), "%sit is not said on which side %s %s is", at, p.Kind, p.Piece)
	}
	u, err := k.s.Unit(ctx, p.Piece)
	if errors.Is(err, store.ErrNotFound) {
		if p.Batch == "" {
			return refuse(Missing, "piece", "take it in first, or name its batch", "%s%s %s was never measured, and its batch is not named", at, p.Kind, p.Piece)
		}
		return nil
	} else if err != nil {
		return err
	}
	if p.Batch == "" {
		p.Batch = u.Lot
	}
	switch {
	case u.Product == k.setup.Code:
		return refuse(Conflict, "piece", "scan the piece, then the unit", "%s%s is a unit of product %s, not a %s", at, p.Piece, u.Product, p.Kind)
	case p.Batch != u.Lot:
		return refuse(Conflict, "batch", "correct the batch or the piece", "%s%s %s is of batch %s, not %s", at, p.Kind, p.Piece, u.Lot, p.Batch)
	}
	return nil
}

// place refuses a piece that is in another place, and a place that holds another
// piece. It reports whether just this is entered already.
func (k *ledger) place(ctx context.Context, p PartUse, unit string) (known bool, err error) {
	const remedy = "withdraw or correct that entry first, with the reason: alike parts correct"
	held, err := k.s.Pieces(ctx, p.Kind, []string{p.Piece})
	if err != nil {
		return false, err
	}
	for _, h := range held {
		if h.FirstSerial == unit && h.Channel == p.Channel && h.Product == k.setup.Code {
			return true, nil
		}
		return false, refuse(Conflict, "piece", remedy, "%s%s %s is in unit %s already, %s", lineText(p.Line), p.Kind, p.Piece, h.FirstSerial, h.Channel)
	}
	parts, err := k.s.PartsOfUnit(ctx, k.setup.Code, unit)
	if err != nil {
		return false, err
	}
	for _, h := range parts {
		if h.Kind == p.Kind && h.Channel == p.Channel && h.Piece != "" {
			return false, refuse(Conflict, "unit", remedy, "%sunit %s holds %s %s on its %s already", lineText(p.Line), unit, p.Kind, h.Piece, p.Channel)
		}
	}
	return false, nil
}

// lot turns a lot into ranges of serials: one for each length when no other lot's
// units lie between, else a range for each unit.
func (k *ledger) lot(ctx context.Context, p PartUse) ([][2]string, error) {
	units, err := k.s.UnitsOfLot(ctx, p.Lot)
	if err != nil {
		return nil, err
	}
	byLength := map[int][]string{}
	for _, u := range units {
		if u.Product == k.setup.Code {
			byLength[len(u.Serial)] = append(byLength[len(u.Serial)], u.Serial)
		}
	}
	if len(byLength) == 0 {
		return nil, refuse(Missing, "lot", "give first and last serial, or enter the parts when the units are there", "%slot %s has no units of product %s", lineText(p.Line), p.Lot, k.setup.Code)
	}
	var out [][2]string
	for _, serials := range byLength {
		slices.Sort(serials)
		first, last := serials[0], serials[len(serials)-1]
		n, err := k.s.CountUnits(ctx, k.setup.Code, first, last)
		if err != nil {
			return nil, err
		}
		if n == len(serials) {
			out = append(out, [2]string{first, last})
			continue
		}
		for _, u := range serials {
			out = append(out, [2]string{u, u})
		}
	}
	return out, nil
}
