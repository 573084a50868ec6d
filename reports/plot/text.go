package plot

import (
	"regexp"
	"strings"
	"unicode/utf8"
)

// widths are the advance widths of ' ' to '~' in thousandths of the type size,
// for Helvetica and the faces made to its measure (Arial, Liberation Sans).
// Source: font metrics of Helvetica in the core 14 fonts, from memory; compared
// with Liberation Sans in testdata/widths.txt.
var widths = [...]int{
	278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278,
	556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,
	1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
	667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,
	333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,
	556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
}

// TextWidth estimates how wide a line of text is at a type size, in the unit of
// the size. Letters outside ASCII count as wide ones, so that the estimate errs
// towards more room.
func TextWidth(s string, size float64) float64 {
	sum := 0
	for _, r := range s {
		switch {
		case r >= ' ' && r <= '~':
			sum += widths[r-' ']
		case r >= 0x0300 && r <= 0x036F: // combining marks stand on the letter before
		case r < 0x1100:
			sum += 667
		default:
			sum += 1000
		}
	}
	return float64(sum) * size / 1000
}

var hyphened = regexp.MustCompile(`(^|[\s(±])-(\d)`)

// Minus writes the hyphen before a number in a sentence as the minus sign that it is;
// hyphens within serials and words stay.
func Minus(s string) string { return hyphened.ReplaceAllString(s, "$1−$2") }

// Wrap breaks text into lines no wider than width at a type size. Line breaks in
// the text are kept, a word that is too long is broken between letters.
func Wrap(s string, width, size float64) []string {
	var lines []string
	for _, para := range strings.Split(s, "\n") {
		line := ""
		for _, word := range strings.Split(para, " ") {
			switch {
			case line == "":
				line = word
			case TextWidth(line+" "+word, size) <= width:
				line += " " + word
			default:
				lines = append(lines, line)
				line = word
			}
			for TextWidth(line, size) > width && utf8.RuneCountInString(line) > 1 {
				head := prefix(line, width, size)
				lines = append(lines, head)
				line = line[len(head):]
			}
		}
		lines = append(lines, line)
	}
	return lines
}

// prefix returns the longest start of s, one letter at least, that fits a width.
func prefix(s string, width, size float64) string {
	sum, end := 0.0, len(s)
	for i, r := range s {
		sum += TextWidth(string(r), size)
		if i > 0 && sum > width {
			end = i
			break
		}
	}
	return s[:end]
}

// Short returns a text of at most n letters. The end is kept, where serial
// numbers differ.
func Short(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return "…" + string(r[len(r)-n+1:])
}
