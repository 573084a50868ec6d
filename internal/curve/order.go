package curve

import (
	"fmt"
	"slices"
)

// order drops the row at 0 Hz and repeated rows, turns falling rows round and
// refuses rows in no order.
func (p *points) order() ([]string, *Refusal) {
	var notes []string
	if falls(p.hz) {
		slices.Reverse(p.hz)
		slices.Reverse(p.db)
		slices.Reverse(p.phase)
		slices.Reverse(p.line)
		notes = append(notes, "The rows fall in frequency and were turned round.")
	}
	if p.hz[0] == 0 {
		notes = append(notes, fmt.Sprintf("The row at 0 Hz on line %d was dropped.", p.line[0]))
		p.dropFirst()
	}
	for i, f := range p.hz {
		if f == 0 {
			return nil, refuse(p.file, int(p.line[i]), "frequency", "0 Hz stands inside the table", "leave the row out of the export")
		}
	}
	repeated, first, r := p.dropRepeated()
	if r != nil {
		return nil, r
	}
	switch {
	case repeated == 1:
		notes = append(notes, fmt.Sprintf("The row on line %d, which repeats another, was dropped.", first))
	case repeated > 1:
		notes = append(notes, fmt.Sprintf("%d rows that repeat others were dropped, the first on line %d.", repeated, first))
	}
	return notes, nil
}

// falls goes by the majority of steps, so that the one frequency out of order is
// the one named.
func falls(hz []float64) bool {
	up, down := 0, 0
	for i := 1; i < len(hz); i++ {
		if hz[i] > hz[i-1] {
			up++
		} else if hz[i] < hz[i-1] {
			down++
		}
	}
	return down > up
}

func (p *points) dropFirst() {
	p.hz, p.db, p.line = p.hz[1:], p.db[1:], p.line[1:]
	if len(p.phase) > 0 {
		p.phase = p.phase[1:]
	}
}

// dropRepeated keeps the first of rows that agree in every column. It returns
// how many were dropped and the line of the first of them.
func (p *points) dropRepeated() (dropped, first int, r *Refusal) {
	n := 0
	for i := range p.hz {
		if n > 0 && p.hz[i] <= p.hz[n-1] {
			if p.hz[i] < p.hz[n-1] || !p.same(i, n-1) {
				return 0, 0, p.outOfOrder(i, n-1)
			}
			if dropped == 0 {
				first = max(int(p.line[i]), int(p.line[n-1]))
			}
			dropped++
			continue
		}
		p.hz[n], p.db[n], p.line[n] = p.hz[i], p.db[i], p.line[i]
		if len(p.phase) > 0 {
			p.phase[n] = p.phase[i]
		}
		n++
	}
	p.hz, p.db, p.line = p.hz[:n], p.db[:n], p.line[:n]
	if len(p.phase) > 0 {
		p.phase = p.phase[:n]
	}
	return dropped, first, nil
}

func (p *points) same(i, j int) bool {
	return p.db[i] == p.db[j] && (len(p.phase) == 0 || p.phase[i] == p.phase[j])
}

func (p *points) outOfOrder(i, before int) *Refusal {
	a, b := before, i
	if p.line[a] > p.line[b] { // the rows were turned round
		a, b = b, a
	}
	at, other := int(p.line[b]), p.line[a]
	if p.hz[i] == p.hz[before] {
		return refuse(p.file, at, "frequency", fmt.Sprintf("%g Hz is on line %d too, with another level or phase", p.hz[i], other),
			"export one response per file, each frequency once")
	}
	return refuse(p.file, at, "frequency", fmt.Sprintf("%g Hz after %g Hz on line %d: the rows neither rise nor fall throughout", p.hz[b], p.hz[a], other),
		"export the rows in order of frequency, one response per file")
}
