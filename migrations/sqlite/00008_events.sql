-- +goose Up
-- What happened, in the order in which it was committed. The number is taken from
-- event_head in the transaction that makes the event true: its row lock puts
-- transactions of one account in line, so that a reader never sees a later number
-- before an earlier one.
CREATE TABLE event_head (
    account_id TEXT PRIMARY KEY REFERENCES account (account_id),
    seq        INTEGER NOT NULL
) STRICT;

CREATE TABLE event (
    account_id TEXT NOT NULL,
    seq        INTEGER NOT NULL,
    event_id   TEXT NOT NULL,
    kind       TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    data       TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    PRIMARY KEY (account_id, seq)
) STRICT;
CREATE UNIQUE INDEX event_name ON event (account_id, event_id);

-- Where events are sent. Each endpoint is a cursor into the events: what lies behind it
-- was delivered.
CREATE TABLE endpoint (
    account_id  TEXT NOT NULL REFERENCES account (account_id),
    endpoint_id TEXT NOT NULL,
    url         TEXT NOT NULL,
    kinds       TEXT NOT NULL,
    keys        TEXT NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('live', 'paused', 'gone')),
    seq         INTEGER NOT NULL,
    tries       INTEGER NOT NULL,
    next_at     INTEGER NOT NULL,
    lease_end   INTEGER NOT NULL,
    trouble     TEXT NOT NULL,
    made_by     TEXT NOT NULL,
    made_at     INTEGER NOT NULL,
    PRIMARY KEY (account_id, endpoint_id)
) STRICT;
CREATE INDEX endpoint_live ON endpoint (state, next_at);

-- Answers to posts that carried an Idempotency-Key, for a day.
CREATE TABLE kept_answer (
    account_id TEXT NOT NULL,
    idem_key   TEXT NOT NULL,
    asked      TEXT NOT NULL,
    status     INTEGER NOT NULL,
    body       TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    PRIMARY KEY (account_id, idem_key)
) STRICT;

-- Secret addresses of calendars.
CREATE TABLE calendar (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    token_hash TEXT PRIMARY KEY,
    calendar_id TEXT NOT NULL,
    kind       TEXT NOT NULL CHECK (kind IN ('shop', 'fleet', 'coach')),
    coach_id   TEXT NOT NULL,
    name       TEXT NOT NULL,
    made_by    TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    revoked_at INTEGER
) STRICT;

-- What calendars said of an entry last, so that changes raise its sequence and what
-- went away is cancelled.
CREATE TABLE calendar_entry (
    account_id TEXT NOT NULL,
    uid        TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    kind       TEXT NOT NULL,
    day        TEXT NOT NULL,
    until_day  TEXT NOT NULL,
    summary    TEXT NOT NULL,
    words      TEXT NOT NULL,
    sequence   INTEGER NOT NULL,
    cancelled  INTEGER NOT NULL,
    changed_at INTEGER NOT NULL,
    PRIMARY KEY (account_id, uid)
) STRICT;
CREATE INDEX calendar_entry_coach ON calendar_entry (account_id, coach_id);
CREATE INDEX coach_changed ON coach (account_id, changed_at, coach_id);
