package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"alike/internal/line"
	"alike/reports"
	"alike/reports/sheet"
)

// pairChoice says which drivers are paired; commands that pair embed it.
type pairChoice struct {
	Batches   []string `arg:"" optional:"" help:"Batches of the drivers; all there are for none."`
	Left      []string `help:"Batches of left cups; each goes with a cup of --right." placeholder:"BATCH"`
	Right     []string `help:"Batches of right cups." placeholder:"BATCH"`
	Product   string   `help:"Product of the drivers, or the one they go into."`
	Tolerance float64  `help:"Largest mismatch of a pair. Default: the product's." placeholder:"DB"`
	Weight    []string `help:"Weight of a range of bands in the mismatch, such as 300-3000=2. Default: the product's." placeholder:"HZ-HZ=W"`
	Fixed     []string `help:"Pair that stays together, left and right: A,B." sep:"none" placeholder:"A,B"`
	Excluded  []string `help:"Drivers that take no part." placeholder:"SERIAL"`
	Bad       bool     `help:"Pair drivers that break a limit, too."`
	Unchecked bool     `help:"Pair drivers of which something that has a limit was not measured, too."`
}

func (p pairChoice) request() (line.PairRequest, error) {
	r := line.PairRequest{Product: p.Product, Batches: p.Batches, Left: p.Left, Right: p.Right, Tolerance: p.Tolerance, Excluded: p.Excluded, BadToo: p.Bad, UncheckedToo: p.Unchecked}
	for _, text := range p.Weight {
		var w line.Weight
		if n, err := fmt.Sscanf(text, "%g-%g=%g", &w.From, &w.To, &w.Weight); n != 3 || err != nil {
			return r, fmt.Errorf("--weight %q is not a range with a weight; write 300-3000=2", text)
		}
		r.Weights = append(r.Weights, w)
	}
	for _, text := range p.Fixed {
		a, b, ok := strings.Cut(text, ",")
		if !ok || strings.TrimSpace(a) == "" || strings.TrimSpace(b) == "" {
			return r, fmt.Errorf("--fixed %q is not a pair; write the left and the right serial with a comma between", text)
		}
		r.Fixed = append(r.Fixed, [2]string{strings.TrimSpace(a), strings.TrimSpace(b)})
	}
	return r, nil
}

type driversPair struct {
	database
	asJSON
	pairChoice
	Keep  bool   `help:"Keep the pairing: its drivers are spoken for from then on."`
	Out   string `help:"Write the pick list as a workbook, with labels." placeholder:"FILE.xlsx" type:"path"`
	Paper string `help:"Paper to print on: A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *driversPair) Run(c *console) error {
	r, err := cmd.request()
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		var plan line.PairPlan
		if cmd.Keep {
			plan, err = w.line.KeepPairs(c.ctx, w.by, r)
		} else {
			plan, err = w.line.PlanPairs(c.ctx, r)
		}
		if err != nil {
			return err
		}
		return c.picks(plan.List, cmd.Out, cmd.Paper, cmd.JSON)
	})
}

// picks writes a pick list where it is wanted and prints it.
func (c *console) picks(l reports.PickList, out, paper string, json bool) error {
	if out != "" {
		err := writeBook(out, func(f io.Writer) error {
			return sheet.WritePicks(f, l, sheet.Options{Made: time.Now().In(l.Zone), Program: "alike " + version, Paper: paper})
		})
		if err != nil {
			return err
		}
		fmt.Fprintln(c.err, "written:", out)
	}
	if json {
		return printJSON(c, pickAnswerOf(l))
	}
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "PAIR\tLEFT\tRIGHT\tMISMATCH, dB\tPREDICTED BALANCE, dB\tUNIT\tBUILT BALANCE, dB")
	for _, p := range l.Pairs {
		built := ""
		if p.Built == p.Built {
			built = fmt.Sprintf("%+.2f", p.Built)
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%.3f\t%+.2f\t%s\t%s\n", p.Rank, p.Left, p.Right, p.Mismatch, p.Predicted, p.Unit, built)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%d pairs within %g dB, total mismatch %.3f dB; %d drivers without a partner\n", len(l.Pairs), l.Tolerance, l.Total, len(l.Unpaired))
	for _, p := range l.TradeOff {
		fmt.Fprintf(c.out, "  within %.3g dB: %d pairs, worst %.3f dB\n", p.Tolerance, p.Pairs, p.Worst)
	}
	if l.Number > 0 {
		fmt.Fprintf(c.out, "pairing %d, kept by %s\n", l.Number, l.Author)
	}
	for _, text := range []string{l.Withdrawn, l.Built.Sentence} {
		if text != "" {
			fmt.Fprintln(c.out, text)
		}
	}
	return c.warn(l.Warnings)
}

type pickAnswer struct {
	Pairing   int           `json:"pairing"` // 0 when not kept
	Tolerance float64       `json:"tolerance"`
	Pairs     []pairedRow   `json:"pairs"`
	Unpaired  []unpairedRow `json:"unpaired"`
	Total     float64       `json:"total"`
	TradeOff  []tradeRow    `json:"trade_off"`
	Warnings  []string      `json:"warnings,omitempty"`
}

type pairedRow struct {
	Left      string  `json:"left"`
	Right     string  `json:"right"`
	Mismatch  float64 `json:"mismatch"`
	Predicted float64 `json:"predicted_balance"`
	Unit      string  `json:"unit"`
	Built     number  `json:"built_balance"`
}

type unpairedRow struct {
	Serial string `json:"serial"`
	Batch  string `json:"batch"`
	Why    string `json:"why"`
}

type tradeRow struct {
	Tolerance float64 `json:"tolerance"`
	Pairs     int     `json:"pairs"`
	Total     float64 `json:"total"`
	Worst     float64 `json:"worst"`
}

func pickAnswerOf(l reports.PickList) pickAnswer {
	a := pickAnswer{Pairing: l.Number, Tolerance: l.Tolerance, Total: l.Total, Warnings: l.Warnings, Pairs: []pairedRow{}, Unpaired: []unpairedRow{}}
	for _, p := range l.Pairs {
		a.Pairs = append(a.Pairs, pairedRow{p.Left, p.Right, p.Mismatch, p.Predicted, p.Unit, number(p.Built)})
	}
	for _, u := range l.Unpaired {
		a.Unpaired = append(a.Unpaired, unpairedRow(u))
	}
	for _, t := range l.TradeOff {
		a.TradeOff = append(a.TradeOff, tradeRow(t))
	}
	return a
}

type driversPairings struct {
	database
	Product string `help:"Product of the drivers, or the one they go into."`
}

func (cmd *driversPairings) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		setup, err := w.line.DriverSetup(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		rows, err := w.db.Site(w.line.Site()).Pairings(c.ctx, setup.Code)
		if err != nil {
			return err
		}
		zone, err := w.line.Zone(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "PAIRING\tMADE\tBY\tSTATE")
		for _, r := range rows {
			state := "in force"
			if r.WithdrawnAt != nil {
				state = "withdrawn: " + *r.WithdrawnWhy
			}
			fmt.Fprintf(t, "%d\t%s\t%s\t%s\n", r.Pairing, r.MadeAt.In(zone).Format("2006-01-02 15:04"), r.Author, state)
		}
		return t.Flush()
	})
}

type driversPicks struct {
	database
	asJSON
	Pairing int    `arg:"" optional:"" help:"Number of the pairing; the newest for none."`
	Product string `help:"Product of the drivers, or the one they go into."`
	Out     string `help:"Write a workbook, with labels." placeholder:"FILE.xlsx" type:"path"`
	Paper   string `help:"Paper to print on: A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *driversPicks) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		l, err := w.line.PickList(c.ctx, cmd.Product, cmd.Pairing)
		if err != nil {
			return err
		}
		return c.picks(l, cmd.Out, cmd.Paper, cmd.JSON)
	})
}

type driversWithdraw struct {
	database
	Pairing int    `arg:"" help:"Number of the pairing."`
	Reason  string `help:"Why it is given up." required:""`
	Product string `help:"Product of the drivers, or the one they go into."`
}

func (cmd *driversWithdraw) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if err := w.line.WithdrawPairs(c.ctx, w.by, cmd.Product, cmd.Pairing, cmd.Reason); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "pairing %d is withdrawn; its drivers are free again\n", cmd.Pairing)
		return nil
	})
}

type driversBuy struct {
	database
	asJSON
	pairChoice
	Pairs      int     `help:"Pairs needed." required:""`
	Confidence float64 `help:"Chance that so many pairs are among the drivers bought." default:"0.95"`
	Seed       uint64  `help:"Of the simulated purchases: the same seed gives the same answer." default:"1"`
}

func (cmd *driversBuy) Run(c *console) error {
	r, err := cmd.request()
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		hundred, need, err := w.line.Purchase(c.ctx, r, cmd.Pairs, cmd.Confidence, cmd.Seed)
		if err != nil {
			return err
		}
		if cmd.JSON {
			return printJSON(c, struct {
				Pairs      int      `json:"pairs"`
				Buy        int      `json:"buy"` // 0 when no reasonable number is enough
				Typical    int      `json:"typical"`
				Confidence float64  `json:"confidence"`
				PerHundred float64  `json:"pairs_per_hundred"`
				Low        float64  `json:"low"`
				High       float64  `json:"high"`
				Warnings   []string `json:"warnings,omitempty"`
			}{need.Pairs, need.Buy, need.Typical, need.Confidence, hundred.Pairs, hundred.Low, hundred.High, need.Warnings})
		}
		if need.Buy > 0 {
			fmt.Fprintf(c.out, "buy %d good drivers for %d pairs with a confidence of %g; %d are enough in half of the purchases\n", need.Buy, need.Pairs, need.Confidence, need.Typical)
		}
		fmt.Fprintf(c.out, "a hundred good drivers give %.1f pairs on average, %.0f to %.0f in nine of ten purchases\n", hundred.Pairs, hundred.Low, hundred.High)
		return c.warn(need.Warnings)
	})
}
