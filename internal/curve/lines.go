package curve

import "strings"

// lines walks through a text whose lines end in CR LF, LF or CR.
type lines struct {
	text string
	pos  int // start of the next line

	line   string // without its end
	number int    // from 1
	ended  bool   // the line has a line end
}

func (l *lines) next() bool {
	if l.pos >= len(l.text) {
		return false
	}
	rest := l.text[l.pos:]
	end := endOfLine(rest)
	l.line, l.ended = rest[:end], end < len(rest)
	l.pos += end
	l.number++
	if l.ended {
		l.pos += lineEnd(rest[end:])
	}
	return true
}

// endOfLine is strings.IndexAny(s, "\r\n"), which is slower on long texts
// because most files have no lone CR near by.
func endOfLine(s string) int {
	lf := strings.IndexByte(s, '\n')
	if lf < 0 {
		lf = len(s)
	}
	if cr := strings.IndexByte(s[:lf], '\r'); cr >= 0 {
		return cr
	}
	return lf
}

// lineEnd returns the length of the line end that s starts with. CR CR LF, which
// a file gets when its ends are converted twice, is one end.
func lineEnd(s string) int {
	switch {
	case strings.HasPrefix(s, "\r\r\n"):
		return 3
	case strings.HasPrefix(s, "\r\n"):
		return 2
	}
	return 1
}

// blankAt returns the length of the blank that s starts with, 0 for none: space,
// tab, vertical tab, form feed and the no-break, figure, thin and narrow spaces
// that exports put around numbers.
func blankAt(s string) int {
	if s == "" {
		return 0
	}
	switch s[0] {
	case ' ', '\t', '\v', '\f':
		return 1
	case 0xc2, 0xe2:
		for _, b := range [...]string{"\u00a0", "\u2007", "\u2009", "\u202f"} {
			if strings.HasPrefix(s, b) {
				return len(b)
			}
		}
	}
	return 0
}

// trimBlanks cuts blanks from both ends; a tab only when tabs is set.
func trimBlanks(s string, tabs bool) string {
	for {
		n := blankAt(s)
		if n == 0 || (s[0] == '\t' && !tabs) {
			break
		}
		s = s[n:]
	}
	for s != "" {
		switch s[len(s)-1] {
		case '\t':
			if !tabs {
				return s
			}
			fallthrough
		case ' ', '\v', '\f':
			s = s[:len(s)-1]
			continue
		}
		if n := wideBlankBefore(s); n > 0 {
			s = s[:len(s)-n]
			continue
		}
		break
	}
	return s
}

// wideBlankBefore returns the length of the blank of several bytes that s ends
// with, 0 for none.
func wideBlankBefore(s string) int {
	if s[len(s)-1] < 0x80 {
		return 0
	}
	for _, n := range [...]int{2, 3} {
		if len(s) >= n && s[len(s)-n] >= 0xc0 && blankAt(s[len(s)-n:]) == n {
			return n
		}
	}
	return 0
}
