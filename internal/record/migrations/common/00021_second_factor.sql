-- +goose Up
-- What is between a right password, or the way to an identity provider, and a
-- session. Only the digest of what the browser holds is kept, and a row is used once.
CREATE TABLE sign_in_step (
  digest TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  account_id TEXT NOT NULL,
  data TEXT NOT NULL,
  expires_at TEXT NOT NULL
);
CREATE INDEX sign_in_step_expires ON sign_in_step (expires_at);

-- The secret of a second factor, sealed with the payload keys. A pending one is no
-- factor until a code of it was entered. Codes of last_step and before were used.
CREATE TABLE second_factor (
  account_id TEXT PRIMARY KEY REFERENCES account (id),
  secret TEXT NOT NULL,
  pending TEXT NOT NULL,
  last_step BIGINT NOT NULL
);

-- Digests of codes that each stand in for the second factor once.
CREATE TABLE recovery_code (
  account_id TEXT NOT NULL REFERENCES account (id),
  digest TEXT NOT NULL,
  used_at TEXT NOT NULL DEFAULT '',
  PRIMARY KEY (account_id, digest)
);
