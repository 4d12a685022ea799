-- +goose Up
-- Readings that people sent in with their answers, besides what the coach's document
-- holds.
CREATE TABLE reading (
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
    PRIMARY KEY (account_id, coach_id, day, kind, slide, run, said_by),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
) STRICT;

-- What people said about the coach itself: that they sold it, that it moved.
CREATE TABLE coach_report (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    kind       TEXT NOT NULL CHECK (kind IN ('sold', 'moved')),
    person     TEXT NOT NULL,
    day        TEXT NOT NULL,
    note       TEXT NOT NULL,
    made_at    INTEGER NOT NULL,
    PRIMARY KEY (account_id, coach_id, kind),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
) STRICT;
