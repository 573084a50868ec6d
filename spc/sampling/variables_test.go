package sampling

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"alike/spc/sample"
)

// Chances and plans against scipy, see testdata/variables.py.
func TestVariablesBeside(t *testing.T) {
	f, err := os.Open("testdata/variables.csv")
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
	seen := map[string]int{}
	for _, row := range rows {
		var x []float64
		for _, s := range row[1:] {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			x = append(x, v)
		}
		seen[row[0]]++
		switch row[0] {
		case "accept":
			got, err := Variables{int(x[0]), x[1]}.Accept(x[2])
			if err != nil || math.Abs(got-x[3]) > 1e-8 {
				t.Errorf("%v: %.10f, %v", row, got, err)
			}
		case "find":
			got, err := FindVariables(Wish{Good: x[0], ProducerRisk: x[1], Bad: x[2], ConsumerRisk: x[3]})
			if err != nil || got.Sample != int(x[4]) || got.Factor < x[5] || got.Factor > x[6] ||
				got.ProducerRisk > x[1] || got.ConsumerRisk > x[3] {
				t.Errorf("%v: %+v, %v", row, got, err)
			}
		case "mean":
			got, err := MeanSpread{int(x[0]), x[1], x[2], x[3]}.AcceptNormal(x[4], x[5])
			if err != nil || math.Abs(got-x[6]) > 2e-7 {
				t.Errorf("%v: %.10f, %v", row, got, err)
			}
		}
	}
	if seen["accept"] != 16 || seen["find"] != 4 || seen["mean"] != 6 {
		t.Errorf("%v", seen)
	}
}

// Montgomery, Introduction to Statistical Quality Control, plan read from a nomograph
// for 0.01, 0.05, 0.06, 0.10: n = 40, k = 1.9 (from memory). Read from a drawing; the
// exact plan is 42, 1.90.
func TestNomograph(t *testing.T) {
	f, err := FindVariables(Wish{Good: 0.01, ProducerRisk: 0.05, Bad: 0.06, ConsumerRisk: 0.10})
	if err != nil || math.Abs(float64(f.Sample)-40) > 2 || math.Abs(f.Factor-1.9) > 0.01 {
		t.Errorf("%+v, %v", f, err)
	}
	for _, tt := range []struct {
		mean, lower, upper float64
		want               bool
	}{
		{0, -1.9, math.Inf(1), true}, {0, -1.89, math.Inf(1), false},
		{0, math.Inf(-1), 1.9, true}, {0, -1.9, 1.89, false},
	} {
		if got, below, above := (Variables{40, 1.9}).Judge(tt.mean, 1, tt.lower, tt.upper); got != tt.want || below != -tt.lower || above != tt.upper {
			t.Errorf("%+v: %v, %v, %v", tt, got, below, above)
		}
	}
}

// On the edge of the tolerance, and with the largest spread, a batch is accepted with
// the consumer's risk; a good one as often as computed; by simulation of Judge.
func TestMeanSpreadBySimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1))
	m, err := FindMeanSpread(1, 1.2, 0.05, 0.2, 0.8, 0.10)
	if err != nil {
		t.Fatal(err)
	}
	fewer := m
	fewer.Sample--
	if p, _ := fewer.AcceptNormal(0.2, 0.8); p >= 0.9 {
		t.Errorf("%d units do as well: %v", fewer.Sample, p)
	}
	const runs = 4000
	for _, tt := range []struct{ offset, sd float64 }{{0.2, 0.8}, {1, 0.4}, {-1, 0.4}, {0, 1.2}, {2, 1}} {
		accepted, refused := 0, 0
		for range runs {
			var values []float64
			for range m.Sample {
				values = append(values, 90+tt.offset+tt.sd*rng.NormFloat64())
			}
			s, err := m.Judge(sample.Mean(values), math.Sqrt(sample.SumSquares(values)/float64(m.Sample-1)), 90)
			if err != nil {
				t.Fatal(err)
			}
			if s.Accept() {
				accepted++
			}
			if s.Refuse() {
				refused++
			}
			if s.Accept() && s.Refuse() {
				t.Fatal("accepted and refused")
			}
		}
		want, err := m.AcceptNormal(tt.offset, tt.sd)
		if err != nil {
			t.Fatal(err)
		}
		got := float64(accepted) / runs
		t.Logf("n %d, offset %v, sd %v: accepted %.4f, computed %.4f, refused %.4f", m.Sample, tt.offset, tt.sd, got, want, float64(refused)/runs)
		if math.Abs(got-want) > 3.5*math.Sqrt(want*(1-want)/runs)+1e-3 {
			t.Errorf("offset %v, sd %v: accepted %.4f, computed %.4f", tt.offset, tt.sd, got, want)
		}
		if edge := math.Abs(tt.offset) == 1 || tt.sd == 1.2; edge && want > 0.0501 {
			t.Errorf("on the edge accepted with %v", want)
		}
	}
}

func TestVariablesErrors(t *testing.T) {
	inf := math.Inf(1)
	for _, tt := range []struct {
		err  error
		part string
	}{
		{second(Variables{1, 1}.Accept(0.1)), "sample of 1"},
		{second(Variables{5, 0}.Accept(0.1)), "factor 0"},
		{second(Variables{5, 1}.Accept(0)), "fraction 0"},
		{second(FindVariables(Wish{0, 0.05, 0.1, 0.1})), "strictly between"},
		{second(FindVariables(Wish{0.01, 0.05, 0.6, 0.1})), "half of the batch"},
		{second(FindVariables(Wish{0.01, 0.05, 0.0100001, 0.1})), "more than 100000"},
		{second(FindVariables(Wish{0.1, 0.05, 0.01, 0.1})), "not below"},
		{second(MeanSpread{1, 1, 1, 0.05}.AcceptNormal(0, 1)), "sample of 1"},
		{second(MeanSpread{5, 0, 1, 0.05}.AcceptNormal(0, 1)), "tolerance 0"},
		{second(MeanSpread{5, 1, 0, 0.05}.AcceptNormal(0, 1)), "largest standard deviation 0"},
		{second(MeanSpread{5, 1, 1, 0.5}.AcceptNormal(0, 1)), "risk 0.5"},
		{second(MeanSpread{5, 1, 1, 0.05}.AcceptNormal(0, inf)), "finite numbers"},
		{second(MeanSpread{5, 1, 1, 0.05}.Judge(0, math.NaN(), 0)), "no finite numbers"},
		{second(FindMeanSpread(1, 1, 0.05, 2, 0.1, 0.1)), "not accepted surely enough"},
		{second(FindMeanSpread(1, 1, 0.05, 0, 0.1, 0)), "producer's risk 0"},
	} {
		if tt.err == nil || !strings.Contains(tt.err.Error(), tt.part) {
			t.Errorf("%v, want %q", tt.err, tt.part)
		}
	}
}

func second[T any](_ T, err error) error { return err }
