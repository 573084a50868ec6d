package gauge

import (
	"fmt"
	"math"
	"strings"
)

// A model says which mean squares are independent sources of information and how
// each component is combined from them. A nil combination is a component that the
// study takes as absent.
type model struct {
	ms, df                              []float64
	part, operator, interaction, repeat []float64
}

// combine returns Σ c·ms.
func (m model) combine(c []float64) float64 {
	s := 0.0
	for i := range c {
		s += c[i] * m.ms[i]
	}
	return s
}

// sum adds combinations; a nil one counts as zero.
func (m model) sum(cs ...[]float64) []float64 {
	total := make([]float64, len(m.ms))
	for _, c := range cs {
		for i := range c {
			total[i] += c[i]
		}
	}
	return total
}

func newModel(rows ...Row) model {
	var m model
	for _, r := range rows {
		m.ms = append(m.ms, r.MS)
		m.df = append(m.df, float64(r.DF))
	}
	return m
}

func (l layout) study(o Options) (Study, error) {
	s := Study{Design: "crossed", Parts: l.parts, Operators: l.operators, Trials: l.trials, Confidence: o.confidence()}
	q := l.squares()
	var m model
	switch {
	case l.nested:
		s.Design = "nested"
		m = l.nestedModel(&q, &s)
	case l.operators == 1:
		s.Design = "one operator"
		m = l.singleModel(&q, &s)
	default:
		m = l.crossedModel(&q, &s, o.pool())
	}
	s.estimate(m)
	if s.Variance.Gauge == 0 {
		return Study{}, ErrNoGaugeSpread
	}
	s.intervals(m, l.interactionModel(q), func(df []float64) factors { return newFactors(df, (1-s.Confidence)/2) })
	s.warn()
	s.rescale(l.scale, o.Tolerance)
	return s, nil
}

func (l layout) nestedModel(q *squares, s *Study) model {
	p, r := float64(l.parts), float64(l.trials)
	q.operator.against(q.part)
	q.part.against(q.repeat)
	s.Anova = []Row{q.part, q.operator, q.repeat, q.total}
	m := newModel(q.part, q.operator, q.repeat)
	m.part = []float64{1 / r, 0, -1 / r}
	m.operator = []float64{-1 / (p * r), 1 / (p * r), 0}
	m.repeat = []float64{0, 0, 1}
	return m
}

func (l layout) singleModel(q *squares, s *Study) model {
	r := float64(l.trials)
	q.part.against(q.repeat)
	s.Anova = []Row{q.part, q.repeat, q.total}
	m := newModel(q.part, q.repeat)
	m.part = []float64{1 / r, -1 / r}
	m.repeat = []float64{0, 1}
	return m
}

// crossedModel keeps the interaction, or pools it when its p-value exceeds the
// given one. With one reading per cell the interaction is the only measure of
// repeatability there is.
func (l layout) crossedModel(q *squares, s *Study, pool float64) model {
	q.interaction.against(q.repeat)
	s.Pooled = q.interaction.P > pool || q.interaction.MS == 0 && pool < 1
	if l.trials == 1 {
		s.Pooled = true
		s.Warnings = append(s.Warnings, "Each part was read once by each operator: repeatability and interaction cannot be told apart, and both are called repeatability.")
	}
	if !s.Pooled {
		return l.keptModel(q, s)
	}
	e := Row{Source: "pooled error", DF: q.interaction.DF + q.repeat.DF, SS: q.interaction.SS + q.repeat.SS}
	e.fill()
	q.part.against(e)
	q.operator.against(e)
	s.Anova = []Row{q.part, q.operator, q.interaction, q.repeat, e, q.total}
	op, pr := float64(l.operators*l.trials), float64(l.parts*l.trials)
	m := newModel(q.part, q.operator, e)
	m.part = []float64{1 / op, 0, -1 / op}
	m.operator = []float64{0, 1 / pr, -1 / pr}
	m.repeat = []float64{0, 0, 1}
	return m
}

func (l layout) keptModel(q *squares, s *Study) model {
	q.part.against(q.interaction)
	q.operator.against(q.interaction)
	s.Anova = []Row{q.part, q.operator, q.interaction, q.repeat, q.total}
	r, op, pr := float64(l.trials), float64(l.operators*l.trials), float64(l.parts*l.trials)
	m := newModel(q.part, q.operator, q.interaction, q.repeat)
	m.part = []float64{1 / op, 0, -1 / op, 0}
	m.operator = []float64{0, 1 / pr, -1 / pr, 0}
	m.interaction = []float64{0, 0, 1 / r, -1 / r}
	m.repeat = []float64{0, 0, 0, 1}
	return m
}

// interactionModel is the model that keeps the interaction, for its interval in a
// pooled study; the interaction is nil where the study cannot show one.
func (l layout) interactionModel(q squares) model {
	if l.nested || l.operators == 1 || l.trials == 1 {
		return model{}
	}
	return l.keptModel(&q, &Study{})
}

// estimate fills the variances: each component by its combination, zero when that
// is negative, and the sums from the components as shown.
func (s *Study) estimate(m model) {
	v := &s.Variance
	var below []string
	take := func(name string, c []float64) float64 {
		x := m.combine(c)
		if x < 0 {
			below = append(below, name)
			return 0
		}
		return x
	}
	v.Repeatability = take("repeatability", m.repeat)
	v.Operator = take("operator", m.operator)
	v.Interaction = take("interaction", m.interaction)
	v.Part = take("part", m.part)
	v.Reproducibility = v.Operator + v.Interaction
	v.Gauge = v.Reproducibility + v.Repeatability
	v.Total = v.Gauge + v.Part
	if len(below) > 0 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("The estimated variance of %s was negative and is set to zero: it is too small to be told from repeatability.", strings.Join(below, " and ")))
	}
	s.PercentContribution = each(*v, func(x float64) float64 { return 100 * x / v.Total })
	s.PercentStudy = each(*v, func(x float64) float64 { return 100 * math.Sqrt(x/v.Total) })
	if v.Gauge > 0 {
		s.DistinctRatio = math.Sqrt(2 * v.Part / v.Gauge)
	}
	// A ratio beyond any count of a study would not fit an int.
	s.DistinctCategories = max(1, int(math.Min(s.DistinctRatio, 1e9)))
}

// warn adds the cautions that depend on the size of the study and its outcome.
// Ten parts and three operators are common practice, no source.
func (s *Study) warn() {
	if s.Parts < 5 || s.Parts*s.Operators < 10 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("Only %d parts: the spread of the parts, and with it percent of study, is poorly known; ten parts are common.", s.Parts))
	}
	switch {
	case s.Operators == 1:
		s.Warnings = append(s.Warnings, "One operator only: reproducibility was not checked, and the gauge variance is repeatability alone.")
	case s.Operators < 3:
		s.Warnings = append(s.Warnings, "Two operators say very little about the spread between operators: read its interval, not its estimate.")
	}
	if s.DistinctRatio < 1 {
		s.Warnings = append(s.Warnings, "The gauge does not tell these parts apart: their spread is smaller than its own.")
	}
}

// rescale puts everything into the unit of the readings and adds the percentages
// of the tolerance.
func (s *Study) rescale(scale, tolerance float64) {
	q := scale * scale
	for i := range s.Anova {
		s.Anova[i].SS *= q
		s.Anova[i].MS *= q
	}
	if tolerance > 0 {
		percent := func(v float64) float64 { return 600 * scale * math.Sqrt(v) / tolerance }
		s.PercentTolerance = each(s.Variance, percent)
		s.PercentToleranceInterval = each(s.VarianceInterval, func(i Interval) Interval {
			return Interval{percent(i.Low), percent(i.High)}
		})
	}
	s.Variance = each(s.Variance, func(v float64) float64 { return v * q })
	s.VarianceInterval = each(s.VarianceInterval, func(i Interval) Interval { return Interval{i.Low * q, i.High * q} })
}
