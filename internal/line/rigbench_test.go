package line_test

import (
	"fmt"
	"testing"

	"alike/internal/line"
	"alike/spc/envelope"
)

// BenchmarkCheckedIntake takes in whole visits of four takes, without a rig policy and with
// one under which the last of thirty daily checks counts: the ratio is what the trust in
// the rig costs a unit.
func BenchmarkCheckedIntake(b *testing.B) {
	for _, withPolicy := range []bool{false, true} {
		b.Run(fmt.Sprintf("policy=%v", withPolicy), func(b *testing.B) {
			p := product()
			if withPolicy {
				p.RigCheck = &line.RigPolicy{Hours: 24, Tolerance: []envelope.Guard{{From: 63, To: 8000, DB: 0.5}}}
			}
			l, _ := workshop(b, p)
			ctx := b.Context()
			if err := l.AddReference(ctx, tester, "p1", "REF", line.InUse, ""); err != nil {
				b.Fatal(err)
			}
			for n := range 30 {
				if _, err := l.Intake(ctx, tester, reference(n, float64(n), flat, flat)); err != nil {
					b.Fatal(err)
				}
				if n == 2 {
					if _, err := l.SetBaseline(ctx, tester, "REF", rigA, 3, "r"); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ResetTimer()
			for i := 0; b.Loop(); i++ {
				r, err := l.Intake(ctx, tester, on(visit(fmt.Sprintf("U%06d", i), wavy(i), wavy(i+7)), 30))
				if err != nil || r.Verdict == nil || r.Verdict.Word == envelope.Hold {
					b.Fatalf("%+v (%v)", r, err)
				}
			}
		})
	}
}
