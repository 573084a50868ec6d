-- +goose Up

-- A batch of a component as it was bought or made. A correction is the next version;
-- the highest holds, and those before stay.
CREATE TABLE batches (
    site        text NOT NULL REFERENCES sites,
    kind        text NOT NULL,
    batch       text NOT NULL,
    version     int NOT NULL CHECK (version >= 1),
    supplier    text NOT NULL,
    received_on date,
    pieces      int CHECK (pieces >= 1),   -- null when not counted
    note        text NOT NULL,
    reason      text NOT NULL,             -- of a correction
    author      text NOT NULL,
    entered_at  timestamptz NOT NULL,
    PRIMARY KEY (site, kind, batch, version)
);

-- What the supplier's certificate, or a test at the door, says of a batch.
CREATE TABLE batch_values (
    site    text NOT NULL,
    kind    text NOT NULL,
    batch   text NOT NULL,
    version int NOT NULL,
    name    text NOT NULL,                 -- density, air-flow resistance, thickness
    value   double precision NOT NULL,
    unit    text NOT NULL,
    PRIMARY KEY (site, kind, batch, version, name),
    FOREIGN KEY (site, kind, batch, version) REFERENCES batches
);

-- An entry of the ledger may be about one piece, such as a driver by its serial. What
-- is corrected is withdrawn, with who and why, and names the entry that replaces it.
ALTER TABLE part_uses
    ADD COLUMN piece         text NOT NULL DEFAULT '',
    ADD COLUMN entered_by    text NOT NULL DEFAULT '',
    ADD COLUMN withdrawn_by  text,
    ADD COLUMN withdrawn_why text,
    ADD COLUMN replaced_by   uuid,
    ADD CHECK (piece = '' OR first_serial = last_serial);

-- A piece sits in one unit, and in one place of it.
CREATE UNIQUE INDEX part_uses_piece ON part_uses (site, kind, piece) WHERE piece <> '' AND withdrawn_at IS NULL;
-- A place of a unit holds one piece.
CREATE UNIQUE INDEX part_uses_place ON part_uses (site, product, kind, channel, first_serial)
    WHERE piece <> '' AND withdrawn_at IS NULL;

-- only_change lets the named columns of a row change and nothing else. A column that
-- is set stays as it is: what is withdrawn is not withdrawn again.
-- +goose StatementBegin
CREATE FUNCTION only_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND to_jsonb(OLD) - TG_ARGV = to_jsonb(NEW) - TG_ARGV
        AND NOT coalesce((to_jsonb(OLD) ->> 'withdrawn_at') IS NOT NULL, false) THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'of a row of % only % may be set', TG_TABLE_NAME, array_to_string(TG_ARGV, ', ');
END $$;
-- +goose StatementEnd

CREATE TRIGGER only_withdraw BEFORE UPDATE OR DELETE ON part_uses FOR EACH ROW
    EXECUTE FUNCTION only_change('withdrawn_at', 'withdrawn_by', 'withdrawn_why', 'replaced_by');

-- Numbers measured beside the curve of a unit or driver. Measured again, a number is
-- the next round; the highest holds.
CREATE TABLE unit_values (
    site         text NOT NULL,
    serial       text NOT NULL,
    name         text NOT NULL,            -- key of the product's metric
    round        int NOT NULL CHECK (round >= 1),
    value        double precision NOT NULL,
    reason       text NOT NULL,            -- of a round after the first
    source       text NOT NULL,
    content_hash bytea NOT NULL,           -- of the row it came from
    measured_at  timestamptz NOT NULL,
    received_at  timestamptz NOT NULL,
    PRIMARY KEY (site, serial, name, round),
    FOREIGN KEY (site, serial) REFERENCES units ON UPDATE CASCADE
);

-- A pairing that was decided for: its pick list. The drivers of a withdrawn one are
-- free again.
CREATE TABLE pairings (
    site          text NOT NULL,
    product       text NOT NULL,           -- of the drivers
    pairing       int NOT NULL,
    settings      jsonb NOT NULL,
    outcome       jsonb NOT NULL,          -- totals, who stayed alone, warnings
    author        text NOT NULL,
    made_at       timestamptz NOT NULL,
    withdrawn_at  timestamptz,
    withdrawn_by  text,
    withdrawn_why text,
    PRIMARY KEY (site, product, pairing),
    FOREIGN KEY (site, product) REFERENCES products
);

CREATE TABLE pairing_pairs (
    site        text NOT NULL,
    product     text NOT NULL,
    pairing     int NOT NULL,
    rank        int NOT NULL,              -- best first
    left_piece  text NOT NULL,
    right_piece text NOT NULL,
    mismatch    double precision NOT NULL, -- dB
    balance     double precision NOT NULL, -- predicted left minus right in the anchor range, dB
    fixed       boolean NOT NULL,
    PRIMARY KEY (site, product, pairing, rank),
    FOREIGN KEY (site, product, pairing) REFERENCES pairings,
    FOREIGN KEY (site, left_piece) REFERENCES units (site, serial) ON UPDATE CASCADE,
    FOREIGN KEY (site, right_piece) REFERENCES units (site, serial) ON UPDATE CASCADE
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON batches FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON batch_values FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER only_withdraw BEFORE UPDATE OR DELETE ON pairings FOR EACH ROW
    EXECUTE FUNCTION only_change('withdrawn_at', 'withdrawn_by', 'withdrawn_why');
-- A corrected serial reaches the rows that name it.
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON unit_values FOR EACH ROW EXECUTE FUNCTION only_change('serial');
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON pairing_pairs FOR EACH ROW
    EXECUTE FUNCTION only_change('left_piece', 'right_piece');
