package multi

import (
	"errors"
	"fmt"

	"alike/spc/chart"
	"alike/spc/dist"
)

// Options steer the T² charts.
type Options struct {
	Alpha      float64 // chance of a false alarm per point; 0 for DefaultAlpha
	Baseline   int     // first so many rows or subgroups set the limits; 0 for all
	Kind       Kind    // of the covariance; "" for Sample. Subgroups are always Pooled
	Model      *Model  // a frozen model: every point is a new one, Baseline and Kind are not used
	Simulation Simulation
}

func (o Options) alpha() (float64, error) {
	if o.Alpha == 0 {
		return DefaultAlpha, nil
	}
	return o.Alpha, checkAlpha(o.Alpha)
}

func (o Options) count(n int, what string) (int, error) {
	if o.Baseline < 0 || o.Baseline > n {
		return 0, fmt.Errorf("the baseline asks for the first %d of %d %s", o.Baseline, n, what)
	}
	if o.Baseline > 0 {
		return o.Baseline, nil
	}
	return n, nil
}

// T2 returns the T² chart of single rows. Rows that set the limits are judged by
// the limit for rows within a baseline (PhaseI), later ones by that for new rows
// (PhaseII), both at chance Alpha per point.
//
// With the Successive and Shrunk covariances no formula holds; their limits are
// simulated (Simulation, LimitSE). Successive is exact up to that error. With Shrunk
// rows that set the limits are measured by the model of all others, since their
// own would follow them anywhere; the limits rest on what a few rows say about the
// true covariance. In simulations new rows gave false alarms at 0.5 to 1.5 times
// Alpha, rows of the baseline at up to 3.5 times. With a Known model the limit is a quantile of chi-squared.
func T2(rows [][]float64, o Options) (Chart, error) {
	alpha, err := o.alpha()
	if err != nil {
		return Chart{}, err
	}
	p, err := checkRows(rows, 1)
	if err != nil {
		return Chart{}, err
	}
	m, count, err := o.model(rows, p)
	if err != nil {
		return Chart{}, err
	}
	if m.Kind == Pooled {
		return Chart{}, errors.New("a pooled covariance is of subgroups: chart subgroups, or estimate it from single rows")
	}
	first, second, err := singles(m, alpha, count < len(rows), count > 0, o.Simulation)
	if err != nil {
		return Chart{}, err
	}
	c := start("t2", m, len(rows))
	room := make([]float64, p)
	var left []float64
	if m.Kind == Shrunk && count > 0 {
		if left, err = leaveOneOut(rows[:count]); err != nil {
			return Chart{}, err
		}
	}
	for i, r := range rows {
		switch {
		case i < len(left):
			c.put(i, left[i], first)
		case i < count:
			c.put(i, m.measure(r, room), first)
		default:
			c.put(i, m.measure(r, room), second)
		}
	}
	return c, nil
}

// model returns the frozen model, or that of the first rows and how many they are.
func (o Options) model(rows [][]float64, p int) (*Model, int, error) {
	if o.Model != nil {
		if len(o.Model.Center) != p {
			return nil, 0, fmt.Errorf("the model has %d columns and the rows have %d", len(o.Model.Center), p)
		}
		return o.Model, 0, nil
	}
	count, err := o.count(len(rows), "rows")
	if err != nil {
		return nil, 0, err
	}
	kind := o.Kind
	if kind == "" {
		kind = Sample
	}
	m, err := Fit(rows[:count], kind)
	return m, count, err
}

// singles returns the limits of rows within the baseline and of new ones.
func singles(m *Model, alpha float64, later, inside bool, s Simulation) (first, second limit, err error) {
	n, p := float64(m.N), float64(len(m.Center))
	switch m.Kind {
	case Known:
		law := dist.ChiSquared{Nu: p}
		l := limit{median: law.QuantileUpper(0.5), upper: law.QuantileUpper(alpha)}
		return l, l, nil
	case Sample:
		if inside {
			first = limit{median: phaseI(n, p, 0.5), upper: phaseI(n, p, alpha)}
		}
		if later {
			second = limit{median: ahead(1, n, n-1, p, 0.5), upper: ahead(1, n, n-1, p, alpha)}
		}
		return first, second, nil
	}
	return simulated(m, alpha, s)
}

// start makes an empty chart.
func start(kind string, m *Model, points int) Chart {
	return Chart{
		Chart: chart.Chart{Kind: kind, Points: make([]chart.Point, points), Warnings: m.Warnings},
		Model: m,
	}
}

// put sets a point and its signal.
func (c *Chart) put(i int, value float64, l limit) {
	p := chart.Point{Index: i + 1, Value: value, Center: l.median, Upper: l.upper}
	if value > l.upper {
		p.Signals = []chart.Key{chart.Beyond}
	}
	c.Points[i] = p
	c.Center = l.median
	c.LimitSE = max(c.LimitSE, l.se)
}

// FitGroups estimates a Pooled model: the mean of all rows and the covariance within
// subgroups, Σ(x-x̄ᵢ)(x-x̄ᵢ)'/(N-g). Sizes may differ, also one; N-g must exceed the
// number of columns.
func FitGroups(groups [][][]float64) (*Model, error) {
	rows, p, err := flatten(groups)
	if err != nil {
		return nil, err
	}
	nu := len(rows) - len(groups)
	if nu < p+1 {
		return nil, fmt.Errorf("%d rows in %d subgroups leave %d degrees of freedom for %d columns: at least %d are needed", len(rows), len(groups), nu, p, p+1)
	}
	var diffs [][]float64
	for _, g := range groups {
		diffs = append(diffs, away(g, means(g))...)
	}
	m, err := fitDiffs(Pooled, diffs, means(rows), len(rows), float64(len(rows))/float64(nu))
	if err != nil {
		return nil, err
	}
	m.Freedom = nu
	return m, nil
}

func flatten(groups [][][]float64) (rows [][]float64, p int, err error) {
	if len(groups) == 0 {
		return nil, 0, errors.New("needs at least 1 subgroup, has 0")
	}
	for i, g := range groups {
		if len(g) == 0 {
			return nil, 0, fmt.Errorf("subgroup %d has no rows: leave it out", i+1)
		}
		if _, err := checkRows(g, 1); err != nil {
			return nil, 0, fmt.Errorf("subgroup %d: %w", i+1, err)
		}
		if p = len(groups[0][0]); len(g[0]) != p {
			return nil, 0, fmt.Errorf("subgroup %d has %d columns and the first has %d", i+1, len(g[0]), p)
		}
		rows = append(rows, g...)
	}
	return rows, p, nil
}

// T2Groups returns the chart of n(x̄-c)'S⁻¹(x̄-c) of subgroups, c and S by FitGroups.
// With N rows, ν degrees of freedom and p columns the limit of a subgroup of n is
// (1∓n/N)·pν/(ν-p+1)·F(p, ν-p+1), minus for subgroups that set the limits, plus for
// later ones; with equal sizes that is p(m∓1)(n-1)/(mn-m-p+1)·F (Alt 1985;
// Montgomery, from memory). Groups hold rows; at least two must set the limits.
func T2Groups(groups [][][]float64, o Options) (Chart, error) {
	alpha, err := o.alpha()
	if err != nil {
		return Chart{}, err
	}
	_, p, err := flatten(groups)
	if err != nil {
		return Chart{}, err
	}
	m, count := o.Model, 0
	if m == nil {
		if count, err = o.count(len(groups), "subgroups"); err != nil {
			return Chart{}, err
		}
		if count < 2 {
			return Chart{}, fmt.Errorf("needs at least 2 subgroups to set the limits, has %d", count)
		}
		if m, err = FitGroups(groups[:count]); err != nil {
			return Chart{}, err
		}
	}
	if len(m.Center) != p {
		return Chart{}, fmt.Errorf("the model has %d columns and the rows have %d", len(m.Center), p)
	}
	c := start("t2-groups", m, len(groups))
	room := make([]float64, p)
	for i, g := range groups {
		l, err := m.groupLimit(len(g), i < count, alpha)
		if err != nil {
			return Chart{}, err
		}
		c.put(i, float64(len(g))*m.measure(means(g), room), l)
	}
	return c, nil
}

func (m *Model) groupLimit(n int, inside bool, alpha float64) (limit, error) {
	law := ahead
	switch {
	case m.Kind == Known:
		chi := dist.ChiSquared{Nu: float64(len(m.Center))}
		return limit{median: chi.QuantileUpper(0.5), upper: chi.QuantileUpper(alpha)}, nil
	case m.Kind != Pooled && m.Kind != Sample:
		return limit{}, fmt.Errorf("subgroups cannot be judged by a %s covariance: use a pooled one", m.Kind)
	case inside:
		law = within
	}
	k, rows, nu, p := float64(n), float64(m.N), float64(m.Freedom), float64(len(m.Center))
	return limit{median: law(k, rows, nu, p, 0.5), upper: law(k, rows, nu, p, alpha)}, nil
}
