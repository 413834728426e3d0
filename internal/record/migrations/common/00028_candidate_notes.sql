-- +goose Up
-- Notes of the people who look after a candidate. They are in no entry and published
-- nowhere; a note is never changed, and a later one may correct it.
CREATE TABLE candidate_note (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  seq BIGINT NOT NULL,
  note_key TEXT NOT NULL,
  at TEXT NOT NULL,
  author TEXT NOT NULL,
  role TEXT NOT NULL,
  kind TEXT NOT NULL,
  text TEXT NOT NULL,
  corrects BIGINT NOT NULL,
  PRIMARY KEY (candidate_id, seq),
  UNIQUE (candidate_id, note_key)
);
