-- +goose Up
-- A repeat is answered with the headers of the first answer too. A request that is still at
-- work holds its key until an instant that it moves on: one that died holds it no longer.
ALTER TABLE kept_answer ADD COLUMN media_type TEXT NOT NULL DEFAULT '';
ALTER TABLE kept_answer ADD COLUMN etag TEXT NOT NULL DEFAULT '';
ALTER TABLE kept_answer ADD COLUMN location TEXT NOT NULL DEFAULT '';
ALTER TABLE kept_answer ADD COLUMN lease_end BIGINT NOT NULL DEFAULT 0;
