package curve

import (
	"cmp"
	"strings"
)

// natural compares names so that digits count as numbers: unit 9 before unit 10.
// Letters compare without case first; names that then are alike by their bytes,
// so that the order never depends on the order found.
func natural(a, b string) int {
	x, y := strings.ToLower(a), strings.ToLower(b)
	for x != "" && y != "" {
		var c int
		dx, dy := digitRun(x), digitRun(y)
		if dx > 0 && dy > 0 {
			c = compareDigits(x[:dx], y[:dy])
			x, y = x[dx:], y[dy:]
		} else {
			c = cmp.Compare(x[0], y[0])
			x, y = x[1:], y[1:]
		}
		if c != 0 {
			return c
		}
	}
	if c := cmp.Compare(len(x), len(y)); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

func digitRun(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

func compareDigits(a, b string) int {
	a, b = strings.TrimLeft(a, "0"), strings.TrimLeft(b, "0")
	if c := cmp.Compare(len(a), len(b)); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}
