-- +goose Up
-- The language of people who gave none of their own, and that of each message.
ALTER TABLE account ADD COLUMN language TEXT NOT NULL DEFAULT '';
ALTER TABLE notice ADD COLUMN language TEXT NOT NULL DEFAULT '';
