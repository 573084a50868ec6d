package gauge

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g within %.1g", what, got, want, tol)
	}
}

func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func manual(t *testing.T) []Reading {
	t.Helper()
	var rs []Reading
	for _, row := range table(t, "gauge-1.csv")[1:] {
		rs = append(rs, Reading{Part: row[2], Operator: row[0], Value: number(t, row[3])})
	}
	if len(rs) != 90 {
		t.Fatalf("%d readings, want 90", len(rs))
	}
	return rs
}

func row(t *testing.T, s Study, source string) Row {
	t.Helper()
	for _, r := range s.Anova {
		if r.Source == source {
			return r
		}
	}
	t.Fatalf("no row %q in %v", source, s.Anova)
	return Row{}
}

// The worked example of the trade's measurement-systems manual, 10 parts, 3
// operators, 3 trials (printed values from memory, recomputed). The print of the
// gauge sigma is .302373, exactly it is .3023716.
func TestManualPooled(t *testing.T) {
	s, err := Crossed(manual(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !s.Pooled || s.Parts != 10 || s.Operators != 3 || s.Trials != 3 || s.DistinctCategories != 4 {
		t.Errorf("pooled %v, %d parts, %d operators, %d trials, %d categories", s.Pooled, s.Parts, s.Operators, s.Trials, s.DistinctCategories)
	}
	for _, want := range []struct {
		source string
		df     int
		ss     float64
	}{{"operator", 2, 3.167262}, {"part", 9, 88.361934}, {"interaction", 18, 0.358982}, {"repeatability", 60, 2.758933}, {"total", 89, 94.647112}} {
		r := row(t, s, want.source)
		near(t, want.source+" SS", r.SS, want.ss, 6e-7)
		if r.DF != want.df {
			t.Errorf("%s has %d degrees of freedom, want %d", want.source, r.DF, want.df)
		}
	}
	near(t, "interaction F", row(t, s, "interaction").F, 0.43372, 5e-6)
	near(t, "interaction p", row(t, s, "interaction").P, 0.97411, 5e-6)
	near(t, "operator F", row(t, s, "operator").F, 39.617, 5e-4)
	near(t, "part F", row(t, s, "part").F, 245.614, 5e-4)
	v := each(s.Variance, math.Sqrt)
	near(t, "repeatability", v.Repeatability, 0.199933, 5e-7)
	near(t, "reproducibility", v.Reproducibility, 0.226838, 5e-7)
	near(t, "gauge", v.Gauge, 0.302372, 1e-6)
	near(t, "part", v.Part, 1.042327, 5e-7)
	near(t, "total", v.Total, 1.085300, 5e-7)
	p := s.PercentStudy
	near(t, "repeatability %", p.Repeatability, 18.42, 5e-3)
	near(t, "reproducibility %", p.Reproducibility, 20.90, 5e-3)
	near(t, "gauge %", p.Gauge, 27.86, 5e-3)
	near(t, "part %", p.Part, 96.04, 5e-3)
	c := s.PercentContribution
	near(t, "repeatability contribution", c.Repeatability, 3.39, 5e-3)
	near(t, "reproducibility contribution", c.Reproducibility, 4.37, 5e-3)
	near(t, "gauge contribution", c.Gauge, 7.76, 5e-3)
	near(t, "part contribution", c.Part, 92.24, 5e-3)
	near(t, "distinct", s.DistinctRatio, 4.875, 5e-4)
	near(t, "sigma of four seatings", s.SigmaFor(4), math.Sqrt(0.226838*0.226838+0.199933*0.199933/4), 1e-6)
	if len(s.Warnings) != 0 {
		t.Errorf("warnings %q", s.Warnings)
	}
}

// The same readings with the interaction kept (computed with numpy): its negative
// variance is set to zero and said so.
func TestManualKept(t *testing.T) {
	keep := 1.0
	s, err := Crossed(manual(t), Options{Pool: &keep, Tolerance: 8})
	if err != nil {
		t.Fatal(err)
	}
	v := s.Variance
	near(t, "repeatability", v.Repeatability, 0.0459822, 5e-8)
	near(t, "interaction", v.Interaction, 0, 0)
	near(t, "operator", v.Operator, 0.0521229, 5e-8)
	near(t, "part", v.Part, 1.0886721, 5e-8)
	near(t, "gauge", v.Gauge, 0.0981051, 5e-8)
	near(t, "total", v.Total, 1.1867773, 5e-8)
	near(t, "gauge %", s.PercentStudy.Gauge, 28.752, 5e-4)
	near(t, "distinct", s.DistinctRatio, 4.711, 5e-4)
	near(t, "gauge % of tolerance", s.PercentTolerance.Gauge, 100*6*math.Sqrt(0.0981051)/8, 1e-4)
	near(t, "upper gauge % of tolerance", s.PercentToleranceInterval.Gauge.High, 75*math.Sqrt(s.VarianceInterval.Gauge.High), 1e-9)
	if s.Pooled || len(s.Warnings) != 1 {
		t.Errorf("pooled %v, warnings %q", s.Pooled, s.Warnings)
	}
}

// The pooling rule on both sides of the interaction's own p-value.
func TestPoolEdge(t *testing.T) {
	s, err := Crossed(manual(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := row(t, s, "interaction").P
	for _, at := range []struct {
		pool float64
		want bool
	}{{0, true}, {math.Nextafter(p, 0), true}, {p, false}, {1, false}} {
		s, err := Crossed(manual(t), Options{Pool: &at.pool})
		if err != nil || s.Pooled != at.want {
			t.Errorf("pool %v: pooled %v, want %v (%v)", at.pool, s.Pooled, at.want, err)
		}
	}
}

// Simulated studies computed beside by numpy and scipy, see testdata/studies.py.
func TestStudiesComputedBeside(t *testing.T) {
	readings := map[string][]Reading{}
	want := map[string]map[string]float64{}
	for _, r := range table(t, "studies.csv") {
		if r[0] == "reading" {
			readings[r[1]] = append(readings[r[1]], Reading{Operator: r[2], Part: r[3], Value: number(t, r[4])})
			continue
		}
		if want[r[1]] == nil {
			want[r[1]] = map[string]float64{}
		}
		want[r[1]][r[2]] = number(t, r[3])
	}
	for name, analyse := range map[string]func([]Reading, Options) (Study, error){"kept": Crossed, "single": Crossed, "nested": Nested} {
		s, err := analyse(readings[name], Options{})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]float64{
			"repeatability": s.Variance.Repeatability, "operator": s.Variance.Operator,
			"interaction": s.Variance.Interaction, "part": s.Variance.Part,
			"repeatability_low": s.VarianceInterval.Repeatability.Low, "repeatability_high": s.VarianceInterval.Repeatability.High,
		}
		for _, r := range s.Anova {
			got["ss_"+r.Source], got["p_"+r.Source], got["f_"+r.Source] = r.SS, r.P, r.F
		}
		if len(want[name]) < 7 {
			t.Errorf("%s: only %d values to compare", name, len(want[name]))
		}
		for what, w := range want[name] {
			near(t, name+" "+what, got[what], w, 1e-9*math.Abs(w)+1e-15)
		}
	}
	checkBiasBeside(t, readings["bias"], want["bias"])
}

func checkBiasBeside(t *testing.T, readings []Reading, want map[string]float64) {
	var values []float64
	var checks []Check
	for i, r := range readings {
		values = append(values, r.Value)
		checks = append(checks, Check{float64(i), []float64{r.Value}})
	}
	b, err := BiasOf(values, 94, Options{Tolerance: 2})
	if err != nil {
		t.Fatal(err)
	}
	s, err := StabilityOf(checks, 94, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for what, got := range map[string]float64{
		"bias": b.Bias, "t": b.T, "p": b.P, "low": b.Interval.Low, "high": b.Interval.High,
		"slope": s.Slope, "slope_p": s.SlopeP, "slope_low": s.SlopeInterval.Low, "slope_high": s.SlopeInterval.High,
	} {
		near(t, what, got, want[what], 1e-9*math.Abs(want[what]))
	}
	near(t, "bias % of tolerance", b.PercentTolerance, 100*want["bias"]/2, 1e-9)
	if s.Bias.Bias != b.Bias || s.Tested {
		t.Errorf("stability of single readings: bias %v, tested %v", s.Bias.Bias, s.Tested)
	}
}
