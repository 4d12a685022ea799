-- +goose Up
-- Accounts from which no reminder leaves: a copy, made to look at, must not write to the
-- people of the original. It is no part of an archive.
CREATE TABLE quiet (
    account_id TEXT NOT NULL PRIMARY KEY REFERENCES account (account_id) ON DELETE CASCADE,
    since      BIGINT NOT NULL
);
