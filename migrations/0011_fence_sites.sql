-- +goose Up

-- The server works under roles that own nothing: alike_site sees and writes the rows of
-- one site, the one that a transaction names in alike.site; alike_licensor reads all
-- sites' measurements and writes nothing. A statement that forgets its site gets nothing
-- of another. Tables belong to whoever applies migrations; backups run as that.

-- +goose StatementBegin
DO $$
DECLARE
    name text;
BEGIN
    FOREACH name IN ARRAY ARRAY['alike_site', 'alike_licensor'] LOOP
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = name) THEN
            BEGIN
                EXECUTE format('CREATE ROLE %I NOLOGIN', name);
            EXCEPTION WHEN duplicate_object OR unique_violation THEN
                NULL; -- another database of this server was faster
            END;
        END IF;
        IF NOT (SELECT rolsuper FROM pg_roles WHERE rolname = current_user) THEN
            EXECUTE format('GRANT %I TO %I', name, current_user);
        END IF;
        EXECUTE format('GRANT USAGE ON SCHEMA %I TO %I', current_schema(), name);
    END LOOP;
EXCEPTION WHEN insufficient_privilege THEN
    RAISE EXCEPTION 'user % may not make the roles that the server works under: let an administrator of PostgreSQL run: CREATE ROLE alike_site; CREATE ROLE alike_licensor; GRANT alike_site, alike_licensor TO "%" WITH ADMIN OPTION', current_user, current_user;
END $$;

-- fence_site puts a table behind its site's fence: what the table's own triggers refuse
-- is not granted either. kinds: 'measured' is what the licensor reads, 'own' is the
-- site's own business, 'passing' is that and may be deleted.
CREATE FUNCTION fence_site(fenced regclass, kind text) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    append_only boolean := EXISTS (SELECT FROM pg_trigger WHERE tgrelid = fenced AND tgname = 'append_only');
BEGIN
    IF kind NOT IN ('measured', 'own', 'passing') THEN
        RAISE EXCEPTION 'there is no kind of table %', kind;
    END IF;
    EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY', fenced);
    -- In a subquery the setting is read once for a statement, not once for a row.
    EXECUTE format('CREATE POLICY one_site ON %s TO alike_site USING (site = (SELECT current_setting(''alike.site'', true))) WITH CHECK (site = (SELECT current_setting(''alike.site'', true)))', fenced);
    EXECUTE format('GRANT SELECT, INSERT ON %s TO alike_site', fenced);
    IF NOT append_only THEN
        EXECUTE format('GRANT UPDATE ON %s TO alike_site', fenced);
    END IF;
    IF kind = 'passing' THEN
        EXECUTE format('GRANT DELETE ON %s TO alike_site', fenced);
    ELSIF kind = 'measured' THEN
        EXECUTE format('CREATE POLICY all_sites ON %s FOR SELECT TO alike_licensor USING (true)', fenced);
        EXECUTE format('GRANT SELECT ON %s TO alike_licensor', fenced);
    END IF;
END $$;
REVOKE EXECUTE ON FUNCTION fence_site FROM PUBLIC;

DO $$
DECLARE
    t regclass;
BEGIN
    FOR t IN SELECT c.oid::regclass FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'site'
        WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind = 'r' ORDER BY c.relname LOOP
        PERFORM fence_site(t, CASE t::text
            WHEN 'people' THEN 'own' WHEN 'tokens' THEN 'own'
            WHEN 'passwords' THEN 'passing' WHEN 'sessions' THEN 'passing' WHEN 'invitations' THEN 'passing' WHEN 'sign_in_tries' THEN 'passing'
            ELSE 'measured' END);
    END LOOP;
END $$;
-- +goose StatementEnd
