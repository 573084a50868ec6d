-- +goose Up

ALTER TABLE sites ADD next_finding bigint NOT NULL DEFAULT 1;

-- What the charts found: one row per change, however many signals it made. It is
-- never deleted, and where it began stays as it was; what a person did about it, and
-- when, stands in finding_events.
CREATE TABLE findings (
    site         text NOT NULL,
    finding      bigint NOT NULL,
    product      text NOT NULL,
    first_place  bigint NOT NULL,          -- unit of the first signal
    last_place   bigint NOT NULL,          -- unit of the latest one
    kind         text NOT NULL CHECK (kind IN ('unit', 'line')), -- one unit stands out, or the line moved
    state        text NOT NULL CHECK (state IN ('open', 'acted', 'closed')),
    analysis     jsonb NOT NULL,           -- since when, how much, why: made again as units come
    analysed_to  bigint NOT NULL,          -- latest unit that the analysis has read
    cause        text NOT NULL DEFAULT '', -- named by a person
    action       text NOT NULL DEFAULT '', -- taken by a person
    acted_place  bigint,                   -- latest unit when the action was taken
    closed_place bigint,                   -- latest unit when it was closed
    opened_at    timestamptz NOT NULL,
    PRIMARY KEY (site, finding),
    FOREIGN KEY (site, product) REFERENCES products,
    CHECK ((state = 'closed') = (closed_place IS NOT NULL)),
    CHECK (state <> 'closed' OR (cause <> '' AND action <> ''))
);
CREATE INDEX findings_by_place ON findings (site, product, last_place);

CREATE TABLE finding_events (
    site    text NOT NULL,
    finding bigint NOT NULL,
    event   int NOT NULL,
    at      timestamptz NOT NULL,
    actor   text NOT NULL,
    origin  text NOT NULL,
    kind    text NOT NULL CHECK (kind IN ('opened', 'signals', 'grown', 'looked', 'cause', 'action', 'returned', 'closed', 'reopened')),
    place   bigint NOT NULL,               -- latest unit at that moment
    text    text NOT NULL,
    PRIMARY KEY (site, finding, event),
    FOREIGN KEY (site, finding) REFERENCES findings
);

-- Every signal that is read belongs to one finding.
CREATE TABLE finding_signals (
    site      text NOT NULL,
    product   text NOT NULL,
    limit_set int NOT NULL,
    place     bigint NOT NULL,
    stream    text NOT NULL,
    rule      text NOT NULL,
    finding   bigint NOT NULL,
    PRIMARY KEY (site, product, limit_set, place, stream, rule),
    FOREIGN KEY (site, product, limit_set, place, stream, rule) REFERENCES signals,
    FOREIGN KEY (site, finding) REFERENCES findings
);
CREATE INDEX signals_of_finding ON finding_signals (site, finding, place);

-- +goose StatementBegin
CREATE FUNCTION keep_finding() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        RAISE EXCEPTION 'findings are never deleted';
    END IF;
    IF (NEW.site, NEW.finding, NEW.product, NEW.first_place, NEW.opened_at)
        IS DISTINCT FROM (OLD.site, OLD.finding, OLD.product, OLD.first_place, OLD.opened_at) THEN
        RAISE EXCEPTION 'where a finding began does not change';
    END IF;
    RETURN NEW;
END $$;
-- +goose StatementEnd

CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON findings FOR EACH ROW EXECUTE FUNCTION keep_finding();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON finding_events FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON finding_signals FOR EACH ROW EXECUTE FUNCTION refuse_change();
