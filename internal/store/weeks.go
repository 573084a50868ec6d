package store

import (
	"context"
	"time"
)

// A WeekCount counts a product's units by the week in which they were first measured.
type WeekCount struct {
	Product   string
	Week      time.Time // midnight of its Monday, as if it were UTC
	Units     int
	Judged    int // their first verdict on a trusted rig is there
	FirstPass int
	Pass      int // stand as pass now
	Hold      int
	Waiting   int
	Retests   int
}

// UnitWeeks counts units first measured from a moment on and before another, by the
// weeks of a time zone.
func (s Site) UnitWeeks(ctx context.Context, from, before time.Time, zone string) ([]WeekCount, error) {
	return all[WeekCount](ctx, s.q, `
		SELECT product, week, count(*) AS units, count(*) FILTER (WHERE first NOT IN ('waiting', 'hold')) AS judged,
			count(*) FILTER (WHERE first = 'pass') AS first_pass, count(*) FILTER (WHERE stands = 'pass') AS pass,
			count(*) FILTER (WHERE stands = 'hold') AS hold, count(*) FILTER (WHERE stands = 'waiting') AS waiting,
			sum(number - 1)::int AS retests
		FROM (
			SELECT u.product, date_trunc('week', a.measured_at AT TIME ZONE $4) AS week, l.number, `+standing+` AS stands,
				coalesce((SELECT coalesce(j.verdict, 'waiting') FROM attempts j WHERE j.site = u.site AND j.serial = u.serial
					AND j.verdict IS DISTINCT FROM 'hold' ORDER BY j.number LIMIT 1), 'hold') AS first
			FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial `+lastAttempt+`
			WHERE a.site = $1 AND a.number = 1 AND a.measured_at >= $2 AND a.measured_at < $3
		) x GROUP BY 1, 2 ORDER BY 1, 2`, s.Name, now(from), now(before), zone)
}

// A RigDayCount is a day on which a rig measured units of a product.
type RigDayCount struct {
	Product string
	Rig     string
	Day     time.Time // midnight, as if it were UTC
	Units   int
	Checks  int // with a reference unit, on that day
}

// RigDays counts the days of a time zone on which rigs measured.
func (s Site) RigDays(ctx context.Context, from, before time.Time, zone string) ([]RigDayCount, error) {
	return all[RigDayCount](ctx, s.q, `
		SELECT d.product, d.rig, d.day, d.units, (SELECT count(*) FROM rig_visits v WHERE v.site = $1 AND v.product = d.product
			AND v.rig = d.rig AND v.study IS NULL AND v.passed IS NOT NULL
			AND date_trunc('day', v.measured_at AT TIME ZONE $4) = d.day) AS checks
		FROM (
			SELECT u.product, a.station AS rig, date_trunc('day', a.measured_at AT TIME ZONE $4) AS day, count(DISTINCT a.serial) AS units
			FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial
			WHERE a.site = $1 AND a.measured_at >= $2 AND a.measured_at < $3 GROUP BY 1, 2, 3
		) d ORDER BY d.day, d.product, d.rig`, s.Name, now(from), now(before), zone)
}

// A FindingTime is a finding with the moments that a calendar needs.
type FindingTime struct {
	FindingRow
	Seen   time.Time  // when the first unit with a signal was measured
	Closed *time.Time // when it was closed last, if it is
}

// FindingTimes lists the findings first seen, or closed, from a moment on and before
// another, oldest first.
func (s Site) FindingTimes(ctx context.Context, from, before time.Time) ([]FindingTime, error) {
	return all[FindingTime](ctx, s.q, `
		SELECT * FROM (
			SELECT f.finding, f.product, f.first_place, f.last_place, f.kind, f.state, f.analysis, f.analysed_to, f.cause, f.action,
				f.acted_place, f.closed_place, f.opened_at, coalesce(a.measured_at, f.opened_at) AS seen,
				CASE WHEN f.state = 'closed' THEN (SELECT max(e.at) FROM finding_events e
					WHERE e.site = f.site AND e.finding = f.finding AND e.kind = 'closed') END AS closed
			FROM findings f
			LEFT JOIN units u ON u.site = f.site AND u.product = f.product AND u.place = f.first_place
			LEFT JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1
			WHERE f.site = $1
		) x WHERE (seen >= $2 AND seen < $3) OR (closed >= $2 AND closed < $3) ORDER BY seen, finding`, s.Name, now(from), now(before))
}
