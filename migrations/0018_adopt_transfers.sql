-- +goose Up

-- Which rig's units are read as another rig would read them, in versions per product and
-- rig. Takes stay as they were measured; the version whose beginning is the last one
-- before an attempt decides about it, and beginnings never go back.
CREATE TABLE rig_transfers (
    site          text NOT NULL,
    product       text NOT NULL,
    rig           text NOT NULL,              -- whose readings are corrected
    version       int NOT NULL CHECK (version >= 1),
    reference     text NOT NULL,              -- the rig as which they are read
    study         text NOT NULL,              -- comparison that the curve is from
    in_force      boolean NOT NULL,           -- false: from this beginning on readings count as they are
    begins        timestamptz NOT NULL,       -- attempts measured from here on
    units         int NOT NULL,               -- behind the curve
    risk          double precision NOT NULL,  -- of the guard that the uncertainty is turned into
    curve         double precision[] NOT NULL, -- dB that the rig reads above the reference, channel after channel, band after band
    deviation_u   double precision[] NOT NULL, -- dB per band, standard uncertainty of one unit's corrected deviation
    balance_u     double precision[] NOT NULL, -- likewise of left minus right; NaN without two channels
    sensitivity_u double precision NOT NULL,  -- likewise, dB
    roughness_u   double precision NOT NULL,  -- likewise, dB
    reason        text NOT NULL,
    author        text NOT NULL,
    created_at    timestamptz NOT NULL,
    PRIMARY KEY (site, product, rig, version),
    FOREIGN KEY (site, product) REFERENCES products,
    FOREIGN KEY (site, study) REFERENCES studies,
    CHECK (rig <> reference)
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON rig_transfers FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON rig_transfers EXECUTE FUNCTION refuse_change();

SELECT fence_site('rig_transfers', 'measured');
