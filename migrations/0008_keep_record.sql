-- +goose Up

-- The journal becomes a chain: every entry holds the SHA-256 of its own fields and
-- of the entry before it, per site. journal_rows says what the rows written with an
-- entry looked like, so that an edit of any table is found.
ALTER TABLE sites
    ADD journal_head bytea NOT NULL DEFAULT '',    -- hash of the newest entry
    ADD journalled   text[] NOT NULL DEFAULT '{}'; -- kinds of row that the journal speaks for

ALTER TABLE journal
    ADD previous bytea NOT NULL DEFAULT '',        -- hash of the entry before; empty for the first
    ADD covers   bytea NOT NULL DEFAULT '',        -- SHA-256 over this entry's journal_rows; empty for none
    ADD hash     bytea NOT NULL DEFAULT '';
CREATE INDEX journal_of_subject ON journal (site, subject, entry);

CREATE TABLE journal_rows (
    site   text NOT NULL,
    entry  bigint NOT NULL,
    kind   text NOT NULL,                  -- table, and the version of its form when it is not the first
    key    text NOT NULL,
    digest bytea NOT NULL,                 -- SHA-256 of the row as it was written
    PRIMARY KEY (site, entry, kind, key)   -- no foreign key: a dozen checks for each unit, and verify looks anyway
);

-- Entries from before are chained as they stand now. What the program writes later
-- has the same form (internal/store/chain.go): each field as its length in bytes, a
-- colon, the field, a comma.
ALTER TABLE journal DISABLE TRIGGER append_only;
-- +goose StatementBegin
DO $$
DECLARE
    e record;
    s record;
    field text;
    form text;
    head bytea;
BEGIN
    FOR s IN SELECT site FROM sites LOOP
        head := '';
        FOR e IN SELECT * FROM journal WHERE site = s.site ORDER BY entry LOOP
            form := '';
            FOREACH field IN ARRAY ARRAY[
                'alike journal 1', encode(head, 'hex'), e.site, e.entry::text,
                ((extract(epoch FROM e.at) * 1000000)::bigint)::text,
                e.actor, e.origin, e.action, e.subject, e.reason, e.detail::text, ''
            ] LOOP
                form := form || octet_length(convert_to(field, 'UTF8')) || ':' || field || ',';
            END LOOP;
            UPDATE journal SET previous = head, hash = sha256(convert_to(form, 'UTF8'))
            WHERE site = e.site AND entry = e.entry RETURNING hash INTO head;
        END LOOP;
        UPDATE sites SET journal_head = head WHERE site = s.site;
    END LOOP;
END $$;
-- +goose StatementEnd
ALTER TABLE journal ENABLE TRIGGER append_only;

-- A lot's way: each step is a row. No step: open for measuring.
CREATE TABLE lot_steps (
    site      text NOT NULL,
    lot       text NOT NULL,
    step      int NOT NULL CHECK (step >= 1),
    state     text NOT NULL CHECK (state IN ('open', 'closed', 'decided')), -- from this step on
    outcome   text NOT NULL CHECK (outcome IN ('', 'accept', 'concession', 'sort', 'rework', 'reject')),
    reason    text NOT NULL,
    actor     text NOT NULL,
    origin    text NOT NULL,
    at        timestamptz NOT NULL,
    limit_set int NOT NULL,                -- newest one of the product then: later ones do not change the report
    basis     text NOT NULL,               -- canonical JSON of the report's data that was decided on; empty but for decisions
    data_hash bytea NOT NULL,              -- SHA-256 of basis
    signature bytea NOT NULL,              -- SHA-256 over the decision and data_hash
    PRIMARY KEY (site, lot, step),
    FOREIGN KEY (site, lot) REFERENCES lots,
    CHECK ((state = 'decided') = (outcome <> ''))
);

-- Which units of a lot are to be inspected, drawn by the program.
CREATE TABLE draws (
    site   text NOT NULL,
    lot    text NOT NULL,
    draw   int NOT NULL CHECK (draw >= 1),
    plan   jsonb NOT NULL,
    seed   text NOT NULL,                  -- hexadecimal, from the system's random source
    units  text[] NOT NULL,                -- serials drawn from, in the order used
    pulled text[] NOT NULL,                -- in the order drawn
    reason text NOT NULL,
    actor  text NOT NULL,
    at     timestamptz NOT NULL,
    PRIMARY KEY (site, lot, draw),
    FOREIGN KEY (site, lot) REFERENCES lots
);

-- A person's verdict in place of the program's. With products that ask for a second
-- person it is a proposal until another person's row confirms it.
CREATE TABLE overrides (
    site     text NOT NULL,
    serial   text NOT NULL,
    number   int NOT NULL,                 -- of the attempt
    version  int NOT NULL CHECK (version >= 1),
    verdict  text NOT NULL CHECK (verdict IN ('pass', 'fail', 'doubtful', 'hold', 'reseat')),
    was      text NOT NULL,                -- the verdict that stood before
    reason   text NOT NULL,
    actor    text NOT NULL,
    at       timestamptz NOT NULL,
    confirms int,                          -- the version that this second person agrees to
    in_force boolean NOT NULL,
    PRIMARY KEY (site, serial, number, version),
    FOREIGN KEY (site, serial, number) REFERENCES attempts (site, serial, number) ON UPDATE CASCADE
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON journal_rows FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON lot_steps FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON draws FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON overrides FOR EACH ROW EXECUTE FUNCTION refuse_change();

-- Row triggers do not see TRUNCATE.
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON journal EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON journal_rows EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON envelopes EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON limit_sets EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON takes EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON take_curves EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON lot_steps EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON draws EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON overrides EXECUTE FUNCTION refuse_change();
