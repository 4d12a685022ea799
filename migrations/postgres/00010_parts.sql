-- +goose Up
-- Parts are written with their coach, by one function, and coaches are never removed:
-- checking each part against its coach again was half the time of a bulk. Few parts
-- carry a known lot, and only those are looked for by it.
ALTER TABLE part DROP CONSTRAINT part_account_id_coach_id_fkey;
DROP INDEX part_lot;
CREATE INDEX part_lot ON part (account_id, lot, coach_id, run, part) WHERE lot <> 'unknown';

-- Few coaches have a key of another system, and nobody looks for those without.
DROP INDEX coach_external;
CREATE INDEX coach_external ON coach (account_id, external_id, coach_id) WHERE external_id <> '';
