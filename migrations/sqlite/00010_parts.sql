-- +goose Up
-- Parts are written with their coach, by one function, and coaches are never removed:
-- checking each part against its coach again was half the time of a bulk. Few parts
-- carry a known lot, and only those are looked for by it.
CREATE TABLE part_new (
    account_id   TEXT NOT NULL,
    coach_id     TEXT NOT NULL,
    run          TEXT NOT NULL,
    part         TEXT NOT NULL,
    material     TEXT NOT NULL,
    construction TEXT NOT NULL,
    fitted       TEXT NOT NULL,
    lot          TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id, run, part)
) STRICT;
INSERT INTO part_new SELECT account_id, coach_id, run, part, material, construction, fitted, lot FROM part;
DROP TABLE part;
ALTER TABLE part_new RENAME TO part;
CREATE INDEX part_lot ON part (account_id, lot, coach_id, run, part) WHERE lot <> 'unknown';

-- Few coaches have a key of another system, and nobody looks for those without.
DROP INDEX coach_external;
CREATE INDEX coach_external ON coach (account_id, external_id, coach_id) WHERE external_id <> '';
