package gauge

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// ErrNoSpread means that every reading is the same.
var ErrNoSpread = errors.New("all readings are equal: nothing can be said about the gauge (is the resolution of the reading too coarse?)")

// ErrNoGaugeSpread means that repeated readings of a part never differ.
var ErrNoGaugeSpread = errors.New("every reading of a part is the same, whoever measured it: a gauge without any spread has not been studied (was a reading copied, or rounded too coarsely?)")

// A layout is the readings of a study as cells[operator][part][trial], shifted and
// scaled so that the largest is near 1: sums of squares then lose no digits to a
// large common level, and their squares stay within float64.
type layout struct {
	nested           bool
	operators, parts int
	trials           int
	cells            [][][]float64
	scale            float64 // unit of cells, in that of the readings; a power of two
}

func arrange(readings []Reading, o Options, nested bool) (layout, error) {
	values := make([]float64, len(readings))
	for i, r := range readings {
		values[i] = r.Value
	}
	if err := errors.Join(o.check(), sample.Check(values, 4)); err != nil {
		return layout{}, err
	}
	shifted, scale := rescale(values)
	if scale == 0 {
		return layout{}, ErrNoSpread
	}
	if o.Tolerance > 0 && o.Tolerance < 1e-12*scale {
		return layout{}, fmt.Errorf("tolerance %v vanishes beside readings that differ by %.3g: check its unit", o.Tolerance, scale)
	}
	g := group(readings, shifted, nested)
	l := layout{nested: nested, operators: len(g.operators), parts: len(g.parts[0]), cells: g.cells, scale: scale}
	if err := g.check(nested); err != nil {
		return layout{}, err
	}
	l.trials = len(g.cells[0][0])
	return l, l.enough()
}

// rescale subtracts the first value, which is exact among nearly equal values,
// and divides by a power of two, which is always exact. The scale is zero when
// all values are equal.
func rescale(values []float64) (shifted []float64, scale float64) {
	shifted = make([]float64, len(values))
	most := 0.0
	for i, v := range values {
		shifted[i] = v - values[0]
		most = math.Max(most, math.Abs(shifted[i]))
	}
	if most == 0 {
		return shifted, 0
	}
	_, exp := math.Frexp(most)
	for i := range shifted {
		shifted[i] = math.Ldexp(shifted[i], -exp)
	}
	return shifted, math.Ldexp(1, exp)
}

// groups hold the readings by name, in order of first appearance. A crossed study
// has one list of parts for all operators.
type groups struct {
	operators []string
	parts     [][]string
	cells     [][][]float64
}

func group(readings []Reading, values []float64, nested bool) groups {
	var g groups
	operator := map[string]int{}
	part := map[[2]string]int{}
	for _, r := range readings {
		if _, ok := operator[r.Operator]; !ok {
			operator[r.Operator] = len(g.operators)
			g.operators = append(g.operators, r.Operator)
			g.parts = append(g.parts, nil)
		}
		key, list := [2]string{"", r.Part}, 0
		if nested {
			key[0], list = r.Operator, operator[r.Operator]
		}
		if _, ok := part[key]; !ok {
			part[key] = len(g.parts[list])
			g.parts[list] = append(g.parts[list], r.Part)
		}
	}
	for i := range g.operators {
		if !nested {
			g.parts[i] = g.parts[0]
		}
		g.cells = append(g.cells, make([][]float64, len(g.parts[i])))
	}
	for i, r := range readings {
		key := [2]string{"", r.Part}
		if nested {
			key[0] = r.Operator
		}
		row := g.cells[operator[r.Operator]]
		row[part[key]] = append(row[part[key]], values[i])
	}
	return g
}

// check names the first cell that breaks the balance.
func (g groups) check(nested bool) error {
	most, whole := 0, 0
	for i := range g.cells {
		whole = max(whole, len(g.cells[i]))
		for j := range g.cells[i] {
			most = max(most, len(g.cells[i][j]))
		}
	}
	alone := !nested && len(g.operators) > 1 && g.everyPartAlone()
	for i, row := range g.cells {
		if nested && len(row) != whole {
			return fmt.Errorf("operator %q has %d parts where another has %d: give every operator equally many", g.operators[i], len(row), whole)
		}
		for j, cell := range row {
			switch {
			case alone:
				return fmt.Errorf("every part was measured by one operator only, the first is part %q: have all operators measure all parts, or ask for the nested study", g.parts[i][0])
			case len(cell) == 0:
				return fmt.Errorf("part %q has no reading by operator %q: measure it, or leave the part out for all operators", g.parts[i][j], g.operators[i])
			case len(cell) != most:
				return fmt.Errorf("part %q by operator %q has %d of %d readings: measure the missing ones, or leave one out everywhere", g.parts[i][j], g.operators[i], len(cell), most)
			}
		}
	}
	return nil
}

func (g groups) everyPartAlone() bool {
	for j := range g.parts[0] {
		by := 0
		for i := range g.operators {
			if len(g.cells[i][j]) > 0 {
				by++
			}
		}
		if by > 1 {
			return false
		}
	}
	return true
}

// enough asks for the least number of parts, operators and trials that separate
// the components.
func (l layout) enough() error {
	switch {
	case l.parts < 2:
		return fmt.Errorf("a gauge study needs at least 2 parts, has %d: add parts that span what the line makes", l.parts)
	case l.nested && l.operators < 2:
		return errors.New("a nested study needs at least 2 operators, has 1: ask for the crossed study of one operator")
	case l.trials < 2 && (l.nested || l.operators < 2):
		return errors.New("a gauge study needs at least 2 readings of each part: repeat the measurements")
	}
	return nil
}
