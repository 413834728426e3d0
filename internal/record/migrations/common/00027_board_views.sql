-- +goose Up
-- What somebody narrows the list of candidates to, under a name. It holds no name that
-- was searched for, and no candidate.
CREATE TABLE board_view (
  id TEXT PRIMARY KEY,
  account_id TEXT NOT NULL REFERENCES account (id),
  name TEXT NOT NULL,
  query TEXT NOT NULL,
  created_at TEXT NOT NULL,
  UNIQUE (account_id, name)
);
