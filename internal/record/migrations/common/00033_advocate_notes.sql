-- +goose Up
-- What an independent living donor advocate writes down for themselves. The text is
-- sealed by whoever keeps it here; nobody but its author reads it, and whom the author
-- handed it over to.
CREATE TABLE advocate_note (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  seq BIGINT NOT NULL,
  note_key TEXT NOT NULL,
  at TEXT NOT NULL,
  author TEXT NOT NULL,
  -- How the author met the candidate, and the day; both empty for a thought.
  contact TEXT NOT NULL,
  contact_on TEXT NOT NULL,
  sealed TEXT NOT NULL,
  corrects BIGINT NOT NULL,
  PRIMARY KEY (candidate_id, seq),
  UNIQUE (candidate_id, note_key)
);
CREATE INDEX advocate_note_by ON advocate_note (author, candidate_id);

-- Of each author the newest row counts: who may read the notes up to a number. An empty
-- successor takes it back.
CREATE TABLE advocate_handover (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  seq BIGINT NOT NULL,
  at TEXT NOT NULL,
  author TEXT NOT NULL,
  successor TEXT NOT NULL,
  notes BIGINT NOT NULL,
  PRIMARY KEY (candidate_id, seq)
);
