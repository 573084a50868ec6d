-- +goose Up

-- The product's action plan in versions: what to check when the line moved. Before the
-- first one the product file's own counts, which is version 1 where it has any.
CREATE TABLE action_plans (
    site       text NOT NULL,
    product    text NOT NULL,
    version    int NOT NULL,
    definition jsonb NOT NULL,             -- rows of check, minutes, for
    reason     text NOT NULL,
    author     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (site, product, version),
    FOREIGN KEY (site, product) REFERENCES products
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON action_plans FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON action_plans EXECUTE FUNCTION refuse_change();

SELECT fence_site('action_plans', 'measured');
