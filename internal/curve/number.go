package curve

import (
	"strconv"
	"strings"
)

// A fault says why a cell is no usable number.
type fault int

const (
	sound fault = iota
	empty
	nonfinite // NaN, infinity
	grouped   // separators between thousands
	cutShort  // stops where a number cannot stop
	garbled
	outOfRange
)

// A number is a cell read as a number, with what its writing tells.
type number struct {
	value    float64
	mark     byte // decimal sign as written, 0 for none
	decimals int  // digits after the decimal sign
	exponent int  // digits of the exponent
	leading  bool // nothing before the decimal sign
	thousand bool // may as well be a whole number with separated thousands
}

// longestNumber leaves room for every digit of a float64 and some more.
const longestNumber = 48

const minus = "\u2212"

// parseNumber reads a trimmed cell: sign, digits with at most one point or
// comma, exponent. With kilo the result is a thousand times the cell; the
// exponent is shifted before the conversion so that 1.005 kHz is 1005 Hz
// exactly.
func parseNumber(cell string, kilo bool) (number, fault) {
	if cell == "" {
		return number{}, empty
	}
	var buf [longestNumber + 8]byte
	out := buf[:0]
	if len(cell) > longestNumber {
		return number{}, garbled
	}
	body := cell
	switch {
	case body[0] == '+':
		body = body[1:]
	case body[0] == '-':
		out, body = append(out, '-'), body[1:]
	case strings.HasPrefix(body, minus):
		out, body = append(out, '-'), body[len(minus):]
	}
	n, out, rest, f := mantissa(out, body)
	if f != sound {
		return number{}, f
	}
	shift := 0
	if kilo {
		shift = 3
	}
	if rest != "" {
		e, digits, f := exponent(rest)
		if f != sound {
			return number{}, f
		}
		shift += e
		n.exponent, n.thousand = digits, false
	}
	if shift != 0 {
		out = strconv.AppendInt(append(out, 'e'), int64(shift), 10)
	}
	v, err := strconv.ParseFloat(string(out), 64)
	if err != nil {
		return number{}, outOfRange
	}
	n.value = v
	return n, sound
}

// mantissa copies the digits of body to out, with a point for the decimal sign.
func mantissa(out []byte, body string) (n number, digits []byte, rest string, f fault) {
	i, whole := 0, 0
scan:
	for ; i < len(body); i++ {
		switch c := body[i]; {
		case c >= '0' && c <= '9':
			if n.mark == 0 {
				whole++
			} else {
				n.decimals++
			}
			out = append(out, c)
		case (c == '.' || c == ',') && n.mark == 0:
			n.mark = c
			out = append(out, '.')
		default:
			break scan
		}
	}
	rest = body[i:]
	switch {
	case whole+n.decimals == 0 && (body == "" || rest == "" && n.mark != 0):
		return n, nil, "", cutShort
	case rest != "" && rest[0] != 'e' && rest[0] != 'E', whole+n.decimals == 0:
		return n, nil, "", strange(body, rest, whole+n.decimals)
	}
	n.leading = whole == 0
	n.thousand = n.mark != 0 && n.decimals == 3 && whole >= 1 && whole <= 3 && body[0] != '0'
	return n, out, rest, sound
}

// strange says what is wrong with a body that stops being a number at rest.
func strange(body, rest string, digits int) fault {
	low := strings.ToLower(body)
	switch low {
	case "nan", "inf", "infinity", "∞", "infinite", "ind", "qnan", "snan":
		return nonfinite
	}
	// Old C libraries print 1.#INF, 1.#IND, 1.#QNAN.
	if strings.Contains(low, "#inf") || strings.Contains(low, "#ind") || strings.Contains(low, "nan") && strings.Contains(low, "#") {
		return nonfinite
	}
	if digits == 0 {
		return garbled
	}
	sep := blankAt(rest)
	if rest[0] == '.' || rest[0] == ',' || rest[0] == '\'' {
		sep = 1
	} else if strings.HasPrefix(rest, "’") {
		sep = len("’")
	}
	if sep > 0 && len(rest) > sep && rest[sep] >= '0' && rest[sep] <= '9' {
		return grouped
	}
	return garbled
}

// exponent reads e, an optional sign and digits.
func exponent(s string) (value, digits int, f fault) {
	s = s[1:]
	sign := 1
	switch {
	case strings.HasPrefix(s, "-"):
		sign, s = -1, s[1:]
	case strings.HasPrefix(s, minus):
		sign, s = -1, s[len(minus):]
	case strings.HasPrefix(s, "+"):
		s = s[1:]
	}
	if s == "" {
		return 0, 0, cutShort
	}
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, 0, garbled
		}
	}
	v, err := strconv.ParseUint(s, 10, 16)
	if err != nil {
		return 0, 0, outOfRange
	}
	return sign * int(v), len(s), sound
}

// words returns the reason and remedy for a faulty cell.
func (f fault) words(cell string) (reason, remedy string) {
	switch f {
	case empty:
		return "is empty", "fill the cell or leave the row out of the export"
	case nonfinite:
		return show(cell) + " is not a finite number", "leave the row out, or measure again"
	case grouped:
		return show(cell) + " seems to have separators between thousands", "export numbers without them, as in 1234.5"
	case cutShort:
		return show(cell) + " stops in the middle of a number", remedyHalf
	case outOfRange:
		return show(cell) + " is too large for a number here", "check its unit and exponent"
	}
	return show(cell) + " is not a number", "write digits with a decimal point or comma, without a unit"
}
