-- +goose Up
-- Who asked for what, and whom the answer told of. Parameters are kept by name,
-- never by value. Each row's hash covers the one before it.
CREATE TABLE access_log (
  seq INTEGER PRIMARY KEY,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  credential TEXT NOT NULL,
  interaction TEXT NOT NULL,
  resource_type TEXT NOT NULL,
  resource_id TEXT NOT NULL,
  parameters TEXT NOT NULL,
  candidates TEXT NOT NULL,
  status INTEGER NOT NULL,
  request TEXT NOT NULL,
  address TEXT NOT NULL,
  hash TEXT NOT NULL
);
CREATE INDEX access_log_at ON access_log (at);
CREATE INDEX access_log_actor ON access_log (actor, seq);

-- Finds the rows that name a candidate: what candidates in access_log lists.
CREATE TABLE access_about (
  candidate_id TEXT NOT NULL,
  seq INTEGER NOT NULL,
  PRIMARY KEY (candidate_id, seq)
) WITHOUT ROWID;

-- +goose StatementBegin
CREATE TRIGGER access_log_no_update BEFORE UPDATE ON access_log
BEGIN SELECT RAISE(ABORT, 'the access log is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER access_log_no_delete BEFORE DELETE ON access_log
BEGIN SELECT RAISE(ABORT, 'the access log is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER access_about_no_update BEFORE UPDATE ON access_about
BEGIN SELECT RAISE(ABORT, 'the access log is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER access_about_no_delete BEFORE DELETE ON access_about
BEGIN SELECT RAISE(ABORT, 'the access log is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER client_change_no_update BEFORE UPDATE ON client_change
BEGIN SELECT RAISE(ABORT, 'changes of clients are append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER client_change_no_delete BEFORE DELETE ON client_change
BEGIN SELECT RAISE(ABORT, 'changes of clients are append-only'); END;
-- +goose StatementEnd
