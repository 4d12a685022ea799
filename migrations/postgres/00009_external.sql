-- +goose Up
-- The key that another system has for a coach, to find it by.
ALTER TABLE coach ADD COLUMN external_id TEXT NOT NULL DEFAULT '';
CREATE INDEX coach_external ON coach (account_id, external_id);
