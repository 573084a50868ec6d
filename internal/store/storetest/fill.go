package storetest

import (
	"testing"

	"github.com/jackc/pgx/v5"
)

// Fill adds n judged units of a product to the site main, in lots of perLot, one a
// minute up to now, past the flow and as fast as the database can. One unit in forty
// fails, one in eighty waits for takes. Their takes hold levels around 100 dB in the
// given number of bands, their readings small values in the given number of streams.
func Fill(t testing.TB, url, product string, n, perLot, bands, streams int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	for _, sql := range []string{
		`CREATE TEMP TABLE fill AS
			SELECT i, 'F-' || lpad(i::text, 7, '0') AS serial, 'F' || lpad((i / $3)::text, 6, '0') AS lot,
				now() - make_interval(mins => $2 - i) AS at, gen_random_uuid() AS attempt, next_place + i AS place,
				CASE WHEN i % 80 = 7 THEN NULL WHEN i % 40 = 3 THEN 'fail' ELSE 'pass' END AS verdict
			FROM generate_series(1, $2::int) i, products WHERE site = 'main' AND product = $1`,
		`INSERT INTO lots SELECT 'main', lot, $1, min(at) FROM fill, (SELECT $2::int, $3::int) x GROUP BY lot`,
		`INSERT INTO units SELECT 'main', serial, $1, lot, place, at FROM fill, (SELECT $2::int, $3::int) x`,
		`INSERT INTO attempts
			SELECT 'main', attempt, serial, 1, 'rig-1', 'op', '', at, at, verdict,
				CASE WHEN verdict IS NOT NULL THEN jsonb_build_object('word', verdict, 'sentence', 'as filled', 'not_checked', '[]'::jsonb, 'envelope', 1, 'limit_set', 0, 'seatings', 1) END, 1, NULL
			FROM fill, (SELECT $1::text, $2::int, $3::int) x`,
		`UPDATE products SET next_place = next_place + $2 + 1 WHERE product = $1 AND $3 > 0`,
	} {
		if _, err := conn.Exec(t.Context(), sql, product, n, perLot); err != nil {
			t.Fatalf("%v in %s", err, sql)
		}
	}
	for _, sql := range []string{
		`INSERT INTO takes
			SELECT 'main', gen_random_uuid(), attempt, c, 1, at, at, decode(md5(serial || c), 'hex'),
				array(SELECT (100 + sin(i * 7 + b))::real FROM generate_series(1, $2::int) b), 'filled', '{}'
			FROM fill, unnest(ARRAY['left', 'right']) c WHERE verdict IS NOT NULL AND $1 <> '' AND $3 > 0`,
		`INSERT INTO readings
			SELECT 'main', $1, place, 1, serial, array(SELECT (sin(i * 3 + b * 11) / 3)::real FROM generate_series(1, $3::int) b)
			FROM fill WHERE verdict IS NOT NULL AND $2 > 0`,
	} {
		if _, err := conn.Exec(t.Context(), sql, product, bands, streams); err != nil {
			t.Fatalf("%v in %s", err, sql)
		}
	}
	if _, err := conn.Exec(t.Context(), `ANALYZE`); err != nil {
		t.Fatal(err)
	}
}
