package pairing

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A Supply is the drivers measured so far, by which a purchase is foreseen.
type Supply struct {
	Units     []Unit
	By        Measure
	Tolerance float64
	// Good and Bad count drivers of the supply that were judged, Units being among the
	// good ones: a purchase then holds bad ones too, which are paired with nobody. 0
	// and 0 for a purchase of good drivers only.
	Good, Bad int
	// Draws is the number of simulated purchases; 0 for 400.
	Draws int
	Seed  uint64
}

// A Purchase is what buying so many drivers is expected to give.
type Purchase struct {
	Buy        int
	Pairs      float64 // mean over the simulated purchases
	PerHundred float64 // the same per hundred drivers; 50 when all find a partner
	Low, High  float64 // 5th and 95th percentile of the pairs of one purchase
	Draws      int
	Warnings   []string
}

// A Need is how many drivers to buy for a number of pairs.
type Need struct {
	Pairs      int
	Buy        int // enough with the confidence; 0 when no number up to the limit is
	Typical    int // enough in half of the purchases; 0 likewise
	Confidence float64
	Draws      int
	Warnings   []string
}

// fewest is how many drivers a purchase is foreseen from.
const fewest = 10

// Expect foresees the pairs of a purchase of so many drivers like those measured.
//
// Each simulated purchase weighs the measured drivers anew (the Bayesian bootstrap,
// Rubin, Ann. Statist. 9 (1981) 130-134), so that what so few drivers leave unknown
// widens the interval, and draws normal drivers with the mean and covariance of the
// weighed ones; then it is matched. Drivers of one batch cannot tell how batches
// differ.
func Expect(s Supply, buy int) (Purchase, error) {
	g, err := s.forecast()
	if err != nil {
		return Purchase{}, err
	}
	if buy < 2 || buy > MostDrivers {
		return Purchase{}, fmt.Errorf("a purchase of %d drivers: give a number from 2 to %d", buy, MostDrivers)
	}
	var counts []float64
	for range g.draws {
		g.begin()
		counts = append(counts, float64(g.pairs(buy)))
	}
	p := Purchase{Buy: buy, Pairs: sample.Mean(counts), Draws: g.draws, Warnings: g.warnings}
	p.PerHundred = 100 * p.Pairs / float64(buy)
	slices.Sort(counts)
	p.Low, p.High = counts[(len(counts)-1)*5/100], counts[len(counts)-1-(len(counts)-1)*5/100]
	return p, nil
}

// ToBuy returns how many drivers to buy so that with the given confidence at least
// so many pairs within the tolerance are among them, by simulated purchases as in
// Expect. The search ends at 20 drivers per pair.
func ToBuy(s Supply, pairs int, confidence float64) (Need, error) {
	g, err := s.forecast()
	if err != nil {
		return Need{}, err
	}
	const most = 500
	if pairs < 1 || pairs > most {
		return Need{}, fmt.Errorf("%d pairs: give a number from 1 to %d", pairs, most)
	}
	if !(confidence >= 0.5 && confidence < 1) {
		return Need{}, fmt.Errorf("confidence %v is not from 0.5 to 1", confidence)
	}
	limit := min(MostDrivers, 20*pairs+20)
	n := Need{Pairs: pairs, Confidence: confidence, Draws: g.draws, Warnings: g.warnings}
	var needs []int
	for range g.draws {
		g.begin()
		needs = append(needs, g.need(pairs, limit))
	}
	slices.Sort(needs)
	// The smallest that at least the share confidence of one more purchase stays at
	// or below.
	at := int(math.Ceil(confidence*float64(g.draws+1))) - 1
	if at < len(needs) && needs[at] <= limit {
		n.Buy = needs[at]
	}
	if m := needs[len(needs)/2]; m <= limit {
		n.Typical = m
	}
	if n.Buy == 0 {
		n.Warnings = append(n.Warnings, fmt.Sprintf("Even %d drivers do not give %d pairs with the confidence asked for: the tolerance is too tight for this supply, or too few purchases were drawn.", limit, pairs))
	}
	return n, nil
}

// A forecast draws the drivers of one purchase after the other.
type forecast struct {
	supply   Supply
	rows     [][]float64 // levels and, behind them, sensitivity, each times the root of its weight
	known    float64     // share of drivers of known polarity
	reversed float64     // share of the known ones that are reversed
	limit    float64     // largest squared distance of two rows of a pair
	draws    int
	warnings []string
	rng      *rand.Rand

	mean    []float64
	centred [][]float64 // of this purchase, scaled so that normal sums have its covariance
	bought  [][]float64
	turned  []int // polarity of each bought
	spoilt  []bool
	share   float64 // of bad ones in this purchase
}

func (s Supply) forecast() (*forecast, error) {
	w, total, err := s.By.weights(s.Units)
	if err != nil {
		return nil, err
	}
	if len(s.Units) < fewest {
		return nil, fmt.Errorf("%d drivers are too few to foresee a purchase: measure at least %d", len(s.Units), fewest)
	}
	if !(s.Tolerance >= 0 && s.Tolerance < Opposite) {
		return nil, fmt.Errorf("tolerance %v is not a number from 0 to %v", s.Tolerance, Opposite)
	}
	g := &forecast{supply: s, limit: s.Tolerance * s.Tolerance * total, draws: s.Draws, rng: rand.New(rand.NewPCG(s.Seed, 0x627579))}
	if g.draws == 0 {
		g.draws = 400
	}
	if g.draws < 20 || g.draws > 100000 {
		return nil, fmt.Errorf("%d draws: give a number from 20 to 100000", g.draws)
	}
	if s.Good < 0 || s.Bad < 0 || s.Good == 0 && s.Bad > 0 {
		return nil, fmt.Errorf("%d good and %d bad drivers: give counts from 0 up, some of them good", s.Good, s.Bad)
	}
	known, reversed := 0.0, 0.0
	for _, u := range s.Units {
		var row []float64
		for b, v := range u.Levels {
			row = append(row, math.Sqrt(w[b])*v)
		}
		g.rows = append(g.rows, append(row, math.Sqrt(s.By.Sensitivity)*u.Sensitivity))
		if u.Polarity != 0 {
			known++
		}
		if u.Polarity < 0 {
			reversed++
		}
	}
	g.known = known / float64(len(s.Units))
	g.reversed = reversed / math.Max(1, known)
	if len(s.Units) < 30 {
		g.warnings = append(g.warnings, fmt.Sprintf("Only %d drivers: the forecast is wide, and leans on their being about normal.", len(s.Units)))
	}
	return g, nil
}

// begin weighs the measured drivers for a new purchase. With weights from
// exponential draws the covariance is on average (m-1)/(m+1) of the sample's. What the
// counts leave unknown of the share of bad drivers is drawn from its distribution with
// Jeffreys' prior.
func (g *forecast) begin() {
	g.share = 0
	if s := g.supply; s.Bad > 0 {
		g.share = dist.Beta{A: float64(s.Bad) + 0.5, B: float64(s.Good) + 0.5}.Quantile(g.rng.Float64())
	}
	m := len(g.rows)
	weights := make([]float64, m)
	sum := 0.0
	for i := range weights {
		weights[i] = g.rng.ExpFloat64()
		sum += weights[i]
	}
	g.mean = make([]float64, len(g.rows[0]))
	for i, row := range g.rows {
		weights[i] /= sum
		for b, v := range row {
			g.mean[b] += weights[i] * v
		}
	}
	g.centred, g.bought, g.turned = g.centred[:0], g.bought[:0], g.turned[:0]
	g.spoilt = g.spoilt[:0]
	widen := float64(m+1) / float64(m-1)
	for i, row := range g.rows {
		c := make([]float64, len(row))
		f := math.Sqrt(weights[i] * widen)
		for b, v := range row {
			c[b] = f * (v - g.mean[b])
		}
		g.centred = append(g.centred, c)
	}
}

// buy draws drivers until there are n.
func (g *forecast) buy(n int) {
	for len(g.bought) < n {
		row := slices.Clone(g.mean)
		for _, c := range g.centred {
			z := g.rng.NormFloat64()
			for b, v := range c {
				row[b] += z * v
			}
		}
		polarity := 0
		if g.rng.Float64() < g.known {
			polarity = 1
			if g.rng.Float64() < g.reversed {
				polarity = -1
			}
		}
		g.bought, g.turned = append(g.bought, row), append(g.turned, polarity)
		g.spoilt = append(g.spoilt, g.share > 0 && g.rng.Float64() < g.share)
	}
}

// pairs counts the most pairs among the first n drivers of this purchase.
func (g *forecast) pairs(n int) int {
	g.buy(n)
	graph := newGraph(n, func(i, j int) float64 {
		if g.spoilt[i] || g.spoilt[j] || g.turned[i]*g.turned[j] < 0 || !g.near(i, j) {
			return math.Inf(1)
		}
		return 0
	})
	mates, _ := graph.optimum()
	pairs := 0
	for i, j := range mates {
		if j > i {
			pairs++
		}
	}
	return pairs
}

func (g *forecast) near(i, j int) bool {
	sum := 0.0
	for b, v := range g.bought[i] {
		d := v - g.bought[j][b]
		if sum += d * d; sum > g.limit {
			return false
		}
	}
	return true
}

// need returns the first number of drivers of this purchase that gives the pairs,
// limit+1 when none does. More drivers never give fewer pairs.
func (g *forecast) need(pairs, limit int) int {
	low, high := 2*pairs-1, 2*pairs // low is too few
	for g.pairs(high) < pairs {
		if high >= limit {
			return limit + 1
		}
		low, high = high, min(limit, high+max(2, high/5))
	}
	for high-low > 1 {
		if mid := (low + high) / 2; g.pairs(mid) >= pairs {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}
