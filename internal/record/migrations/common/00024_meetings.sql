-- +goose Up
-- Meetings of the selection committee. What was done is in meeting_entry, each
-- row chained to the one before it; a meeting's own row is what they come to.
CREATE TABLE meeting (
  id TEXT PRIMARY KEY,
  seq BIGINT NOT NULL,
  head TEXT NOT NULL,
  held_on TEXT NOT NULL,
  state TEXT NOT NULL
);
CREATE INDEX meeting_held ON meeting (held_on, id);

CREATE TABLE meeting_entry (
  meeting_id TEXT NOT NULL,
  seq BIGINT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  body TEXT NOT NULL,
  prev_hash TEXT NOT NULL,
  hash TEXT NOT NULL,
  PRIMARY KEY (meeting_id, seq)
);

-- Letters to candidates, as they were sent. A journey that has ended takes no
-- command any more, and the candidate gets a letter all the same.
CREATE TABLE letter (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  seq BIGINT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  body TEXT NOT NULL,
  prev_hash TEXT NOT NULL,
  hash TEXT NOT NULL,
  PRIMARY KEY (candidate_id, seq)
);
