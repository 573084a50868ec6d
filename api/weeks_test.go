package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/spc/band"
)

// fill stores a lot of a good unit and one that fails.
func fill(t *testing.T, l *line.Line, lot string) {
	t.Helper()
	addProduct(t, l)
	for i, bass := range []float64{0, 9} {
		var takes []curve.Take
		for k, channel := range []string{"left", "right"} {
			from := bent("", channel, 0.01*float64(2*i+k), bass)
			takes = append(takes, curve.Take{
				Identity: curve.Identity{Product: "p1", Lot: lot, Serial: fmt.Sprintf("%s-%d", lot, i), Channel: channel, MeasuredAt: time.Date(2026, 9, 7, 10, i, 0, 0, time.UTC)},
				Curve:    band.Curve{Hz: from.Frequencies, DB: from.Levels},
			})
		}
		if _, err := l.Intake(t.Context(), line.By{Actor: "tester"}, takes); err != nil {
			t.Fatal(err)
		}
	}
}

// The weeks of other workshops are for the licensor, not for who belongs to one.
func TestWeeksOfOtherWorkshops(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, everybody)
	foreign := line.New(db, "east", time.Now)
	if err := foreign.Open(t.Context(), line.By{Actor: "tester"}, "Workshop in the east", "UTC"); err != nil {
		t.Fatal(err)
	}
	for role, all := range map[string]bool{"maker": false, "quality": false, "licensor": true} {
		p := b.as(l, "One with the role "+role, role).get("/api/v1/weeks.json")
		p.is(200)
		if strings.Contains(textOf(p.root), "Workshop in the east") != all {
			t.Errorf("%s: %s", role, textOf(p.root))
		}
	}
}

// The page shows the licensor both workshops, and links only what has a page here.
func TestPageOfTheWeeks(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, everybody)
	foreign := line.New(db, "east", time.Now)
	if err := foreign.Open(t.Context(), line.By{Actor: "tester"}, "Workshop in the east", "UTC"); err != nil {
		t.Fatal(err)
	}
	for i, w := range []*line.Line{l, foreign} {
		fill(t, w, []string{"HERE", "THERE"}[i])
	}
	own := b.as(l, "A maker", "maker").get("/weeks")
	own.is(200)
	if text := textOf(own.root); !strings.Contains(text, "How do the weeks go?") || !strings.Contains(text, "HERE") || strings.Contains(text, "THERE") || strings.Contains(text, "east") {
		t.Errorf("a maker reads %s", text)
	}
	all := b.as(l, "A licensor", "licensor").get("/weeks?weeks=2")
	all.is(200)
	text := textOf(all.root)
	for _, part := range []string{"How do the workshops do?", "Workshop in the east", "HERE", "THERE", "1 of 2", "50 %"} {
		if !strings.Contains(text, part) {
			t.Errorf("no %q in %s", part, text)
		}
	}
	if len(all.all(`a[href="/lots/HERE"]`)) == 0 || len(all.all(`a[href="/lots/THERE"]`)) > 0 || len(all.all("main svg")) == 0 {
		t.Error("the links are not those of this workshop, or there is no picture")
	}
	foreigns := 0
	for _, eye := range all.all("#eyes li") {
		if strings.Contains(textOf(eye), "Workshop in the east") {
			foreigns++
		}
	}
	if eyes := len(all.all("#eyes li")); foreigns == 0 || eyes == foreigns || len(all.all("#eyes li a")) != eyes-foreigns {
		t.Errorf("%d of %d things to look at are of the other workshop, and %d have a link", foreigns, eyes, len(all.all("#eyes li a")))
	}
	p := b.as(l, "Another maker", "maker").get("/weeks?weeks=900")
	p.is(422)
}
