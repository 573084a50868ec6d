package api_test

import (
	"strings"
	"testing"
	"time"

	"alike/internal/line"
)

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
