package curve

import "strings"

// splitRow appends the cells of a line to dst, trimmed, quotes undone. The
// delimiter is a comma, semicolon or tab, or a space for runs of blanks. It
// returns false when a quote is not closed or text follows it.
func splitRow(dst []string, line string, delim byte) ([]string, bool) {
	if delim == ' ' {
		return splitBlanks(dst, line)
	}
	for {
		line = trimBlanks(line, delim != '\t')
		if strings.HasPrefix(line, `"`) {
			cell, rest, closed := quoted(line)
			rest = trimBlanks(rest, delim != '\t')
			if !closed || (rest != "" && rest[0] != delim) {
				return dst, false
			}
			dst = append(dst, trimBlanks(cell, true))
			if rest == "" {
				return dst, true
			}
			line = rest[1:]
			continue
		}
		i := strings.IndexByte(line, delim)
		if i < 0 {
			return append(dst, line), true
		}
		dst = append(dst, trimBlanks(line[:i], true))
		line = line[i+1:]
	}
}

func splitBlanks(dst []string, line string) ([]string, bool) {
	for line = trimBlanks(line, true); line != ""; line = trimBlanks(line, true) {
		if line[0] == '"' {
			cell, rest, closed := quoted(line)
			if !closed || (rest != "" && blankAt(rest) == 0) {
				return dst, false
			}
			dst, line = append(dst, trimBlanks(cell, true)), rest
			continue
		}
		i := 0
		for i < len(line) && (line[i] > ' ' && line[i] != 0xc2 && line[i] != 0xe2 || blankAt(line[i:]) == 0) {
			i++
		}
		dst, line = append(dst, line[:i]), line[i:]
	}
	return dst, true
}

// quoted takes a quoted cell from the start of s. A doubled quote inside stands
// for one.
func quoted(s string) (cell, rest string, closed bool) {
	doubled := false
	for i := 1; i < len(s); i++ {
		if s[i] != '"' {
			continue
		}
		if i+1 < len(s) && s[i+1] == '"' {
			doubled = true
			i++
			continue
		}
		cell = s[1:i]
		if doubled {
			cell = strings.ReplaceAll(cell, `""`, `"`)
		}
		return cell, s[i+1:], true
	}
	return s[1:], "", false
}

// filled returns the number of cells without empty ones at the end.
func filled(cells []string) int {
	n := len(cells)
	for n > 0 && cells[n-1] == "" {
		n--
	}
	return n
}
