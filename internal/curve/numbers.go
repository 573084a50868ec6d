package curve

import (
	"fmt"
	"math"
)

// numbers reads the cells of a row.
func (p *points) numbers(row placed) *Refusal {
	t := &p.layout
	hz, r := p.number(row, "frequency", t.freq, mostHz)
	if r != nil {
		return r
	}
	if hz < 0 {
		return refuse(p.file, row.line, "frequency", show(p.cells[t.freq])+" is negative", "leave the row out of the export")
	}
	p.hz, p.line = append(p.hz, hz), append(p.line, int32(row.line))

	// Exports often start at 0 Hz, where a level in dB need not exist; the row is
	// dropped later, so its other cells do not matter if they are complete.
	db, r := p.number(row, "level", t.level, mostDB)
	if r != nil && !(hz == 0 && p.isNonfinite(t.level)) {
		return r
	}
	p.db = append(p.db, db)
	return p.addPhase(row, hz == 0)
}

// addPhase reads the phase cell. Either every row has one or none.
func (p *points) addPhase(row placed, zeroHz bool) *Refusal {
	col := p.layout.phase
	if col < 0 {
		return nil
	}
	if missing := col >= len(p.cells) || p.cells[col] == ""; missing {
		if p.noPhase == 0 {
			p.noPhase = row.line
		}
		if len(p.phase) > 0 {
			return p.phaseGap(row)
		}
		return nil
	}
	if p.noPhase > 0 {
		return p.phaseGap(row)
	}
	v, r := p.number(row, "phase", col, mostPhase)
	if r != nil && !(zeroHz && p.isNonfinite(col)) {
		return r
	}
	p.phase = append(p.phase, v)
	return nil
}

func (p *points) phaseGap(row placed) *Refusal {
	if r := p.ambiguousCommas(row.line); r != nil {
		return r
	}
	if row.last && p.noPhase == row.line {
		return half(p.file, row.line, "phase", "its last row has no phase where the others have one")
	}
	return refuse(p.file, p.noPhase, "phase", "is empty where other rows have one", "export the phase of every row or of none")
}

func (p *points) isNonfinite(col int) bool {
	_, f := parseNumber(p.cells[col], false)
	return f == nonfinite
}

// number reads one cell and keeps account of its decimal sign.
func (p *points) number(row placed, field string, col int, most float64) (float64, *Refusal) {
	cell := p.cells[col]
	n, f := parseNumber(cell, field == "frequency" && p.layout.kilohertz)
	if f != sound {
		if row.last && len(p.hz) > 0 && (f == cutShort || f == empty && !row.ended) {
			return 0, half(p.file, row.line, field, "its last row ends inside a number")
		}
		reason, remedy := f.words(cell)
		return 0, refuse(p.file, row.line, field, reason, remedy)
	}
	if r := p.sign(row.line, field, cell, n); r != nil {
		return 0, r
	}
	if field == "phase" && p.layout.radians {
		n.value *= 180 / math.Pi
	}
	if math.Abs(n.value) > most {
		return 0, refuse(p.file, row.line, field, fmt.Sprintf("%s is beyond %g, the most that is read", show(cell), most),
			"check the unit and the order of the columns")
	}
	if t := &p.layout; col == max(t.freq, t.level, t.phase) {
		if row.last && !row.ended && col == len(p.cells)-1 && p.tails.shorter(n) {
			return 0, halfNumber(p.file, row.line)
		}
		p.tails.add(n)
	}
	return n.value, nil
}
