-- +goose Up
-- Who may sign in. Passwords are argon2id hashes; tokens of every kind are kept as
-- SHA-256 only.
CREATE TABLE member (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    email      TEXT NOT NULL UNIQUE,
    name       TEXT NOT NULL,
    role       TEXT NOT NULL CHECK (role IN ('manager', 'technician', 'viewer')),
    password   TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    PRIMARY KEY (account_id, email)
) STRICT;

CREATE TABLE one_time (
    token_hash TEXT PRIMARY KEY,
    kind       TEXT NOT NULL CHECK (kind IN ('first', 'invite', 'reset')),
    account_id TEXT NOT NULL,
    email      TEXT NOT NULL,
    role       TEXT NOT NULL,
    made_by    TEXT NOT NULL,
    until_at   INTEGER NOT NULL,
    used_at    INTEGER
) STRICT;

CREATE TABLE session (
    token_hash TEXT PRIMARY KEY,
    account_id TEXT NOT NULL,
    email      TEXT NOT NULL,
    agent      TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    seen_at    INTEGER NOT NULL,
    until_at   INTEGER NOT NULL,
    FOREIGN KEY (account_id, email) REFERENCES member (account_id, email) ON DELETE CASCADE
) STRICT;
CREATE INDEX session_member ON session (account_id, email);

CREATE TABLE api_token (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    token_id   TEXT NOT NULL,
    token_hash TEXT NOT NULL UNIQUE,
    name       TEXT NOT NULL,
    scopes     TEXT NOT NULL,
    made_by    TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    until_at   INTEGER NOT NULL,
    used_at    INTEGER,
    revoked_at INTEGER,
    PRIMARY KEY (account_id, token_id)
) STRICT;

-- What people changed, newest last.
CREATE TABLE audit (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    at         INTEGER NOT NULL,
    ordinal    INTEGER NOT NULL,
    who        TEXT NOT NULL,
    what       TEXT NOT NULL,
    about      TEXT NOT NULL,
    detail     TEXT NOT NULL,
    PRIMARY KEY (account_id, at, ordinal)
) STRICT;

CREATE TABLE saved_view (
    account_id TEXT NOT NULL,
    email      TEXT NOT NULL,
    name       TEXT NOT NULL,
    query      TEXT NOT NULL,
    PRIMARY KEY (account_id, email, name),
    FOREIGN KEY (account_id, email) REFERENCES member (account_id, email) ON DELETE CASCADE
) STRICT;

-- One row a coach for the board, as the last pass or the last change of the coach
-- left it.
CREATE TABLE board (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    label      TEXT NOT NULL,
    class      TEXT NOT NULL,
    use_kind   TEXT NOT NULL,
    place      TEXT NOT NULL,
    people     TEXT NOT NULL,
    state      TEXT NOT NULL CHECK (state IN ('hold', 'overdue', 'due', 'booked', 'fine', 'undated')),
    risk       REAL NOT NULL,
    worst      TEXT NOT NULL,
    opens      TEXT NOT NULL,
    next_kind  TEXT NOT NULL,
    next_day   TEXT NOT NULL,
    overdue    INTEGER NOT NULL,
    visit      TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
) STRICT;
CREATE INDEX board_risk ON board (account_id, risk DESC, coach_id);
CREATE INDEX board_next ON board (account_id, next_day, coach_id);
CREATE INDEX board_state ON board (account_id, state);

-- Pictures and papers of a coach. Pictures are kept small and without the data that
-- cameras hide in them.
CREATE TABLE attachment (
    account_id    TEXT NOT NULL,
    coach_id      TEXT NOT NULL,
    attachment_id TEXT NOT NULL,
    slide         TEXT NOT NULL,
    run           TEXT NOT NULL,
    day           TEXT NOT NULL,
    name          TEXT NOT NULL,
    media         TEXT NOT NULL,
    body          BLOB NOT NULL,
    thumb         BLOB NOT NULL,
    made_by       TEXT NOT NULL,
    made_at       INTEGER NOT NULL,
    PRIMARY KEY (account_id, coach_id, attachment_id),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
) STRICT;

-- The season's plan besides its visits: bays, parts, cuts, what is late and why.
CREATE TABLE plan_part (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    part       TEXT NOT NULL,
    doc        TEXT NOT NULL,
    PRIMARY KEY (account_id, part)
) STRICT;
CREATE INDEX visit_day ON visit (account_id, day);
