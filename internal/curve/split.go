package curve

import (
	"slices"
	"strings"
	"time"
)

// split cuts name into the texts of the parts. Fields left of {serial} are as
// short as the literal after them allows, fields right of it as short as the
// literal before them allows; {serial} has what is left over, so that it alone
// may hold the signs that separate fields.
func (p Pattern) split(name string) ([]string, bool) {
	texts := make([]string, len(p.parts))
	serial := slices.IndexFunc(p.parts, func(q part) bool { return q.field == "serial" })
	from, to, left := 0, len(name), 0
	right := len(p.parts)
	for ; left < right && left != serial; left++ {
		next := ""
		if left+1 < len(p.parts) {
			next = p.parts[left+1].literal
		}
		n, ok := p.parts[left].prefix(name[from:], next)
		if !ok {
			return nil, false
		}
		texts[left] = name[from : from+n]
		from += n
	}
	for ; right > left+1; right-- {
		before := p.parts[right-2].literal
		n, ok := p.parts[right-1].suffix(name[from:to], before)
		if !ok {
			return nil, false
		}
		texts[right-1] = name[to-n : to]
		to -= n
	}
	if left == right { // no serial
		return texts, from == to
	}
	texts[serial] = name[from:to]
	return texts, from < to && !strings.Contains(texts[serial], "/")
}

// prefix returns how much of the start of s the part takes, next being the
// literal after it.
func (q part) prefix(s, next string) (int, bool) {
	if q.field == "" {
		return len(q.literal), len(s) >= len(q.literal) && lowerASCII(s[:len(q.literal)]) == lowerASCII(q.literal)
	}
	if q.field == "date" {
		for _, l := range dateLayouts {
			if n := len(l); len(s) >= n && hasPrefixFold(s[n:], next) && isDate(s[:n]) {
				return n, true
			}
		}
		return 0, false
	}
	n := len(s)
	if next != "" {
		n = strings.Index(lowerASCII(s), lowerASCII(next))
	}
	return n, n > 0 && q.accepts(s[:n])
}

// suffix is prefix from the other end.
func (q part) suffix(s, before string) (int, bool) {
	if q.field == "" {
		n := len(q.literal)
		return n, len(s) >= n && lowerASCII(s[len(s)-n:]) == lowerASCII(q.literal)
	}
	if q.field == "date" {
		for _, l := range dateLayouts {
			if n := len(l); len(s) >= n && isDate(s[len(s)-n:]) && strings.HasSuffix(lowerASCII(s[:len(s)-n]), lowerASCII(before)) {
				return n, true
			}
		}
		return 0, false
	}
	at := strings.LastIndex(lowerASCII(s), lowerASCII(before))
	if at < 0 {
		return 0, false
	}
	n := len(s) - at - len(before)
	return n, n > 0 && q.accepts(s[len(s)-n:])
}

func hasPrefixFold(s, start string) bool {
	return len(s) >= len(start) && lowerASCII(s[:len(start)]) == lowerASCII(start)
}

func (q part) accepts(s string) bool {
	if q.field == "seating" || q.field == "attempt" {
		return digitsOnly(s)
	}
	return !strings.Contains(s, "/")
}

// lowerASCII keeps the length, as strings.ToLower does not.
func lowerASCII(s string) string {
	b := []byte(s)
	for i, c := range b {
		if c >= 'A' && c <= 'Z' {
			b[i] = c + 'a' - 'A'
		}
	}
	return string(b)
}

// dateLayouts are the forms of {date}, the longest first.
var dateLayouts = []string{"2006-01-02T15-04-05", "2006-01-02_15-04-05", "20060102T150405", "20060102-150405", "20060102_150405", "2006-01-02", "20060102"}

func parseDate(s string, zone *time.Location) (time.Time, bool) {
	for _, l := range dateLayouts {
		if t, err := time.ParseInLocation(l, s, zone); err == nil && len(s) == len(l) {
			return t, true
		}
	}
	return time.Time{}, false
}

func isDate(s string) bool {
	_, ok := parseDate(s, time.UTC)
	return ok
}
