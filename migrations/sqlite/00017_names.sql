-- +goose Up
-- Columns and tables whose names were odd, or meant several things in different tables. A
-- time that a later change moves is changed_at, one that stays is created_at. Programs of
-- before this schema cannot work on it: stop them all first. Later migrations only add.
ALTER TABLE account RENAME COLUMN made_at TO created_at;
ALTER TABLE service RENAME COLUMN said_by TO recorded_by;
ALTER TABLE service RENAME COLUMN made_at TO created_at;
ALTER TABLE reading RENAME COLUMN said_by TO recorded_by;
ALTER TABLE reading RENAME COLUMN made_at TO changed_at;
ALTER TABLE coach_report RENAME COLUMN made_at TO changed_at;
ALTER TABLE answer RENAME COLUMN made_at TO changed_at;
ALTER TABLE opt_out RENAME COLUMN made_at TO created_at;
ALTER TABLE bad_address RENAME COLUMN words TO reply;
ALTER TABLE bad_address RENAME COLUMN made_at TO changed_at;
ALTER TABLE pass RENAME COLUMN made_at TO changed_at;
ALTER TABLE forecast RENAME COLUMN hold TO undated_why;
ALTER TABLE life RENAME COLUMN made_at TO changed_at;
ALTER TABLE rules RENAME COLUMN made_at TO created_at;
ALTER TABLE workshop RENAME COLUMN made_at TO changed_at;
ALTER TABLE campaign RENAME COLUMN words TO body;
ALTER TABLE campaign RENAME COLUMN said_by TO created_by;
ALTER TABLE campaign RENAME COLUMN made_at TO created_at;
ALTER TABLE notice RENAME COLUMN made_on TO created_on;
ALTER TABLE notice RENAME COLUMN settled_at TO finished_at;
ALTER TABLE member RENAME COLUMN made_at TO created_at;
ALTER TABLE one_time RENAME COLUMN made_by TO created_by;
ALTER TABLE one_time RENAME COLUMN until_at TO expires_at;
ALTER TABLE session RENAME COLUMN made_at TO created_at;
ALTER TABLE session RENAME COLUMN until_at TO expires_at;
ALTER TABLE api_token RENAME COLUMN made_by TO created_by;
ALTER TABLE api_token RENAME COLUMN made_at TO created_at;
ALTER TABLE api_token RENAME COLUMN until_at TO expires_at;
ALTER TABLE attachment RENAME COLUMN made_by TO created_by;
ALTER TABLE attachment RENAME COLUMN made_at TO created_at;
ALTER TABLE event RENAME COLUMN made_at TO created_at;
ALTER TABLE endpoint RENAME COLUMN trouble TO last_error;
ALTER TABLE endpoint RENAME COLUMN made_by TO created_by;
ALTER TABLE endpoint RENAME COLUMN made_at TO created_at;
ALTER TABLE calendar RENAME COLUMN made_by TO created_by;
ALTER TABLE calendar RENAME COLUMN made_at TO created_at;
ALTER TABLE calendar_entry RENAME COLUMN words TO description;
ALTER TABLE kept_answer RENAME COLUMN idem_key TO idempotency_key;
ALTER TABLE kept_answer RENAME COLUMN asked TO request_hash;
ALTER TABLE kept_answer RENAME COLUMN made_at TO claimed_at;
ALTER TABLE kept_answer RENAME TO idempotency_record;
ALTER TABLE quiet RENAME TO paused_account;
