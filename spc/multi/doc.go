// Package multi holds control charts that read several variables of a unit as one
// point: Hotelling's T² and the multivariate EWMA.
//
//	Fit, FitGroups   mean and covariance of a baseline, as a Model
//	T2, T2Groups     charts of Hotelling's T² with limits for a chance alpha
//	MEWMA            chart of the multivariate EWMA with limits for a run length
//	Model.Parts      which variables a large T² comes from
//
// Rows are units in order of production, columns are variables (bands, channels,
// metrics). All charts assume independent rows of one normal law. Signals carry the
// key Beyond; the run rules of package chart are not read, since T² is skewed.
//
// A chart over many variables watches all directions at once and each of them
// less: a shift of one band alone is seen later than on that band's own chart. It
// earns its place where a fault moves several bands together, or against the way
// they usually move together.
package multi

import (
	"fmt"
	"math"

	"alike/spc/chart"
	"alike/spc/sample"
)

// A Chart is a chart.Chart of T² values with the model they were measured by.
// Center of the chart and of each point is the median of T² in control, Lower is
// zero, Sigma is unused. A point's Value has no unit.
type Chart struct {
	chart.Chart
	Model *Model
	// LimitSE is the standard error of the largest simulated limit, 0 when all are
	// computed.
	LimitSE float64
	// ARL is the average run length in control that the limit of MEWMA was computed
	// for, with a known model; 0 on other charts and when the limit was given.
	ARL float64
}

// MaxColumns bounds the number of variables.
const MaxColumns = 500

// checkRows returns the number of columns.
func checkRows(rows [][]float64, least int) (int, error) {
	if len(rows) < least {
		return 0, fmt.Errorf("needs at least %d rows, has %d", least, len(rows))
	}
	p := 0
	for i, r := range rows {
		switch {
		case len(r) == 0 || len(r) > MaxColumns:
			return 0, fmt.Errorf("row %d has %d columns: give 1 to %d", i+1, len(r), MaxColumns)
		case i > 0 && len(r) != p:
			return 0, fmt.Errorf("row %d has %d columns and row 1 has %d: complete it or leave it out", i+1, len(r), p)
		}
		p = len(r)
		if err := sample.Check(r, 1); err != nil {
			return 0, fmt.Errorf("row %d: %w", i+1, err)
		}
	}
	return p, nil
}

// means returns the mean of each column.
func means(rows [][]float64) []float64 {
	out := make([]float64, len(rows[0]))
	col := make([]float64, len(rows))
	for j := range out {
		for i, r := range rows {
			col[i] = r[j]
		}
		out[j] = sample.Mean(col)
	}
	return out
}

// spreads returns the root mean square of each column's differences, or an error
// naming a column that does not vary against its own size.
func spreads(diffs [][]float64, center []float64) ([]float64, error) {
	out := make([]float64, len(center))
	for j := range out {
		top := 0.0
		for _, d := range diffs {
			top = math.Max(top, math.Abs(d[j]))
		}
		if top <= 1e-13*math.Abs(center[j]) || top < 1/sample.Largest {
			return nil, fmt.Errorf("column %d does not vary in the rows that set the limits: leave it out", j+1)
		}
		sum := 0.0
		for _, d := range diffs {
			sum += d[j] / top * (d[j] / top)
		}
		out[j] = top * math.Sqrt(sum/float64(len(diffs)))
	}
	return out, nil
}
