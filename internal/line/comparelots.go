package line

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/compare"
	"alike/spc/envelope"
)

// A LotComparison holds two lots of one product against each other, by the first
// attempts of their units. Differences are second lot minus first, in dB.
type LotComparison struct {
	Lots     [2]store.LotRow
	Yields   [2]reports.Yield
	Units    [2]int // with a reading
	Setup    *Setup
	Channels []ChannelComparison
	Scalars  []ScalarComparison
	Text     []string // whole sentences
}

// A ChannelComparison compares the deviation of one channel band by band; NaN where a
// unit was not measured in the band.
type ChannelComparison struct {
	Name            string
	Diff, Low, High []float64 // with the 95 % interval of each band alone
	P               []float64 // of the difference, adjusted by Holm over all bands
}

// A ScalarComparison compares one number per unit.
type ScalarComparison struct {
	Title           string
	Diff, Low, High float64
	P               float64
}

// work bounds the permutation test, units times bands times draws: a page has to
// answer in a moment, and a thousand draws tell 0.001 from chance.
const work = 8_000_000

// CompareLots compares two lots of one product.
func (l *Line) CompareLots(ctx context.Context, first, second string) (LotComparison, error) {
	var c LotComparison
	var readings [2][]store.ReadingRow
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		for i, lot := range []string{first, second} {
			row, err := s.Lot(ctx, lot)
			if errors.Is(err, store.ErrNotFound) {
				return refuse(Missing, "lot", "choose one of the lots there are", "there is no lot %q", lot)
			} else if err != nil {
				return err
			}
			c.Lots[i], c.Yields[i] = row, yield("first-pass yield", row.FirstPass, row.Judged)
			all, err := s.ReadingsOfLot(ctx, lot)
			if err != nil {
				return err
			}
			for _, r := range all {
				if r.Number == 1 {
					readings[i] = append(readings[i], r)
				}
			}
			c.Units[i] = len(readings[i])
		}
		if c.Lots[0].Product != c.Lots[1].Product {
			return refuse(Invalid, "lot", "compare lots of one product", "lot %s is of product %s, lot %s of product %s", first, c.Lots[0].Product, second, c.Lots[1].Product)
		}
		var err error
		c.Setup, err = l.setup(ctx, s, c.Lots[0].Product)
		return err
	})
	if err != nil {
		return c, err
	}
	if first == second {
		return c, refuse(Invalid, "lot", "choose two lots", "lot %s is compared with itself", first)
	}
	return c, c.compare(readings)
}

func (c *LotComparison) compare(readings [2][]store.ReadingRow) error {
	if c.Units[0] < 2 || c.Units[1] < 2 {
		c.Text = []string{"A comparison needs two judged units in each lot."}
		return nil
	}
	var at []int // streams that every unit has and that vary: the others cannot be compared
	for i, st := range c.Setup.StreamList {
		if (st.Quantity == envelope.Deviation || st.Band < 0) && present(readings, i) && varies(readings, i) {
			at = append(at, i)
		}
	}
	if len(at) == 0 {
		c.Text = []string{"No band was measured on every unit of both lots, with some spread."}
		return nil
	}
	var batches []compare.Batch
	for i, rows := range readings {
		b := compare.Batch{Name: c.Lots[i].Lot}
		for _, r := range rows {
			var row []float64
			for _, k := range at {
				row = append(row, float64(r.Streams[k]))
			}
			b.Rows = append(b.Rows, row)
		}
		batches = append(batches, b)
	}
	var names []string
	for _, k := range at {
		names = append(names, c.Setup.StreamList[k].Title)
	}
	draws := work / (len(at) * (c.Units[0] + c.Units[1]))
	survey, err := compare.Curves(batches, compare.CurveOptions{
		Options: compare.Options{UnequalSpread: true}, Bands: names, Draws: max(199, min(1999, draws)), Seed: 1,
	})
	if err != nil { // such as no spread at all: a statement about the data
		c.Text = []string{"They cannot be compared: " + err.Error() + "."}
		return nil
	}
	c.take(survey, at, names)
	return nil
}

func present(readings [2][]store.ReadingRow, stream int) bool {
	for _, rows := range readings {
		for _, r := range rows {
			if isNaN(r.Streams[stream]) {
				return false
			}
		}
	}
	return true
}

// varies reports whether a stream has spread within one of the lots, more than the
// rounding of what is stored.
func varies(readings [2][]store.ReadingRow, stream int) bool {
	for _, rows := range readings {
		for _, r := range rows {
			if math.Abs(float64(r.Streams[stream]-rows[0].Streams[stream])) > 1e-4 {
				return true
			}
		}
	}
	return false
}

// take puts the survey in its place, per channel and band.
func (c *LotComparison) take(survey compare.Survey, at []int, names []string) {
	channel := map[string]int{}
	for _, name := range c.Setup.Channels {
		channel[name] = len(c.Channels)
		n := len(c.Setup.Band)
		c.Channels = append(c.Channels, ChannelComparison{name, blank(n), blank(n), blank(n), blank(n)})
	}
	var moved []string
	for i, k := range at {
		st, p := c.Setup.StreamList[k], survey.Bands[i].Pairs[0]
		if survey.MeanP[i] <= 0.05 {
			moved = append(moved, names[i])
		}
		if st.Band < 0 {
			c.Scalars = append(c.Scalars, ScalarComparison{st.Title, p.Difference, p.Low, p.High, survey.MeanP[i]})
			continue
		}
		ch := &c.Channels[channel[st.Channel]]
		ch.Diff[st.Band], ch.Low[st.Band], ch.High[st.Band], ch.P[st.Band] = p.Difference, p.Low, p.High, survey.MeanP[i]
	}
	if survey.Joint.P <= 0.05 {
		c.Text = append(c.Text, fmt.Sprintf("Over all bands together the lots differ (p = %.2g).", survey.Joint.P))
	} else {
		c.Text = append(c.Text, fmt.Sprintf("No difference over all bands together is shown (p = %.2g); that does not mean there is none.", survey.Joint.P))
	}
	const most = 6
	switch n := len(moved); {
	case n == 0:
		c.Text = append(c.Text, "No single band or level shows a difference of means.")
	case n > most:
		c.Text = append(c.Text, fmt.Sprintf("Means differ in %d bands and levels, such as %s.", n, strings.Join(moved[:most], ", ")))
	default:
		c.Text = append(c.Text, fmt.Sprintf("Means differ in %s.", joinAnd(moved)))
	}
}

func blank(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.NaN()
	}
	return out
}
