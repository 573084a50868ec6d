package band_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"alike/spc/band"

	"pgregory.net/rapid"
)

func third(x int) band.Band { return band.Band{Fraction: 3, Index: x} }

// Closed-form band levels, evaluated in Python from the mean power of a line in
// dB over log-frequency; six significant digits.
func TestKnownLevels(t *testing.T) {
	line := band.Curve{Hz: []float64{20, 20000}, DB: []float64{100, 90}}
	triangle := band.Curve{Hz: []float64{500, 1000, 2000}, DB: []float64{80, 90, 80}}
	x0 := third(0)
	rising := band.Curve{Hz: []float64{x0.Lower(), x0.Upper()}, DB: []float64{80, 90}}
	octave := band.Curve{Hz: []float64{100, 1000, 10000}, DB: []float64{90 - math.Log2(10), 90, 90 + math.Log2(10)}}
	tests := []struct {
		name string
		c    band.Curve
		b    band.Band
		want float64 // NaN: absent
	}{
		{"line, 31.5 Hz", line, third(-15), 99.33783},
		{"line, 1 kHz", line, third(0), 94.33783},
		{"line, 20 Hz band reaches below the curve", line, third(-17), math.NaN()},
		{"line, 20 kHz band reaches above the curve", line, third(13), math.NaN()},
		{"triangle, octave", triangle, band.Band{Fraction: 1}, 87.74421},
		{"triangle, third", triangle, third(0), 89.19595},
		{"triangle, octave below absent", triangle, band.Band{Fraction: 1, Index: -1}, math.NaN()},
		{"triangle, octave above absent", triangle, band.Band{Fraction: 1, Index: 1}, math.NaN()},
		{"80 to 90 dB across the whole band", rising, x0, 85.92027}, // 80 + 10 lg(9/ln 10),
		{"1 dB per factor 2, 1 kHz", octave, third(0), 90.00106},
		{"1 dB per factor 2, 2 kHz", octave, third(3), 90.99764},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := band.Levels(tt.c, []band.Band{tt.b})[0]
			if math.IsNaN(tt.want) {
				if got.Covered || !math.IsNaN(got.DB) {
					t.Fatalf("got %+v, want an absent band", got)
				}
				return
			}
			if !got.Covered || math.Abs(got.DB-tt.want) > 6e-6 {
				t.Fatalf("got %+v, want %v", got, tt.want)
			}
		})
	}
}

// The addend of a straight tilt of S dB per factor 2, 10 lg(sinh a / a) with
// a = (ln 10/20)·S·W: closed form, table computed in Python, 1e-6 dB.
func TestTiltAddend(t *testing.T) {
	table := map[float64][5]float64{
		1:  {0.009524, 0.001059, 0.000265, 0.000066, 0.000017},
		3:  {0.085421, 0.009524, 0.002382, 0.000596, 0.000149},
		6:  {0.337767, 0.038048, 0.009524, 0.002382, 0.000596},
		12: {1.294559, 0.151401, 0.038048, 0.009524, 0.002382},
	}
	for s, want := range table {
		for i, fr := range band.Fractions {
			b := band.Band{Fraction: fr, Index: 2}
			for _, sign := range []float64{1, -1} {
				c := band.Curve{Hz: []float64{1, 1e6}, DB: []float64{0, sign * s * math.Log2(1e6)}}
				mid, _ := c.At(b.Mid())
				got := band.Levels(c, []band.Band{b})[0].DB - mid
				if math.Abs(got-want[i]) > 6e-7 {
					t.Errorf("%+g dB/octave, 1/%d: addend %.7f, want %.6f", sign*s, fr, got, want[i])
				}
			}
		}
	}
}

// Levels cannot depend on where the samples of the same line fall: adding points
// on it changes nothing. A sum over samples would fail here.
func TestRefiningChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 12).Draw(t, "points")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "stream"), 1))
		c := band.Curve{}
		f := 15.0
		for range n {
			c.Hz = append(c.Hz, f)
			c.DB = append(c.DB, 60+60*rng.Float64())
			f *= 1.05 + 3*rng.Float64()
		}
		fine := band.Curve{}
		for i := range c.Hz {
			if i > 0 {
				for _, u := range []float64{0.1, 0.5, 0.9} {
					g := c.Hz[i-1] * math.Pow(c.Hz[i]/c.Hz[i-1], u)
					l, _ := c.At(g)
					fine.Hz, fine.DB = append(fine.Hz, g), append(fine.DB, l)
				}
			}
			fine.Hz, fine.DB = append(fine.Hz, c.Hz[i]), append(fine.DB, c.DB[i])
		}
		bands, err := band.Between(3, 10, 40000)
		if err != nil {
			t.Fatal(err)
		}
		a, b := band.Levels(c, bands), band.Levels(fine, bands)
		for i := range bands {
			if a[i].Covered != b[i].Covered || a[i].Covered && math.Abs(a[i].DB-b[i].DB) > 1e-9 {
				t.Fatalf("band %s: %+v and refined %+v", bands[i].Label(), a[i], b[i])
			}
		}
	})
}

// The exact integral against trapezoids on a fine grid, an independent road.
func TestLevelAgainstQuadrature(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	c := band.Curve{}
	for f := 18.0; f < 25000; f *= 1.07 {
		c.Hz, c.DB = append(c.Hz, f), append(c.DB, 90+8*rng.NormFloat64())
	}
	bands, _ := band.Between(3, 25, 16000)
	for i, l := range band.Levels(c, bands) {
		const steps = 200000
		lo, hi := math.Log(bands[i].Lower()), math.Log(bands[i].Upper())
		sum := 0.0
		for k := range steps {
			db, ok := c.At(math.Exp(lo + (hi-lo)*(float64(k)+0.5)/steps))
			if !ok {
				t.Fatal("grid left the curve")
			}
			sum += math.Pow(10, db/10)
		}
		if want := 10 * math.Log10(sum/steps); math.Abs(l.DB-want) > 1e-6 {
			t.Errorf("band %s: %.9f, quadrature %.9f", bands[i].Label(), l.DB, want)
		}
	}
}

func TestFlatCurveHasItsLevelInEveryBand(t *testing.T) {
	c := band.Curve{Hz: []float64{1, 100000}, DB: []float64{90, 90}}
	for _, fr := range band.Fractions {
		bands, _ := band.Between(fr, 20, 20000)
		for i, l := range band.Levels(c, bands) {
			if math.Abs(l.DB-90) > 1e-12 {
				t.Errorf("1/%d band %s: %v", fr, bands[i].Label(), l.DB)
			}
		}
	}
}

func TestCoverageEdge(t *testing.T) {
	b := third(0)
	at := func(lo, hi float64) bool {
		return band.Levels(band.Curve{Hz: []float64{lo, hi}, DB: []float64{1, 2}}, []band.Band{b})[0].Covered
	}
	for _, tt := range []struct {
		lo, hi float64
		want   bool
	}{
		{b.Lower(), b.Upper(), true},
		{b.Lower() * (1 + 1e-10), b.Upper() * (1 - 1e-10), true}, // rounding only
		{b.Lower() * (1 + 1e-8), b.Upper(), false},
		{b.Lower(), b.Upper() * (1 - 1e-8), false},
	} {
		if got := at(tt.lo, tt.hi); got != tt.want {
			t.Errorf("curve %.12g to %.12g: covered %v, want %v", tt.lo, tt.hi, got, tt.want)
		}
	}
}

func TestSparse(t *testing.T) {
	b := third(0)
	for _, tt := range []struct {
		name string
		c    band.Curve
		want bool
	}{
		{"points one band apart", band.Curve{Hz: []float64{b.Lower(), b.Upper()}, DB: []float64{0, 0}}, false},
		{"points wider apart", band.Curve{Hz: []float64{b.Lower() / 1.01, b.Upper()}, DB: []float64{0, 0}}, true},
		{"a point inside, the next far outside", band.Curve{Hz: []float64{500, 1000, 1100, 2000}, DB: []float64{0, 0, 0, 0}}, true},
	} {
		if got := band.Levels(tt.c, []band.Band{b})[0].Sparse; got != tt.want {
			t.Errorf("%s: sparse %v", tt.name, got)
		}
	}
}

func TestExtremeLevels(t *testing.T) {
	for _, db := range []float64{-900, 900, 3e4} {
		c := band.Curve{Hz: []float64{1, 1e5}, DB: []float64{db, db}}
		if got := band.Levels(c, []band.Band{third(0)})[0].DB; math.Abs(got-db) > 1e-9*math.Abs(db) {
			t.Errorf("flat %v dB reads %v", db, got)
		}
	}
}

func BenchmarkLevels(b *testing.B) {
	c := band.Curve{}
	for f := 15.0; f < 24000; f *= 1.0155 {
		c.Hz, c.DB = append(c.Hz, f), append(c.DB, 90+math.Sin(f))
	}
	bands, _ := band.Between(3, 20, 20000)
	b.ReportMetric(float64(len(c.Hz)), "points")
	b.ReportAllocs()
	for b.Loop() {
		band.Levels(c, bands)
	}
}
