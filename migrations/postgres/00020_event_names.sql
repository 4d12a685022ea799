-- +goose Up
-- Which names of events an endpoint gets: 1, those it was made with, or 2, the present ones.
ALTER TABLE endpoint ADD COLUMN names BIGINT NOT NULL DEFAULT 1;
