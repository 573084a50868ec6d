package curve

import "fmt"

// sign refuses points beside commas, and notes what could be thousands.
func (p *points) sign(line int, field, cell string, n number) *Refusal {
	if n.mark != 0 {
		this, that := &p.marks[0], p.marks[1]
		if n.mark == ',' {
			this, that = &p.marks[1], p.marks[0]
		}
		if *this == 0 {
			*this = line
		}
		if that > 0 {
			return refuse(p.file, line, field, fmt.Sprintf("%s has a decimal %s where line %d has the other sign", show(cell), signName(n.mark), that),
				"write every number with the same decimal sign, and none between thousands")
		}
	}
	switch {
	case n.thousand && field == "frequency":
		if p.thousand == 0 {
			p.thousand = line
		}
	case n.mark != 0 || field == "frequency" && n.value >= 1000:
		p.decided = true
	}
	return nil
}

func signName(mark byte) string {
	if mark == ',' {
		return "comma"
	}
	return "point"
}

// ambiguousCommas refuses rows such as 20,91,5 and 20,5,91,2, whose commas may
// separate cells or decimals.
func (p *points) ambiguousCommas(line int) *Refusal {
	t := &p.layout
	if t.delim != ',' || p.marks != [2]int{} || p.clear || max(p.width, len(p.cells)) < 3 || len(t.names) == p.width {
		return nil
	}
	return refuse(p.file, line, "", "may be read in more than one way: commas between cells or in numbers",
		"export with semicolons or tabs between cells, or with decimal points")
}

// spacedThousands reports whether a row of blank-separated cells has the look of
// 1 000 90.5: a no-break blank before three digits, a second cell such as 000,
// or one of three digits in the first row that has more cells than those before.
func (p *points) spacedThousands(row string) bool {
	if noBreakGroup(row) {
		return true
	}
	if len(p.cells) < 2 {
		return false
	}
	second := p.cells[1]
	if len(second) != 3 || !digitsOnly(second) || !digitsOnly(p.cells[0]) || len(p.cells[0]) > 3 {
		p.notSpaced = true
		return false
	}
	return second[0] == '0' || len(p.hz) > 0 && len(p.cells) > p.first.cells
}

// noBreakGroup reports whether a no-break or thin blank stands between a digit
// and a group of exactly three.
func noBreakGroup(row string) bool {
	for i := 1; i < len(row); i++ {
		n := blankAt(row[i:])
		if n < 2 {
			continue
		}
		rest := row[i+n:]
		if digitsOnly(row[i-1:i]) && len(rest) >= 3 && digitsOnly(rest[:3]) && (len(rest) == 3 || !digitsOnly(rest[3:4])) {
			return true
		}
	}
	return false
}

func digitsOnly(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}
