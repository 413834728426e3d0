-- +goose Up
-- Links to the donor's own page. Only the digest of the secret is kept; at most
-- one link of a candidate is not revoked.
CREATE TABLE donor_link (
  digest TEXT PRIMARY KEY,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  created_at TEXT NOT NULL,
  expires_at TEXT NOT NULL,
  revoked_at TEXT NOT NULL DEFAULT ''
);
CREATE INDEX donor_link_candidate ON donor_link (candidate_id);
