package line

import (
	"slices"
	"sort"
	"strings"

	"alike/internal/store"
)

// partChanges returns where, in order of production, a unit has another batch of a
// component than the last unit before it that has one in the ledger.
func partChanges(units []DriftUnit, uses []store.PartUse) []PartChange {
	type place struct{ kind, channel string }
	order := serialOrder(units)
	batches := map[place][]string{}
	var places []place
	for _, u := range uses {
		p := place{u.Kind, u.Channel}
		if batches[p] == nil {
			batches[p], places = make([]string, len(units)), append(places, p)
		}
		from := sort.Search(len(order), func(i int) bool { return compareSerials(units[order[i]].Serial, u.FirstSerial) >= 0 })
		for _, i := range order[from:] {
			if compareSerials(units[i].Serial, u.LastSerial) > 0 {
				break
			}
			batches[p][i] = joinBatches(batches[p][i], u.Batch)
		}
	}
	var out []PartChange
	for _, p := range places {
		before := ""
		for i, b := range batches[p] {
			if b == "" || b == before {
				continue
			}
			if before != "" {
				out = append(out, PartChange{Index: i, Kind: p.kind, Channel: p.channel, Batch: b, Before: before})
			}
			before = b
		}
	}
	slices.SortStableFunc(out, func(a, b PartChange) int { return a.Index - b.Index })
	return out
}

// joinBatches names the batches of a unit that several ledger entries claim.
func joinBatches(have, more string) string {
	if have == "" || have == more {
		return more
	}
	return have + " or " + more
}

// serialOrder returns the units' indices in the order of the parts ledger: by length
// of the serial, then letter by letter.
func serialOrder(units []DriftUnit) []int {
	order := make([]int, len(units))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return compareSerials(units[a].Serial, units[b].Serial) })
	return order
}

func compareSerials(a, b string) int {
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	return strings.Compare(a, b)
}
