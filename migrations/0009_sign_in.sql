-- +goose Up

-- Who signs in. A name is one person for ever: it is what the journal holds, so that a
-- closed account's name is not given again, in whatever letters.
CREATE TABLE people (
    site        text NOT NULL REFERENCES sites,
    person      text NOT NULL CHECK (person <> '' AND length(person) <= 64),
    role        text NOT NULL CHECK (role IN ('administrator', 'quality', 'maker', 'licensor')),
    added_by    text NOT NULL,
    added_at    timestamptz NOT NULL,
    closed_at   timestamptz,
    -- SHA-256 of the row of passwords: one that was put there past the program opens
    -- nothing unless this one is altered too, and the journal speaks for this one.
    secret_mark bytea NOT NULL DEFAULT '',
    secret_at   timestamptz,               -- when the password was set
    PRIMARY KEY (site, person)
);
CREATE UNIQUE INDEX people_once ON people (site, lower(person));

-- Stations and programs. The token is shown once; its SHA-256 stands here, which tells
-- nothing of 32 random bytes.
CREATE TABLE tokens (
    site       text NOT NULL REFERENCES sites,
    token      text NOT NULL CHECK (token <> '' AND length(token) <= 64), -- its name
    role       text NOT NULL CHECK (role IN ('station', 'reader')),
    hash       bytea NOT NULL,
    added_by   text NOT NULL,
    added_at   timestamptz NOT NULL,
    revoked_by text,
    revoked_at timestamptz,
    used_at    timestamptz,                -- the last time, to the minute; not in the journal
    used_from  text NOT NULL DEFAULT '',
    PRIMARY KEY (site, token),
    UNIQUE (site, hash)
);

-- The four tables below hold secrets, or what is gone in a day. They are no part of a
-- backup, and the journal does not speak for them.

CREATE TABLE passwords (
    site   text NOT NULL,
    person text NOT NULL,
    hash   text NOT NULL,                  -- argon2id, with its salt and cost
    PRIMARY KEY (site, person),
    FOREIGN KEY (site, person) REFERENCES people
);

CREATE TABLE sessions (
    site      text NOT NULL,
    session   bytea NOT NULL,              -- SHA-256 of what the browser holds
    person    text NOT NULL,
    opened_at timestamptz NOT NULL,
    seen_at   timestamptz NOT NULL,
    ends_at   timestamptz NOT NULL,
    origin    text NOT NULL,
    PRIMARY KEY (site, session),
    FOREIGN KEY (site, person) REFERENCES people
);
CREATE INDEX sessions_of_person ON sessions (site, person);

-- Links by which a person sets a password, once.
CREATE TABLE invitations (
    site    text NOT NULL REFERENCES sites,
    link    bytea NOT NULL,                -- SHA-256 of what the address holds
    person  text NOT NULL,                 -- empty: whoever has it becomes the first administrator
    made_at timestamptz NOT NULL,
    ends_at timestamptz NOT NULL,
    PRIMARY KEY (site, link)
);

-- Wrong passwords in a row, also for names that nobody has.
CREATE TABLE sign_in_tries (
    site         text NOT NULL,
    name         text NOT NULL,            -- in lower case, at most 64 letters
    tries        int NOT NULL,
    last_at      timestamptz NOT NULL,
    locked_until timestamptz,
    PRIMARY KEY (site, name)
);

-- What a name, an account or a token began as does not change, and what is revoked
-- stays revoked.
-- +goose StatementBegin
CREATE FUNCTION keep_person() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        RAISE EXCEPTION 'people are closed, never deleted';
    END IF;
    IF (NEW.site, NEW.person, NEW.added_by, NEW.added_at) IS DISTINCT FROM (OLD.site, OLD.person, OLD.added_by, OLD.added_at) THEN
        RAISE EXCEPTION 'who a person is does not change';
    END IF;
    RETURN NEW;
END $$;

CREATE FUNCTION keep_token() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        RAISE EXCEPTION 'tokens are revoked, never deleted';
    END IF;
    IF (NEW.site, NEW.token, NEW.role, NEW.hash, NEW.added_by, NEW.added_at) IS DISTINCT FROM (OLD.site, OLD.token, OLD.role, OLD.hash, OLD.added_by, OLD.added_at)
        OR OLD.revoked_at IS NOT NULL AND (NEW.revoked_at, NEW.revoked_by) IS DISTINCT FROM (OLD.revoked_at, OLD.revoked_by) THEN
        RAISE EXCEPTION 'a token is made once and revoked once';
    END IF;
    RETURN NEW;
END $$;
-- +goose StatementEnd

CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON people FOR EACH ROW EXECUTE FUNCTION keep_person();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON tokens FOR EACH ROW EXECUTE FUNCTION keep_token();
