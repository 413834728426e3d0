-- +goose Up
-- Systems that ask for tokens by a signed assertion (SMART Backend Services).
-- The row is what stands now; every change of it is in client_change.
CREATE TABLE client (
  id TEXT PRIMARY KEY,
  seq BIGINT NOT NULL,
  head TEXT NOT NULL,
  state TEXT NOT NULL,
  enabled BIGINT NOT NULL,
  created_at TEXT NOT NULL
);

-- Each registration and each change of it, chained like entries.
CREATE TABLE client_change (
  client_id TEXT NOT NULL,
  seq BIGINT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  kind TEXT NOT NULL,
  state TEXT NOT NULL,
  prev_hash TEXT NOT NULL,
  hash TEXT NOT NULL,
  PRIMARY KEY (client_id, seq)
);

-- Assertions that were used. They are remembered until they would have expired
-- anyway, so that none is good twice.
CREATE TABLE assertion (
  client_id TEXT NOT NULL,
  digest TEXT NOT NULL,
  expires_at TEXT NOT NULL,
  PRIMARY KEY (client_id, digest)
);
CREATE INDEX assertion_expires ON assertion (expires_at);

-- A token may be that of a client, and may be good for some scopes only.
ALTER TABLE token ADD COLUMN client_id TEXT NOT NULL DEFAULT '';
ALTER TABLE token ADD COLUMN scopes TEXT NOT NULL DEFAULT '';
CREATE INDEX token_expires ON token (expires_at);
