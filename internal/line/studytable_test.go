//go:build study

package line_test

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// A table writes the study's result.
type table struct {
	strings.Builder
	all []outcome
}

func tabulate(all []outcome) string {
	b := table{all: all}
	faults, rigs, good, falseLine, falseUnit := 0, 0, 0, 0, 0
	var sizes []int
	for _, o := range all {
		good, falseLine, falseUnit = good+o.goodUnits, falseLine+o.falseLine, falseUnit+o.falseUnit
		switch {
		case o.change != nil:
			faults++
		case o.rig != nil:
			rigs++
		}
		if o.change != nil && o.judged && o.setSize > 0 {
			sizes = append(sizes, o.setSize)
		}
	}
	slices.Sort(sizes)
	fmt.Fprintf(&b, "%d histories of %d units, the first %d of them the baseline; %d with a fault of the product, %d with a rig that moves, %d with neither; seed %d\n",
		len(all), totalUnits, baseUnits, faults, rigs, len(all)-faults-rigs, *studySeed)
	fmt.Fprintf(&b, "causes and change points as the finding had them %d units after the change, or when it was found later\n\n", judgedAfter)
	per := 500 / float64(max(1, good))
	fmt.Fprintf(&b, "good units watched: %d; false findings per 500 of them: %.2f of the line, %.2f of one unit (budget: 1 alarm)\n", good, float64(falseLine)*per, float64(falseUnit)*per)
	b.firstFalse()
	early := 0
	for _, o := range all {
		early += o.early
	}
	baseline := baseUnits * len(all)
	fmt.Fprintf(&b, "false findings per 500 of the %d units of the baselines, while limits were being learnt: %.2f\n", baseline, 500*float64(early)/float64(baseline))
	if len(sizes) > 0 {
		fmt.Fprintf(&b, "size of the change point's set: median %d units, one in ten above %d\n", sizes[len(sizes)/2], sizes[len(sizes)*9/10])
	}
	b.group("all faults of the product", func(o outcome) bool { return o.change != nil })
	b.group("a leak of 1 dB below 100 Hz, from one unit on", func(o outcome) bool { return o.leak })
	b.rigs()
	b.kinds()
	return b.String()
}

// firstFalse is what the budget speaks of: good units until the first false alarm, in its
// mean. Histories end before one comes, so it is their units per first alarm, with the
// exact interval of an exponential life (Epstein and Sobel, J. Am. Stat. Assoc. 48 (1953)
// 486-502).
func (b *table) firstFalse() {
	units, first := 0, 0
	for _, o := range b.all {
		if o.firstFalse > 0 {
			units, first = units+o.firstFalse, first+1
		} else {
			units += o.goodUnits
		}
	}
	if first == 0 {
		fmt.Fprintf(b, "no false finding at all in %d good units\n", units)
		return
	}
	total := 2 * float64(units)
	low := total / distuv.ChiSquared{K: 2*float64(first) + 2}.Quantile(0.975)
	high := total / distuv.ChiSquared{K: 2 * float64(first)}.Quantile(0.025)
	fmt.Fprintf(b, "good units until the first false finding of a history: %.0f (95 %%: %.0f to %.0f; %d of %d histories had one)\n", total/2/float64(first), low, high, first, len(b.all))
}

func (b *table) share(name string, of, hit func(outcome) bool) {
	n, k := 0, 0
	for _, o := range b.all {
		if of(o) {
			n++
			if hit(o) {
				k++
			}
		}
	}
	if n == 0 {
		fmt.Fprintf(b, "%-66s     – of 0\n", "  "+name)
		return
	}
	fmt.Fprintf(b, "%-66s %5.1f %% (%d of %d)\n", "  "+name, 100*float64(k)/float64(n), k, n)
}

func (b *table) group(title string, in func(outcome) bool) {
	fmt.Fprintf(b, "\n%s\n", title)
	and := func(more func(outcome) bool) func(outcome) bool {
		return func(o outcome) bool { return in(o) && more(o) }
	}
	judged := and(func(o outcome) bool { return o.judged })
	for _, n := range []int{10, 25, 50} {
		b.share(fmt.Sprintf("a signal within %d units", n), in, func(o outcome) bool { return o.signal > 0 && o.signal <= n })
	}
	for _, n := range []int{10, 25, 50} {
		b.share(fmt.Sprintf("known as a change of the line within %d units", n), in, func(o outcome) bool { return o.found > 0 && o.found <= n })
	}
	inSet := func(o outcome) bool { return o.inSet }
	b.share("change point inside its 95 % set, a step", and(func(o outcome) bool { return o.judged && !o.grows }), inSet)
	b.share("change point inside its 95 % set, a drift", and(func(o outcome) bool { return o.judged && o.grows }), inSet)
	b.share("right signature first", judged, func(o outcome) bool { return o.first })
	b.share("right signature first, or said to be confusable with the first", judged, func(o outcome) bool { return o.either })
	b.share("right signature in the first two", judged, func(o outcome) bool { return o.two })
	factor := and(func(o outcome) bool { return o.judged && o.hasFactor })
	b.share("right factor of the ledger first, where one changed", factor, func(o outcome) bool { return o.factorFirst })
	b.share("right factor in the first two", factor, func(o outcome) bool { return o.factorTwo })
	b.share("one finding of the line, not several", and(func(o outcome) bool { return o.findings > 0 }), func(o outcome) bool { return o.findings == 1 })
}

// rigs is about the histories with a reference unit.
func (b *table) rigs() {
	fmt.Fprintf(b, "\na rig that moves, a reference unit measured every morning\n")
	moves := func(o outcome) bool { return o.rig != nil }
	for _, n := range []int{10, 25, 50} {
		b.share(fmt.Sprintf("stopped by its check within %d units", n), moves, func(o outcome) bool { return o.stopped > 0 && o.stopped <= n })
	}
	b.share("told from the product: stopped, or the finding says the rig moved", moves, func(o outcome) bool { return o.blamed == "rig" || o.blamed == "" && o.stopped > 0 })
	b.share("taken for the product", moves, func(o outcome) bool { return o.blamed == "product" })
	b.share("left open", moves, func(o outcome) bool { return o.blamed == "open" || o.blamed == "" && o.stopped == 0 })
	fmt.Fprintf(b, "\na fault of the product, the same mornings\n")
	product := func(o outcome) bool { return o.checked && o.change != nil && o.judged }
	b.share("the finding says that the rig did not move", product, func(o outcome) bool { return o.blamed == "product" })
	b.share("taken for the rig", product, func(o outcome) bool { return o.blamed == "rig" })
	checks, stops := 0, 0
	for _, o := range b.all {
		checks, stops = checks+o.checks, stops+o.falseStops
	}
	fmt.Fprintf(b, "  mornings with a rig as it should be: %d, the line held without need on %d\n", checks, stops)
}

func (b *table) kinds() {
	for _, k := range []string{"pad-leak", "glue-gap", "foam-dense", "plate-missing", "mesh-blocked", "mesh-missing", "sensitivity-low", "cone-heavy"} {
		n, found, first := 0, 0, 0
		var taken []string
		for _, o := range b.all {
			if o.key != k {
				continue
			}
			n++
			if o.found > 0 && o.found <= 25 {
				found++
			}
			if o.first {
				first++
			} else if len(o.causes) > 0 {
				taken = append(taken, strings.Fields(o.causes[0])[0])
			}
		}
		slices.Sort(taken)
		fmt.Fprintf(b, "\n%-16s %2d histories: %2d known within 25 units, %2d with the right signature first", k, n, found, first)
		if len(taken) > 0 {
			fmt.Fprintf(b, "; else %s", strings.Join(taken, ", "))
		}
	}
}
