package compare

import (
	"math"
	"testing"
)

// Everything against scipy and statsmodels, see testdata/reference.py.
func TestComputedBeside(t *testing.T) {
	sets := map[string][][]string{"groups4": table(t, "groups4.csv")[1:]}
	want := map[string]map[string]float64{}
	var ps, adjusted []float64
	var batches []Batch
	for _, r := range table(t, "reference.csv") {
		switch r[0] {
		case "value":
			sets[r[1]] = append(sets[r[1]], r[2:])
		case "expect":
			if want[r[1]] == nil {
				want[r[1]] = map[string]float64{}
			}
			want[r[1]][r[2]] = number(t, r[3])
		case "holm":
			ps, adjusted = append(ps, number(t, r[3])), append(adjusted, number(t, r[4]))
		case "row":
			if len(batches) == 0 || batches[len(batches)-1].Name != r[2] {
				batches = append(batches, Batch{Name: r[2]})
			}
			b := &batches[len(batches)-1]
			b.Rows = append(b.Rows, []float64{number(t, r[3]), number(t, r[4]), number(t, r[5])})
		}
	}
	for name, rows := range sets {
		got := everything(t, groupsOf(t, rows))
		if len(want[name]) < 25 {
			t.Errorf("%s: only %d values", name, len(want[name]))
		}
		for what, w := range want[name] {
			g, ok := got[what]
			if !ok {
				t.Fatalf("no %q", what)
			}
			// scipy's studentized range keeps about seven digits.
			near(t, name+" "+what, g, w, 2e-7*math.Max(1, math.Abs(w)))
		}
	}
	for i, g := range Holm(ps) {
		near(t, "Holm", g, adjusted[i], 1e-12)
	}
	if len(ps) != 12 {
		t.Errorf("%d p-values", len(ps))
	}
	s, err := Curves(batches, CurveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "permutation statistic", s.Joint.Statistic, want["perm"]["statistic"], 1e-12)
	near(t, "permutation p", s.Joint.P, want["perm"]["p"], 1e-12)
	if !s.Joint.Exact || s.Joint.Draws != int(want["perm"]["count"]) {
		t.Errorf("%+v, want %v arrangements", s.Joint, want["perm"]["count"])
	}
	// The drawn version comes close to the exact one.
	s, err = Curves(batches, CurveOptions{Draws: 1000})
	if err != nil || s.Joint.Exact || math.Abs(s.Joint.P-want["perm"]["p"]) > 0.06 {
		t.Errorf("%+v, %v", s.Joint, err)
	}
}

func everything(t *testing.T, groups []Group) map[string]float64 {
	tukey := oneWay(t, groups, Options{})
	howell := oneWay(t, groups, Options{UnequalSpread: true})
	if howell.Method != "games-howell" {
		t.Errorf("method %s", howell.Method)
	}
	got := map[string]float64{
		"anova_f": tukey.Anova.Statistic, "anova_p": tukey.Anova.P,
		"bf_f": tukey.BrownForsythe.Statistic, "bf_p": tukey.BrownForsythe.P,
		"bartlett": tukey.Bartlett.Statistic, "bartlett_p": tukey.Bartlett.P,
		"welch_f": tukey.Welch.Statistic, "welch_p": tukey.Welch.P, "welch_df2": tukey.Welch.DF2,
	}
	for i, p := range tukey.Pairs {
		name := " " + p.A + "-" + p.B
		got["tukey_low"+name], got["tukey_p"+name], got["hsd_low"+name] = p.Low, p.P, p.Low
		h := howell.Pairs[i]
		got["gh_low"+name], got["gh_p"+name] = h.Low, h.P
		summary := map[string]Summary{}
		for _, g := range tukey.Groups {
			summary[g.Name] = g
		}
		e, err := Equivalent(summary[p.A], summary[p.B], 1.5, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		got["tost_p"+name], got["tost_t1"+name], got["tost_t2"+name] = e.P, e.TLower, e.TUpper
	}
	return got
}
