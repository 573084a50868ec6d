package curve

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// A class is what one line of a text file is, as far as it can be told without
// knowing the delimiter.
type class int

const (
	blankLine class = iota
	commentLine
	maybeRow // starts with a semicolon: a comment, or a row whose first cell is empty
	titleLine
	rowLine
)

// classify tells the class of a line. Above the table a line of words is a title
// or the head; inside it every line that is no comment has to be a row, so that
// no damaged row is passed over.
func classify(line string, inTable bool) class {
	s := trimBlanks(line, true)
	if strings.Trim(s, ",;\t ") == "" {
		return blankLine
	}
	switch s[0] {
	case '#', '*':
		return commentLine
	case ';':
		return maybeRow
	case '"':
		return classifyQuoted(s, inTable)
	}
	if inTable || startsNumber(s) {
		return rowLine
	}
	return titleLine
}

// classifyQuoted tells a remark in quotes from a row of quoted cells.
func classifyQuoted(s string, inTable bool) class {
	first, rest, closed := quoted(s)
	rest = trimBlanks(rest, false)
	switch {
	case numeric(first), !closed && (first == "" && inTable || numeric(first[:endOfCell(first)])):
		// Also a row cut inside a cell, one with a damaged quote, and a whole row
		// in one pair of quotes: all of these are refused.
		return rowLine
	case !closed || rest == "":
		return commentLine
	case !strings.ContainsRune(",;\t\"", rune(rest[0])) && !startsNumber(rest):
		return commentLine
	case first == "" || startsNumber(first):
		return rowLine
	case !inTable:
		return titleLine
	case startsNumber(strings.Trim(rest, ",;\t \"")):
		return rowLine
	}
	return commentLine
}

// endOfCell returns where the first cell of s ends, if a delimiter other than a
// blank does end it.
func endOfCell(s string) int {
	if i := strings.IndexAny(s, ",;\t"); i >= 0 {
		return i
	}
	return len(s)
}

// startsNumber reports whether s starts as a cell with a number does, or with an
// empty cell before one. The words for not-a-number count: such a row has to be
// refused, not taken for a title.
func startsNumber(s string) bool {
	s = trimBlanks(s, true)
	signed := false
	if strings.HasPrefix(s, minus) {
		s, signed = s[len(minus):], true
	} else if s != "" && (s[0] == '-' || s[0] == '+') {
		s, signed = s[1:], true
	}
	if s == "" {
		return signed
	}
	if s[0] >= '0' && s[0] <= '9' {
		return true
	}
	if s[0] == '.' || s[0] == ',' {
		rest := strings.TrimLeft(s[1:], ", +-\"")
		return rest != "" && rest[0] >= '0' && rest[0] <= '9'
	}
	word := s
	if i := strings.IndexFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && r != '∞' }); i >= 0 {
		word = s[:i]
	}
	switch strings.ToLower(word) {
	case "nan", "inf", "infinity", "∞":
		return true
	}
	return false
}

// numeric reports whether s holds digits and nothing but the signs of numbers
// and delimiters.
func numeric(s string) bool {
	digits := false
	for _, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digits = true
		case !strings.ContainsRune("+-.,;\t eE\"\u2212\u00a0", r):
			return false
		}
	}
	return digits
}

// A numbered line.
type numbered struct {
	text string
	line int
}

// A survey is what stands above the table, and the table's first rows.
type survey struct {
	file    string
	titles  []numbered
	comment numbered   // last one above the table that has a letter
	maybe   []numbered // lines above the table that may be rows
	table   lines      // ready to give the first row
	sample  []string
}

const (
	mostTitles = 1000
	sampleRows = 64
)

// look surveys a text. A text without rows gives an empty sample.
func look(file, text string) survey {
	s := survey{file: file}
	l := lines{text: text}
	for before := l; l.next(); before = l {
		switch c := classify(l.line, len(s.sample) > 0); {
		case c == rowLine:
			if len(s.sample) == 0 {
				s.table = before
			}
			s.sample = append(s.sample, l.line)
		case len(s.sample) > 0:
		case c == titleLine:
			s.titles = append(s.titles, numbered{l.line, l.number})
			s.comment = numbered{}
		case c == maybeRow:
			s.maybe = append(s.maybe, numbered{l.line, l.number})
			s.comment = commentText(l, s.comment)
		case c == commentLine:
			s.comment = commentText(l, s.comment)
		}
		if len(s.sample) == sampleRows || len(s.titles) > mostTitles {
			break
		}
	}
	return s
}

// commented returns the numbers of comment lines above the table that would be
// rows of it without their sign.
func (s *survey) commented(text string, t *layout, width int) []int {
	var found []int
	for l := (lines{text: text}); l.pos < s.table.pos && l.next(); {
		if c := classify(l.line, false); (c == commentLine || c == maybeRow) && commentedRow(l.line, t.delim, width) {
			found = append(found, l.number)
		}
	}
	return found
}

func commentedRow(line string, delim byte, width int) bool {
	line = strings.ReplaceAll(strings.TrimLeft(trimBlanks(line, true), "#*; "), `"`, "")
	cells, ok := splitRow(nil, line, delim)
	if !ok || filled(cells) != width || width < 2 {
		return false
	}
	for _, c := range cells[:2] {
		if _, f := parseNumber(c, false); f != sound {
			return false
		}
	}
	return true
}

func commentText(l lines, before numbered) numbered {
	text := strings.TrimLeft(trimBlanks(l.line, true), "#*;\" \t")
	text = strings.TrimRight(text, "\" \t")
	if strings.IndexFunc(text, unicode.IsLetter) < 0 {
		return before
	}
	return numbered{text, l.number}
}

// chooseDelimiter tells from the first rows what stands between cells. Rows that
// differ are refused later, by the line.
func chooseDelimiter(rows []string) byte {
	var tabs, semicolons, commas int
	for _, row := range rows {
		row = trimBlanks(row, true)
		if strings.IndexByte(row, '\t') >= 0 {
			tabs++
		}
		if strings.IndexByte(row, ';') >= 0 {
			semicolons++
		}
		if strings.IndexByte(row, ',') >= 0 {
			commas++
		}
	}
	most := func(n int) bool { return 2*n > len(rows) }
	switch {
	case most(semicolons):
		return ';'
	case most(tabs):
		return '\t'
	case most(commas) && !commasAreDecimal(rows):
		return ','
	}
	return ' '
}

// commasAreDecimal reports whether the rows read as blank-separated numbers with
// decimal commas. A comma beside a blank, as in "20, 91", separates.
func commasAreDecimal(rows []string) bool {
	var cells []string
	good := 0
	for _, row := range rows {
		var ok bool
		cells, ok = splitBlanks(cells[:0], row)
		if !ok || len(cells) < 2 {
			continue
		}
		good++
		for _, c := range cells[:2] {
			n, f := parseNumber(c, false)
			if f != sound && f != nonfinite || n.mark == ',' && (n.decimals == 0 || n.leading) {
				good--
				break
			}
		}
	}
	return 2*good > len(rows)
}

// commasStandClear reports whether every comma of the rows has a blank beside
// it, as no decimal comma has.
func commasStandClear(rows []string) bool {
	for _, row := range rows {
		for i := range len(row) {
			if row[i] != ',' {
				continue
			}
			before, _ := utf8.DecodeLastRuneInString(row[:i])
			if blankAt(row[i+1:]) == 0 && !unicode.IsSpace(before) {
				return false
			}
		}
	}
	return true
}
