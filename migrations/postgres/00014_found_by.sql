-- +goose Up
-- The page of notices shows the newest of an account, and an answer takes back those about
-- its task: both read the account's whole history of messages without these.
CREATE INDEX notice_made ON notice (account_id, made_on DESC, notice_key);
CREATE INDEX notice_task ON notice (account_id, task_key);
