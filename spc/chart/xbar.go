package chart

import "fmt"

// XBarR returns the chart of subgroup means with its range companion. Each group
// holds the values of one subgroup; sizes from 1 to MaxSubgroup may differ, and
// each point then has limits of its own.
//
// The centre is the mean of all baseline values and sigma, of one value, R-bar/d2;
// with unequal sizes the mean of Rᵢ/d2(nᵢ) weighted by (d2(nᵢ)/d3(nᵢ))², the
// unbiased combination with least variance (Burr 1969). Limits are
// centre ± Width·sigma/√nᵢ; those of the range (d2(nᵢ) ± Width·d3(nᵢ))·sigma, not
// below zero. Options.Baseline counts subgroups; Options.Sigma is of one value. A
// subgroup of one value is plotted but adds nothing to sigma and has no range. It
// needs two subgroups, or one when centre and sigma are given.
//
// It assumes that values within a subgroup vary independently and normally and
// that nothing but this variation moves the means: when subgroups differ among
// themselves (another batch, another rig seating), the limits are too tight.
// Source: ISO 7870-2; e-Handbook 6.3.2.1.
func XBarR(groups [][]float64, o Options) (Chart, error) {
	c, gs, err := xbar("xbar-r", groups, o, byRange, "the mean of each subgroup's range over its d2")
	if err != nil {
		return Chart{}, err
	}
	c.Companion = companion("range", gs, c.Sigma, o.Width, func(g subgroup) (value, mean, sd float64) {
		return g.reach, g.factor.D2, g.factor.D3
	})
	for _, g := range gs {
		if g.n > 10 {
			c.Warnings = append(c.Warnings, "Ranges of subgroups above ten values waste what the values say: use standard deviations.")
			break
		}
	}
	return c, nil
}

// XBarS is XBarR with standard deviations for ranges: sigma is s-bar/c4; with
// unequal sizes the mean of sᵢ/c4(nᵢ) weighted by c4²/(1-c4²). Limits of the
// companion are (c4(nᵢ) ± Width·√(1-c4(nᵢ)²))·sigma, not below zero.
func XBarS(groups [][]float64, o Options) (Chart, error) {
	c, gs, err := xbar("xbar-s", groups, o, bySD, "the mean of each subgroup's standard deviation over its c4")
	if err != nil {
		return Chart{}, err
	}
	c.Companion = companion("standard-deviation", gs, c.Sigma, o.Width, func(g subgroup) (value, mean, sd float64) {
		_, e := bySD(g)
		return g.sd, g.factor.C4, e * g.factor.C4
	})
	return c, nil
}

func xbar(kind string, groups [][]float64, o Options, by estimator, method string) (Chart, []subgroup, error) {
	if err := o.check(); err != nil {
		return Chart{}, nil, err
	}
	gs, err := summarise(groups, o.least())
	if err != nil {
		return Chart{}, nil, err
	}
	count, err := o.count(len(gs), "subgroups")
	if err != nil {
		return Chart{}, nil, err
	}
	c := Chart{Kind: kind, Center: grandMean(gs[:count])}
	if o.Center != nil {
		c.Center = *o.Center
	}
	if o.Sigma != nil {
		c.Sigma = *o.Sigma
	} else if c.Sigma, err = spread(gs[:count], by); err != nil {
		return Chart{}, nil, err
	}
	if o.Sigma == nil && unequal(gs[:count]) {
		c.Warnings = append(c.Warnings, "The subgroups differ in size: sigma is "+method+", weighted by how well a subgroup of its size tells it.")
	}
	if count < 20 && (o.Center == nil || o.Sigma == nil) {
		c.Warnings = append(c.Warnings, fmt.Sprintf("Limits rest on %d subgroups; below 20 they are provisional.", count))
	}
	c.Points = make([]Point, len(gs))
	for i, g := range gs {
		c.Points[i] = Point{Index: i + 1, Value: g.mean, Center: c.Center, Sigma: c.Sigma / root(g.n)}
	}
	mark(c.Points, o)
	return c, gs, nil
}

// unequal says whether subgroups that tell of sigma differ in size.
func unequal(base []subgroup) bool {
	size := 0
	for _, g := range base {
		if g.n < 2 {
			continue
		}
		if size != 0 && g.n != size {
			return true
		}
		size = g.n
	}
	return false
}

// companion charts a spread whose mean and standard deviation, in sigmas, follow
// from the subgroup's size. Only Beyond is read: the law of a spread is skewed, and
// rules made for both sides of a normal do not fit it.
func companion(kind string, gs []subgroup, sigma, width float64, of func(subgroup) (value, mean, sd float64)) *Chart {
	c := &Chart{Kind: kind}
	for i, g := range gs {
		if g.n < 2 {
			continue
		}
		value, mean, sd := of(g)
		c.Points = append(c.Points, Point{Index: i + 1, Value: value, Center: mean * sigma, Sigma: sd * sigma})
	}
	mark(c.Points, Options{Width: width})
	atLeastZero(c.Points)
	c.Center, c.Sigma = common(c.Points)
	return c
}

// common returns centre and sigma that all points share, zero where they differ.
func common(points []Point) (center, sigma float64) {
	if len(points) == 0 {
		return 0, 0
	}
	center, sigma = points[0].Center, points[0].Sigma
	for _, p := range points {
		if p.Center != center {
			center = 0
		}
		if p.Sigma != sigma {
			sigma = 0
		}
	}
	return center, sigma
}
