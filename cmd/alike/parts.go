package main

import (
	"fmt"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"alike/internal/line"
	"alike/internal/store"

	"github.com/google/uuid"
)

type partsCommand struct {
	Add      partsAdd      `cmd:"" help:"Enter which batch went into which units, from a CSV file: kind,channel,batch,supplier,first,last,received,note; or unit or lot in place of first and last; piece for a single driver."`
	Batch    partsBatch    `cmd:"" help:"Enter component batches with supplier and certificate, from a CSV file: kind,batch,supplier,received,pieces,note,reason and columns such as density [kg/m³]."`
	Batches  partsBatches  `cmd:"" help:"List the component batches."`
	Scan     partsScan     `cmd:"" help:"Enter parts as a hand scanner reads them: batches, then drivers and the unit they are in, a code per line."`
	List     partsList     `cmd:"" help:"List a product's parts ledger."`
	Correct  partsCorrect  `cmd:"" help:"Put another entry in the place of a wrong one, which is kept."`
	Withdraw partsWithdraw `cmd:"" help:"Withdraw a wrong entry, which is kept."`
}

type partsAdd struct {
	database
	File    string `arg:"" help:"Parts file (CSV)." type:"existingfile"`
	Product string `help:"Code of the product. May be left out when there is only one."`
}

func (cmd *partsAdd) Run(c *console) error {
	data, err := os.ReadFile(cmd.File)
	if err != nil {
		return err
	}
	parts, err := line.ReadParts(cmd.File, data)
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		n, err := w.line.AddParts(c.ctx, w.by, cmd.Product, parts)
		if err != nil {
			return fmt.Errorf("%s: %w", cmd.File, err)
		}
		fmt.Fprintf(c.out, "%d of %d entries are new\n", n, len(parts))
		return nil
	})
}

type partsBatch struct {
	database
	File    string `arg:"" help:"Batches file (CSV)." type:"existingfile"`
	Product string `help:"Code of the product. May be left out when there is only one."`
}

func (cmd *partsBatch) Run(c *console) error {
	data, err := os.ReadFile(cmd.File)
	if err != nil {
		return err
	}
	batches, err := line.ReadBatches(cmd.File, data)
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		a, err := w.line.AddBatches(c.ctx, w.by, cmd.Product, batches)
		if err != nil {
			return fmt.Errorf("%s: %w", cmd.File, err)
		}
		fmt.Fprintf(c.out, "%d batches entered, %d corrected, %d known already\n", a.New, a.Corrected, a.Known)
		return nil
	})
}

type partsBatches struct {
	database
	Kind string `help:"Only batches of a kind, such as foam."`
}

func (cmd *partsBatches) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		s := w.db.Site(w.line.Site())
		rows, err := s.Batches(c.ctx, cmd.Kind)
		if err != nil {
			return err
		}
		values, err := s.BatchValues(c.ctx, cmd.Kind)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "KIND\tBATCH\tSUPPLIER\tRECEIVED\tPIECES\tCERTIFICATE")
		for _, r := range rows {
			pieces := ""
			if r.Pieces != nil {
				pieces = fmt.Sprint(*r.Pieces)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", r.Kind, r.Batch, r.Supplier, day(r.ReceivedOn), pieces, certificateText(r, values))
		}
		return t.Flush()
	})
}

func certificateText(r store.BatchRow, values []store.BatchValue) string {
	var parts []string
	for _, v := range values {
		if v.Kind == r.Kind && v.Batch == r.Batch && v.Version == r.Version {
			parts = append(parts, fmt.Sprintf("%s %g %s", v.Name, v.Value, v.Unit))
		}
	}
	return strings.Join(parts, ", ")
}

func day(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.Format(time.DateOnly)
}

type partsScan struct {
	database
	File    string `arg:"" help:"File with a code per line; - for standard input, as a scanner types it."`
	Product string `help:"Code of the product. May be left out when there is only one."`
}

func (cmd *partsScan) Run(c *console) error {
	data, err := c.read(cmd.File)
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		n, err := w.line.ScanParts(c.ctx, w.by, cmd.Product, cmd.File, data)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%d entries are new\n", n)
		return nil
	})
}

type partsList struct {
	database
	Product string `help:"Code of the product. May be left out when there is only one."`
	All     bool   `help:"Withdrawn entries too."`
}

func (cmd *partsList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		setup, err := w.line.Setup(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		rows, err := w.db.Site(w.line.Site()).Parts(c.ctx, setup.Code)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "ENTRY\tKIND\tSIDE\tBATCH\tSUPPLIER\tPIECE\tFIRST\tLAST\tNOTE")
		for _, r := range rows {
			note := r.Note
			if r.WithdrawnAt != nil {
				if !cmd.All {
					continue
				}
				note = strings.TrimSpace(note + " (withdrawn: " + *r.WithdrawnWhy + ")")
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.Use, r.Kind, r.Channel, r.Batch, r.Supplier, r.Piece, r.FirstSerial, r.LastSerial, note)
		}
		return t.Flush()
	})
}

type partsCorrect struct {
	database
	Entry  string `arg:"" help:"Entry, as parts list shows it."`
	Reason string `help:"What was wrong." required:""`
	Side   string `help:"Right side, such as left. Default: as it was." placeholder:"CHANNEL"`
	Batch  string `help:"Right batch. Default: as it was."`
	Piece  string `help:"Right serial of the piece. Default: as it was."`
	First  string `help:"Right first serial. Default: as it was."`
	Last   string `help:"Right last serial. Default: as it was, or --first."`
}

func (cmd *partsCorrect) Run(c *console) error {
	id, err := uuid.Parse(cmd.Entry)
	if err != nil {
		return fmt.Errorf("%q is no entry: alike parts list shows them", cmd.Entry)
	}
	return cmd.with(c, func(w *workplace) error {
		old, err := w.db.Site(w.line.Site()).Part(c.ctx, id)
		if err != nil {
			return fmt.Errorf("entry %s: %w", id, err)
		}
		next, err := w.line.CorrectPart(c.ctx, w.by, id, cmd.instead(old), cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "entry %s is withdrawn and kept; %s is in its place\n", id, next)
		return nil
	})
}

func (cmd *partsCorrect) instead(old store.PartUse) *line.PartUse {
	p := &line.PartUse{Kind: old.Kind, Channel: old.Channel, Batch: old.Batch, Supplier: old.Supplier, First: old.FirstSerial, Last: old.LastSerial,
		Piece: old.Piece, Received: old.ReceivedOn, Note: old.Note}
	if cmd.Side != "" {
		p.Channel = cmd.Side
	}
	if cmd.Batch != "" && cmd.Batch != old.Batch {
		p.Batch, p.Supplier, p.Received = cmd.Batch, "", nil
	}
	if cmd.Piece != "" && cmd.Piece != old.Piece {
		p.Piece, p.Batch, p.Supplier, p.Received = cmd.Piece, cmd.Batch, "", nil
	}
	if cmd.First != "" {
		p.First, p.Last = cmd.First, cmd.First
	}
	if cmd.Last != "" {
		p.Last = cmd.Last
	}
	return p
}

type partsWithdraw struct {
	database
	Entry  string `arg:"" help:"Entry, as parts list shows it."`
	Reason string `help:"What was wrong." required:""`
}

func (cmd *partsWithdraw) Run(c *console) error {
	id, err := uuid.Parse(cmd.Entry)
	if err != nil {
		return fmt.Errorf("%q is no entry: alike parts list shows them", cmd.Entry)
	}
	return cmd.with(c, func(w *workplace) error {
		if _, err := w.line.CorrectPart(c.ctx, w.by, id, nil, cmd.Reason); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "entry %s is withdrawn and kept\n", id)
		return nil
	})
}
