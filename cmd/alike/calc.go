package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"text/tabwriter"

	"alike/internal/curve"
	"alike/spc/band"
	"alike/spc/chart"
)

type calcCommand struct {
	Constants  calcConstants  `cmd:"" help:"Chart constants for subgroups of n."`
	Chart      calcChart      `cmd:"" help:"Control chart of a column of values."`
	Bands      calcBands      `cmd:"" help:"Fractional-octave bands, and a curve's levels in them."`
	RunLength  calcRunLength  `cmd:"" help:"How many points until a chart signals, on average."`
	Tolerance  calcTolerance  `cmd:"" help:"Factor or ranks of a tolerance interval."`
	Capability calcCapability `cmd:"" help:"Capability of a column of values, with intervals."`
	Sampling   calcSampling   `cmd:"" help:"Acceptance sampling: what a plan does, or the plan that does what is wanted."`
	Gauge      calcGauge      `cmd:"" help:"Gauge study: repeatability and reproducibility."`
	Change     calcChange     `cmd:"" help:"Since when: the most likely change of level in a column of values."`
	Compare    calcCompare    `cmd:"" help:"Compare groups, such as batches or suppliers."`
	Pairs      calcPairs      `cmd:"" help:"Pair drivers: most pairs within the tolerance, then least mismatch."`
}

// JSON is the flag of every topic that answers programs.
type asJSON struct {
	JSON bool `name:"json" help:"Answer in JSON, for programs."`
}

type calcConstants struct {
	asJSON
	N int `name:"n" required:"" help:"Values per subgroup, 2 to 1000."`
}

func (cmd *calcConstants) Run(c *console) error {
	k, err := chart.ConstantsFor(cmd.N)
	if err != nil {
		return fmt.Errorf("--n: %w", err)
	}
	if cmd.JSON {
		return printJSON(c, k)
	}
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "n\td2\td3\tc4\tA2\tA3\tB3\tB4\tD3\tD4\tE2\t")
	fmt.Fprintf(t, "%d\t%.6f\t%.6f\t%.6f\t%.6f\t%.6f\t%.6f\t%.6f\t%.6f\t%.6f\t%.6f\t\n",
		k.N, k.D2, k.D3, k.C4, k.A2, k.A3, k.B3, k.B4, k.LowerD, k.UpperD, k.E2)
	return t.Flush()
}

type calcBands struct {
	asJSON
	Fraction int     `help:"Bands of 1/fraction octave: 1, 3, 6, 12 or 24." default:"3"`
	Low      float64 `help:"Lowest nominal mid-band frequency, Hz." default:"20"`
	High     float64 `help:"Highest nominal mid-band frequency, Hz." default:"20000"`
	File     string  `arg:"" optional:"" help:"Curve file whose levels to compute; - for standard input."`
}

func (cmd *calcBands) Run(c *console) error {
	bands, err := band.Between(cmd.Fraction, cmd.Low, cmd.High)
	if err != nil {
		return err
	}
	var levels []band.Level
	var warnings []string
	if cmd.File != "" {
		data, err := c.read(cmd.File)
		if err != nil {
			return err
		}
		k, notes, err := curve.ReadText(shown(cmd.File), data)
		if err != nil {
			return err
		}
		levels = band.Levels(k, bands)
		warnings = append(notes, bandWarnings(bands, levels)...)
	}
	if cmd.JSON {
		return cmd.json(c, bands, levels, warnings)
	}
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "band\tmid, Hz\tlower\tupper\tlevel, dB\t")
	for i, b := range bands {
		level := ""
		if levels != nil {
			level = "not covered"
			if levels[i].Covered {
				level = fmt.Sprintf("%.3f", levels[i].DB)
			}
		}
		fmt.Fprintf(t, "%s\t%.6g\t%.6g\t%.6g\t%s\t\n", b.Label(), b.Mid(), b.Lower(), b.Upper(), level)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	return c.warn(warnings)
}

func (cmd *calcBands) json(c *console, bands []band.Band, levels []band.Level, warnings []string) error {
	out := struct {
		Bands    []map[string]any `json:"bands"`
		Warnings []string         `json:"warnings,omitempty"`
	}{Warnings: warnings}
	for i, b := range bands {
		row := map[string]any{"mid": b.Mid(), "lower": b.Lower(), "upper": b.Upper(), "nominal": b.Nominal()}
		if levels != nil {
			row["level"] = number(levels[i].DB)
		}
		out.Bands = append(out.Bands, row)
	}
	return printJSON(c, out)
}

func bandWarnings(bands []band.Band, levels []band.Level) []string {
	var absent, sparse []string
	for i, l := range levels {
		switch {
		case !l.Covered:
			absent = append(absent, bands[i].Label())
		case l.Sparse:
			sparse = append(sparse, bands[i].Label())
		}
	}
	var out []string
	if len(absent) > 0 {
		out = append(out, "The curve does not cover the bands "+strings.Join(absent, ", ")+" Hz from edge to edge.")
	}
	if len(sparse) > 0 {
		out = append(out, "In the bands "+strings.Join(sparse, ", ")+" Hz the curve's points lie further apart than the band is wide: detail was not measured.")
	}
	return out
}

// A number is null in JSON when it is not finite.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// warn prints warnings under a text answer.
func (c *console) warn(warnings []string) error {
	for _, w := range warnings {
		if _, err := fmt.Fprintln(c.out, "note:", w); err != nil {
			return err
		}
	}
	return nil
}
