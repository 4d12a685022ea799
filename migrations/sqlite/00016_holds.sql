-- +goose Up
-- A message with a hold waits for a person's decision and does not leave: the account is
-- paused, or the day would send unusually much. '' waits for nobody.
ALTER TABLE notice ADD COLUMN hold TEXT NOT NULL DEFAULT '';
CREATE INDEX notice_hold ON notice (account_id, hold) WHERE hold <> '';

-- The decisions about held messages. One with state 'released' lets the passes of its day
-- send up to so many messages.
CREATE TABLE hold_decision (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    created_at INTEGER NOT NULL,
    day        TEXT NOT NULL,
    hold       TEXT NOT NULL,
    decision   TEXT NOT NULL CHECK (decision IN ('released', 'withdrawn')),
    messages   INTEGER NOT NULL,
    batch      TEXT NOT NULL,
    decided_by TEXT NOT NULL,
    PRIMARY KEY (account_id, created_at, hold)
) STRICT;

-- The import that stored a coach last, so that what it would send can be withdrawn.
ALTER TABLE coach ADD COLUMN batch TEXT NOT NULL DEFAULT '';
