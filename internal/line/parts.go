package line

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/store"

	"github.com/google/uuid"
)

// A PartUse says which batch of a component went into the units from First to Last.
type PartUse struct {
	Line                           int // of the file, for messages
	Kind, Channel, Batch, Supplier string
	First, Last                    string
	Received                       *time.Time
	Note                           string
}

// partColumns are the columns of a parts file; the first four of required must be
// filled in every row.
var (
	partColumns  = []string{"kind", "channel", "batch", "supplier", "first", "last", "received", "note"}
	partRequired = []string{"kind", "batch", "first", "last"}
)

// ReadParts reads a parts file: CSV with a head, separated by commas, semicolons or
// tabs, one row per batch and range of serials. An error is a *curve.Refusal that
// names file, line and field; a file with a fault is refused whole.
func ReadParts(name string, data []byte) ([]PartUse, error) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	first, _, _ := bytes.Cut(data, []byte("\n"))
	for _, sep := range "\t;" {
		if bytes.ContainsRune(first, sep) {
			r.Comma = sep
		}
	}
	r.TrimLeadingSpace = true
	head, err := r.Read()
	if err != nil {
		return nil, partFault(name, 1, "", "the head cannot be read", "begin with a line such as "+strings.Join(partColumns, ","))
	}
	at := map[string]int{}
	for i, h := range head {
		h = strings.ToLower(strings.TrimSpace(h))
		if !slices.Contains(partColumns, h) {
			return nil, partFault(name, 1, h, "there is no such column", "use "+strings.Join(partColumns, ", "))
		}
		at[h] = i
	}
	for _, h := range partRequired {
		if _, ok := at[h]; !ok {
			return nil, partFault(name, 1, h, "the column is missing", "add it: a row needs "+strings.Join(partRequired, ", "))
		}
	}
	var out []PartUse
	for {
		row, err := r.Read()
		if err == io.EOF {
			return out, nil
		}
		line, _ := r.FieldPos(0)
		if err != nil {
			var fault *csv.ParseError
			if errors.As(err, &fault) {
				line = fault.Line
			}
			return nil, partFault(name, line, "", "the row does not fit the head", fmt.Sprintf("give %d columns, and close every quote", len(head)))
		}
		get := func(h string) string {
			if i, ok := at[h]; ok {
				return strings.TrimSpace(row[i])
			}
			return ""
		}
		p := PartUse{Line: line, Kind: strings.ToLower(get("kind")), Batch: get("batch"), Supplier: get("supplier"),
			First: get("first"), Last: get("last"), Note: get("note")}
		if c := strings.ToLower(get("channel")); c != "" && c != "both" && c != "all" {
			p.Channel = curve.Channel(c)
		}
		if err := p.check(name, get("received")); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
}

func (p *PartUse) check(name, received string) error {
	for field, v := range map[string]string{"kind": p.Kind, "batch": p.Batch, "first": p.First, "last": p.Last} {
		if v == "" {
			return partFault(name, p.Line, field, "is empty", "fill it in")
		}
	}
	if len(p.First) != len(p.Last) || p.First > p.Last {
		return partFault(name, p.Line, "last", fmt.Sprintf("serial %s does not follow %s among serials of the same length", p.Last, p.First),
			"give first and last serial of one unbroken range")
	}
	if received != "" {
		day, err := time.Parse(time.DateOnly, received)
		if err != nil {
			return partFault(name, p.Line, "received", fmt.Sprintf("%q is not a date", received), "write 2006-01-02")
		}
		p.Received = &day
	}
	return nil
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
		for _, p := range parts {
			if p.Channel != "" && !slices.Contains(setup.Channels, p.Channel) {
				return refuse(Invalid, "channel", "use one of "+strings.Join(setup.Channels, ", ")+", or leave it empty",
					"line %d: product %s has no channel %q", p.Line, setup.Code, p.Channel)
			}
			fresh, err := s.AddPartUse(ctx, store.PartUse{
				Use: uuid.Must(uuid.NewV7()), Product: setup.Code, Kind: p.Kind, Channel: p.Channel, Batch: p.Batch,
				Supplier: p.Supplier, ReceivedOn: p.Received, FirstSerial: p.First, LastSerial: p.Last, Note: p.Note,
				EnteredAt: l.now(),
			})
			if err != nil {
				return err
			}
			if fresh {
				added++
			}
		}
		if added == 0 {
			return nil
		}
		return l.journal(ctx, s, by, "add parts", setup.Code, "", map[string]any{"entries": added})
	})
	return added, err
}
