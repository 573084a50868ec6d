package line

import (
	"context"
	"crypto/sha256"
	"fmt"

	"alike/internal/curve"
	"alike/internal/store"

	"github.com/google/uuid"
)

// mostKept is the largest content that quarantine keeps; of a larger one the reason
// stays.
const mostKept = 16 << 20

// Quarantine keeps what was refused, whole, with its reason. The same refusal of
// the same content again changes nothing; it reports whether it was new.
func (l *Line) Quarantine(ctx context.Context, by By, r curve.Refusal, lot string, content []byte) (added bool, err error) {
	h := sha256.New()
	fmt.Fprintf(h, "%q %d %q %q\n", r.File, r.Line, r.Field, r.Reason)
	h.Write(content)
	if len(content) > mostKept {
		content = nil
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		added, err = s.Quarantine(ctx, store.QuarantineRow{
			Item: uuid.Must(uuid.NewV7()), Fingerprint: h.Sum(nil), Lot: lot, Source: r.File, Line: r.Line, Field: r.Field,
			Reason: r.Reason, Remedy: r.Remedy, Content: content, ReceivedAt: l.now(),
		})
		if err != nil || !added {
			return err
		}
		return l.journal(ctx, s, by, "refuse", r.File, r.Reason, map[string]any{"line": r.Line, "field": r.Field, "lot": lot})
	})
	return added, err
}

// At puts a refusal at the place where the take was read.
func (r *Refusal) At(s curve.Source) curve.Refusal {
	return curve.Refusal{File: s.File, Line: s.Line, Field: r.Field, Reason: r.Reason, Remedy: r.Remedy}
}
