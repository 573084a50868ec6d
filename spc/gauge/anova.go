package gauge

import (
	"alike/spc/dist"
	"alike/spc/sample"
)

// A Row is one source of the analysis of variance. The sources are part,
// operator, interaction, repeatability and total; a pooled study has the row
// "pooled error" besides. F and P are against the mean square that this study
// used as the error of the source, and zero unless Tested: repeatability and total
// are not tested, nor is anything against a mean square of zero.
type Row struct {
	Source string
	DF     int
	SS     float64
	MS     float64
	F      float64
	P      float64
	Tested bool
}

// squares are the sums of squares of a layout, in its own scale. Every one is a
// sum of squared residuals, none a difference of larger sums.
type squares struct {
	part, operator, interaction, repeat, total Row
}

func (l layout) squares() squares {
	o, p, r := l.operators, l.parts, l.trials
	cell := make([][]float64, o)
	byOperator := make([]float64, o)
	byPart := make([]float64, p)
	var q squares
	for i := range o {
		cell[i] = make([]float64, p)
		for j := range p {
			cell[i][j] = sample.Mean(l.cells[i][j])
			byPart[j] += cell[i][j] / float64(o)
			q.repeat.SS += sample.SumSquares(l.cells[i][j])
		}
		byOperator[i] = sample.Mean(cell[i])
	}
	grand := sample.Mean(byOperator)
	for i := range o {
		q.operator.SS += square(byOperator[i] - grand)
		for j := range p {
			if l.nested {
				q.part.SS += square(cell[i][j] - byOperator[i])
			} else {
				q.interaction.SS += square(cell[i][j] - byOperator[i] - byPart[j] + grand)
			}
			for _, v := range l.cells[i][j] {
				q.total.SS += square(v - grand)
			}
		}
	}
	if !l.nested {
		for j := range p {
			q.part.SS += square(byPart[j] - grand)
		}
		q.part.SS *= float64(o)
	}
	q.part.SS *= float64(r)
	q.operator.SS *= float64(p * r)
	q.interaction.SS *= float64(r)
	return q.complete(l)
}

// dust is what rounding leaves of a sum of squares that is zero, per reading: the
// readings of a layout are below 1 in magnitude.
const dust = 0x1p-100

// complete adds names, degrees of freedom and mean squares.
func (q squares) complete(l layout) squares {
	o, p, r := l.operators, l.parts, l.trials
	n := o * p * r
	q.part.Source, q.part.DF = "part", p-1
	q.interaction.Source, q.interaction.DF = "interaction", (o-1)*(p-1)
	if l.nested {
		q.part.DF, q.interaction.DF = o*(p-1), 0
	}
	q.operator.Source, q.operator.DF = "operator", o-1
	q.repeat.Source, q.repeat.DF = "repeatability", o*p*(r-1)
	q.total.Source, q.total.DF = "total", n-1
	for _, row := range []*Row{&q.part, &q.operator, &q.interaction, &q.repeat, &q.total} {
		if row.SS < dust*float64(n) {
			row.SS = 0
		}
		row.fill()
	}
	return q
}

func (r *Row) fill() {
	if r.DF > 0 {
		r.MS = r.SS / float64(r.DF)
	}
}

// against tests the row's mean square against the error's.
func (r *Row) against(e Row) {
	if e.MS > 0 && r.DF > 0 {
		r.F = r.MS / e.MS
		r.P = dist.F{D1: float64(r.DF), D2: float64(e.DF)}.Survival(r.F)
		r.Tested = true
	}
}

func square(x float64) float64 { return x * x }
