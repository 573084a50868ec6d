package line

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/spc/change"
)

// load reads the finding's signals and the units around them.
func (a *analysing) load(ctx context.Context) (err error) {
	if a.signals, err = a.s.SignalsOfFinding(ctx, a.f.Finding); err != nil {
		return err
	}
	a.signals = slices.DeleteFunc(a.signals, func(g store.SignalRow) bool { return g.Place > min(a.upTo, a.f.LastPlace) })
	a.concerned()
	from := max(1, a.f.FirstPlace-furtherUnits)
	readings, err := a.s.LastReadings(ctx, a.f.Product, from, a.end()+1, change.MostValues)
	if err != nil {
		return err
	}
	others, err := a.others(ctx, from)
	if err != nil {
		return err
	}
	for _, r := range readings {
		if others(r.Place) || !a.complete(r) {
			continue
		}
		if r.Place < a.f.FirstPlace {
			a.first = len(a.rows) + 1
		}
		a.rows = append(a.rows, r)
	}
	attempts, err := a.s.FirstAttempts(ctx, a.f.Product, from, a.upTo)
	if err != nil {
		return err
	}
	a.units = map[int64]store.FirstAttempt{}
	for _, u := range attempts {
		a.units[u.Place] = u
	}
	if a.parts, err = a.s.PartsOfProduct(ctx, a.f.Product); err != nil {
		return err
	}
	site, err := a.s.Row(ctx)
	if err != nil {
		return err
	}
	a.zone, err = time.LoadLocation(site.Zone)
	return err
}

// end is the last place that counts: the latest unit that shows the change, or the
// action.
func (a *analysing) end() int64 {
	end := min(a.upTo, a.f.LastPlace)
	if a.f.ActedPlace != nil {
		end = min(end, *a.f.ActedPlace)
	}
	return max(end, a.f.FirstPlace)
}

// others returns which places lie under another finding: the units of a change that is
// known already, or a single bad one, do not show how the line was. Units that show this
// one's signals count in spite of that, until a change of the line that began well after
// this one's first signal lies on top of it: from there on they would tell its story.
func (a *analysing) others(ctx context.Context, from int64) (func(place int64) bool, error) {
	rows, err := a.s.FindingsSince(ctx, a.f.Product, from)
	if err != nil {
		return nil, err
	}
	type span struct {
		from, to int64
		later    bool
	}
	var spans []span
	for _, r := range rows {
		if r.Finding == a.f.Finding {
			continue
		}
		f, err := findingOf(r)
		if err != nil {
			return nil, err
		}
		sp := span{from: r.FirstPlace, to: r.LastPlace}
		if c := f.Analysis.Change; c != nil {
			sp.from = min(sp.from, c.Place)
			sp.later = r.Kind == TheLine && sp.from >= a.f.FirstPlace+leastShape
		}
		if sp.later && a.upTo-sp.to <= follow { // the newest units are not sorted into it yet
			sp.to = a.upTo
		}
		spans = append(spans, sp)
	}
	mine := map[int64]bool{}
	for _, g := range a.signals {
		mine[g.Place] = true
	}
	return func(place int64) bool {
		return slices.ContainsFunc(spans, func(s span) bool { return place >= s.from && place <= s.to && (s.later || !mine[place]) })
	}, nil
}

// concerned picks the streams with signals, those with most of them first, then those
// that lie farthest out.
func (a *analysing) concerned() {
	count, most := map[int]int{}, map[int]float64{}
	for _, g := range a.signals {
		if i := a.b.stream(g.Stream); i >= 0 && !math.IsNaN(a.b.set.Sigma[i]) {
			count[i]++
			most[i] = math.Max(most[i], math.Abs(float64(g.Z)))
		}
	}
	for i := range count {
		a.streams = append(a.streams, i)
	}
	slices.SortFunc(a.streams, func(x, y int) int {
		return cmp.Or(count[y]-count[x], -cmpFloat(most[x], most[y]), x-y)
	})
	for _, i := range a.streams {
		a.out.Streams = append(a.out.Streams, a.b.setup.StreamList[i].Key)
	}
	a.streams = a.streams[:min(joinedOn, len(a.streams))]
}

func (a *analysing) complete(r store.ReadingRow) bool {
	for _, i := range a.streams {
		if isNaN(r.Streams[i]) {
			return false
		}
	}
	return true
}
