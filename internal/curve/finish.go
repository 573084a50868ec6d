package curve

import (
	"fmt"

	"alike/spc/band"
)

// curve puts the rows in rising order and returns them with notes.
func (p *points) curve() (band.Curve, []string, *Refusal) {
	if r := p.ambiguousCommas(int(p.line[0])); r != nil {
		return band.Curve{}, nil, r
	}
	if p.thousand > 0 && !p.decided && !p.layout.kilohertz {
		return band.Curve{}, nil, refuse(p.file, p.thousand, "frequency",
			"may have a decimal sign or one between thousands", "export frequencies without separators, levels with a decimal")
	}
	if t := &p.layout; t.delim == ' ' && t.names == nil && p.width > 2 && !p.notSpaced {
		return band.Curve{}, nil, refuse(p.file, int(p.line[0]), "frequency", "may have blanks between thousands",
			"name the columns in a head, or separate cells by semicolons or tabs")
	}
	notes := p.notes()
	more, r := p.order()
	if r != nil {
		return band.Curve{}, nil, r
	}
	c := band.Curve{Hz: p.hz, DB: p.db, Phase: p.phase}
	if len(p.phase) == 0 {
		c.Phase = nil
	}
	if len(c.Hz) < 2 {
		return band.Curve{}, nil, refuse(p.file, 0, "", "has fewer than 2 points", remedyHalf)
	}
	if err := c.Check(); err != nil {
		return band.Curve{}, nil, refuse(p.file, 0, "", err.Error(), "export the response again")
	}
	return c, append(notes, more...), nil
}

func (p *points) notes() []string {
	t := &p.layout
	var notes []string
	if p.marks[1] > 0 {
		notes = append(notes, "Numbers are written with a decimal comma.")
	}
	if t.kilohertz {
		notes = append(notes, "Frequencies were converted from kHz to Hz.")
	}
	if t.phase >= 0 && len(p.phase) == 0 && t.line > 0 {
		notes = append(notes, "The phase column is empty throughout, so there is no phase.")
	}
	if t.radians && len(p.phase) > 0 {
		notes = append(notes, "Phase was converted from radians to degrees.")
	}
	used := 2
	if t.phase >= 0 {
		used = 3
	}
	if extra := max(p.width, len(t.names)) - used; extra > 0 {
		notes = append(notes, fmt.Sprintf("%s beside frequency, level and phase %s ignored.", columns(extra), wasWere(extra)))
	}
	switch n := len(p.commented); {
	case n == 1:
		notes = append(notes, fmt.Sprintf("The comment on line %d looks like a row; it was passed over.", p.commented[0]))
	case n > 1:
		notes = append(notes, fmt.Sprintf("%d comments look like rows, the first on line %d; they were passed over.", n, p.commented[0]))
	}
	return notes
}

func wasWere(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}
