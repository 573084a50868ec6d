package sim

import (
	"fmt"
	"strings"
)

// Serial returns the serial of the n-th unit built, from 1: TB40-00001-62. The
// last two digits are CheckDigits of the rest.
func Serial(n int) string {
	s := fmt.Sprintf("TB40-%05d", n)
	return s + "-" + CheckDigits(s)
}

// ValidSerial reports whether a text has the form of a serial and the check
// digits agree.
func ValidSerial(s string) bool {
	body, check, ok := cutLast(s, "-")
	number, isOurs := strings.CutPrefix(body, "TB40-")
	return ok && isOurs && len(number) >= 5 && strings.Trim(number, "0123456789") == "" &&
		check == CheckDigits(body)
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// CheckDigits returns the two check digits of ISO 7064 MOD 97-10 for a text.
// Letters count as 10 to 35 (A to Z), as international account numbers do it;
// other characters are passed over. The digits catch every single wrong
// character and every exchange of neighbours among the digits.
func CheckDigits(s string) string {
	rest := 0
	for _, r := range strings.ToUpper(s) {
		switch {
		case r >= '0' && r <= '9':
			rest = (rest*10 + int(r-'0')) % 97
		case r >= 'A' && r <= 'Z':
			rest = (rest*100 + int(r-'A') + 10) % 97
		}
	}
	return fmt.Sprintf("%02d", 98-rest*100%97)
}
