package plot

import (
	"math"
	"strconv"
	"strings"
)

// FrequencyTicks returns the labelled frequencies in Hz of a logarithmic axis
// from lo to hi, both positive: 1, 2 and 5 in every decade, or every whole digit
// when the range holds fewer than three of those. It is empty when lo and hi do
// not make a range.
func FrequencyTicks(lo, hi float64) []float64 {
	if ticks := decades(lo, hi, 1, 2, 5); len(ticks) >= 3 {
		return ticks
	}
	return decades(lo, hi, 1, 2, 3, 4, 5, 6, 7, 8, 9)
}

// decades returns the given digits of every decade within lo to hi.
func decades(lo, hi float64, digits ...float64) []float64 {
	if !(lo > 0 && hi > lo) || math.IsInf(hi, 0) {
		return nil
	}
	const slack = 1e-9
	var out []float64
	for e := math.Floor(math.Log10(lo)); e <= math.Ceil(math.Log10(hi)); e++ {
		for _, d := range digits {
			if f := d * math.Pow(10, e); f >= lo*(1-slack) && f <= hi*(1+slack) {
				out = append(out, f)
			}
		}
	}
	return out
}

// FrequencyRange widens the range of the bands' mid frequencies in Hz to ends
// that can be labelled: 20 and 20000 for the audible range. Axis must rise.
func FrequencyRange(axis []float64) (lo, hi float64) {
	if len(axis) == 0 {
		return 20, 20000
	}
	lo, hi = axis[0], axis[len(axis)-1]
	// A mid-band such as 19.95 Hz belongs to the label 20: do not open a new
	// step for it, and leave room on the far side instead.
	const near = 1.03
	lo, hi = stepDown(lo*near), stepUp(hi/near)
	lo, hi = math.Min(lo, axis[0]), math.Max(hi, axis[len(axis)-1])
	if lo == hi { // one band, right on a step
		return lo / 2, hi * 2
	}
	return lo, hi
}

func stepDown(f float64) float64 {
	ticks := decades(f/10, f, 1, 2, 5)
	return ticks[len(ticks)-1]
}

func stepUp(f float64) float64 { return decades(f, f*10, 1, 2, 5)[0] }

// LevelTicks returns at most a number of round values (1, 2 or 5 times a power
// of ten apart) that cover lo to hi, the first at or below lo and the last at or
// above hi. Values that are not finite, or lo above hi, give the ticks of -1 to 1.
func LevelTicks(lo, hi float64, most int) []float64 {
	if !Finite(lo) || !Finite(hi) || lo > hi {
		lo, hi = -1, 1
	}
	if hi-lo < 1e-9*math.Max(math.Abs(lo), math.Abs(hi)) || hi == lo {
		pad := math.Max(math.Abs(lo)*1e-3, 1e-3)
		lo, hi = lo-pad, hi+pad
	}
	most = max(most, 3)
	for e := math.Floor(math.Log10((hi - lo) / float64(most))); ; e++ {
		for _, d := range []float64{1, 2, 5} {
			step := d * math.Pow(10, e)
			const slack = 1e-9 // 0.3/0.1 is not quite 3
			first, last := math.Floor(lo/step+slack), math.Ceil(hi/step-slack)
			if last-first+1 > float64(most) {
				continue
			}
			ticks := make([]float64, 0, most)
			for k := first; k <= last; k++ {
				ticks = append(ticks, k*step)
			}
			return ticks
		}
	}
}

// Level writes a number with the decimals that ticks a step apart need, and a
// real minus sign.
func Level(v, step float64) string {
	decimals := 0
	if step > 0 && step < 1 {
		decimals = int(math.Ceil(-math.Log10(step) - 1e-9))
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// A scale maps values to positions.
type scale struct {
	lo, hi   float64 // values
	from, to float64 // positions of lo and hi
	log      bool
}

// at returns the position of a value, NaN for one that cannot be drawn.
func (s scale) at(v float64) float64 {
	if !(math.Abs(v) <= 10*largest) { // a round tick may lie above the largest value
		return math.NaN()
	}
	lo, hi := s.lo, s.hi
	if s.log {
		v, lo, hi = math.Log(v), math.Log(lo), math.Log(hi)
	}
	// A curve may leave the picture by any amount; renderers want short numbers.
	const far = 1e5
	return math.Max(-far, math.Min(far, s.from+(s.to-s.from)*((v-lo)/(hi-lo))))
}

// Span returns the smallest and largest finite value of several rows, and false
// when there is none.
func Span(rows ...[]float64) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, row := range rows {
		for _, v := range row {
			if Finite(v) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	return lo, hi, lo <= hi
}

// Finite reports whether v is a number that can be drawn: not NaN, and not so
// large that differences leave the range of numbers.
func Finite(v float64) bool { return math.Abs(v) <= largest }

const largest = 1e150
