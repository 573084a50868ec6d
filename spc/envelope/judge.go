package envelope

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"alike/spc/band"
)

// A Word is the verdict on one attempt.
type Word string

const (
	Pass     Word = "pass"
	Fail     Word = "fail"
	Doubtful Word = "doubtful" // inside the tolerance limits, but nearer than the guard band
	Hold     Word = "hold"     // the rig is not trusted now; nothing is said of the unit
	Reseat   Word = "reseat"   // the seatings disagree more than seating explains
)

// A Quantity is what a finding is about.
type Quantity string

const (
	Deviation   Quantity = "deviation"
	Balance     Quantity = "balance"
	Sensitivity Quantity = "sensitivity"
	Roughness   Quantity = "roughness"
	Level       Quantity = "level"    // plausibility: is there sound at all
	Polarity    Quantity = "polarity" // left against right
	Seating     Quantity = "seating"
)

// A Channel is one channel of the unit under judgement, averaged over seatings.
type Channel struct {
	Name string
	band.Reading
}

// A Result says how one value lies to its limit.
type Result struct {
	Quantity Quantity
	Channel  string // empty for balance and polarity
	Band     int    // index into the bands, -1 for a scalar
	Value    float64
	Limit    float64 // the nearer tolerance limit
	Over     bool    // Limit is an upper one
	Margin   float64 // distance inside the tolerance limit in dB; negative outside
	Word     Word    // Pass, Doubtful or Fail
}

// A Verdict is the judgement of one attempt. Results holds every judged value that
// did not pass, worst first; Nearest the judged value with the least margin.
type Verdict struct {
	Word       Word
	Results    []Result
	Nearest    *Result
	NotChecked []string // whole clauses: what the verdict does not cover
}

// Judge holds a unit's channels against limits on the same bands. A value exactly
// on a tolerance limit passes it; one exactly on the acceptance limit is accepted.
// Balance is judged between the first two channels. Bands that a channel lacks,
// where there is a limit, make the verdict doubtful: what was not measured cannot
// pass.
func Judge(bands []band.Band, channels []Channel, l Limits) Verdict {
	j := &judge{bands: bands, verdict: Verdict{Word: Pass}}
	for _, c := range channels {
		j.channel(c, l)
	}
	if len(channels) == 2 {
		j.balance(channels[0], channels[1], l)
	}
	v := &j.verdict
	v.NotChecked = j.notChecked(len(channels))
	sort.SliceStable(v.Results, func(a, b int) bool { return v.Results[a].Margin < v.Results[b].Margin })
	for _, r := range v.Results {
		v.Word = worse(v.Word, r.Word)
	}
	return *v
}

// worse returns the graver of two of Pass, Doubtful, Fail.
func worse(a, b Word) Word {
	if a == Fail || b == Fail {
		return Fail
	}
	if a == Doubtful || b == Doubtful {
		return Doubtful
	}
	return Pass
}

type judge struct {
	bands   []band.Band
	verdict Verdict
	skipped []skipped
}

// skipped is one thing that was not checked, and on which channels.
type skipped struct {
	text     string
	channels []string
}

func (j *judge) channel(c Channel, l Limits) {
	var open, lost []int
	for i, d := range c.Deviation {
		lo, hi := l.Lower[i], l.Upper[i]
		switch {
		case math.IsNaN(lo) && math.IsNaN(hi):
			open = append(open, i)
		case math.IsNaN(d):
			lost = append(lost, i)
		default:
			j.value(Result{Quantity: Deviation, Channel: c.Name, Band: i, Value: d}, lo, hi, l.Guard[i])
		}
	}
	if len(open) > 0 {
		j.skip(c.Name, "no limit for "+j.span(open))
	}
	if len(lost) > 0 {
		j.skip(c.Name, "the curve does not cover "+j.span(lost))
		j.verdict.Word = worse(j.verdict.Word, Doubtful)
	}
	if s := l.Sensitivity; s != nil {
		j.value(Result{Quantity: Sensitivity, Channel: c.Name, Band: -1, Value: c.Sensitivity}, s.Lower, s.Upper, s.Guard)
	}
	if l.Roughness > 0 {
		j.value(Result{Quantity: Roughness, Channel: c.Name, Band: -1, Value: c.Roughness}, math.NaN(), l.Roughness, l.RoughnessGuard)
	}
}

func (j *judge) balance(left, right Channel, l Limits) {
	for i := range j.bands {
		if math.IsNaN(l.Balance[i]) {
			continue
		}
		guard := 0.0
		if l.BalanceGuard != nil {
			guard = l.BalanceGuard[i]
		}
		d := Unanchored(left.Reading, i) - Unanchored(right.Reading, i)
		if !math.IsNaN(d) {
			j.value(Result{Quantity: Balance, Band: i, Value: d}, -l.Balance[i], l.Balance[i], guard)
		}
	}
}

// Unanchored returns level minus target in one band, the offset put back.
func Unanchored(r band.Reading, i int) float64 { return r.Deviation[i] + r.Offset }

// value judges one number; a limit that is NaN does not exist.
func (j *judge) value(r Result, lo, hi, guard float64) {
	r.Limit, r.Over, r.Margin = hi, true, hi-r.Value
	if below := r.Value - lo; math.IsNaN(r.Margin) || below < r.Margin {
		r.Limit, r.Over, r.Margin = lo, false, below
	}
	switch {
	case r.Margin < 0:
		r.Word = Fail
	case r.Margin < guard:
		r.Word = Doubtful
	default:
		r.Word = Pass
	}
	if n := j.verdict.Nearest; n == nil || r.Margin < n.Margin {
		j.verdict.Nearest = &r
	}
	if r.Word != Pass {
		j.verdict.Results = append(j.verdict.Results, r)
	}
}

// skip notes what is not checked on a channel.
func (j *judge) skip(channel, text string) {
	for i := range j.skipped {
		if s := &j.skipped[i]; s.text == text {
			s.channels = append(s.channels, channel)
			return
		}
	}
	j.skipped = append(j.skipped, skipped{text, []string{channel}})
}

// notChecked puts what was skipped in words; what holds for all channels names none.
func (j *judge) notChecked(channels int) []string {
	var out []string
	for _, s := range j.skipped {
		if len(s.channels) == channels {
			out = append(out, s.text)
		} else {
			out = append(out, strings.Join(s.channels, " and ")+": "+s.text)
		}
	}
	return out
}

// span names a set of bands: "20 Hz to 31.5 Hz", or "20 Hz to 25 Hz and 16 kHz".
func (j *judge) span(at []int) string {
	var parts []string
	for i := 0; i < len(at); {
		k := i
		for k+1 < len(at) && at[k+1] == at[k]+1 {
			k++
		}
		if from, to := j.bands[at[i]].Name(), j.bands[at[k]].Name(); from == to {
			parts = append(parts, from)
		} else {
			parts = append(parts, from+" to "+to)
		}
		i = k + 1
	}
	out := parts[0]
	for _, p := range parts[1:] {
		out += " and " + p
	}
	return out
}

// Text says the result in a technician's words, without a full stop: "left, 63 Hz
// band: 2.1 dB under the lower limit".
func (r Result) Text(bands []band.Band) string {
	where := string(r.Quantity)
	switch {
	case r.Quantity == Deviation:
		where = fmt.Sprintf("%s, %s band", r.Channel, bands[r.Band].Name())
	case r.Quantity == Balance:
		where = fmt.Sprintf("left against right, %s band", bands[r.Band].Name())
	case r.Channel != "":
		where = r.Channel + ", " + where
	}
	side, limit := "under", "lower limit"
	if r.Over {
		side, limit = "over", "upper limit"
	}
	switch {
	case r.Margin < 0:
		return fmt.Sprintf("%s: %s dB %s the %s", where, Decibels(-r.Margin), side, limit)
	case r.Word == Doubtful:
		return fmt.Sprintf("%s: only %s dB inside the %s, nearer than the guard band", where, Decibels(r.Margin), limit)
	}
	return fmt.Sprintf("%s: %s dB inside the %s", where, Decibels(r.Margin), limit)
}

// Decibels writes a positive difference with the decimals it deserves: two below
// one tenth, so that a small excess never reads as 0.0.
func Decibels(d float64) string {
	switch {
	case d < 0.001:
		return "less than 0.001"
	case d < 0.0095:
		return fmt.Sprintf("%.3f", d)
	case d < 0.095:
		return fmt.Sprintf("%.2f", d)
	}
	return fmt.Sprintf("%.1f", d)
}
