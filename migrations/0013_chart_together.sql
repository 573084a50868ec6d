-- +goose Up

-- The chart of all streams together that belongs to a limit set: a weighted average of
-- the units' directions, in units of the streams' own correlation. Limit sets from before
-- have none.
CREATE TABLE together_charts (
    site        text NOT NULL,
    product     text NOT NULL,
    version     int NOT NULL,              -- of the limit set
    lambda      double precision NOT NULL, -- weight of the newest unit
    fires_above double precision NOT NULL,
    first_share double precision NOT NULL, -- of first false alarms that are its, as calibrated
    shrinkage   double precision NOT NULL,
    streams     text[] NOT NULL,           -- that it reads, in order
    whiten      bytea NOT NULL,            -- rows of the inverse Cholesky factor up to the diagonal, little-endian float64
    PRIMARY KEY (site, product, version),
    FOREIGN KEY (site, product, version) REFERENCES limit_sets
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON together_charts FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON together_charts EXECUTE FUNCTION refuse_change();

SELECT fence_site('together_charts', 'measured');
