package line

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"alike/internal/store"
)

// A Batch is a batch of a component as it was bought or made.
type Batch struct {
	Line        int // of the file, for messages
	Kind        string
	Code        string
	Supplier    string
	Received    *time.Time
	Pieces      int // 0 when not counted
	Note        string
	Certificate []BatchValue
	Reason      string // of a correction; not read for a new batch
}

// A BatchValue is one number of a certificate.
type BatchValue struct {
	Name  string
	Value float64
	Unit  string
}

var batchColumns = []string{"kind", "batch", "supplier", "received", "pieces", "note", "reason"}

// ReadBatches reads a batches file: CSV with a head. Beside the known columns a head
// such as "density [kg/m³]" is a number of the certificate with its unit; an empty
// cell states nothing. An error is a *curve.Refusal that names file, line and field;
// a file with a fault is refused whole.
func ReadBatches(name string, data []byte) ([]Batch, error) {
	t, err := readSheet(name, data, func(h string) error {
		if slices.Contains(batchColumns, h) {
			return nil
		}
		if _, unit := splitUnit(h); unit == "" {
			return partFault(name, 1, h, "is neither a known column nor a quantity with a unit",
				"use "+strings.Join(batchColumns, ", ")+", or write the unit in brackets: density [kg/m³]")
		}
		return nil
	}, "kind", "batch")
	if err != nil {
		return nil, err
	}
	var out []Batch
	seen := map[[2]string]int{}
	for _, row := range t.rows {
		b, err := batchOf(t, row)
		if err != nil {
			return nil, err
		}
		key := [2]string{b.Kind, b.Code}
		if before := seen[key]; before > 0 {
			return nil, partFault(name, b.Line, "batch", fmt.Sprintf("%s batch %s is on line %d too", b.Kind, b.Code, before), "list every batch once")
		}
		seen[key] = b.Line
		out = append(out, b)
	}
	return out, nil
}

func batchOf(t *csvSheet, row csvRow) (Batch, error) {
	b := Batch{Line: row.line, Kind: strings.ToLower(t.get(row, "kind")), Code: t.get(row, "batch"), Supplier: t.get(row, "supplier"),
		Note: t.get(row, "note"), Reason: t.get(row, "reason")}
	var err error
	if b.Received, err = t.day(row, "received"); err != nil {
		return b, err
	}
	for _, h := range []string{"kind", "batch"} {
		if t.get(row, h) == "" {
			return b, partFault(t.name, row.line, h, "is empty", "fill it in")
		}
	}
	if text := t.get(row, "pieces"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 1_000_000 {
			return b, partFault(t.name, row.line, "pieces", fmt.Sprintf("%q is not a count from 1 to 1000000", text), "write a whole number, or leave it empty")
		}
		b.Pieces = n
	}
	for i, title := range t.title {
		quantity, unit := splitUnit(title)
		if unit == "" || row.cells[i] == "" {
			continue
		}
		v, err := t.number(row, t.head[i])
		if err != nil {
			return b, err
		}
		b.Certificate = append(b.Certificate, BatchValue{quantity, v, unit})
	}
	return b, nil
}

// splitUnit splits "density [kg/m³]" into name and unit; the unit is empty when there
// are no brackets at the end.
func splitUnit(h string) (name, unit string) {
	for _, pair := range []string{"[]", "()"} {
		if i := strings.IndexByte(h, pair[0]); i > 0 && strings.HasSuffix(h, pair[1:]) {
			return strings.TrimSpace(h[:i]), strings.TrimSpace(h[i+1 : len(h)-1])
		}
	}
	return h, ""
}

// A csvSheet is a CSV file with a head, in small letters and trimmed.
type csvSheet struct {
	name  string
	head  []string // small letters
	title []string // as written: a unit has its capitals
	rows  []csvRow
}

type csvRow struct {
	line  int
	cells []string
}

// readSheet reads a CSV file, separated by commas, semicolons or tabs. column says
// whether a head is known.
func readSheet(name string, data []byte, column func(string) error, required ...string) (*csvSheet, error) {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	r := csv.NewReader(bytes.NewReader(data))
	first, _, _ := bytes.Cut(data, []byte("\n"))
	for _, sep := range "\t;" {
		if bytes.ContainsRune(first, sep) {
			r.Comma = sep
		}
	}
	r.TrimLeadingSpace = true
	t := &csvSheet{name: name}
	for {
		row, err := r.Read()
		if err == io.EOF {
			break
		}
		line, _ := r.FieldPos(0)
		if err != nil {
			var fault *csv.ParseError
			if errors.As(err, &fault) {
				line = fault.Line
			}
			return nil, partFault(name, line, "", "the row does not fit the head", fmt.Sprintf("give %d columns, and close every quote", len(t.head)))
		}
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if t.head != nil {
			t.rows = append(t.rows, csvRow{line, row})
			continue
		}
		for i, h := range row {
			h = strings.ToLower(h)
			if slices.Contains(t.head, h) {
				return nil, partFault(name, line, h, "the column stands twice", "leave one out")
			}
			if err := column(h); err != nil {
				return nil, err
			}
			t.head, t.title = append(t.head, h), append(t.title, row[i])
		}
	}
	if t.head == nil {
		return nil, partFault(name, 1, "", "the file is empty", "begin with a head such as "+strings.Join(required, ","))
	}
	for _, h := range required {
		if !slices.Contains(t.head, h) {
			return nil, partFault(name, 1, h, "the column is missing", "add it: a row needs "+strings.Join(required, ", "))
		}
	}
	if len(t.rows) == 0 {
		return nil, partFault(name, 1, "", "the file has a head but no rows", "add a row, or export it again: it may be half written")
	}
	return t, nil
}

func (t *csvSheet) get(row csvRow, h string) string {
	if i := slices.Index(t.head, h); i >= 0 {
		return row.cells[i]
	}
	return ""
}

// number reads a cell with a decimal point, or a comma where commas do not separate.
func (t *csvSheet) number(row csvRow, h string) (float64, error) {
	text := t.get(row, h)
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || math.Abs(v) > 1e12 {
		return 0, partFault(t.name, row.line, h, fmt.Sprintf("%q is not a number", text), "write digits with at most one decimal sign and no unit, or leave it empty")
	}
	return v, nil
}

func (t *csvSheet) day(row csvRow, h string) (*time.Time, error) {
	text := t.get(row, h)
	if text == "" {
		return nil, nil
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil, partFault(t.name, row.line, h, fmt.Sprintf("%q is not a date", text), "write 2006-01-02")
	}
	return &day, nil
}

// An Added says what became of the entries of a call.
type Added struct {
	New, Corrected, Known int
}

// AddBatches enters component batches, all of them or none. The same batch again
// changes nothing. A batch that is there with other contents is corrected when a
// reason is given: the entry before stays as an earlier version.
func (l *Line) AddBatches(ctx context.Context, by By, product string, batches []Batch) (Added, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return Added{}, err
	}
	var out Added
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		out = Added{}
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		for _, b := range batches {
			if err := l.addBatch(ctx, s, by, setup, b, &out); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}

func (l *Line) addBatch(ctx context.Context, s store.Site, by By, setup *Setup, b Batch, out *Added) error {
	if err := setup.knownKind(b.Kind, b.Line); err != nil {
		return err
	}
	row := store.BatchRow{Kind: b.Kind, Batch: b.Code, Version: 1, Supplier: b.Supplier, ReceivedOn: b.Received, Note: b.Note, Author: by.Actor, EnteredAt: l.now()}
	if b.Pieces > 0 {
		row.Pieces = &b.Pieces
	}
	values, err := setup.certificate(b)
	if err != nil {
		return err
	}
	history, err := s.BatchHistory(ctx, b.Kind, b.Code)
	if err != nil {
		return err
	}
	action := "add batch"
	if n := len(history); n > 0 {
		same, err := sameBatch(ctx, s, history[n-1], row, values)
		if err != nil {
			return err
		}
		if same {
			out.Known++
			return nil
		}
		if b.Reason == "" {
			return refuse(Conflict, "batch", "correct the file, or give the reason of the correction",
				"%s%s batch %s is entered already with other contents", lineText(b.Line), b.Kind, b.Code)
		}
		action, row.Version, row.Reason = "correct batch", n+1, b.Reason
		out.Corrected++
	} else {
		out.New++
	}
	for i := range values {
		values[i].Version = row.Version
	}
	if err := s.AddBatch(ctx, row, values); err != nil {
		return err
	}
	return l.journal(ctx, s, by, action, b.Kind+" "+b.Code, row.Reason, map[string]any{"version": row.Version, "supplier": row.Supplier, "pieces": row.Pieces, "certificate": b.Certificate})
}

// knownKind refuses a kind that the product is not made of.
func (s *Setup) knownKind(kind string, line int) error {
	var kinds []string
	for _, c := range s.Components {
		kinds = append(kinds, c.Kind)
	}
	if len(kinds) == 0 || slices.Contains(kinds, kind) {
		return nil
	}
	return refuse(Invalid, "kind", "use one of "+strings.Join(kinds, ", "), "%sproduct %s has no component of the kind %q", lineText(line), s.Code, kind)
}

func lineText(line int) string {
	if line == 0 {
		return ""
	}
	return fmt.Sprintf("line %d: ", line)
}

// certificate checks the units of a certificate against the product's component.
func (s *Setup) certificate(b Batch) ([]store.BatchValue, error) {
	var out []store.BatchValue
	for _, v := range b.Certificate {
		for _, c := range s.Components {
			for _, q := range c.Certificate {
				if c.Kind == b.Kind && strings.EqualFold(q.Name, v.Name) && q.Unit != v.Unit {
					return nil, refuse(Invalid, v.Name, "convert it, or correct the head", "%sproduct %s has %s of %s in %s, not in %s", lineText(b.Line), s.Code, q.Name, b.Kind, q.Unit, v.Unit)
				}
			}
		}
		out = append(out, store.BatchValue{Kind: b.Kind, Batch: b.Code, Name: v.Name, Value: v.Value, Unit: v.Unit})
	}
	slices.SortFunc(out, func(a, b store.BatchValue) int { return strings.Compare(a.Name, b.Name) })
	for i := 1; i < len(out); i++ {
		if out[i].Name == out[i-1].Name {
			return nil, refuse(Invalid, out[i].Name, "leave one out", "%s%s batch %s states it twice", lineText(b.Line), b.Kind, b.Code)
		}
	}
	return out, nil
}

func sameBatch(ctx context.Context, s store.Site, before, after store.BatchRow, values []store.BatchValue) (bool, error) {
	stored, err := s.BatchValues(ctx, before.Kind)
	if err != nil {
		return false, err
	}
	var held []store.BatchValue
	for _, v := range stored {
		if v.Batch == before.Batch && v.Version == before.Version {
			v.Version = 0
			held = append(held, v)
		}
	}
	day := func(t *time.Time) string {
		if t == nil {
			return ""
		}
		return t.Format(time.DateOnly)
	}
	count := func(n *int) int {
		if n == nil {
			return 0
		}
		return *n
	}
	return before.Supplier == after.Supplier && day(before.ReceivedOn) == day(after.ReceivedOn) && count(before.Pieces) == count(after.Pieces) &&
		before.Note == after.Note && slices.Equal(held, values), nil
}
