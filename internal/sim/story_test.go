package sim

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/spc/band"
	"alike/spc/sample"
)

func tell(t *testing.T, o Options) *Story {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A visit is one attempt, reduced as the tool would do it.
type visit struct {
	lot, index int
	attempt    int
	serial     string
	level      [2][]float64 // mean over seatings, dB SPL
	read       [2]band.Reading
}

func visits(t *testing.T, s *Story) []visit {
	t.Helper()
	var out []visit
	for lot := range s.Lots {
		for i, a := range s.Lots[lot].Attempts {
			v := visit{lot: lot, index: i, attempt: a.Number, serial: a.Serial}
			var seats [2][][]float64
			for take := range s.AttemptTakes(lot, a) {
				ch := slices.Index(Channels, take.Channel)
				seats[ch] = append(seats[ch], levels(t, s.Product, take.Curve))
			}
			for ch := range seats {
				v.level[ch] = band.Average(seats[ch])
				v.read[ch] = reading(t, s.Product, v.level[ch])
			}
			out = append(out, v)
		}
	}
	return out
}

// passes reports whether both channels keep the mask, from 25 Hz to 12.5 kHz,
// and the balance from 100 Hz to 4 kHz.
func (v visit) passes(p *Product) bool {
	for i, b := range p.Bands() {
		lower, upper, judged := p.limits(b.Nominal())
		for ch := range v.read {
			if d := v.read[ch].Deviation[i]; judged && (d < lower || d > upper) {
				return false
			}
		}
		if f := b.Nominal(); f >= 100 && f <= 4000 && math.Abs(v.level[left][i]-v.level[right][i]) > p.Balance {
			return false
		}
	}
	return true
}

// limits returns the mask at f, straight over log-frequency between its corners.
func (p *Product) limits(f float64) (lower, upper float64, ok bool) {
	for i := 1; i < len(p.Mask); i++ {
		if a, b := p.Mask[i-1], p.Mask[i]; f >= a.Hz && f <= b.Hz {
			x := math.Log(f/a.Hz) / math.Log(b.Hz/a.Hz)
			return a.Lower + x*(b.Lower-a.Lower), a.Upper + x*(b.Upper-a.Upper), true
		}
	}
	return 0, 0, false
}

// troubled returns the troubles of a serial.
func (s *Story) troubled(serial string) []string {
	var kinds []string
	for _, x := range s.Truth.Troubles {
		n := slices.Index(s.serial, serial)
		if n >= x.first && n <= x.last {
			kinds = append(kinds, x.Kind)
		}
	}
	return kinds
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{Units: 11}, {Units: 301}, {Units: -1}, {Start: time.Date(12000, 1, 1, 0, 0, 0, 0, time.UTC)}} {
		if s, err := New(o); err == nil || s != nil {
			t.Errorf("%+v: story %v, error %v", o, s != nil, err)
		}
	}
	for _, units := range []int{12, 13, 40, 300} {
		if s := tell(t, Options{Units: units}); len(s.Lots) != 6 || len(s.Lots[5].Serials) != units {
			t.Errorf("%d units: wrong lots", units)
		}
	}
	s := tell(t, Options{})
	if s.Options.Units != 40 || s.Lots[0].Code != "2026-W37" || s.Lots[5].Code != "2026-W42" {
		t.Errorf("defaults: %+v, lots %s to %s", s.Options, s.Lots[0].Code, s.Lots[5].Code)
	}
	// A start on a Sunday belongs to the week before, across the turn of the year.
	zone := time.FixedZone("", -5*3600)
	s = tell(t, Options{Start: time.Date(2027, 1, 3, 12, 0, 0, 0, zone)})
	if at := s.Lots[0].Attempts[0].At; s.Lots[0].Code != "2026-W53" || at.Format(time.DateOnly) != "2026-12-28" || at.Location() != zone {
		t.Errorf("lot %s begins at %v", s.Lots[0].Code, at)
	}
}

func TestWorkingHours(t *testing.T) {
	for _, units := range []int{12, 40, 300} {
		s := tell(t, Options{Units: units, Seed: 2})
		var last time.Time
		rota := map[string]bool{}
		for lot, l := range s.Lots {
			byDay := map[string]string{}
			for _, a := range l.Attempts {
				done := a.At.Add(visitTime)
				if !a.At.After(last) {
					t.Errorf("%d units: %s at %v comes before the last is done, %v", units, a.Serial, a.At, last)
				}
				last = done.Add(-5 * time.Second)
				h := a.At.Hour()*60 + a.At.Minute()
				if d := a.At.Weekday(); d < time.Monday || d > time.Friday || h < 8*60 || h > 16*60+30 {
					t.Errorf("%s is measured on %v", a.Serial, a.At)
				}
				if y, w := a.At.ISOWeek(); fmt.Sprintf("%d-W%02d", y, w) != l.Code {
					t.Errorf("%s of lot %d is measured on %v", a.Serial, lot, a.At)
				}
				rota[a.Operator] = true
				day := a.At.Format(time.DateOnly)
				if byDay[day] == "" {
					byDay[day] = a.Operator
				}
				if byDay[day] != a.Operator {
					t.Errorf("two operators on %s", day)
				}
			}
		}
		if len(rota) != 3 {
			t.Errorf("operators %v", rota)
		}
	}
}

func TestIdentities(t *testing.T) {
	s := tell(t, Options{Units: 12})
	seen := map[string]bool{}
	n := 0
	var last time.Time
	for take := range s.Takes() {
		n++
		id, err := take.Normal()
		if err != nil || id != take.Identity {
			t.Fatalf("identity %+v becomes %+v, error %v", take.Identity, id, err)
		}
		if !ValidSerial(id.Serial) || id.MeasuredAt.IsZero() || id.Product != "tb40" || id.Operator == "" || id.Station == "" {
			t.Errorf("identity %+v", id)
		}
		if id.MeasuredAt.Before(last) {
			t.Errorf("%+v is out of order", id)
		}
		last = id.MeasuredAt
		key := fmt.Sprint(id.Serial, id.Channel, id.Seating, id.Attempt)
		if seen[key] {
			t.Errorf("%s is there twice", key)
		}
		seen[key] = true
		if (id.Attempt > 1) != (id.Reason != "") {
			t.Errorf("attempt %d has the reason %q", id.Attempt, id.Reason)
		}
	}
	if want := (6*12 + 1) * 2 * 3; n != want {
		t.Errorf("%d takes, want %d", n, want)
	}
	for range s.Takes() {
		break // the sequence ends when its caller does
	}
}

func TestLongerLotsKeepTheirUnits(t *testing.T) {
	a, b := tell(t, Options{Units: 20, Seed: 9}), tell(t, Options{Units: 30, Seed: 9})
	for _, lot := range []int{0, 4} {
		for i := range 6 {
			x, y := a.Lots[lot].Attempts[i].Unit, b.Lots[lot].Attempts[i].Unit
			if !slices.Equal(x.Curve(left, 1, 1).DB, y.Curve(left, 1, 1).DB) {
				t.Errorf("unit %d of lot %d changed", i, lot)
			}
		}
	}
}

func TestLedger(t *testing.T) {
	for _, units := range []int{12, 37, 300} {
		s := tell(t, Options{Units: units})
		fitted := map[string]int{}
		for _, p := range s.Parts {
			first, last := slices.Index(s.serial, p.First), slices.Index(s.serial, p.Last)
			if first < 0 || last < first {
				t.Errorf("%s %s goes from %s to %s", p.Kind, p.Batch, p.First, p.Last)
			}
			at := s.Lots[first/units].Attempts[0].At
			if p.Received.After(at) {
				t.Errorf("%s %s is used on %v, before it came on %v", p.Kind, p.Batch, at, p.Received)
			}
			if d := p.Received.Weekday(); d < time.Monday || d > time.Friday {
				t.Errorf("%s %s came on a %s", p.Kind, p.Batch, d)
			}
			channels := []string{p.Channel}
			if p.Channel == "both" {
				channels = Channels
			}
			for _, ch := range channels {
				for n := first; n <= last; n++ {
					fitted[fmt.Sprint(p.Kind, " ", ch, " ", n)]++
				}
			}
		}
		if want := 7 * 2 * 6 * units; len(fitted) != want {
			t.Errorf("%d units: %d parts fitted, want %d", units, len(fitted), want)
		}
		for what, n := range fitted {
			if n != 1 {
				t.Errorf("%s is fitted %d times", what, n)
			}
		}
	}
}

func TestTruth(t *testing.T) {
	s := tell(t, Options{})
	var bad []string
	for i, l := range s.Truth.Lots {
		if l.Lot != s.Lots[i].Code {
			t.Errorf("truth of lot %s stands at %s", l.Lot, s.Lots[i].Code)
		}
		if l.Bad {
			bad = append(bad, l.Lot)
		}
	}
	if !slices.Equal(bad, []string{"2026-W40", "2026-W41"}) {
		t.Errorf("bad lots %v", bad)
	}
	want := []string{
		"plate-missing 2026-W39 13 13 left", "swapped 2026-W39 29 29 both",
		"glue-gap 2026-W40 17 40 left", "foam-dense 2026-W41 1 40 both", "pad-fold 2026-W42 23 23 left",
	}
	var got []string
	for _, x := range s.Truth.Troubles {
		serials := s.Lots[x.lot].Serials
		got = append(got, fmt.Sprint(x.Kind, " ", x.Lot, " ", slices.Index(serials, x.First)+1, " ", slices.Index(serials, x.Last)+1, " ", x.Channel))
		if x.Words == "" || x.Action == "" {
			t.Errorf("%s has no words", x.Kind)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("troubles\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	// What begins with a batch begins with it in the ledger too.
	for batch, kind := range map[string]int{"GL-62": 2, "FS-09": 3} {
		i := slices.IndexFunc(s.Parts, func(p Part) bool { return p.Batch == batch })
		if x := s.Truth.Troubles[kind]; s.Parts[i].First != x.First || s.Parts[i].Last != x.Last {
			t.Errorf("%s goes from %s to %s, its trouble from %s to %s", batch, s.Parts[i].First, s.Parts[i].Last, x.First, x.Last)
		}
	}
}

// TestWhoPasses judges a story by the product's mask and balance, attempt by
// attempt: of the units without trouble, fewer than 1 in 100 fail.
func TestWhoPasses(t *testing.T) {
	s := tell(t, Options{Units: 120, Seed: 11})
	good, failed := 0, 0
	for _, v := range visits(t, s) {
		kinds := s.troubled(v.serial)
		pass := v.passes(s.Product)
		switch {
		case len(kinds) == 0:
			good++
			if !pass {
				failed++
			}
		case slices.Contains(kinds, KindPlateMissing) && pass:
			t.Error("the unit without its plate passes")
		case slices.Contains(kinds, KindPadFold) && pass != (v.attempt == 2):
			t.Errorf("the folded pad's attempt %d: passes %v", v.attempt, pass)
		}
	}
	t.Logf("%d of %d good units fail", failed, good)
	if good < 500 || failed*100 >= good {
		t.Errorf("%d of %d good units fail", failed, good)
	}
}

// sigmas returns the within-lot standard deviation of the deviation, the level
// and the balance of each band, from units without batch or fault.
type sigmas struct {
	deviation, level [2][]float64
	balance          []float64
	sensitivity      [2]float64
}

func spreads(t *testing.T, p *Product) sigmas {
	t.Helper()
	const units = 300
	values := map[string][]float64{}
	for k := range units {
		u := p.Draw(Key{Seed: 21, Unit: k})
		var level [2][]float64
		for ch := range level {
			var seats [][]float64
			for seating := 1; seating <= Seatings; seating++ {
				seats = append(seats, levels(t, p, u.Curve(ch, 1, seating)))
			}
			level[ch] = band.Average(seats)
			r := reading(t, p, level[ch])
			for i, d := range r.Deviation {
				values[fmt.Sprint("d", ch, i)] = append(values[fmt.Sprint("d", ch, i)], d)
				values[fmt.Sprint("l", ch, i)] = append(values[fmt.Sprint("l", ch, i)], level[ch][i])
			}
			values[fmt.Sprint("s", ch)] = append(values[fmt.Sprint("s", ch)], r.Sensitivity)
		}
		for i := range level[left] {
			values[fmt.Sprint("b", i)] = append(values[fmt.Sprint("b", i)], level[left][i]-level[right][i])
		}
	}
	var out sigmas
	for i := range p.Bands() {
		for ch := range Channels {
			out.deviation[ch] = append(out.deviation[ch], sample.SD(values[fmt.Sprint("d", ch, i)]))
			out.level[ch] = append(out.level[ch], sample.SD(values[fmt.Sprint("l", ch, i)]))
		}
		out.balance = append(out.balance, sample.SD(values[fmt.Sprint("b", i)]))
	}
	for ch := range Channels {
		out.sensitivity[ch] = sample.SD(values[fmt.Sprint("s", ch)])
	}
	return out
}

// expected returns the band levels that lot has on average, from what batches
// and faults do to the cups as drawn. Single units' troubles are left out.
func (s *Story) expected(t *testing.T, lot, ch int) []float64 {
	t.Helper()
	mean := make([]float64, len(s.Product.Bands()))
	n := s.Options.Units
	for i := lot * n; i < (lot+1)*n; i++ {
		cup := s.Product.Cups[ch]
		for _, change := range s.batches(i) {
			cup = change(ch, cup)
		}
		if s.Truth.at(KindGlueGap, i) != nil {
			for _, change := range s.changes(i) {
				cup = change(ch, cup)
			}
		}
		for k, l := range levels(t, s.Product, s.Product.measure(cup, modes)) {
			mean[k] += l / float64(n)
		}
	}
	return mean
}

// TestLotsShift compares the lots with the first: good ones move by less than
// 0.35 standard deviations in every stream, bad ones by more than two in some.
func TestLotsShift(t *testing.T) {
	s := tell(t, Options{Units: 20})
	sd := spreads(t, s.Product)
	for lot := 1; lot < Weeks; lot++ {
		var level, base [2][]float64
		most := 0.0
		for ch := range Channels {
			level[ch], base[ch] = s.expected(t, lot, ch), s.expected(t, 0, ch)
			a, b := reading(t, s.Product, level[ch]), reading(t, s.Product, base[ch])
			for i := range a.Deviation {
				most = math.Max(most, math.Abs(a.Deviation[i]-b.Deviation[i])/sd.deviation[ch][i])
				most = math.Max(most, math.Abs(level[ch][i]-base[ch][i])/sd.level[ch][i])
			}
			most = math.Max(most, math.Abs(a.Sensitivity-b.Sensitivity)/sd.sensitivity[ch])
		}
		for i := range sd.balance {
			most = math.Max(most, math.Abs(level[left][i]-level[right][i]-base[left][i]+base[right][i])/sd.balance[i])
		}
		t.Logf("lot %s moves by up to %.2f standard deviations", s.Lots[lot].Code, most)
		if s.Truth.Lots[lot].Bad != (most > 2) || (!s.Truth.Lots[lot].Bad && most > 0.35) {
			t.Errorf("lot %s moves by up to %.2f standard deviations", s.Lots[lot].Code, most)
		}
	}
}

// TestTroublesShow looks for each planted trouble in the takes, where and as
// large as the script says.
func TestTroublesShow(t *testing.T) {
	s := tell(t, Options{Units: 60, Seed: 4})
	sd := spreads(t, s.Product)
	at := func(label string) int { return place(t, s.Product, label) }
	all := visits(t, s)
	mean := func(lot int, kind string, value func(visit) float64) float64 {
		var xs []float64
		for _, v := range all {
			if v.lot == lot && v.attempt == 1 && slices.Equal(s.troubled(v.serial), strings.Fields(kind)) {
				xs = append(xs, value(v))
			}
		}
		if len(xs) == 0 {
			t.Fatalf("lot %d has no unit with %q", lot, kind)
		}
		return sample.Mean(xs)
	}
	deviation := func(ch int, label string) func(visit) float64 {
		return func(v visit) float64 { return v.read[ch].Deviation[at(label)] }
	}
	balance := func(label string) func(visit) float64 {
		return func(v visit) float64 { return v.level[left][at(label)] - v.level[right][at(label)] }
	}
	sens := func(ch int) func(visit) float64 { return func(v visit) float64 { return v.read[ch].Sensitivity } }
	size := func(lot int, kind string, value func(visit) float64, sd float64) float64 {
		return (mean(lot, kind, value) - mean(0, "", value)) / sd
	}
	within(t, "plate missing, left 630 Hz", size(2, KindPlateMissing, deviation(left, "630"), sd.deviation[left][at("630")]), 10, 40)
	within(t, "swapped, balance at 500 Hz", size(2, KindSwapped, balance("500"), sd.balance[at("500")]), -8, -2)
	within(t, "swapped, balance at 800 Hz", size(2, KindSwapped, balance("800"), sd.balance[at("800")]), 1.5, 7)
	within(t, "glue gap, left 50 Hz", size(3, KindGlueGap, deviation(left, "50"), sd.deviation[left][at("50")]), -16, -8)
	within(t, "glue gap, right 50 Hz", size(3, KindGlueGap, deviation(right, "50"), sd.deviation[right][at("50")]), -1, 1)
	within(t, "before the glue gap, left 50 Hz", size(3, "", deviation(left, "50"), sd.deviation[left][at("50")]), -1, 1)
	for ch := range Channels {
		within(t, "dense foam, sensitivity", size(4, KindFoamDense, sens(ch), sd.sensitivity[ch]), -4, -2)
		within(t, "dense foam, 1.6 kHz", size(4, KindFoamDense, deviation(ch, "1.6k"), sd.deviation[ch][at("1.6k")]), -8, -3.5)
	}
	within(t, "folded pad, left 25 Hz in dB", mean(5, KindPadFold, deviation(left, "25"))-mean(0, "", deviation(left, "25")), -18, -8)
}
