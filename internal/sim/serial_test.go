package sim

import "testing"

// The first is the worked example of ISO 7064 for MOD 97-10 (794 becomes 79444),
// the second the example account number of the international account number
// register, GB82 WEST 1234 5698 7654 32, country and zeroed check moved to the
// end; both from memory.
func TestCheckDigits(t *testing.T) {
	for text, want := range map[string]string{
		"794":                    "44",
		"WEST 12345698765432 GB": "82",
	} {
		if got := CheckDigits(text); got != want {
			t.Errorf("check digits of %s: %s, want %s", text, got, want)
		}
	}
}

func TestSerial(t *testing.T) {
	for _, n := range []int{1, 99, 12345} {
		s := Serial(n)
		if !ValidSerial(s) {
			t.Errorf("%s is not valid", s)
		}
		for i := range s {
			for digit := byte('0'); digit <= '9'; digit++ {
				if s[i] == '-' || s[i] == digit {
					continue
				}
				if wrong := s[:i] + string(digit) + s[i+1:]; ValidSerial(wrong) {
					t.Errorf("%s passes for %s", wrong, s)
				}
			}
		}
		for i := 5; i < 9; i++ {
			if wrong := s[:i] + s[i+1:i+2] + s[i:i+1] + s[i+2:]; wrong != s && ValidSerial(wrong) {
				t.Errorf("%s passes for %s", wrong, s)
			}
		}
	}
	for _, s := range []string{"", "TB40", "TB40-00001", "TB40--63", "TB40-0001-00", "-00001-63", "TB40-0A001-" + CheckDigits("TB400A001")} {
		if ValidSerial(s) {
			t.Errorf("%q is valid", s)
		}
	}
}
