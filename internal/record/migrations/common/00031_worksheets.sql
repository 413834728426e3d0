-- +goose Up
-- What somebody has typed into a worksheet and not recorded yet: theirs alone, and
-- no part of the record.
CREATE TABLE worksheet_draft (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  account_id TEXT NOT NULL,
  worksheet TEXT NOT NULL,
  body TEXT NOT NULL,
  changed_at TEXT NOT NULL,
  PRIMARY KEY (candidate_id, account_id, worksheet)
);

-- Files that results were read from, as they came, so that they can be read again.
-- A file is known by the SHA-256 of its bytes, and is one candidate's.
CREATE TABLE source_file (
  digest TEXT PRIMARY KEY,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  kind TEXT NOT NULL,
  data BYTEA NOT NULL,
  received_at TEXT NOT NULL,
  received_by TEXT NOT NULL
);
CREATE INDEX source_file_of ON source_file (candidate_id, received_at);
