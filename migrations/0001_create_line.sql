-- +goose Up

-- Every table leads its keys with the site, so that a workshop's rows can be
-- partitioned, fenced off and exported by it, and no counter is shared by sites.

CREATE TABLE sites (
    site       text PRIMARY KEY CHECK (site ~ '^[a-z0-9][a-z0-9-]{0,31}$'),
    name       text NOT NULL,
    zone       text NOT NULL,              -- IANA name; times are shown in it
    next_entry bigint NOT NULL DEFAULT 1,  -- next number of the journal
    created_at timestamptz NOT NULL
);

-- A product is a design at a revision; another revision is another code.
CREATE TABLE products (
    site       text NOT NULL REFERENCES sites,
    product    text NOT NULL CHECK (product ~ '^[a-z0-9][a-z0-9._-]{0,63}$'),
    definition jsonb NOT NULL,
    next_place bigint NOT NULL DEFAULT 1,  -- next unit's place in order of production
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, product)
);

CREATE TABLE lots (
    site       text NOT NULL,
    lot        text NOT NULL,
    product    text NOT NULL,
    opened_at  timestamptz NOT NULL,
    PRIMARY KEY (site, lot),
    FOREIGN KEY (site, product) REFERENCES products
);

CREATE TABLE units (
    site       text NOT NULL,
    serial     text NOT NULL,
    product    text NOT NULL,
    lot        text NOT NULL,
    place      bigint,                     -- null until the first attempt is judged
    first_seen timestamptz NOT NULL,
    PRIMARY KEY (site, serial),
    UNIQUE (site, product, place),
    FOREIGN KEY (site, product) REFERENCES products,
    FOREIGN KEY (site, lot) REFERENCES lots
);
CREATE INDEX units_of_lot ON units (site, lot, place);

-- Envelopes and limit sets are superseded by a higher version, never edited.
CREATE TABLE envelopes (
    site       text NOT NULL,
    product    text NOT NULL,
    version    int NOT NULL,
    definition jsonb NOT NULL,
    reason     text NOT NULL,
    author     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, product, version),
    FOREIGN KEY (site, product) REFERENCES products
);

CREATE TABLE limit_sets (
    site       text NOT NULL,
    product    text NOT NULL,
    version    int NOT NULL,
    from_place bigint NOT NULL,            -- first unit it is in force for
    baseline   text[] NOT NULL,            -- serials
    left_out   jsonb NOT NULL,             -- serials not used, with the reason
    every      int NOT NULL,               -- false-alarm budget: once in so many units on average
    budget     jsonb NOT NULL,             -- what the calibration found
    rules      jsonb NOT NULL,
    streams    text[] NOT NULL,
    center     double precision[] NOT NULL,
    sigma      double precision[] NOT NULL, -- NaN where a stream is not charted
    freedom    double precision NOT NULL,
    reason     text NOT NULL,
    author     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, product, version),
    FOREIGN KEY (site, product) REFERENCES products
);

-- One visit of a unit to the rig. The verdict is null while takes are missing.
CREATE TABLE attempts (
    site        text NOT NULL,
    attempt     uuid NOT NULL,
    serial      text NOT NULL,
    number      int NOT NULL CHECK (number >= 1),
    station     text NOT NULL,
    operator    text NOT NULL,
    reason      text NOT NULL,             -- cause found or action taken before a retest
    measured_at timestamptz NOT NULL,
    received_at timestamptz NOT NULL,
    verdict     text CHECK (verdict IN ('pass', 'fail', 'doubtful', 'hold', 'reseat')),
    judgement   jsonb,                     -- sentences, nearest limit, what was not checked
    envelope    int,                       -- version judged by
    limit_set   int,                       -- version charted by
    PRIMARY KEY (site, attempt),
    UNIQUE (site, serial, number),
    FOREIGN KEY (site, serial) REFERENCES units ON UPDATE CASCADE
);

-- A take's band levels, narrow; the curve itself lies beside it in take_curves.
CREATE TABLE takes (
    site         text NOT NULL,
    take         uuid NOT NULL,
    attempt      uuid NOT NULL,
    channel      text NOT NULL,
    seating      int NOT NULL CHECK (seating >= 1),
    measured_at  timestamptz NOT NULL,
    received_at  timestamptz NOT NULL,
    content_hash bytea NOT NULL,
    bands        real[] NOT NULL,          -- dB, NaN where the curve does not cover
    source       text NOT NULL,
    notes        text[] NOT NULL,
    PRIMARY KEY (site, take),
    UNIQUE (site, attempt, channel, seating),
    FOREIGN KEY (site, attempt) REFERENCES attempts
);
-- Not unique: a curve of ten coarse points may honestly occur twice.
CREATE INDEX takes_by_content ON takes (site, content_hash);

-- Frequency grids repeat from take to take and are stored once.
CREATE TABLE grids (
    site        text NOT NULL REFERENCES sites,
    grid        bytea NOT NULL,            -- SHA-256 of frequencies
    frequencies bytea NOT NULL,            -- little-endian float64, Hz
    PRIMARY KEY (site, grid)
);

CREATE TABLE take_curves (
    site   text NOT NULL,
    take   uuid NOT NULL,
    grid   bytea NOT NULL,
    levels bytea NOT NULL,                 -- little-endian float32, dB
    phases bytea,                          -- little-endian float32, degrees
    PRIMARY KEY (site, take),
    FOREIGN KEY (site, take) REFERENCES takes,
    FOREIGN KEY (site, grid) REFERENCES grids
);
ALTER TABLE take_curves ALTER levels SET STORAGE EXTERNAL, ALTER phases SET STORAGE EXTERNAL;

-- What charts read: one row per judged attempt with all streams of the product.
CREATE TABLE readings (
    site     text NOT NULL,
    product  text NOT NULL,
    place    bigint NOT NULL,
    number   int NOT NULL,
    serial   text NOT NULL,
    streams  real[] NOT NULL,
    PRIMARY KEY (site, product, number, place),
    FOREIGN KEY (site, serial, number) REFERENCES attempts (site, serial, number) ON UPDATE CASCADE
);

CREATE TABLE signals (
    site      text NOT NULL,
    product   text NOT NULL,
    limit_set int NOT NULL,
    place     bigint NOT NULL,
    stream    text NOT NULL,
    rule      text NOT NULL,
    serial    text NOT NULL,
    value     real NOT NULL,
    z         real NOT NULL,               -- sigmas from the centre
    PRIMARY KEY (site, product, limit_set, place, stream, rule),
    FOREIGN KEY (site, product, limit_set) REFERENCES limit_sets,
    FOREIGN KEY (site, serial) REFERENCES units ON UPDATE CASCADE
);

-- Which component batch went into which units: from serial to serial, both
-- included, among serials of the same length. A correction withdraws an entry.
CREATE TABLE part_uses (
    site         text NOT NULL,
    use          uuid NOT NULL,
    product      text NOT NULL,
    kind         text NOT NULL,
    channel      text NOT NULL,            -- empty for the whole unit
    batch        text NOT NULL,
    supplier     text NOT NULL,
    received_on  date,
    first_serial text COLLATE "C" NOT NULL,
    last_serial  text COLLATE "C" NOT NULL,
    note         text NOT NULL,
    entered_at   timestamptz NOT NULL,
    withdrawn_at timestamptz,
    PRIMARY KEY (site, use),
    FOREIGN KEY (site, product) REFERENCES products,
    CHECK (length(first_serial) = length(last_serial) AND first_serial <= last_serial)
);
CREATE UNIQUE INDEX part_uses_once ON part_uses (site, product, kind, channel, batch, first_serial, last_serial)
    WHERE withdrawn_at IS NULL;

-- What was refused, whole, with its reason: nothing that arrives is thrown away.
CREATE TABLE quarantine (
    site        text NOT NULL REFERENCES sites,
    item        uuid NOT NULL,
    fingerprint bytea NOT NULL,            -- the same refusal of the same content is one row
    lot         text NOT NULL,
    source      text NOT NULL,
    line        int NOT NULL,
    field       text NOT NULL,
    reason      text NOT NULL,
    remedy      text NOT NULL,
    content     bytea,                     -- null when too large to keep
    received_at timestamptz NOT NULL,
    PRIMARY KEY (site, item),
    UNIQUE (site, fingerprint)
);
CREATE INDEX quarantine_of_lot ON quarantine (site, lot);

-- Who did what, in the same transaction as the deed.
CREATE TABLE journal (
    site    text NOT NULL REFERENCES sites,
    entry   bigint NOT NULL,
    at      timestamptz NOT NULL,
    actor   text NOT NULL,
    origin  text NOT NULL,                 -- command line, address
    action  text NOT NULL,
    subject text NOT NULL,
    reason  text NOT NULL,
    detail  jsonb NOT NULL,
    PRIMARY KEY (site, entry)
);

-- +goose StatementBegin
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME;
END $$;
-- +goose StatementEnd

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON journal FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON envelopes FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON limit_sets FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON takes FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON take_curves FOR EACH ROW EXECUTE FUNCTION refuse_change();
