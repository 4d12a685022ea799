-- +goose Up
-- Days are TEXT 'YYYY-MM-DD' and instants BIGINT microseconds since 1970 UTC, the
-- same on both databases. Every table of an account leads with account_id.
CREATE TABLE account (
    account_id TEXT PRIMARY KEY,
    name       TEXT NOT NULL,
    postal     TEXT NOT NULL,
    email      TEXT NOT NULL,
    phone      TEXT NOT NULL,
    zone       TEXT NOT NULL,
    made_at    BIGINT NOT NULL
);

-- A coach is one document, changed as a whole; what people search by stands beside it.
CREATE TABLE coach (
    account_id TEXT NOT NULL REFERENCES account,
    coach_id   TEXT NOT NULL,
    label      TEXT NOT NULL,
    doc        TEXT NOT NULL,
    changed_at BIGINT NOT NULL,
    PRIMARY KEY (account_id, coach_id)
);

CREATE TABLE part (
    account_id   TEXT NOT NULL,
    coach_id     TEXT NOT NULL,
    run          TEXT NOT NULL,
    part         TEXT NOT NULL,
    material     TEXT NOT NULL,
    construction TEXT NOT NULL,
    fitted       TEXT NOT NULL,
    lot          TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id, run, part),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach ON DELETE CASCADE
);
CREATE INDEX part_lot ON part (account_id, lot);

-- What people said was done, besides what the coach's document holds.
CREATE TABLE service (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    day        TEXT NOT NULL,
    kind       TEXT NOT NULL,
    slide      TEXT NOT NULL,
    run        TEXT NOT NULL,
    said_by    TEXT NOT NULL,
    note       TEXT NOT NULL,
    made_at    BIGINT NOT NULL,
    PRIMARY KEY (account_id, coach_id, day, kind, slide, run),
    FOREIGN KEY (account_id, coach_id) REFERENCES coach ON DELETE CASCADE
);

CREATE TABLE answer (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    task_key   TEXT NOT NULL,
    kind       TEXT NOT NULL CHECK (kind IN ('done', 'book', 'later')),
    person     TEXT NOT NULL,
    day        TEXT NOT NULL,
    until_day  TEXT NOT NULL,
    made_at    BIGINT NOT NULL,
    PRIMARY KEY (account_id, coach_id, task_key, kind, person)
);

CREATE TABLE opt_out (
    account_id TEXT NOT NULL REFERENCES account,
    person     TEXT NOT NULL,
    made_at    BIGINT NOT NULL,
    PRIMARY KEY (account_id, person)
);

CREATE TABLE pass (
    account_id TEXT NOT NULL REFERENCES account,
    day        TEXT NOT NULL,
    rulebook   TEXT NOT NULL,
    coaches    BIGINT NOT NULL,
    notices    BIGINT NOT NULL,
    made_at    BIGINT NOT NULL,
    PRIMARY KEY (account_id, day)
);

CREATE TABLE forecast (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    run        TEXT NOT NULL,
    part       TEXT NOT NULL,
    on_day     TEXT NOT NULL,
    life_used  DOUBLE PRECISION NOT NULL,
    governing  TEXT NOT NULL,
    early      TEXT NOT NULL,
    likely     TEXT NOT NULL,
    late       TEXT NOT NULL,
    hold       TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id, run, part)
);

CREATE TABLE task (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    task_key   TEXT NOT NULL,
    kind       TEXT NOT NULL,
    run        TEXT NOT NULL,
    earliest   TEXT NOT NULL,
    target     TEXT NOT NULL,
    latest     TEXT NOT NULL,
    why        TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id, task_key)
);
CREATE INDEX task_target ON task (account_id, target);

-- Why the last pass told nobody about a task.
CREATE TABLE suppressed (
    account_id TEXT NOT NULL,
    coach_id   TEXT NOT NULL,
    person     TEXT NOT NULL,
    task_key   TEXT NOT NULL,
    reason     TEXT NOT NULL,
    PRIMARY KEY (account_id, coach_id, person, task_key)
);

CREATE TABLE notice (
    account_id  TEXT NOT NULL REFERENCES account,
    notice_key  TEXT NOT NULL,
    coach_id    TEXT NOT NULL,
    person      TEXT NOT NULL,
    person_name TEXT NOT NULL,
    task_kind   TEXT NOT NULL,
    task_key    TEXT NOT NULL,
    run         TEXT NOT NULL,
    rung        BIGINT NOT NULL,
    target      TEXT NOT NULL,
    why         TEXT NOT NULL,
    covers      TEXT NOT NULL,
    made_on     TEXT NOT NULL,
    not_before  BIGINT NOT NULL,
    message_id  TEXT NOT NULL UNIQUE,
    link_id     TEXT NOT NULL UNIQUE,
    from_name   TEXT NOT NULL,
    reply_to    TEXT NOT NULL,
    stop_link   TEXT NOT NULL,
    subject     TEXT NOT NULL,
    body_text   TEXT NOT NULL,
    body_html   TEXT NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('queued', 'sending', 'retry', 'accepted', 'given_up', 'withdrawn')),
    tries       BIGINT NOT NULL,
    lease_end   BIGINT,
    recalled_at BIGINT,
    reply       TEXT NOT NULL,
    settled_at  BIGINT,
    answered_at BIGINT,
    PRIMARY KEY (account_id, notice_key),
    CHECK ((state = 'sending') = (lease_end IS NOT NULL))
);
CREATE INDEX notice_open ON notice (state, not_before) WHERE state IN ('queued', 'sending', 'retry');
CREATE INDEX notice_coach ON notice (account_id, coach_id, made_on);

CREATE TABLE secret (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
);
