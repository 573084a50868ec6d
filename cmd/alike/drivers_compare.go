package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"alike/internal/line"
	"alike/reports"
	"alike/reports/sheet"
)

type driversCompare struct {
	database
	asJSON
	Names      []string `arg:"" help:"Batches, or suppliers with --suppliers. One alone is judged."`
	Suppliers  bool     `help:"The names are suppliers; all their batches count."`
	Product    string   `help:"Product of the drivers, or the one they go into."`
	Margin     float64  `help:"Largest difference of two means in a band that does not matter. Default: the product's." placeholder:"DB"`
	Confidence float64  `help:"Of intervals and decisions." default:"0.95"`
	Seed       uint64   `help:"Of what is drawn at random: the same seed gives the same answer." default:"1"`
	Out        string   `help:"Write a workbook." placeholder:"FILE.xlsx" type:"path"`
	Paper      string   `help:"Paper to print on: A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *driversCompare) Run(c *console) error {
	r := line.StudyRequest{Product: cmd.Product, Batches: cmd.Names, Margin: cmd.Margin, Confidence: cmd.Confidence, Seed: cmd.Seed, Program: "alike " + version}
	if cmd.Suppliers {
		r.Batches, r.Suppliers = nil, cmd.Names
	}
	return cmd.with(c, func(w *workplace) error {
		st, err := w.line.DriverStudy(c.ctx, r)
		if err != nil {
			return err
		}
		if cmd.Out != "" {
			err := writeBook(cmd.Out, func(f io.Writer) error {
				return sheet.WriteStudy(f, st, sheet.Options{Made: time.Now().In(st.Zone), Program: "alike " + version, Paper: cmd.Paper})
			})
			if err != nil {
				return err
			}
			fmt.Fprintln(c.err, "written:", cmd.Out)
		}
		if cmd.JSON {
			return printJSON(c, studyAnswerOf(st))
		}
		return c.study(st)
	})
}

// writeBook writes a workbook beside its name first, so that a half written one never
// stands under the name.
func writeBook(name string, write func(io.Writer) error) error {
	var file bytes.Buffer
	if err := write(&file); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		return err
	}
	part := name + ".part"
	if err := os.WriteFile(part, file.Bytes(), 0o666); err != nil {
		return err
	}
	return os.Rename(part, name)
}

// study prints a comparison for people.
func (c *console) study(st reports.DriverStudy) error {
	for _, text := range st.Conclusion {
		fmt.Fprintln(c.out, text)
	}
	fmt.Fprintln(c.out)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "GROUP\tSUPPLIER\tDRIVERS\tGOOD\tBAD\tNOT CHECKED\tYIELD\tPAIRS PER 100 BOUGHT")
	for _, g := range st.Groups {
		pairs := "not known: " + g.Pairing.Why
		if g.Pairing.Known {
			pairs = fmt.Sprintf("%.1f (%.0f to %.0f)", g.Pairing.Pairs, g.Pairing.Low, g.Pairing.High)
		}
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%d\t%d\t%.1f %% (%.1f to %.1f)\t%s\n", g.Name, g.Supplier, g.Drivers, g.Good, g.Bad, g.NotChecked,
			100*g.Yield.Share, 100*g.Yield.Low, 100*g.Yield.High, pairs)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(c.out)
	for _, g := range st.Groups {
		for _, a := range g.Acceptance {
			fmt.Fprintf(c.out, "%s, %s: %s (%s; %s)\n", a.Batch, a.Of, a.Word, a.Plan, a.Found)
		}
	}
	for _, m := range st.Metrics {
		for _, text := range m.Sentences {
			fmt.Fprintf(c.out, "%s: %s\n", m.Name, text)
		}
	}
	return c.warn(st.Warnings)
}

type groupAnswer struct {
	Name       string             `json:"name"`
	Supplier   string             `json:"supplier"`
	Batches    []string           `json:"batches"`
	Drivers    int                `json:"drivers"`
	Measured   int                `json:"measured"`
	Good       int                `json:"good"`
	Bad        int                `json:"bad"`
	NotChecked int                `json:"not_checked"`
	Reversed   int                `json:"reversed"`
	Yield      number             `json:"yield"`
	YieldLow   number             `json:"yield_low"`
	YieldHigh  number             `json:"yield_high"`
	Pairs      *pairsAnswer       `json:"pairs_per_hundred"` // null when not known
	Acceptance []acceptanceAnswer `json:"acceptance"`
}

type pairsAnswer struct {
	Pairs float64 `json:"pairs"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

type acceptanceAnswer struct {
	Batch    string `json:"batch"`
	Of       string `json:"of"`
	Proposal string `json:"proposal"`
	Plan     string `json:"plan"`
	Found    string `json:"found"`
	Sentence string `json:"sentence"`
}

type comparedAnswer struct {
	Name    string             `json:"name"`
	Unit    string             `json:"unit"`
	MeanP   number             `json:"mean_p"`
	SpreadP number             `json:"spread_p"`
	Between number             `json:"between_sd"`
	Within  number             `json:"within_sd"`
	Share   number             `json:"share_between"`
	BatchP  number             `json:"batch_p"` // of equal batches of a supplier; null unless nested
	Pairs   []differenceAnswer `json:"pairs"`
}

type differenceAnswer struct {
	A           string `json:"a"`
	B           string `json:"b"`
	Difference  number `json:"difference"`
	Low         number `json:"low"`
	High        number `json:"high"`
	P           number `json:"p"`
	TukeyLow    number `json:"tukey_low"`
	TukeyHigh   number `json:"tukey_high"`
	Equivalence number `json:"equivalence_p"`
	Word        string `json:"word"`
}

type studyAnswer struct {
	Conclusion []string         `json:"conclusion"`
	P          number           `json:"p"`
	Margin     float64          `json:"margin"`
	Nested     bool             `json:"nested"` // suppliers by their batches
	Groups     []groupAnswer    `json:"groups"`
	Bands      []comparedAnswer `json:"bands"`
	Metrics    []comparedAnswer `json:"metrics"`
	Warnings   []string         `json:"warnings,omitempty"`
}

func studyAnswerOf(st reports.DriverStudy) studyAnswer {
	a := studyAnswer{Conclusion: st.Conclusion, P: number(st.Headline.P), Margin: st.Margin, Nested: st.Nested, Warnings: st.Warnings, Bands: comparedOf(st.Bands), Metrics: comparedOf(st.Metrics)}
	for _, g := range st.Groups {
		x := groupAnswer{Name: g.Name, Supplier: g.Supplier, Batches: g.Batches, Drivers: g.Drivers, Measured: g.Measured, Good: g.Good, Bad: g.Bad,
			NotChecked: g.NotChecked, Reversed: g.Reversed, Yield: number(g.Yield.Share), YieldLow: number(g.Yield.Low), YieldHigh: number(g.Yield.High)}
		if g.Pairing.Known {
			x.Pairs = &pairsAnswer{g.Pairing.Pairs, g.Pairing.Low, g.Pairing.High}
		}
		for _, c := range g.Acceptance {
			x.Acceptance = append(x.Acceptance, acceptanceAnswer{c.Batch, c.Of, c.Word, c.Plan, c.Found, c.Sentence})
		}
		a.Groups = append(a.Groups, x)
	}
	return a
}

func comparedOf(all []reports.Compared) []comparedAnswer {
	out := []comparedAnswer{}
	for _, c := range all {
		x := comparedAnswer{Name: c.Name, Unit: c.Unit, MeanP: number(c.MeanP), SpreadP: number(c.SpreadP), Between: number(c.BetweenSD), Within: number(c.WithinSD), Share: number(c.Share), BatchP: number(c.BatchP), Pairs: []differenceAnswer{}}
		for _, d := range c.Pairs {
			x.Pairs = append(x.Pairs, differenceAnswer{d.A, d.B, number(d.Difference), number(d.Low), number(d.High), number(d.P), number(d.TukeyLow), number(d.TukeyHigh), number(d.EquivalentP), d.Word})
		}
		out = append(out, x)
	}
	return out
}
