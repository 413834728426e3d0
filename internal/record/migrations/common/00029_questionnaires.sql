-- +goose Up
-- Links by which candidates answer a questionnaire. Only the digest of the secret is
-- kept; at most one link of a candidate has not ended.
CREATE TABLE questionnaire_link (
  digest TEXT PRIMARY KEY,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  questionnaire TEXT NOT NULL,
  created_at TEXT NOT NULL,
  expires_at TEXT NOT NULL,
  ended_at TEXT NOT NULL DEFAULT '',
  sent_at TEXT NOT NULL DEFAULT ''
);
CREATE INDEX questionnaire_link_candidate ON questionnaire_link (candidate_id);
-- What was filled in so far, sealed under a key that follows from the secret of the
-- link: whoever has the database and not the link can't read it. It goes with the link.
CREATE TABLE questionnaire_draft (
  digest TEXT PRIMARY KEY REFERENCES questionnaire_link (digest),
  revision BIGINT NOT NULL,
  body TEXT NOT NULL,
  saved_at TEXT NOT NULL
);
-- Browsers in which the date of birth was given.
CREATE TABLE questionnaire_visit (
  visit TEXT PRIMARY KEY,
  digest TEXT NOT NULL REFERENCES questionnaire_link (digest),
  expires_at TEXT NOT NULL
);
CREATE INDEX questionnaire_visit_link ON questionnaire_visit (digest);
