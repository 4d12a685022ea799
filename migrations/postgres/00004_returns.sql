-- +goose Up
-- Addresses that a mail server said do not exist; nobody is written to there until
-- somebody says that it works again.
CREATE TABLE bad_address (
    account_id TEXT NOT NULL REFERENCES account (account_id),
    person     TEXT NOT NULL,
    words      TEXT NOT NULL,
    made_at    BIGINT NOT NULL,
    PRIMARY KEY (account_id, person)
);

-- A partial index over the three open states is not used by SQLite for two of them:
-- the look for due notices read the whole table.
DROP INDEX notice_open;
CREATE INDEX notice_open ON notice (state, not_before);
CREATE INDEX notice_lease ON notice (lease_end) WHERE state = 'sending';
