package curve

import (
	"strings"
	"unicode"
)

// findHead returns the layout of the table: by the head when there is one, else
// by position. width is the number of filled cells of the rows. Titles that made
// the head lose their line number.
func (s *survey) findHead(delim byte, width int) (layout, *Refusal) {
	for i := len(s.titles) - 1; i >= 0; i-- {
		title := s.titles[i]
		for _, cells := range headCells(title.text, delim) {
			t := layout{delim: delim, line: title.line}
			cells, two := s.withNames(i, cells, delim)
			named, e := t.understand(cells)
			if !named {
				continue
			}
			s.titles[i].line = 0
			if two {
				s.titles[i-1].line = 0
			}
			return t, s.headRefusal(e, title.line)
		}
	}
	if t, ok, e := s.commentHead(delim, width); ok {
		return t, s.headRefusal(e, t.line)
	}
	if n := len(s.titles); n > 0 {
		if r := s.notUnderstood(s.titles[n-1], delim, width); r != nil {
			return layout{}, r
		}
	}
	return positional(delim, width), nil
}

func (s *survey) headRefusal(e *FieldError, line int) *Refusal {
	if e == nil {
		return nil
	}
	return e.at(s.file, line)
}

// withNames puts the names of the line above before cells, when cells hold units
// only and the line above has as many.
func (s *survey) withNames(i int, cells []string, delim byte) (both []string, two bool) {
	if i == 0 || !onlyUnits(cells) {
		return cells, false
	}
	for _, names := range headCells(s.titles[i-1].text, delim) {
		if len(names) != len(cells) {
			continue
		}
		for j := range cells {
			both = append(both, strings.TrimSpace(names[j]+" "+cells[j]))
		}
		return both, true
	}
	return cells, false
}

// headCells returns the ways in which a head may be cut into two or more cells,
// the most likely first. Heads often have another delimiter than the rows.
func headCells(text string, delim byte) [][]string {
	var ways [][]string
	add := func(cells []string, ok bool) {
		cells = cells[:filled(cells)]
		if ok && len(cells) > 1 {
			ways = append(ways, cells)
		}
	}
	for _, d := range []byte{delim, '\t', ';', ','} {
		if d == ' ' {
			add(splitGaps(text), true)
			add(splitWords(text), true)
		} else if d == delim || strings.IndexByte(text, d) >= 0 {
			add(splitRow(nil, text, d))
		}
	}
	if delim != ' ' {
		add(splitGaps(text), true)
	}
	return ways
}

// splitGaps cuts at tabs and at runs of two or more blanks.
func splitGaps(text string) []string {
	text = strings.ReplaceAll(trimBlanks(text, true), "\t", "  ")
	var cells []string
	for part := range strings.SplitSeq(text, "  ") {
		if part = trimBlanks(part, true); part != "" {
			cells = append(cells, strings.Trim(part, `"`))
		}
	}
	return cells
}

// splitWords cuts at blanks, but keeps a unit in brackets with the word before.
func splitWords(text string) []string {
	words, ok := splitBlanks(nil, text)
	if !ok {
		return nil
	}
	var cells []string
	open := false
	for _, w := range words {
		if len(cells) > 0 && (open || strings.HasPrefix(w, "(") || strings.HasPrefix(w, "[")) {
			cells[len(cells)-1] += " " + w
		} else {
			cells = append(cells, w)
		}
		if i := strings.LastIndexAny(w, "()[]"); i >= 0 {
			open = w[i] == '(' || w[i] == '['
		}
	}
	return cells
}

// commentHead takes the comment right above the table for the head when it has
// a cell for every column and names both frequency and level.
func (s *survey) commentHead(delim byte, width int) (layout, bool, *FieldError) {
	if s.comment.line == 0 {
		return layout{}, false, nil
	}
	for _, cells := range headCells(s.comment.text, delim) {
		if len(cells) != width {
			continue
		}
		t := layout{delim: delim, line: s.comment.line, fromComment: true}
		if named, e := t.understand(cells); named && !t.noUnit && t.level >= 0 {
			return t, true, e
		}
	}
	return layout{}, false, nil
}

// notUnderstood refuses a line that is cut like a head but names nothing known.
// Words between blanks are a title, unless one of them is a word of heads.
func (s *survey) notUnderstood(title numbered, delim byte, width int) *Refusal {
	cells, ok := splitRow(nil, title.text, delim)
	if !ok || filled(cells) != width || width < 2 {
		return nil
	}
	known := delim != ' '
	for _, c := range cells {
		known = known || meaning(c) != unknown
	}
	if !known {
		return nil
	}
	return refuse(s.file, title.line, "head", show(title.text)+" names no column of frequencies",
		`name the columns, as in "Frequency (Hz)" and "Level (dB)", or begin the line with # if it is a comment`)
}

// strayTitle refuses a line of words that is likely a damaged first row, as
// "a0.00 90.00" is, or that stands between the head and the table, where it may be
// the rest of a broken head.
func (s *survey) strayTitle(t *layout, width int) *Refusal {
	const remedy = "correct the line, or begin it with # if it is a comment"
	for _, title := range s.titles {
		if title.line == 0 {
			continue
		}
		if t.line > 0 && title.line > t.line && strings.IndexFunc(title.text, unicode.IsLetter) >= 0 {
			return refuse(s.file, title.line, "head", show(title.text)+" stands between the head and the rows", remedy)
		}
		cells, ok := splitRow(nil, title.text, t.delim)
		if ok && width > 1 && filled(cells) == width && strings.ContainsAny(cells[0], "0123456789") && allNumbers(cells[1:width]) {
			return refuse(s.file, title.line, "frequency", show(cells[0])+" is not a number", remedy)
		}
	}
	return nil
}

func allNumbers(cells []string) bool {
	for _, c := range cells {
		if _, f := parseNumber(c, false); f != sound {
			return false
		}
	}
	return len(cells) > 0
}
