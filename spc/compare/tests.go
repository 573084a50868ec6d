package compare

import (
	"math"
	"slices"

	"alike/spc/dist"
)

// A Test is a statistic and the probability of one as large when there is no
// difference. It is zero and not Tested when the data do not allow it: a group
// without spread where each needs its own.
type Test struct {
	Statistic float64 // F, or chi-squared for Bartlett
	DF1, DF2  float64 // DF2 is zero for Bartlett
	P         float64
	Tested    bool
}

func fTest(f, df1, df2 float64) Test {
	return Test{f, df1, df2, dist.F{D1: df1, D2: df2}.Survival(f), true}
}

// An Anova is the one-way analysis of variance of means.
type Anova struct {
	Test
	Between, Within         float64 // sums of squares
	MeanBetween, MeanWithin float64
	RSquared                float64 // share of the groups in the sum of squares
	ResidualSD              float64
	BetweenVariance         float64 // component between groups, negative set to 0
	Share                   float64 // BetweenVariance over itself plus MeanWithin
	ShareLow, ShareHigh     float64 // its interval; approximate for unequal sizes
}

// anova sums squared differences of means from the grand mean and of values from
// their mean; neither is a difference of larger sums.
func (d data) anova(confidence float64) Anova {
	k, n := float64(len(d.groups)), float64(d.total)
	grand := 0.0
	for i, g := range d.groups {
		grand += float64(len(g.Values)) * d.means[i] / n
	}
	var a Anova
	sizes := 0.0
	for i, g := range d.groups {
		m := float64(len(g.Values))
		a.Between += m * (d.means[i] - grand) * (d.means[i] - grand)
		a.Within += d.ss[i]
		sizes += m * m
	}
	if a.Between < dust*n {
		a.Between = 0
	}
	a.MeanBetween, a.MeanWithin = a.Between/(k-1), a.Within/(n-k)
	a.Test = fTest(a.MeanBetween/a.MeanWithin, k-1, n-k)
	a.RSquared = a.Between / (a.Between + a.Within)
	a.ResidualSD = math.Sqrt(a.MeanWithin)
	a.component((n-sizes/n)/(k-1), confidence)
	return a
}

// component estimates the variance between groups taken as a random choice of
// batches: (MSB-MSW)/n₀ with n₀ = (N-Σn²/N)/(k-1); its share is bounded by the F
// distribution, exactly for equal sizes (Searle, Linear Models, 1971; Burdick and
// Graybill 1992; from memory).
func (a *Anova) component(size, confidence float64) {
	share := func(ratio float64) float64 {
		theta := math.Max(0, ratio-1) / size
		return theta / (1 + theta)
	}
	a.BetweenVariance = math.Max(0, a.MeanBetween-a.MeanWithin) / size
	a.Share = share(a.Statistic)
	f := dist.F{D1: a.DF1, D2: a.DF2}
	a.ShareLow = share(a.Statistic / f.QuantileUpper((1-confidence)/2))
	a.ShareHigh = share(a.Statistic / f.Quantile((1-confidence)/2))
}

// rescale puts variances into the unit of the values.
func (a *Anova) rescale(scale float64) {
	for _, v := range []*float64{&a.Between, &a.Within, &a.MeanBetween, &a.MeanWithin, &a.BetweenVariance} {
		*v *= scale * scale
	}
	a.ResidualSD *= scale
}

// brownForsythe is the analysis of variance of the distances from the group
// medians: a test of spread that bears non-normal values (Brown and Forsythe, J.
// Amer. Statist. Assoc. 69 (1974) 364-367).
func (d data) brownForsythe() Test {
	var distances []Group
	for _, g := range d.groups {
		m := median(g.Values)
		z := make([]float64, len(g.Values))
		for i, v := range g.Values {
			z[i] = math.Abs(v - m)
		}
		distances = append(distances, Group{g.Name, z})
	}
	e, err := arrange(distances)
	if err != nil {
		return Test{}
	}
	return e.anova(0.95).Test
}

func median(values []float64) float64 {
	s := slices.Clone(values)
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return s[n/2-1] + (s[n/2]-s[n/2-1])/2
}

// bartlett tests equal variances of normal values (Bartlett, Proc. R. Soc. A 160
// (1937) 268-282). It takes long tails for unequal spread.
func (d data) bartlett() Test {
	n, k := float64(d.total), float64(len(d.groups))
	pooled, logs, inverse := 0.0, 0.0, 0.0
	for i, g := range d.groups {
		if d.ss[i] == 0 {
			return Test{}
		}
		f := float64(len(g.Values) - 1)
		pooled += d.ss[i]
		logs += f * math.Log(d.ss[i]/f)
		inverse += 1 / f
	}
	x := (n-k)*math.Log(pooled/(n-k)) - logs
	x /= 1 + (inverse-1/(n-k))/(3*(k-1))
	x = math.Max(0, x)
	return Test{Statistic: x, DF1: k - 1, P: dist.ChiSquared{Nu: k - 1}.Survival(x), Tested: true}
}

// welch tests means without taking the spreads as equal (Welch, Biometrika 38
// (1951) 330-336).
func (d data) welch() Test {
	k := float64(len(d.groups))
	weights := make([]float64, len(d.groups))
	total, mean := 0.0, 0.0
	for i := range d.groups {
		s := d.summary(i)
		if s.SD == 0 {
			return Test{}
		}
		weights[i] = float64(s.N) / (s.SD * s.SD)
		total += weights[i]
	}
	for i, w := range weights {
		mean += w / total * d.means[i]
	}
	between, lambda := 0.0, 0.0
	for i, w := range weights {
		between += w * (d.means[i] - mean) * (d.means[i] - mean)
		lambda += (1 - w/total) * (1 - w/total) / float64(len(d.groups[i].Values)-1)
	}
	f := between / (k - 1) / (1 + 2*(k-2)/(k*k-1)*lambda)
	return fTest(f, k-1, (k*k-1)/(3*lambda))
}
