package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"

	"alike/spc/chart"
	"alike/spc/multi"
)

type calcChart struct {
	asJSON
	Kind       string   `help:"Kind of chart: ${enum}." required:"" enum:"individuals,xbar-r,xbar-s,ewma,cusum,p,np,c,u,t2,mewma"`
	Value      string   `help:"Column of the values; of the counts for p, np, c and u." placeholder:"COL"`
	Values     []string `help:"Columns of the variables, for t2 and mewma." placeholder:"A,B,.."`
	Subgroup   string   `help:"Column that tells subgroups apart, for xbar-r, xbar-s and t2." placeholder:"COL"`
	Size       string   `help:"Column of the sizes, for p, np and u." placeholder:"COL"`
	Center     *float64 `help:"Centre, instead of the data's own."`
	Sigma      *float64 `help:"Standard deviation of one value, instead of the data's own."`
	Baseline   int      `help:"The first so many points set the limits." placeholder:"N"`
	Width      float64  `help:"Distance of the limits from the centre in sigmas." default:"3"`
	Lambda     float64  `help:"Weight of the newest value, for ewma and mewma." default:"0.2"`
	Steady     bool     `help:"Draw ewma and mewma as in a long run from the first point on."`
	K          float64  `help:"Slack of cusum in sigmas: half the shift to be seen." default:"0.5"`
	H          float64  `help:"Decision interval of cusum in sigmas; the same as --limit for mewma." default:"5"`
	FIR        float64  `name:"fir" help:"Head start of both sums of cusum in sigmas."`
	Rules      []string `help:"Run rules to read: all, or a list of keys." placeholder:"KEYS"`
	Alpha      float64  `help:"Chance of a false alarm per point, for t2; 0.0027 unless given." placeholder:"P"`
	Covariance string   `help:"For t2 and mewma: ${enum}." enum:"sample,successive,shrunk" default:"sample"`
	Limit      float64  `help:"Limit of mewma, instead of the one for an average run length of ${mewma_arl} in control."`
	File       string   `arg:"" help:"CSV file with a head; - for standard input."`
}

// A chartAnswer is a chart as the contract has it.
type chartAnswer struct {
	Kind      string        `json:"kind"`
	Center    number        `json:"center"`
	Sigma     number        `json:"sigma"`
	RunLength float64       `json:"run_length,omitempty"` // of mewma: in control, for which its limit was computed
	Points    []pointAnswer `json:"points"`
	Companion *chartAnswer  `json:"companion,omitempty"`
	Warnings  []string      `json:"warnings,omitempty"`
}

type pointAnswer struct {
	Index    int         `json:"index"`
	Value    number      `json:"value"`
	Center   number      `json:"center"`
	Lower    number      `json:"lower"`
	Upper    number      `json:"upper"`
	UpperSum *number     `json:"upper_sum,omitempty"`
	LowerSum *number     `json:"lower_sum,omitempty"`
	Signals  []chart.Key `json:"signals"`
}

var chartReads = map[string]string{
	"value":      "individuals xbar-r xbar-s ewma cusum p np c u",
	"values":     "t2 mewma",
	"subgroup":   "xbar-r xbar-s t2",
	"size":       "p np u",
	"center":     "individuals xbar-r xbar-s ewma cusum p np c u",
	"sigma":      "individuals xbar-r xbar-s ewma cusum",
	"width":      "individuals xbar-r xbar-s ewma p np c u",
	"rules":      "individuals xbar-r xbar-s p np c u",
	"lambda":     "ewma mewma",
	"steady":     "ewma mewma",
	"k":          "cusum",
	"h":          "cusum mewma",
	"fir":        "cusum",
	"alpha":      "t2",
	"covariance": "t2 mewma",
	"limit":      "mewma",
}

// check refuses flags that would change nothing, and settles those of one meaning.
func (cmd *calcChart) check(g given) error {
	if err := errors.Join(g.only(cmd.Kind, chartReads), g.notZero("alpha", "baseline", "limit", "width")); err != nil {
		return err
	}
	if _, ok := g["rules"]; ok && len(cmd.Rules) == 0 {
		return errors.New("--rules: no rule is named; give all or a list of keys, or leave it out")
	}
	if _, ok := g["covariance"]; ok && cmd.Subgroup != "" {
		return errors.New("--covariance does not apply to subgroups, which have the one within them: leave it out")
	}
	if _, ok := g["h"]; !ok || cmd.Kind != "mewma" {
		return nil
	}
	if _, ok := g["limit"]; ok {
		return errors.New("--h and --limit are both the limit of mewma: leave one of them out")
	}
	if !(cmd.H > 0) {
		return fmt.Errorf("--h: %v is not above 0; %s", cmd.H, zeroRemedy["limit"])
	}
	cmd.Limit = cmd.H
	return nil
}

func (cmd *calcChart) Run(c *console) error {
	if err := cmd.check(c.given); err != nil {
		return err
	}
	t, err := c.readTable(cmd.File)
	if err != nil {
		return err
	}
	k, err := cmd.chart(t)
	if err != nil {
		return t.at(err, cmd.Value, cmd.Size)
	}
	k.Warnings = t.warnings(k.Warnings)
	if cmd.JSON {
		a := answer(&k.Chart)
		a.RunLength = k.ARL
		return printJSON(c, a)
	}
	if err := c.chart(&k.Chart); err != nil || k.ARL == 0 {
		return err
	}
	_, err = fmt.Fprintf(c.out, "limit %.6g: with a known covariance an average run length of %g in control\n", k.Points[0].Upper, k.ARL)
	return err
}

// chart makes the chart of the kind that was asked for.
func (cmd *calcChart) chart(t *table) (multi.Chart, error) {
	if cmd.Kind == "t2" || cmd.Kind == "mewma" {
		return cmd.multivariate(t)
	}
	k, err := cmd.single(t)
	return multi.Chart{Chart: k}, err
}

// single makes a chart of one stream.
func (cmd *calcChart) single(t *table) (chart.Chart, error) {
	switch cmd.Kind {
	case "p", "np", "c", "u":
		return cmd.attributes(t)
	case "xbar-r", "xbar-s":
		return cmd.subgroups(t)
	}
	xs, err := t.numbers("value", cmd.Value)
	if err != nil {
		return chart.Chart{}, err
	}
	switch cmd.Kind {
	case "ewma":
		return chart.EWMA(xs, chart.EWMAOptions{Center: cmd.Center, Sigma: cmd.Sigma, Baseline: cmd.Baseline, Lambda: cmd.Lambda, Width: cmd.Width, Steady: cmd.Steady})
	case "cusum":
		return chart.CUSUM(xs, chart.CUSUMOptions{Center: cmd.Center, Sigma: cmd.Sigma, Baseline: cmd.Baseline, K: cmd.K, H: cmd.H, FIR: cmd.FIR})
	}
	o, err := cmd.options()
	if err != nil {
		return chart.Chart{}, err
	}
	return chart.Individuals(xs, o)
}

func (cmd *calcChart) options() (chart.Options, error) {
	rules, err := pickRules(cmd.Rules)
	return chart.Options{Center: cmd.Center, Sigma: cmd.Sigma, Baseline: cmd.Baseline, Width: cmd.Width, Rules: rules}, err
}

func (cmd *calcChart) subgroups(t *table) (chart.Chart, error) {
	xs, err := t.numbers("value", cmd.Value)
	if err != nil {
		return chart.Chart{}, err
	}
	if cmd.Subgroup == "" {
		return chart.Chart{}, fmt.Errorf("%s needs subgroups: say which column tells them apart with --subgroup", cmd.Kind)
	}
	names, err := t.texts("subgroup", cmd.Subgroup)
	if err != nil {
		return chart.Chart{}, err
	}
	o, err := cmd.options()
	if err != nil {
		return chart.Chart{}, err
	}
	var groups [][]float64
	for _, g := range groupsOf(names, xs) {
		groups = append(groups, g.Values)
	}
	if cmd.Kind == "xbar-s" {
		return chart.XBarS(groups, o)
	}
	return chart.XBarR(groups, o)
}

func (cmd *calcChart) attributes(t *table) (chart.Chart, error) {
	counts, err := t.numbers("value", cmd.Value)
	if err != nil {
		return chart.Chart{}, err
	}
	o, err := cmd.options()
	if err != nil {
		return chart.Chart{}, err
	}
	if cmd.Kind == "c" {
		return chart.C(counts, o)
	}
	if cmd.Size == "" && slices.Contains(t.head, "size") {
		cmd.Size = "size"
	}
	if cmd.Size == "" {
		return chart.Chart{}, fmt.Errorf("%s needs sizes: say which column holds them with --size", cmd.Kind)
	}
	sizes, err := t.numbers("size", cmd.Size)
	if err != nil {
		return chart.Chart{}, err
	}
	switch cmd.Kind {
	case "p":
		return chart.P(counts, sizes, o)
	case "np":
		return chart.NP(counts, sizes, o)
	}
	return chart.U(counts, sizes, o)
}

func (cmd *calcChart) multivariate(t *table) (multi.Chart, error) {
	rows, err := t.matrix(cmd.Values, cmd.Subgroup)
	if err != nil {
		return multi.Chart{}, err
	}
	if cmd.Kind == "mewma" {
		return multi.MEWMA(rows, multi.MEWMAOptions{Lambda: cmd.Lambda, Limit: cmd.Limit, Steady: cmd.Steady, Baseline: cmd.Baseline, Kind: multi.Kind(cmd.Covariance)})
	}
	o := multi.Options{Alpha: cmd.Alpha, Baseline: cmd.Baseline, Kind: multi.Kind(cmd.Covariance)}
	if cmd.Subgroup == "" {
		return multi.T2(rows, o)
	}
	names, err := t.texts("subgroup", cmd.Subgroup)
	if err != nil {
		return multi.Chart{}, err
	}
	o.Kind = ""
	return multi.T2Groups(rowsByName(names, rows), o)
}

// rowsByName gathers rows by name, in the order in which names are first met.
func rowsByName(names []string, rows [][]float64) [][][]float64 {
	at := map[string]int{}
	var out [][][]float64
	for i, n := range names {
		k, ok := at[n]
		if !ok {
			k = len(out)
			at[n] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], rows[i])
	}
	return out
}

// matrix returns the rows of several columns; without names all but the one left out.
func (t *table) matrix(names []string, but string) ([][]float64, error) {
	if len(names) == 0 {
		for _, h := range t.head {
			if h != but {
				names = append(names, h)
			}
		}
	}
	rows := make([][]float64, len(t.rows))
	for i, name := range names {
		if slices.Contains(names[:i], name) {
			return nil, fmt.Errorf("--values: %s is named twice; leave one out", name)
		}
		col, err := t.numbers("values", strings.TrimSpace(name))
		if err != nil {
			return nil, err
		}
		for i, x := range col {
			rows[i] = append(rows[i], x)
		}
	}
	return rows, nil
}

// pickRules turns the flag into rules: none given means the limits alone.
func pickRules(names []string) ([]chart.Rule, error) {
	if len(names) == 0 {
		return nil, nil
	}
	if len(names) == 1 && names[0] == "all" {
		return chart.Nelson(), nil
	}
	var keys []chart.Key
	for _, n := range names {
		keys = append(keys, chart.Key(strings.TrimSpace(n)))
	}
	return chart.Pick(chart.Nelson(), keys)
}

func answer(k *chart.Chart) *chartAnswer {
	if k == nil {
		return nil
	}
	a := &chartAnswer{Kind: k.Kind, Center: number(k.Center), Sigma: number(k.Sigma), Companion: answer(k.Companion), Warnings: k.Warnings, Points: []pointAnswer{}}
	for _, p := range k.Points {
		signals := p.Signals
		if signals == nil {
			signals = []chart.Key{}
		}
		q := pointAnswer{Index: p.Index, Value: number(p.Value), Center: number(p.Center), Lower: number(p.Lower), Upper: number(p.Upper), Signals: signals}
		if k.Kind == "cusum" {
			up, low := number(p.UpperSum), number(p.LowerSum)
			q.UpperSum, q.LowerSum = &up, &low
		}
		a.Points = append(a.Points, q)
	}
	return a
}

// chart prints a chart for people, the companion below it.
func (c *console) chart(k *chart.Chart) error {
	fmt.Fprintf(c.out, "%s: centre %.6g, sigma %.6g\n", k.Kind, k.Center, k.Sigma)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	sums := k.Kind == "cusum"
	if sums {
		fmt.Fprintln(t, "point\tvalue\tupper sum\tlower sum\tlimit\tsignals\t")
	} else {
		fmt.Fprintln(t, "point\tvalue\tlower\tcentre\tupper\tsignals\t")
	}
	for _, p := range k.Points {
		var keys []string
		for _, s := range p.Signals {
			keys = append(keys, string(s))
		}
		if sums {
			fmt.Fprintf(t, "%d\t%.6g\t%.6g\t%.6g\t%.6g\t%s\t\n", p.Index, p.Value, p.UpperSum, p.LowerSum, p.Upper, strings.Join(keys, " "))
		} else {
			fmt.Fprintf(t, "%d\t%.6g\t%.6g\t%.6g\t%.6g\t%s\t\n", p.Index, p.Value, p.Lower, p.Center, p.Upper, strings.Join(keys, " "))
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if err := c.warn(k.Warnings); err != nil {
		return err
	}
	if k.Companion != nil {
		fmt.Fprintln(c.out)
		return c.chart(k.Companion)
	}
	return nil
}
