//go:build pagebench

package browsertest

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"testing"
	"time"

	"alike/internal/store"
	"alike/internal/store/storetest"

	"github.com/jackc/pgx/v5"
)

// TestFenceCost prints what row-level security costs pages with 20 000 units stored:
// the same pages with the fence and, as the tables' owner may switch it off, without,
// turn by turn, so that a busy machine is equally hard on both.
func TestFenceCost(t *testing.T) {
	const units, turns, asks = 20_000, 6, 8
	var watch store.Watch
	w := stocked(t, units, &watch)
	conn, err := pgx.Connect(t.Context(), w.database)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	fence := func(what string) {
		if _, err := conn.Exec(t.Context(), `DO $$ DECLARE t regclass; BEGIN
			FOR t IN SELECT DISTINCT polrelid::regclass FROM pg_policy LOOP EXECUTE format('ALTER TABLE %s `+what+` ROW LEVEL SECURITY', t); END LOOP; END $$`); err != nil {
			t.Fatal(err)
		}
	}
	code := url.PathEscape(w.story.Product.Code)
	pages := []string{"/", "/units", "/units?q=" + storetest.FilledSerial(977)[:6], "/units/" + storetest.FilledSerial(9770), "/lots", "/lots/F0050", "/products/" + code, "/findings", "/drift?view=table", "/streams/" + code + "/deviation/left/63", "/api/v1/drift"}
	took := map[string]map[string][]time.Duration{}
	for range turns {
		for _, state := range []string{"ENABLE", "DISABLE"} {
			fence(state)
			for _, p := range pages {
				for i := range asks {
					start := time.Now()
					res, err := http.Get(w.URL + p)
					if err != nil {
						t.Fatal(err)
					}
					_, _ = io.Copy(io.Discard, res.Body)
					res.Body.Close()
					if res.StatusCode != http.StatusOK {
						t.Fatalf("%s answers %d", p, res.StatusCode)
					}
					if i < 2 { // plans are made anew
						continue
					}
					if took[p] == nil {
						took[p] = map[string][]time.Duration{}
					}
					took[p][state] = append(took[p][state], time.Since(start))
				}
			}
		}
	}
	fmt.Printf("%-44s %10s %10s %7s\n", "page, 20 000 units stored", "fence", "no fence", "ratio")
	for _, p := range pages {
		with, without := took[p]["ENABLE"], took[p]["DISABLE"]
		slices.Sort(with)
		slices.Sort(without)
		a, b := with[len(with)/4], without[len(without)/4] // the quarter that the machine disturbed least
		fmt.Printf("%-44s %7.1f ms %7.1f ms %7.2f\n", p, a.Seconds()*1e3, b.Seconds()*1e3, a.Seconds()/b.Seconds())
	}
}
