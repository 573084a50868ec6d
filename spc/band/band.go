package band

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// G is the octave ratio of IEC 61260-1:2014, 10^(3/10); it is not 2.
var G = math.Pow(10, 0.3)

// Reference is the reference frequency in Hz of all fractions.
const Reference = 1000.0

// Fractions are the supported bandwidth designators b of 1/b octave.
var Fractions = []int{1, 3, 6, 12, 24}

// A Band is one fractional-octave band, known by its fraction (3 for one-third
// octave) and its index x. Labels of different fractions collide, so a Band,
// never its label, is the key.
type Band struct {
	Fraction int
	Index    int
}

// at returns the frequency in Hz that lies a number of half bands from
// Reference, in one step: multiplying along the series would add rounding.
func (b Band) at(halves int) float64 {
	return Reference * math.Pow(10, 0.3*float64(halves)/float64(2*b.Fraction))
}

// halves returns the mid-band's distance from the reference in half bands: for an
// even fraction the reference is an edge, not a mid-band.
func (b Band) halves() int {
	if b.Fraction%2 == 0 {
		return 2*b.Index + 1
	}
	return 2 * b.Index
}

// Mid returns the exact mid-band frequency in Hz.
func (b Band) Mid() float64 { return b.at(b.halves()) }

// Lower returns the lower band edge in Hz.
func (b Band) Lower() float64 { return b.at(b.halves() - 1) }

// Upper returns the upper band edge in Hz. Upper of one band and Lower of the
// next are the same number.
func (b Band) Upper() float64 { return b.at(b.halves() + 1) }

// thirds are the preferred numbers of ISO 266 (R10), by index modulo ten.
var thirds = [10]float64{1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8}

// Nominal returns the frequency in Hz that the trade writes for the band: the
// preferred numbers of ISO 266 for whole and third octaves, and for finer
// fractions the exact value rounded as IEC 61260-1 Annex E says (three
// significant digits while the first is 1 to 4, else two).
func (b Band) Nominal() float64 {
	if b.Fraction == 1 || b.Fraction == 3 {
		step := b.Index * 3 / b.Fraction
		decade := int(math.Floor(float64(step) / 10))
		return round(thirds[step-10*decade]*math.Pow(10, float64(decade+3)), 6)
	}
	mid := b.Mid()
	digits := 2
	if mid/math.Pow(10, math.Floor(math.Log10(mid))) < 5 {
		digits = 3
	}
	return round(mid, digits)
}

// round returns v with a number of significant decimal digits.
func round(v float64, digits int) float64 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	return r
}

// Label returns the nominal frequency as the trade writes it: 31.5, 800, 1k,
// 1.25k.
func (b Band) Label() string { return Hertz(b.Nominal()) }

// Name returns the nominal frequency as a sentence has it: 63 Hz, 1.25 kHz.
func (b Band) Name() string {
	if s, kilo := strings.CutSuffix(b.Label(), "k"); kilo {
		return s + " kHz"
	}
	return b.Label() + " Hz"
}

// Hertz writes a frequency in Hz the short way: 63, 1k, 12.5k.
func Hertz(f float64) string {
	if f >= 1000 {
		return strconv.FormatFloat(round(f/1000, 6), 'f', -1, 64) + "k"
	}
	return strconv.FormatFloat(round(f, 6), 'f', -1, 64)
}

// Between returns, in rising order, the bands whose nominal frequency lies from
// low to high Hz, both included.
func Between(fraction int, low, high float64) ([]Band, error) {
	if err := CheckFraction(fraction); err != nil {
		return nil, err
	}
	if !(low > 0 && low <= high) || math.IsInf(high, 0) {
		return nil, fmt.Errorf("band range %v to %v Hz is not a rising pair of positive numbers", low, high)
	}
	// Nominal and exact mid-band differ by less than one band: start one early.
	first := int(math.Floor(math.Log10(low/Reference)*float64(fraction)/0.3)) - 1
	last := int(math.Ceil(math.Log10(high/Reference)*float64(fraction)/0.3)) + 1
	const most = 10000
	if last-first > most {
		return nil, fmt.Errorf("band range %v to %v Hz holds more than %d bands", low, high, most)
	}
	var bands []Band
	for x := first; x <= last; x++ {
		b := Band{fraction, x}
		if n := b.Nominal(); n >= low && n <= high {
			bands = append(bands, b)
		}
	}
	if len(bands) == 0 {
		return nil, fmt.Errorf("no 1/%d octave band has its nominal frequency from %v to %v Hz", fraction, low, high)
	}
	return bands, nil
}

// CheckFraction returns an error unless the fraction is one of Fractions.
func CheckFraction(fraction int) error {
	for _, f := range Fractions {
		if f == fraction {
			return nil
		}
	}
	return fmt.Errorf("band fraction %d is not one of 1, 3, 6, 12, 24", fraction)
}
