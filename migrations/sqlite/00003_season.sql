-- +goose Up
-- What an account's shop can do and has on its shelf: one document.
CREATE TABLE workshop (
    account_id TEXT PRIMARY KEY REFERENCES account (account_id),
    doc        TEXT NOT NULL,
    made_at    INTEGER NOT NULL
) STRICT;

-- Periods in which a coach is let, by where they came from; a source is replaced whole.
CREATE TABLE booking (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    source     TEXT NOT NULL,
    from_day   TEXT NOT NULL,
    until_day  TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id, source, from_day, until_day),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
) STRICT;

-- The visits of the last pass's plan, which the next one keeps to where it can.
CREATE TABLE visit (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    ordinal    INTEGER NOT NULL,
    coach_id   TEXT NOT NULL,
    day        TEXT NOT NULL,
    doc        TEXT NOT NULL,
    PRIMARY KEY (account_id, ordinal)
) STRICT;

-- A notice to everybody whose coach carries a lot. Its mails are notices like others.
CREATE TABLE campaign (
    account_id  TEXT NOT NULL REFERENCES account (account_id),
    campaign_id TEXT NOT NULL,
    lot         TEXT NOT NULL,
    from_day    TEXT NOT NULL,
    until_day   TEXT NOT NULL,
    subject     TEXT NOT NULL,
    words       TEXT NOT NULL,
    said_by     TEXT NOT NULL,
    coaches     INTEGER NOT NULL,
    unreachable TEXT NOT NULL,
    made_at     INTEGER NOT NULL,
    PRIMARY KEY (account_id, campaign_id)
) STRICT;
