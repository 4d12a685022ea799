-- +goose Up
-- A part's life that ended: it was renewed. Survivors are the parts themselves.
CREATE TABLE life (
    account_id   TEXT NOT NULL,
    coach_id     TEXT NOT NULL,
    run          TEXT NOT NULL,
    part         TEXT NOT NULL,
    material     TEXT NOT NULL,
    construction TEXT NOT NULL,
    fitted       TEXT NOT NULL,
    ended        TEXT NOT NULL,
    made_at      INTEGER NOT NULL,
    PRIMARY KEY (account_id, coach_id, run, part, fitted)
) STRICT;

-- Rulebooks that an account accepted, whole texts; the newest holds.
CREATE TABLE rules (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    version    TEXT NOT NULL,
    body       TEXT NOT NULL,
    note       TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    PRIMARY KEY (account_id, version)
) STRICT;

ALTER TABLE forecast ADD COLUMN rulebook TEXT NOT NULL DEFAULT '';
