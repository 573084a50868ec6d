package chart_test

import (
	"slices"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// Readers with equal memories fire alike on whatever follows, and a clone leaves
// its original alone. Half of the pairs share their last points, so that many have
// equal memories.
func TestMemoryDecidesTheFuture(t *testing.T) {
	value := rapid.SampledFrom([]float64{-3.5, -2.5, -1.5, -0.5, 0, 0.5, 1.5, 2.5})
	same := 0
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.IntRange(1, 4).Draw(t, "count")
		rules := []chart.Rule{
			{Key: chart.Beyond, Count: 1, Of: 1, Width: 3},
			{Key: chart.SameSide, Count: 4, Of: 4},
			{Key: chart.TwoOfThree, Count: count, Of: count + rapid.IntRange(0, 3).Draw(t, "more"), Width: 2},
			{Key: chart.Hugging, Count: 3, Of: 3, Width: 1},
			{Key: chart.Avoiding, Count: 3, Of: 3, Width: 1},
		}
		rules = rules[rapid.IntRange(0, 4).Draw(t, "from"):]
		rules = rules[:rapid.IntRange(1, len(rules)).Draw(t, "rules")]
		end := rapid.SliceOfN(value, 0, 4).Draw(t, "end")
		read := func(name string) *chart.Reader {
			d := chart.NewReader(rules)
			for _, z := range slices.Concat(rapid.SliceOfN(value, 0, 3).Draw(t, name), end) {
				d.Push(z)
			}
			return d
		}
		a, b := read("a"), read("b")
		alike := string(a.Memory(nil)) == string(b.Memory(nil))
		c := a.Clone()
		if string(c.Memory(nil)) != string(a.Memory(nil)) {
			t.Fatal("a clone remembers something else")
		}
		for _, z := range rapid.SliceOfN(value, 1, 8).Draw(t, "next") {
			fa, fb, fc := a.Push(z), b.Push(z), c.Push(z)
			if alike && fa != fb || fa != fc {
				t.Fatalf("fires %b, with equal memory (%v) %b, clone %b", fa, alike, fb, fc)
			}
			before := string(a.Memory(nil))
			c.Push(2.5)
			if string(a.Memory(nil)) != before {
				t.Fatal("a clone changes its original")
			}
			c = a.Clone()
		}
		if alike {
			same++
		}
	})
	if same < 5 {
		t.Errorf("only %d pairs had equal memories: the test shows little", same)
	}
}

// Only as many memories as a chain needs: of three flags at 2 of 3, those that
// could still matter. Counted by hand: 2 of 3 on both sides has the newest and the
// one before each above, below or neither (9), of which a signal has none.
func TestMemoriesAreFew(t *testing.T) {
	rules, err := chart.Pick(chart.Nelson(), []chart.Key{chart.TwoOfThree})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for i := range 81 {
		d := chart.NewReader(rules)
		for _, k := range []int{i / 27, i / 9 % 3, i / 3 % 3, i % 3} {
			d.Push([]float64{-2.5, 0, 2.5}[k])
		}
		seen[string(d.Memory(nil))] = true
	}
	if len(seen) != 9 {
		t.Errorf("%d memories, want 9", len(seen))
	}
	four, err := chart.Pick(chart.Nelson(), []chart.Key{chart.FourOfFive})
	if err != nil {
		t.Fatal(err)
	}
	old, fresh := chart.NewReader(four), chart.NewReader(four)
	for _, z := range []float64{1.5, 0, 0} { // four of five cannot be reached with it
		old.Push(z)
	}
	if string(old.Memory(nil)) != string(fresh.Memory(nil)) {
		t.Error("a flag that no window can use is remembered")
	}
	up, down := chart.NewReader(chart.Nelson()[1:2]), chart.NewReader(chart.Nelson()[1:2])
	up.Push(1)
	down.Push(-1)
	if string(up.Memory(nil)) == string(down.Memory(nil)) {
		t.Error("runs above and below the centre have one memory")
	}
	if chart.Nelson()[2].Zoned() || chart.Nelson()[3].Zoned() || !chart.Nelson()[4].Zoned() {
		t.Error("trend and alternating alone are not zoned")
	}
}
