package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"text/tabwriter"

	"alike/internal/line"
)

type productCommand struct {
	Add     productAdd     `cmd:"" help:"Add a product from its file."`
	List    productList    `cmd:"" help:"List the products."`
	Show    productShow    `cmd:"" help:"Print a product's definition."`
	Plan    productPlan    `cmd:"" help:"Print what to check when the line moved, or put a new plan in force."`
	Example productExample `cmd:"" help:"Print a product file to begin from."`
}

type productAdd struct {
	database
	File string `arg:"" help:"Product file (JSON)." type:"existingfile"`
}

func (cmd *productAdd) Run(c *console) error {
	p, err := readProduct(cmd.File)
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		added, err := w.line.AddProduct(c.ctx, w.by, p)
		if err != nil {
			return fmt.Errorf("%s: %w", cmd.File, err)
		}
		if !added {
			fmt.Fprintf(c.out, "product %s is there already, unchanged\n", p.Code)
			return nil
		}
		fmt.Fprintf(c.out, "product %s added\n", p.Code)
		if p.Envelope == nil {
			fmt.Fprintf(c.out, "next: its limits, with: alike envelope add %s FILE --reason TEXT\n", p.Code)
		}
		return nil
	})
}

// readProduct reads a product file and, beside it, the curve of its target.
func readProduct(name string) (line.Product, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return line.Product{}, err
	}
	p, err := line.ParseProduct(data)
	if err != nil {
		return p, fmt.Errorf("%s: %w", name, err)
	}
	if p.Target.File == "" {
		return p, nil
	}
	target := p.Target.File
	if !filepath.IsAbs(target) {
		target = filepath.Join(filepath.Dir(name), target)
	}
	text, err := os.ReadFile(target)
	if err != nil {
		return p, fmt.Errorf("%s: target: %w", name, err)
	}
	return p, p.ReadTarget(target, text)
}

type productList struct{ database }

func (cmd *productList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		rows, err := w.db.Site(w.line.Site()).Products(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "CODE\tNAME\tREVISION\tCHANNELS\tSEATINGS")
		for _, r := range rows {
			p, err := line.ParseProduct(r.Definition)
			if err != nil {
				return err
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%d\n", p.Code, p.Name, p.Revision, len(p.Channels), p.Seatings)
		}
		return t.Flush()
	})
}

type productShow struct {
	database
	Product string `arg:"" help:"Code of the product."`
}

func (cmd *productShow) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		s, err := w.line.Setup(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		row, err := w.db.Site(w.line.Site()).Product(c.ctx, s.Code)
		if err != nil {
			return err
		}
		p, err := line.ParseProduct(row.Definition)
		if err != nil {
			return err
		}
		return printJSON(c, p)
	})
}

func printJSON(c *console, v any) error {
	e := json.NewEncoder(c.out)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

type productExample struct{}

func (productExample) Run(c *console) error {
	_, err := io.WriteString(c.out, line.ExampleProduct)
	return err
}

type productPlan struct {
	database
	Product string `arg:"" help:"Code of the product."`
	File    string `arg:"" optional:"" help:"File of the new plan (JSON): a list of rows with check, minutes and for. Without it the plan in force is printed." type:"existingfile"`
	Reason  string `help:"Why the plan changes." placeholder:"TEXT"`
	Fault   string `help:"Print what a finding that looks like this fault would list." placeholder:"KEY"`
}

func (cmd *productPlan) Run(c *console) error {
	var rows []line.PlanRow
	if cmd.File != "" {
		data, err := os.ReadFile(cmd.File)
		if err != nil {
			return err
		}
		if rows, err = line.ParsePlan(data); err != nil {
			return fmt.Errorf("%s: %w", cmd.File, err)
		}
	} else if cmd.Reason != "" {
		return fmt.Errorf("--reason needs the file of a new plan")
	}
	return cmd.with(c, func(w *workplace) error {
		d, err := w.line.ActionPlan(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		switch {
		case cmd.Fault != "":
			if cmd.File == "" {
				rows = d.Setup.Plan
			}
			if !slices.ContainsFunc(d.Choices, func(p line.PlanChoice) bool { return p.Fault && p.Key == cmd.Fault }) {
				return fmt.Errorf("product %s knows no fault %q: see them with: alike fault list", d.Setup.Code, cmd.Fault)
			}
			for i, r := range d.Setup.PlanFor(rows, cmd.Fault) {
				fmt.Fprintf(c.out, "%d. %s (%g min)\n", i+1, r.Check, r.Minutes)
			}
			return nil
		case cmd.File == "":
			return printJSON(c, d.Rows)
		}
		v, err := w.line.PutPlan(c.ctx, w.by, cmd.Product, rows, cmd.Reason)
		if err != nil {
			return fmt.Errorf("%s: %w", cmd.File, err)
		}
		fmt.Fprintf(c.out, "action plan version %d of %s is in force: %d checks\n", v, d.Setup.Code, len(rows))
		return nil
	})
}
