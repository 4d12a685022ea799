-- +goose Up
-- What came of a call to a person about a task, or that the shop calls instead of
-- writing. The key of a task names its occasion, so a new danger is a new call.
CREATE TABLE call_outcome (
    account_id  TEXT NOT NULL,
    coach_id    TEXT NOT NULL,
    person      TEXT NOT NULL,
    task_key    TEXT NOT NULL,
    outcome     TEXT NOT NULL CHECK (outcome IN ('reached', 'by_phone')),
    day         TEXT NOT NULL,
    note        TEXT NOT NULL,
    recorded_by TEXT NOT NULL,
    created_at  BIGINT NOT NULL,
    PRIMARY KEY (account_id, coach_id, person, task_key, outcome),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach (account_id, coach_id) ON DELETE CASCADE
);
CREATE INDEX task_stop ON task (account_id, coach_id) WHERE kind = 'safety_stop';
CREATE INDEX suppressed_call ON suppressed (account_id, coach_id)
    WHERE reason IN ('call_list', 'no_address', 'bad_address', 'opted_out', 'no_consent', 'by_phone');
