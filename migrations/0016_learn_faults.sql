-- +goose Up

-- Units built faulty on purpose are measured for a study of their own kind, so that they
-- are never production.
ALTER TABLE studies DROP CONSTRAINT studies_kind_check;
ALTER TABLE studies ADD CONSTRAINT studies_kind_check CHECK (kind IN ('gauge', 'rigs', 'fault'));

-- What a study of the kind fault is to teach: its units are the faulty ones and then the
-- good ones that were measured beside them.
CREATE TABLE fault_plans (
    site       text NOT NULL,
    study      text NOT NULL,
    key        text NOT NULL,              -- of the signature: glue-gap
    words      text NOT NULL,              -- what it is
    first_look text NOT NULL,              -- the first thing to look at, a sentence
    part       text NOT NULL,              -- kind of part it comes from; empty when not known
    side       text NOT NULL,              -- channel that was built faulty, or both
    faulty     text[] NOT NULL,
    good       text[] NOT NULL,            -- empty: the baseline of the limits in force
    PRIMARY KEY (site, study),
    FOREIGN KEY (site, study) REFERENCES studies
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON fault_plans FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON fault_plans EXECUTE FUNCTION refuse_change();

-- Signatures learnt from such studies, in versions of the product's list: of each key the
-- newest row counts, and one that is withdrawn gives the product file's own back.
CREATE TABLE fault_signatures (
    site        text NOT NULL,
    product     text NOT NULL,
    version     int NOT NULL,
    key         text NOT NULL,
    state       text NOT NULL CHECK (state IN ('in force', 'withdrawn')),
    study       text NOT NULL,
    words       text NOT NULL,
    first_look  text NOT NULL,
    part        text NOT NULL,
    side        text NOT NULL,
    shape       double precision[] NOT NULL, -- dB per band, NaN where not measured
    low         double precision[] NOT NULL, -- interval of the mean at 95 %
    high        double precision[] NOT NULL,
    units       text[] NOT NULL,             -- faulty ones that it rests on
    basis       jsonb NOT NULL,              -- what was left out and why, agreement, good units
    reason      text NOT NULL,
    author      text NOT NULL,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (site, product, version),
    FOREIGN KEY (site, product) REFERENCES products,
    FOREIGN KEY (site, study) REFERENCES studies
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON fault_signatures FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON fault_signatures EXECUTE FUNCTION refuse_change();

SELECT fence_site('fault_plans', 'measured');
SELECT fence_site('fault_signatures', 'measured');
