package curve

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A sheet is a table with a head: a wide CSV or a manifest. One line is one row.
type sheet struct {
	file  string
	notes []string
	delim byte
	head  []string // cells as written
	line  int      // of the head
	rest  lines
}

const remedyHead = "begin the file with a line of column names"

// openSheet reads the head. Comment lines may stand above it.
func openSheet(file string, data []byte) (*sheet, *Refusal) {
	text, notes, r := decode(file, data)
	if r != nil {
		return nil, r
	}
	l := lines{text: text}
	for l.next() {
		s := trimBlanks(l.line, true)
		if strings.Trim(s, ",;\t ") == "" || strings.ContainsRune("#*;", rune(s[0])) {
			continue
		}
		delim := sheetDelimiter(s)
		cells, ok := splitRow(nil, l.line, delim)
		cells = cells[:filled(cells)]
		if !ok {
			return nil, refuse(file, l.number, "head", "has a quote that is not closed around one cell", "write quotes in pairs, around whole cells")
		}
		if len(cells) < 2 {
			return nil, refuse(file, l.number, "head", "has 1 column", "separate cells by commas, semicolons or tabs")
		}
		return &sheet{file, notes, delim, cells, l.number, l}, nil
	}
	return nil, refuse(file, 0, "head", "is missing", remedyHead)
}

// sheetDelimiter tells the delimiter from the head. Commas come last, since they
// are also decimal signs, as in 31,5.
func sheetDelimiter(head string) byte {
	quotes, seen := false, map[rune]bool{}
	for _, r := range head {
		if r == '"' {
			quotes = !quotes
		}
		if !quotes {
			seen[r] = true
		}
	}
	switch {
	case seen['\t']:
		return '\t'
	case seen[';']:
		return ';'
	}
	return ','
}

// isWideHead reports whether a line is the head of a wide CSV: a serial column
// beside another one that a remark such as "Serial;1002" does not have.
func isWideHead(line string) bool {
	cells, _ := splitRow(nil, line, sheetDelimiter(trimBlanks(line, true)))
	serial, others, hz := false, 0, 0
	for _, c := range cells {
		name := columnName(c)
		if name == "serial" {
			serial = true
		} else if slices.Contains(identityColumns, name) {
			others++
		} else if _, ok := headFrequency(c); ok {
			hz++
		}
	}
	return serial && (others > 0 || hz > 1)
}

// columnName is the form in which column heads are compared.
func columnName(cell string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return '_'
		}
		return r
	}, strings.ToLower(cell))
}

// places returns the place of each column that known names, and passes the
// others to rest, which may refuse them.
func (s *sheet) places(known []string, rest func(i int, cell string) *Refusal) (map[string]int, *Refusal) {
	at := map[string]int{}
	for i, cell := range s.head {
		name := columnName(cell)
		switch before, twice := at[name]; {
		case twice:
			return nil, s.refuseHead(fmt.Sprintf("names %s twice, in columns %d and %d", show(name), before+1, i+1), "name every column once")
		case cell == "":
			return nil, s.refuseHead(fmt.Sprintf("has no name for column %d", i+1), "name every column")
		case slices.Contains(known, name):
			at[name] = i
		default:
			if r := rest(i, cell); r != nil {
				return nil, r
			}
		}
	}
	return at, nil
}

func (s *sheet) refuseHead(reason, remedy string) *Refusal {
	return refuse(s.file, s.line, "head", reason, remedy)
}

// A sheetRow has as many cells as the head, unless it is refused.
type sheetRow struct {
	cells       []string
	line        int
	last, ended bool
	refused     *Refusal
}

// rows yields the rows. The cells are valid until the next row.
func (s *sheet) rows(yield func(sheetRow) bool) {
	var cells []string
	var row placed
	pass := func() bool {
		r := sheetRow{line: row.line, last: row.last, ended: row.ended}
		var ok bool
		cells, ok = splitRow(cells[:0], row.text, s.delim)
		r.cells, r.refused = s.fit(cells, ok, row)
		return yield(r)
	}
	for l := s.rest; l.next(); {
		if s.passOver(l.line) {
			continue
		}
		if row.line > 0 && !pass() {
			return
		}
		row = placed{numbered: numbered{l.line, l.number}, ended: l.ended}
	}
	if row.line > 0 {
		row.last = true
		pass()
	}
}

// passOver reports whether a line below the head is blank or a comment. A line
// that starts with a comment sign but has a cell for every column may be either;
// fit refuses it.
func (s *sheet) passOver(line string) bool {
	t := trimBlanks(line, true)
	if strings.Trim(t, ",;\t ") == "" {
		return true
	}
	if !strings.ContainsRune("#*;", rune(t[0])) {
		return false
	}
	cells, _ := splitRow(nil, line, s.delim)
	return len(cells) < len(s.head)
}

// fit checks that a row has the cells of the head.
func (s *sheet) fit(cells []string, ok bool, row placed) ([]string, *Refusal) {
	n := len(s.head)
	switch t := trimBlanks(row.text, true); {
	case !ok && row.last:
		return nil, half(s.file, row.line, "", "its last row ends inside a quoted cell")
	case !ok:
		return nil, refuse(s.file, row.line, "", "has a quote that is not closed around one cell", "write quotes in pairs, around whole cells on one line")
	case t[0] == '#' || t[0] == '*' || t[0] == ';' && s.delim != ';':
		return nil, refuse(s.file, row.line, "", "may be a row or a comment",
			"put the first cell in quotes if it is a row, or take the line out if it is a comment")
	case len(cells) < n && row.last:
		return nil, half(s.file, row.line, "", fmt.Sprintf("its last row has %s where the head has %d", columns(len(cells)), n))
	case len(cells) < n:
		return nil, refuse(s.file, row.line, "", fmt.Sprintf("has %s where the head has %d", columns(len(cells)), n), "give every column a cell, empty if need be")
	case filled(cells) > n:
		return nil, refuse(s.file, row.line, "", fmt.Sprintf("has %s where the head has %d", columns(filled(cells)), n),
			"put cells with a delimiter or a decimal comma in quotes, or separate cells by semicolons")
	}
	return cells[:n], nil
}

// identity reads the identity columns of a row and fills gaps from defaults.
func (s *sheet) identity(row sheetRow, at map[string]int, o source) (Identity, *Refusal) {
	var id Identity
	for _, name := range identityColumns {
		i, ok := at[name]
		if !ok {
			continue
		}
		if e := id.set(name, row.cells[i], o.zone); e != nil {
			return Identity{}, e.at(s.file, row.line)
		}
	}
	id = id.or(o.defaults)
	if e := id.tidy(true); e != nil {
		return Identity{}, e.at(s.file, row.line)
	}
	return id, nil
}

// source is what the caller knows about a source of takes.
type source struct {
	zone     *time.Location
	defaults Identity
}

// lacks returns the refusal of a head without a needed column, unless the
// defaults say what it would hold.
func (s *sheet) lacks(at map[string]int, o source, needed ...string) *Refusal {
	said := map[string]string{"serial": o.defaults.Serial, "channel": o.defaults.Channel}
	for _, name := range needed {
		if _, ok := at[name]; !ok && said[name] == "" {
			return s.refuseHead("has no column "+name, "add the column "+name)
		}
	}
	return nil
}
