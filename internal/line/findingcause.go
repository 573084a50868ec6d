package line

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/cause"
	"alike/spc/change"
	"alike/spc/sample"

	"gonum.org/v1/gonum/mat"
)

// A Coincides is something of the ledger or of the record that changed from unit to unit,
// with how well it coincides with a finding.
type Coincides struct {
	Factor    string  `json:"factor"` // "glue left", "operator", "day"
	Kind      string  `json:"kind"`   // "glue"
	From      string  `json:"from"`
	To        string  `json:"to"`
	Serial    string  `json:"serial"` // first unit with To
	Within    bool    `json:"within"` // that unit lies in the set of the change point
	P         float64 `json:"p"`
	Adjusted  float64 `json:"p_holm"`
	Explained float64 `json:"explained"`
}

// A Cause is a fault signature that the change looks like.
type Cause struct {
	Key       string   `json:"key"`
	Words     string   `json:"words"`
	Check     string   `json:"check"`
	Channels  []string `json:"channels"`  // that moved
	Explained float64  `json:"explained"` // share of the change that it explains alone, 0 to 1
	Likely    bool     `json:"likely"`    // it explains enough
	// Behind is twice the log of how much more likely the first cause is, with the scatter
	// of good units and how their bands go together counted; causes are in its order.
	Behind   float64  `json:"behind"`
	Confused []string `json:"confused"` // signatures that the units so far do not tell from it
	// Units is how many units say so by their phase or by the pair, and Explained their
	// share; 0 for a cause that was fitted to the curves.
	Units int `json:"units,omitempty"`
}

// Keys of the causes that are not fitted to curves.
const (
	Swapped  = "swapped"  // left and right are exchanged, by the pair
	Reversed = "reversed" // a channel has the opposite polarity, by phase
)

// enoughExplained is how much of a change one signature must explain to be named.
const enoughExplained = 0.7

// leastScatter is how many units before a change tell how bands go together.
const leastScatter = 8

// coincide ranks what changed around the change point.
func (a *analysing) coincide() {
	if a.f.Kind == OneUnit || a.split <= 0 || a.split >= len(a.rows) {
		return
	}
	found, err := cause.Coincide(a.score, a.split, a.set, a.factors())
	if err != nil {
		a.out.Warnings = append(a.out.Warnings, "What coincides is not known: "+err.Error()+".")
		return
	}
	for _, c := range found {
		if c.At < 0 {
			continue
		}
		kind, _, _ := strings.Cut(c.Key, " ")
		a.out.Coincidences = append(a.out.Coincidences, Coincides{
			Factor: c.Key, Kind: kind, From: c.From, To: c.To, Serial: a.rows[c.At].Serial, Within: c.Within, P: c.P, Adjusted: c.Adjusted,
			Explained: c.Explained,
		})
	}
}

// settleTies puts coincidences that the units do not tell apart in the order in which they
// are worth a look: first the parts that the likeliest signatures come from, then what
// belongs to the only channel that moved.
func (a *analysing) settleTies() {
	likely := map[string]bool{}
	for _, c := range a.out.Causes {
		if c.Behind >= cause.Apart {
			continue
		}
		for _, g := range a.b.setup.Signatures {
			if g.Key == c.Key && g.Part != "" {
				likely[g.Part] = true
			}
		}
	}
	moved := ""
	for _, m := range a.out.Channels {
		if m.Moved && moved == "" {
			moved = m.Channel
		} else if m.Moved {
			moved = "both"
		}
	}
	worth := func(c Coincides) int {
		if likely[c.Kind] {
			return 0
		}
		if _, channel, _ := strings.Cut(c.Factor, " "); channel != "" && channel == moved {
			return 1
		}
		return 2
	}
	slices.SortStableFunc(a.out.Coincidences, func(x, y Coincides) int {
		if x.Within != y.Within || x.P != y.P {
			return 0
		}
		return worth(x) - worth(y)
	})
}

// factors lists what may have to do with the change: the kinds of part of the channels
// that moved, the operator, the station and the day of the first attempt.
func (a *analysing) factors() []cause.Factor {
	var out []cause.Factor
	at := map[string]int{}
	put := func(key string, row int, label string) {
		i, ok := at[key]
		if !ok {
			i = len(out)
			at[key] = i
			out = append(out, cause.Factor{Key: key, Labels: make([]string, len(a.rows))})
		}
		out[i].Labels[row] = label
	}
	for row, r := range a.rows {
		for _, p := range a.parts {
			if p.Channel != "" && !a.movedChannel(p.Channel) || !covers(p, r.Serial) {
				continue
			}
			put(strings.TrimSpace(p.Kind+" "+p.Channel), row, p.Batch)
		}
		u, ok := a.units[r.Place]
		if !ok {
			continue
		}
		put("operator", row, u.Operator)
		put("station", row, u.Station)
		put("day", row, u.MeasuredAt.In(a.zone).Format("2006-01-02"))
	}
	return out
}

// covers reports whether a ledger entry holds for a serial.
func covers(p store.PartUse, serial string) bool {
	return len(p.FirstSerial) == len(serial) && p.FirstSerial <= serial && serial <= p.LastSerial
}

func (a *analysing) movedChannel(name string) bool {
	return slices.ContainsFunc(a.out.Channels, func(m Moved) bool { return m.Channel == name && m.Moved })
}

// fit holds the change of the channels that moved against the product's signatures. A
// swap shows in the pair, not in a channel's shape, and is not fitted.
func (a *analysing) fit() {
	a.turned()
	signatures := a.b.setup.Shapes
	total := make([]float64, len(signatures))
	whole := 0.0
	var channels []string
	for k := range a.out.Channels {
		m := &a.out.Channels[k]
		a.shape(m)
		if !m.Moved || len(signatures) == 0 {
			continue
		}
		channels = append(channels, m.Channel)
		mix := cause.Mix(m.Change, m.Scatter, signatures)
		m.Explained = mix.Explained
		a.out.Warnings = append(a.out.Warnings, mix.Warnings...)
		for _, p := range mix.Parts {
			m.Parts = append(m.Parts, Share{p.Key, p.Words, p.Amount, math.Min(mix.Explained, math.Max(0, p.Share))})
		}
		if mix.LeftAt >= 0 {
			m.Left = fmt.Sprintf("%.0f %% of the change is left unexplained, most at %s (%+.1f dB)",
				100*(1-mix.Explained), a.b.setup.Band[mix.LeftAt].Name(), mix.Left[mix.LeftAt])
		}
		weight := squares(m.Change, m.Scatter)
		whole += weight
		for _, f := range cause.Fits(m.Change, m.Scatter, signatures) {
			for i, g := range signatures {
				if g.Key == f.Key {
					total[i] += weight * f.Explained
				}
			}
		}
	}
	if a.byPairAndPhase(); whole == 0 || a.swapped() {
		return
	}
	fitted := len(a.out.Causes)
	for i, g := range signatures {
		if total[i] > 0 {
			a.out.Causes = append(a.out.Causes, Cause{
				Key: g.Key, Words: g.Words, Check: g.Check, Channels: channels, Explained: total[i] / whole,
				Likely: total[i]/whole >= enoughExplained, Confused: []string{},
			})
		}
	}
	if fitted == len(a.out.Causes) {
		return
	}
	slices.SortStableFunc(a.out.Causes[fitted:], func(x, y Cause) int { return -cmpFloat(x.Explained, y.Explained) })
	a.weigh(a.out.Causes[fitted:])
	a.untell()
}

// byPairAndPhase adds the causes that no fit decides: exchanged channels, when half of the
// units or more look so, and a reversed channel.
func (a *analysing) byPairAndPhase() {
	add := func(key, words, check string, units int, channels []string) {
		a.out.Causes = append(a.out.Causes, Cause{
			Key: key, Words: words, Check: check, Channels: channels, Explained: float64(units) / float64(a.out.After), Likely: true, Confused: []string{}, Units: units,
		})
	}
	if a.swapped() {
		add(Swapped, "left and right are exchanged", "Look at connectors, plug and the wires of both cups: left has to play on the left.", a.out.Swapped, a.b.setup.Channels)
	}
	if a.out.Opposed > 0 && 2*a.out.Opposed >= a.out.After {
		words, channels := "left and right are of opposite polarity", a.b.setup.Channels
		if a.reversed != "" {
			words, channels = "the "+a.reversed+" channel is reversed", []string{a.reversed}
		}
		add(Reversed, words, "Look at the wiring of the driver, plus to plus.", a.out.Opposed, channels)
	}
}

// weigh puts the causes in the order of their likelihood, all channels that moved and
// all bands at once, and says which are not told apart.
func (a *analysing) weigh(causes []Cause) {
	weighed, err := a.weighed()
	if err != nil {
		a.out.Warnings = append(a.out.Warnings, "The causes are in the order of what they explain band by band: "+err.Error()+".")
		return
	}
	behind := map[string]float64{}
	for _, w := range weighed {
		behind[w.Key] = w.Behind
	}
	for i := range causes {
		causes[i].Behind = behind[causes[i].Key]
	}
	slices.SortStableFunc(causes, func(x, y Cause) int { return cmpFloat(x.Behind, y.Behind) })
	for i := range causes {
		if causes[i].Behind -= causes[0].Behind; causes[i].Behind >= cause.Apart {
			continue
		}
		for j := range causes {
			if j != i && behind[causes[j].Key]-behind[causes[0].Key] < cause.Apart {
				causes[i].Confused = append(causes[i].Confused, causes[j].Key)
			}
		}
	}
}

// weighed fits the signatures to the channels that moved, with the covariance of the
// units before the change.
func (a *analysing) weighed() ([]cause.Weighed, error) {
	if a.split < leastScatter {
		return nil, fmt.Errorf("%s before it say too little about how bands go together", number(a.split, "unit"))
	}
	var changes [][]float64
	var before [][]float64 // by unit, channel after channel
	for range a.split {
		before = append(before, nil)
	}
	for _, m := range a.out.Channels {
		if !m.Moved {
			continue
		}
		change := slices.Clone(m.Change)
		for b := range change {
			if !(m.Scatter[b] > 0) {
				change[b] = math.NaN()
			}
		}
		changes = append(changes, change)
		for i, r := range a.rows[:a.split] {
			before[i] = append(before[i], a.b.setup.unanchored(r, m.Channel)...)
		}
	}
	covariance, err := scatterOf(before)
	if err != nil {
		return nil, err
	}
	covariance.ScaleSym(1/float64(a.split)+1/float64(max(1, len(a.rows)-a.split)), covariance)
	return cause.Weigh(changes, covariance, a.b.setup.Fraction, a.b.setup.Shapes)
}

// scatterOf returns the shrunk covariance of rows, NaN where a column has a gap or does
// not vary.
func scatterOf(rows [][]float64) (*mat.SymDense, error) {
	var whole []int
	for j := range rows[0] {
		if sd := sample.SD(column(rows, j)); sd > 0 {
			whole = append(whole, j)
		}
	}
	if len(whole) == 0 {
		return nil, errors.New("no band varies")
	}
	centred := mat.NewDense(len(rows), len(whole), nil)
	for k, j := range whole {
		xs := column(rows, j)
		mean := sample.Mean(xs)
		for i, x := range xs {
			centred.Set(i, k, x-mean)
		}
	}
	part, _, err := change.Shrink(centred)
	if err != nil {
		return nil, err
	}
	out := mat.NewSymDense(len(rows[0]), nil)
	for i := range out.SymmetricDim() {
		out.SetSym(i, i, math.NaN())
	}
	for k, i := range whole {
		for l, j := range whole[:k+1] {
			out.SetSym(i, j, part.At(k, l))
		}
	}
	return out, nil
}

func column(rows [][]float64, j int) []float64 {
	out := make([]float64, len(rows))
	for i, r := range rows {
		out[i] = r[j]
	}
	return out
}

func squares(change, sd []float64) (ss float64) {
	for i, d := range change {
		if v := d / sd[i]; !math.IsNaN(v) && !math.IsInf(v, 0) {
			ss += v * v
		}
	}
	return ss
}

// shape says in words which part of the range moved.
func (a *analysing) shape(m *Moved) {
	at := farthest(m.Change, m.Error)
	if at < 0 {
		return
	}
	m.Words = cause.ShapeAt(a.b.setup.Band, m.Change, at).Words()
	m.Worst, m.Size = a.b.setup.Band[at].Name(), m.Change[at]
}

// turned counts the units since the change whose polarity is opposed or whose channels
// look exchanged, as their verdicts have it from phase and from the pair.
func (a *analysing) turned() {
	for _, r := range a.rows[min(a.split, len(a.rows)):] {
		v, err := storedVerdictOf(a.units[r.Place].Judgement)
		if err != nil || v == nil {
			continue
		}
		if v.Polarity == "opposed" {
			if a.out.Opposed++; a.out.Opposed == 1 {
				a.reversed = v.Reversed
			} else if a.reversed != v.Reversed {
				a.reversed = ""
			}
		}
		if v.Polarity == "" && a.b.setup.pair() {
			a.out.NoPhase++
		}
		if v.Swapped {
			a.out.Swapped++
		}
	}
}

// swapped reports whether half of the units or more look exchanged: their curves say
// nothing about a fault then.
func (a *analysing) swapped() bool { return a.out.Swapped > 0 && 2*a.out.Swapped >= a.out.After }
