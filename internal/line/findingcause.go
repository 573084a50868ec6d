package line

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/cause"
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
	Confused  []string `json:"confused"`  // signatures that shape does not tell from it
}

// Enough of a change explained by one signature to name it, and how much less another may
// explain and still be as likely (as in the sentence of a single unit).
const (
	enoughExplained = 0.7
	hardlyApart     = 0.05
)

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
	if whole == 0 || a.swapped() {
		return
	}
	likeness := cause.Confusable(a.scatter(), signatures)
	for i, g := range signatures {
		if total[i] > 0 {
			a.out.Causes = append(a.out.Causes, Cause{
				Key: g.Key, Words: g.Words, Check: g.Check, Channels: channels, Explained: total[i] / whole,
				Likely: total[i]/whole >= enoughExplained, Confused: confused(likeness, g.Key),
			})
		}
	}
	slices.SortStableFunc(a.out.Causes, func(x, y Cause) int { return -cmpFloat(x.Explained, y.Explained) })
}

// confused lists the signatures that shape does not tell from one.
func confused(likeness []cause.Likeness, key string) []string {
	out := []string{}
	for _, l := range likeness {
		switch key {
		case l.A:
			out = append(out, l.B)
		case l.B:
			out = append(out, l.A)
		}
	}
	return out
}

// scatter returns the scatter of a unit per band, over the channels that moved.
func (a *analysing) scatter() []float64 {
	out := make([]float64, len(a.b.setup.Band))
	for i := range out {
		n := 0.0
		for _, m := range a.out.Channels {
			if m.Moved && m.Scatter[i] > 0 {
				out[i], n = out[i]+m.Scatter[i]*m.Scatter[i], n+1
			}
		}
		out[i] = math.Sqrt(out[i] / n)
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
			a.out.Opposed++
		}
		if v.Swapped {
			a.out.Swapped++
		}
	}
}

// swapped reports whether half of the units or more look exchanged: their curves say
// nothing about a fault then.
func (a *analysing) swapped() bool { return a.out.Swapped > 0 && 2*a.out.Swapped >= a.out.After }
