-- +goose Up
-- Two parts of one edge are read separately: the part belongs to what a reading is of.
CREATE TABLE reading_new (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    day        TEXT NOT NULL,
    kind       TEXT NOT NULL,
    slide      TEXT NOT NULL,
    run        TEXT NOT NULL,
    part       TEXT NOT NULL,
    value      REAL NOT NULL,
    said_by    TEXT NOT NULL,
    note       TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    PRIMARY KEY (account_id, coach_id, day, kind, slide, run, part, said_by),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
) STRICT;
INSERT INTO reading_new SELECT account_id, coach_id, day, kind, slide, run, part, value, said_by, note, made_at FROM reading;
DROP TABLE reading;
ALTER TABLE reading_new RENAME TO reading;
