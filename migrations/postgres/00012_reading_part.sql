-- +goose Up
-- Two parts of one edge are read separately: the part belongs to what a reading is of.
ALTER TABLE reading DROP CONSTRAINT reading_pkey,
    ADD PRIMARY KEY (account_id, coach_id, day, kind, slide, run, part, said_by);
