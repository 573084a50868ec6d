-- +goose Up

-- The line page asks for the attempts of a week, and for units that wait for somebody.
CREATE INDEX attempts_by_time ON attempts (site, measured_at, serial);
CREATE INDEX attempts_not_passed ON attempts (site, measured_at, serial) WHERE verdict IS DISTINCT FROM 'pass';

-- The list of units goes back page by page.
CREATE INDEX units_by_arrival ON units (site, first_seen, serial);

-- Lots likewise.
CREATE INDEX lots_by_opening ON lots (site, opened_at, lot);
