package cause_test

import (
	"math"
	"strings"
	"testing"

	"alike/spc/band"
	"alike/spc/cause"
)

// Changes of level in dB at third octaves 20 Hz to 20 kHz for faults of a lumped
// model of an over-ear unit, computed outside this project with numpy (parameters
// plausible, not measured).
var faults = map[string][]float64{
	"pad leak":    {-5.36, -5.18, -4.96, -4.70, -4.35, -3.91, -3.38, -2.77, -2.14, -1.53, -1.00, -0.58, -0.27, -0.05, 0.10, 0.17, 0.14, 0.04, -0.03, -0.07, -0.07, -0.06, -0.05, -0.03, -0.02, -0.01, 0, 0, 0.01, 0.01, 0.01},
	"dense foam":  {-1.44, -1.41, -1.35, -1.26, -1.13, -0.95, -0.76, -0.56, -0.41, -0.33, -0.35, -0.47, -0.64, -0.81, -0.91, -0.93, -1.03, -1.31, -1.53, -1.56, -1.43, -1.20, -0.92, -0.65, -0.42, -0.24, -0.10, 0, 0.05, 0.04, -0.18},
	"no plate":    {0.40, 0.40, 0.38, 0.36, 0.33, 0.29, 0.24, 0.20, 0.15, 0.12, 0.11, 0.14, 0.26, 0.56, 1.12, 1.63, 0.81, -0.77, -0.98, -0.42, -0.10, 0, 0.01, 0.01, 0, 0, 0, 0, 0, 0, 0},
	"weak magnet": {-0.82, -0.82, -0.82, -0.83, -0.84, -0.85, -0.87, -0.88, -0.89, -0.89, -0.89, -0.88, -0.87, -0.86, -0.85, -0.85, -0.85, -0.83, -0.81, -0.80, -0.81, -0.83, -0.85, -0.87, -0.89, -0.90, -0.90, -0.91, -0.91, -0.91, -0.92},
	"heavy cone":  {0, 0, 0, 0, 0, -0.01, -0.01, -0.01, -0.01, 0, 0, 0.01, 0.02, 0.03, 0.03, 0.04, 0.06, 0.07, 0.03, -0.06, -0.19, -0.33, -0.45, -0.55, -0.63, -0.69, -0.73, -0.76, -0.78, -0.80, -0.83},
}

func thirds(t *testing.T) []band.Band {
	b, err := band.Between(3, 20, 20000)
	if err != nil || len(b) != 31 {
		t.Fatal(len(b), err)
	}
	return b
}

func TestShapeInWords(t *testing.T) {
	b := thirds(t)
	at := func(f float64) int {
		for i := range b {
			if b[i].Nominal() == f {
				return i
			}
		}
		t.Fatal(f)
		return -1
	}
	for _, tt := range []struct {
		fault, words, check string
		at                  float64
	}{
		{"pad leak", "everything up to 125 Hz falls together", "check the pad and glue seal", 20},
		{"weak magnet", "the whole range falls together", "check the driver and the drive level", 20000},
		{"heavy cone", "everything from 2.5 kHz up falls together", "check the foam, and the driver for glue on its cone", 20000},
		{"no plate", "400 Hz to 800 Hz rises together", "check foam, mesh and tuning plate", 630},
	} {
		s := cause.ShapeAt(b, faults[tt.fault], at(tt.at))
		if s.Words() != tt.words || s.Check() != tt.check {
			t.Errorf("%s: %q, %q; want %q, %q", tt.fault, s.Words(), s.Check(), tt.words, tt.check)
		}
	}
	one := make([]float64, len(b))
	one[at(3150)] = 4
	if s := cause.ShapeAt(b, one, at(3150)); s.Bands != 1 || s.Words() != "only the range around 3.15 kHz rises" {
		t.Errorf("one band: %+v %q", s, s.Words())
	}
	gap := append([]float64(nil), faults["pad leak"]...)
	gap[0] = math.NaN() // the lowest band was not covered: 25 Hz is the lowest measured
	if s := cause.ShapeAt(b, gap, at(25)); !s.Low || s.From.Nominal() != 25 {
		t.Errorf("with a missing band: %+v", s)
	}
}

func signatures() []cause.Signature {
	var out []cause.Signature
	for _, k := range []string{"pad leak", "dense foam", "no plate", "weak magnet", "heavy cone"} {
		out = append(out, cause.Signature{Key: k, Words: "a " + k, Check: "look at the " + k, Shape: faults[k]})
	}
	return out
}

func even(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 0.4
	}
	return out
}

// A change that is a signature times a size is explained wholly by it, whatever the
// size, and a mirrored one by none.
func TestFitFindsItsOwnFault(t *testing.T) {
	for key, shape := range faults {
		for _, size := range []float64{0.5, 1, 2.5} {
			change := make([]float64, len(shape))
			for i, v := range shape {
				change[i] = size * v
			}
			f := cause.Fits(change, even(31), signatures())
			if f[0].Key != key || math.Abs(f[0].Amount-size) > 1e-12 || math.Abs(f[0].Explained-1) > 1e-12 {
				t.Errorf("%s x %v: best fit %s %.3f explains %.3f", key, size, f[0].Key, f[0].Amount, f[0].Explained)
			}
		}
	}
	mirrored := make([]float64, 31)
	for i, v := range faults["pad leak"] {
		mirrored[i] = -v
	}
	for _, f := range cause.Fits(mirrored, even(31), signatures()) {
		if f.Key == "pad leak" && f.Amount != 0 {
			t.Errorf("a rise fits the leak with amount %v", f.Amount)
		}
	}
}

// The weighted least-squares amount and share against numpy.linalg.lstsq on
// square-root-weighted columns:
//
//	w=1/sd; a=lstsq((w*s)[:,None],w*d)[0]; 1-sum((w*(d-a*s))**2)/sum((w*d)**2)
//
// for d = [1, -2, .5, 3], s = [.5, -1, 1, 1], sd = [.5, 1, 2, .8].
func TestFitAgainstLeastSquares(t *testing.T) {
	f := cause.Fits([]float64{1, -2, 0.5, 3}, []float64{0.5, 1, 2, 0.8}, []cause.Signature{{Key: "k", Shape: []float64{0.5, -1, 1, 1}}})[0]
	if math.Abs(f.Amount-2.311475410) > 1e-9 || math.Abs(f.Explained-0.920672409) > 1e-9 {
		t.Errorf("amount %.9f, explained %.9f", f.Amount, f.Explained)
	}
}

func TestFitLeavesOutWhatIsMissing(t *testing.T) {
	change := append([]float64(nil), faults["no plate"]...)
	sd := even(31)
	change[3], sd[5], change[5] = math.NaN(), 0, 99
	f := cause.Fits(change, sd, signatures())
	if f[0].Key != "no plate" || math.Abs(f[0].Explained-1) > 1e-12 {
		t.Errorf("%+v", f[0])
	}
}

func TestWords(t *testing.T) {
	looks, check := cause.Words(cause.Fits(faults["no plate"], even(31), signatures()))
	if looks != "looks like a no plate (explains 100 %)" || check != "look at the no plate" {
		t.Errorf("%q, %q", looks, check)
	}
	twins := append(signatures(), cause.Signature{Key: "twin", Words: "a twin", Check: "", Shape: faults["no plate"]})
	if looks, _ = cause.Words(cause.Fits(faults["no plate"], even(31), twins)); !strings.Contains(looks, " or a twin (100 %)") {
		t.Errorf("%q does not name the twin", looks)
	}
	nothing := make([]float64, 31)
	for i := range nothing {
		nothing[i] = float64(1 - 2*(i%2))
	}
	if looks, check := cause.Words(cause.Fits(nothing, even(31), signatures())); looks != "" || check != "" {
		t.Errorf("alternating bands look like %q", looks)
	}
	if looks, _ := cause.Words(nil); looks != "" {
		t.Errorf("no signatures, but %q", looks)
	}
}
