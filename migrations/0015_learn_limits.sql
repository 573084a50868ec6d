-- +goose Up

-- Signals of charts whose limits are still being learnt have limit set 0; all others
-- refer to the limit set that gave them.
ALTER TABLE signals ADD frozen_set int GENERATED ALWAYS AS (NULLIF(limit_set, 0)) STORED;
-- +goose StatementBegin
DO $$
DECLARE name text;
BEGIN
    SELECT conname INTO STRICT name FROM pg_constraint
    WHERE conrelid = 'signals'::regclass AND confrelid = 'limit_sets'::regclass AND contype = 'f';
    EXECUTE format('ALTER TABLE signals DROP CONSTRAINT %I', name);
END $$;
-- +goose StatementEnd
ALTER TABLE signals ADD CONSTRAINT signals_of_limit_set FOREIGN KEY (site, product, frozen_set) REFERENCES limit_sets;

-- A finding is told when its units have become the level that the charts learn.
ALTER TABLE finding_events DROP CONSTRAINT finding_events_kind_check;
ALTER TABLE finding_events ADD CONSTRAINT finding_events_kind_check
    CHECK (kind IN ('opened', 'signals', 'grown', 'looked', 'cause', 'action', 'returned', 'closed', 'reopened', 'withdrawn', 'standing', 'learnt'));
