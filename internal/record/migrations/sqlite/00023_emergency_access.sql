-- +goose Up
-- Who opened a candidate in an emergency whom they are kept from otherwise, with the
-- reason that they gave and until when. Each row's hash covers the one before it.
CREATE TABLE emergency_access (
  seq BIGINT PRIMARY KEY,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  reason TEXT NOT NULL,
  at TEXT NOT NULL,
  until TEXT NOT NULL,
  hash TEXT NOT NULL
);
CREATE INDEX emergency_access_candidate ON emergency_access (candidate_id, seq);
CREATE INDEX emergency_access_actor ON emergency_access (actor, until);
CREATE INDEX emergency_access_at ON emergency_access (at);

-- +goose StatementBegin
CREATE TRIGGER emergency_access_no_update BEFORE UPDATE ON emergency_access
BEGIN SELECT RAISE(ABORT, 'emergency accesses are append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER emergency_access_no_delete BEFORE DELETE ON emergency_access
BEGIN SELECT RAISE(ABORT, 'emergency accesses are append-only'); END;
-- +goose StatementEnd
