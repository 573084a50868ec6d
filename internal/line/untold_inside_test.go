package line

import (
	"math"
	"strings"
	"testing"

	"alike/spc/band"
	"alike/spc/cause"
)

// Curves tell two faults apart from as many units on as Confusable says, which counts with
// the square of the fault's size; by hand: (10, 0) and (10, 1) leave 0.990 of a squared sd
// at size 1, so that it takes (2·1.96)²/0.990 = 15.52 units, 16 when whole, and 64 at half
// the size.
func TestUntoldCountsUnits(t *testing.T) {
	bands, err := band.Between(1, 500, 1000)
	if err != nil {
		t.Fatal(err)
	}
	s := &Setup{Band: bands, Shapes: []cause.Signature{
		{Key: "a", Words: "one", Check: "Look here.", Shape: []float64{10, 0}},
		{Key: "b", Words: "two", Check: "Look there.", Shape: []float64{10, 1}},
		{Key: "c", Words: "three", Check: "Look away.", Shape: []float64{0, 10}},
	}}
	sd := []float64{1, 1}
	for _, c := range []struct {
		other  string
		amount float64
		units  int
		fit    bool // a fit did not tell them
		ok     bool
		need   int
	}{
		{"b", 1, 15, false, true, 16}, {"b", 1, 16, false, false, 0}, {"b", 0.5, 63, false, true, 64}, {"b", 0.5, 64, false, false, 0},
		{"b", 1, 20, true, true, 0}, {"b", 0, 20, false, true, 0}, {"c", 1, 1, false, false, 0}, {"c", 1, 1, true, true, 0},
	} {
		u, ok := s.untold("a", c.other, sd, c.amount, c.units, c.fit)
		if ok != c.ok || ok && u.Units != c.need {
			t.Errorf("%+v: %v, %+v", c, ok, u)
		}
		if ok && (!strings.Contains(u.Text, "Look here.") || math.IsNaN(u.Share)) {
			t.Errorf("%+v: %s", c, u.Text)
		}
	}
}
