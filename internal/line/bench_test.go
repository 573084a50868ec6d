package line_test

import (
	"fmt"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/store/storetest"
)

// BenchmarkIntake takes in units of four curves, one after the other.
//
//	go test -run '^$' -bench Intake -benchtime 200x ./internal/line
func BenchmarkIntake(b *testing.B) {
	db := storetest.Open(b)
	l := line.New(db, "main", time.Now)
	if err := l.Open(b.Context(), tester, "Bench", "UTC"); err != nil {
		b.Fatal(err)
	}
	if _, err := l.AddProduct(b.Context(), tester, product()); err != nil {
		b.Fatal(err)
	}
	for n := 0; b.Loop(); n++ {
		takes := visit(fmt.Sprint("U", n), flat, flat)
		for i := range takes {
			takes[i].Curve.DB[0] += float64(n) / 100 // no two units alike
		}
		if r, err := l.Intake(b.Context(), tester, takes); err != nil || r.Verdict == nil {
			b.Fatalf("%+v (%v)", r, err)
		}
	}
}
