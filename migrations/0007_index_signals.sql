-- +goose Up

-- A unit's page, a lot's report and a stream's chart ask for the signals of a unit or
-- a stream; the key of the table begins with the limit set.
CREATE INDEX signals_of_unit ON signals (site, serial);
CREATE INDEX signals_of_stream ON signals (site, product, stream, place);
-- The drift map asks for all signals between two places.
CREATE INDEX signals_by_place ON signals (site, product, place);
