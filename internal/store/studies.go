package store

import (
	"context"
	"fmt"
	"time"
)

// A StudyRow is the plan of a gauge study, or of a comparison of rigs.
type StudyRow struct {
	Study     string
	Product   string
	Kind      string // gauge, rigs
	Units     []string
	Operators []string // or the rigs
	Trials    int
	Seed      int64
	Reason    string
	Author    string
	CreatedAt time.Time
}

const studyColumns = `study, product, kind, units, operators, trials, seed, reason, author, created_at`

// AddStudy stores a new study; ErrExists when its code is taken.
func (s Site) AddStudy(ctx context.Context, r StudyRow) error {
	s.touch("studies", r.Study)
	return s.exec(ctx, `INSERT INTO studies (site, `+studyColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		s.Name, r.Study, r.Product, r.Kind, r.Units, r.Operators, r.Trials, r.Seed, r.Reason, r.Author, now(r.CreatedAt))
}

// Study returns one study.
func (s Site) Study(ctx context.Context, study string) (StudyRow, error) {
	return one[StudyRow](ctx, s.q, `SELECT `+studyColumns+` FROM studies WHERE site = $1 AND study = $2`, s.Name, study)
}

// Studies lists the site's studies, oldest first.
func (s Site) Studies(ctx context.Context) ([]StudyRow, error) {
	return all[StudyRow](ctx, s.q, `SELECT `+studyColumns+` FROM studies WHERE site = $1 ORDER BY created_at, study`, s.Name)
}

// A SeatingLimitRow is one version of how far the seatings of an attempt may differ.
type SeatingLimitRow struct {
	Product   string
	Version   int
	Study     string
	Spread    []float64 // dB per band
	Reason    string
	Author    string
	CreatedAt time.Time
}

// AddSeatingLimit stores the next version and returns its number. The product must
// be locked.
func (s Site) AddSeatingLimit(ctx context.Context, r SeatingLimitRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO seating_limits (site, product, version, study, spread, reason, author, created_at)
		SELECT $1, $2, 1 + coalesce(max(version), 0), $3, $4, $5, $6, $7 FROM seating_limits WHERE site = $1 AND product = $2
		RETURNING version`, s.Name, r.Product, r.Study, r.Spread, r.Reason, r.Author, now(r.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("seating_limits", fmt.Sprintf("%s/%d", r.Product, version))
	}
	return version, translate(err)
}

// SeatingLimitAt returns the version of a product's seating limits in force at a time.
func (s Site) SeatingLimitAt(ctx context.Context, product string, at time.Time) (SeatingLimitRow, error) {
	return one[SeatingLimitRow](ctx, s.q, `
		SELECT product, version, study, spread, reason, author, created_at FROM seating_limits
		WHERE site = $1 AND product = $2 AND created_at <= $3 ORDER BY version DESC LIMIT 1`, s.Name, product, at)
}

// SeatingLimit returns the newest version of a product's seating limits.
func (s Site) SeatingLimit(ctx context.Context, product string) (SeatingLimitRow, error) {
	return one[SeatingLimitRow](ctx, s.q, `
		SELECT product, version, study, spread, reason, author, created_at FROM seating_limits
		WHERE site = $1 AND product = $2 ORDER BY version DESC LIMIT 1`, s.Name, product)
}
