-- +goose Up
-- What coaches are asked for beside their documents: the address of a booking feed, and
-- whether a reading of a kind that can mean danger stands in the document (0 or 1).
ALTER TABLE coach ADD COLUMN feed TEXT NOT NULL DEFAULT '';
ALTER TABLE coach ADD COLUMN danger INTEGER NOT NULL DEFAULT 0;
CREATE INDEX coach_feed ON coach (account_id, coach_id) WHERE feed <> '';

-- Views for people's own SQL. Their columns stay as they are when tables and documents
-- change. Days are texts YYYY-MM-DD; NULL stands for what is not known.

-- Each part that wears, with the dates that the last pass gave it: 10, 50 and 90 of 100
-- such parts have needed replacement by early, likely and late.
CREATE VIEW seal_part AS
SELECT p.account_id, p.coach_id, c.label AS coach, split_part(p.run, '/', 1) AS slide, replace(substr(p.run, strpos(p.run, '/') + 1), '/', ' ') AS edge, p.part, p.material, p.construction,
    NULLIF(p.fitted, '') AS fitted, NULLIF(p.lot, 'unknown') AS lot,
    NULLIF(f.early, '') AS early, NULLIF(f.likely, '') AS likely, NULLIF(f.late, '') AS late, f.on_day AS dated_on
FROM part p
JOIN coach c ON c.account_id = p.account_id AND c.coach_id = p.coach_id
LEFT JOIN forecast f ON f.account_id = p.account_id AND f.coach_id = p.coach_id AND f.run = p.run AND f.part = p.part;

-- Each stay of a coach at a place. until_day is the last day, NULL while it lasts. Slides are
-- out or in, coastal is 0 or 1.
CREATE VIEW seal_stay AS
SELECT c.account_id, c.coach_id, c.label AS coach, s -> 'site' ->> 'name' AS place,
    COALESCE((s -> 'site' ->> 'lat')::float8, 0) AS lat, COALESCE((s -> 'site' ->> 'lon')::float8, 0) AS lon,
    s ->> 'from' AS from_day, s ->> 'until' AS until_day, s ->> 'shelter' AS shelter, s ->> 'rooms' AS slides,
    COALESCE((s ->> 'cycles')::float8, 0) AS cycles_per_day, COALESCE((s ->> 'coastal')::bool::int, 0) AS coastal
FROM coach c CROSS JOIN LATERAL json_array_elements(c.doc::json -> 'stays') AS s;

-- Each reading: those of coach files, and those that people sent in since.
CREATE VIEW seal_reading AS
SELECT c.account_id, c.coach_id, c.label AS coach, r ->> 'day' AS day, r ->> 'slide' AS slide,
    replace(r ->> 'run', '/', ' ') AS edge, r ->> 'part' AS part, r ->> 'kind' AS kind,
    COALESCE((r ->> 'value')::float8, 0) AS value, r ->> 'by' AS recorded_by, r ->> 'note' AS note, 'file' AS source
FROM coach c CROSS JOIN LATERAL json_array_elements(c.doc::json -> 'readings') AS r
UNION ALL
SELECT r.account_id, r.coach_id, c.label, r.day, NULLIF(r.slide, ''), NULLIF(replace(r.run, '/', ' '), ''),
    NULLIF(r.part, ''), r.kind, r.value, r.recorded_by, NULLIF(r.note, ''), 'record'
FROM reading r
JOIN coach c ON c.account_id = r.account_id AND c.coach_id = r.coach_id;
