-- +goose Up

-- A rig is a measuring place, named by the station that its takes name. It is held
-- trustworthy by reference units, and units wait on hold while it is not.

-- How a site checks its rigs for a product, in versions.
CREATE TABLE rig_policies (
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

-- Units that are kept to tell a change of the rig from one of the product. Their
-- takes never count as production.
CREATE TABLE reference_units (
    site     text NOT NULL,
    serial   text NOT NULL,
    product  text NOT NULL,
    note     text NOT NULL,
    author   text NOT NULL,
    added_at timestamptz NOT NULL,
    PRIMARY KEY (site, serial),
    FOREIGN KEY (site, product) REFERENCES products
);

-- What a reference unit is used for, from when on; the last entry counts.
CREATE TABLE reference_states (
    site   text NOT NULL,
    serial text NOT NULL,
    entry  int NOT NULL,
    state  text NOT NULL CHECK (state IN ('in use', 'spare', 'retired')),
    reason text NOT NULL,
    author text NOT NULL,
    at     timestamptz NOT NULL,
    PRIMARY KEY (site, serial, entry),
    FOREIGN KEY (site, serial) REFERENCES reference_units
);

-- Gauge studies, and comparisons of rigs, which have rigs in the place of operators.
CREATE TABLE studies (
    site       text NOT NULL,
    study      text NOT NULL,
    product    text NOT NULL,
    kind       text NOT NULL CHECK (kind IN ('gauge', 'rigs')),
    units      text[] NOT NULL,
    operators  text[] NOT NULL,             -- or the rigs
    trials     int NOT NULL,                -- seatings of each unit by each
    seed       bigint NOT NULL,             -- of the random order
    reason     text NOT NULL,
    author     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, study),
    FOREIGN KEY (site, product) REFERENCES products
);

-- A visit to a rig that is not production: of a reference unit, or one run of a
-- study.
CREATE TABLE rig_visits (
    site        text NOT NULL,
    visit       uuid NOT NULL,
    product     text NOT NULL,
    rig         text NOT NULL,
    serial      text NOT NULL,
    study       text,                       -- null for a reference unit
    number      int NOT NULL,               -- of the reference unit's visits; in a study the trial
    turned      boolean NOT NULL,           -- the unit sat left on right
    operator    text NOT NULL,
    measured_at timestamptz NOT NULL,
    received_at timestamptz NOT NULL,
    complete    boolean NOT NULL DEFAULT false,
    baseline    int,                        -- version checked by
    policy      int,                        -- version checked by
    passed      boolean,                    -- null when it was not checked
    judgement   jsonb,
    PRIMARY KEY (site, visit),
    FOREIGN KEY (site, product) REFERENCES products,
    FOREIGN KEY (site, study) REFERENCES studies
);
CREATE INDEX rig_visits_of_rig ON rig_visits (site, product, rig, measured_at);
CREATE INDEX rig_visits_of_unit ON rig_visits (site, serial, measured_at);
CREATE INDEX rig_visits_of_study ON rig_visits (site, study) WHERE study IS NOT NULL;

CREATE TABLE rig_takes (
    site         text NOT NULL,
    take         uuid NOT NULL,
    visit        uuid NOT NULL,
    channel      text NOT NULL,
    seating      int NOT NULL CHECK (seating >= 1),
    measured_at  timestamptz NOT NULL,
    received_at  timestamptz NOT NULL,
    content_hash bytea NOT NULL,
    bands        real[] NOT NULL,           -- dB, NaN where the curve does not cover
    grid         bytea NOT NULL,
    levels       bytea NOT NULL,            -- little-endian float32, dB
    phases       bytea,                     -- little-endian float32, degrees
    source       text NOT NULL,
    notes        text[] NOT NULL,
    PRIMARY KEY (site, take),
    UNIQUE (site, visit, channel, seating),
    FOREIGN KEY (site, visit) REFERENCES rig_visits,
    FOREIGN KEY (site, grid) REFERENCES grids
);
CREATE INDEX rig_takes_by_content ON rig_takes (site, content_hash);

-- What a reference unit reads on a healthy rig, in versions.
CREATE TABLE rig_baselines (
    site       text NOT NULL,
    serial     text NOT NULL,
    rig        text NOT NULL,
    version    int NOT NULL,
    visits     uuid[] NOT NULL,
    seatings   int NOT NULL,
    mean       double precision[] NOT NULL, -- dB, channel after channel, band after band
    sd         double precision[] NOT NULL, -- of one seating, pooled over visits and channels
    freedom    double precision NOT NULL,
    turned     double precision[] NOT NULL, -- the same unit turned round; NaN when not measured
    reason     text NOT NULL,
    author     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, serial, rig, version),
    FOREIGN KEY (site, serial) REFERENCES reference_units
);

-- What was done to a rig and what was read around it.
CREATE TABLE rig_entries (
    site        text NOT NULL REFERENCES sites,
    entry       uuid NOT NULL,
    rig         text NOT NULL,
    kind        text NOT NULL CHECK (kind IN ('calibration', 'work', 'ambient')),
    at          timestamptz NOT NULL,
    subject     text NOT NULL,              -- microphone, coupler, ...
    changed     boolean NOT NULL,           -- readings before and after it may differ
    level       double precision,           -- dB
    certificate text NOT NULL,
    due         date,
    temperature double precision,           -- degrees Celsius
    humidity    double precision,           -- per cent, relative
    noise       double precision,           -- dB(A)
    note        text NOT NULL,
    author      text NOT NULL,
    entered_at  timestamptz NOT NULL,
    PRIMARY KEY (site, entry)
);
CREATE INDEX rig_entries_of_rig ON rig_entries (site, rig, at);

-- Largest difference between seatings that seating explains, from a study, in
-- versions; before the first one the product's own counts.
CREATE TABLE seating_limits (
    site       text NOT NULL,
    product    text NOT NULL,
    version    int NOT NULL,
    study      text NOT NULL,
    spread     double precision[] NOT NULL, -- dB per band
    reason     text NOT NULL,
    author     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, product, version),
    FOREIGN KEY (site, study) REFERENCES studies
);

ALTER TABLE attempts
    ADD rig_policy int,                              -- version of the rig policy it was judged under
    ADD released boolean NOT NULL DEFAULT false;     -- a person answers for the rig
CREATE INDEX attempts_of_rig ON attempts (site, station, measured_at);

-- Every change of a verdict: to hold when the rig turns out sick, and from hold.
CREATE TABLE verdict_changes (
    site      text NOT NULL,
    attempt   uuid NOT NULL,
    change    int NOT NULL,
    at        timestamptz NOT NULL,
    actor     text NOT NULL,
    from_word text NOT NULL,
    judgement jsonb,                        -- what it was before
    to_word   text NOT NULL,
    reason    text NOT NULL,
    PRIMARY KEY (site, attempt, change),
    FOREIGN KEY (site, attempt) REFERENCES attempts,
    CHECK ((from_word = 'hold') <> (to_word = 'hold'))
);

-- Charts read the first attempt of a unit that a trusted rig measured.
ALTER TABLE readings ADD charted boolean NOT NULL DEFAULT false;
UPDATE readings SET charted = true WHERE number = 1;
CREATE UNIQUE INDEX readings_charted ON readings (site, product, place) WHERE charted;

-- The attempt on which a signal fired, once that attempt is no longer charted.
ALTER TABLE signals ADD withdrawn int;

-- +goose StatementBegin
CREATE FUNCTION keep_verdict() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.verdict IS NOT NULL AND NEW.verdict IS DISTINCT FROM OLD.verdict
        AND (NEW.verdict IS NULL OR 'hold' NOT IN (OLD.verdict, NEW.verdict)) THEN
        RAISE EXCEPTION 'a verdict changes only to hold and from hold';
    END IF;
    RETURN NEW;
END $$;

CREATE FUNCTION keep_visit() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        RAISE EXCEPTION 'visits to a rig are never deleted';
    END IF;
    IF OLD.judgement IS NOT NULL OR (NEW.site, NEW.visit, NEW.product, NEW.rig, NEW.serial, NEW.study, NEW.number, NEW.turned, NEW.measured_at)
        IS DISTINCT FROM (OLD.site, OLD.visit, OLD.product, OLD.rig, OLD.serial, OLD.study, OLD.number, OLD.turned, OLD.measured_at) THEN
        RAISE EXCEPTION 'a visit to a rig is judged once and does not change';
    END IF;
    RETURN NEW;
END $$;
-- +goose StatementEnd

CREATE TRIGGER kept BEFORE UPDATE ON attempts FOR EACH ROW EXECUTE FUNCTION keep_verdict();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON rig_visits FOR EACH ROW EXECUTE FUNCTION keep_visit();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON rig_policies FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON reference_units FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON reference_states FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON studies FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON rig_takes FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON rig_baselines FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON rig_entries FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON seating_limits FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON verdict_changes FOR EACH ROW EXECUTE FUNCTION refuse_change();
