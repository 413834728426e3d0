-- +goose Up
CREATE TABLE protocol (
  version TEXT PRIMARY KEY,
  digest TEXT NOT NULL,
  source TEXT NOT NULL,
  stored_at TEXT NOT NULL
);

CREATE TABLE candidate (
  id TEXT PRIMARY KEY,
  protocol TEXT NOT NULL REFERENCES protocol (version),
  path TEXT NOT NULL,
  recipient TEXT NOT NULL,
  stage TEXT NOT NULL,
  open BIGINT NOT NULL,
  worst_band TEXT NOT NULL,
  advocate TEXT NOT NULL,
  seq BIGINT NOT NULL,
  head TEXT NOT NULL,
  referred_on TEXT NOT NULL,
  next_kind TEXT NOT NULL,
  next_subject TEXT NOT NULL,
  next_on TEXT NOT NULL,
  next_at TEXT NOT NULL,
  state TEXT NOT NULL,
  flags TEXT NOT NULL,
  updated_at TEXT NOT NULL
);
CREATE INDEX candidate_open ON candidate (open, id);
CREATE INDEX candidate_advocate ON candidate (advocate, id);

-- Identity is kept apart from the chained entries, so that it can be erased by
-- law without breaking the chain.
CREATE TABLE identity (
  candidate_id TEXT PRIMARY KEY REFERENCES candidate (id),
  given TEXT NOT NULL,
  family TEXT NOT NULL,
  birth_date TEXT NOT NULL,
  sex TEXT NOT NULL,
  identifier_system TEXT NOT NULL,
  identifier_value TEXT NOT NULL,
  UNIQUE (identifier_system, identifier_value)
);
CREATE INDEX identity_name ON identity (family, given);
CREATE INDEX identity_birth ON identity (birth_date);

CREATE TABLE entry (
  candidate_id TEXT NOT NULL,
  seq BIGINT NOT NULL,
  command_id TEXT NOT NULL,
  command_hash TEXT NOT NULL,
  kind TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  occurred_at TEXT NOT NULL,
  recorded_at TEXT NOT NULL,
  body TEXT NOT NULL,
  event TEXT NOT NULL,
  prev_hash TEXT NOT NULL,
  hash TEXT NOT NULL,
  PRIMARY KEY (candidate_id, seq),
  UNIQUE (candidate_id, command_id)
);

-- Commands wait here until the workflow commits them: the engine's history
-- holds their ids only.
CREATE TABLE staged (
  candidate_id TEXT NOT NULL,
  command_id TEXT NOT NULL,
  command_hash TEXT NOT NULL,
  attempt TEXT NOT NULL,
  body TEXT NOT NULL,
  received_at TEXT NOT NULL,
  PRIMARY KEY (candidate_id, command_id)
);

CREATE TABLE result (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  id TEXT NOT NULL,
  version BIGINT NOT NULL,
  current BIGINT NOT NULL,
  seq BIGINT NOT NULL,
  identifier_system TEXT NOT NULL,
  identifier_value TEXT NOT NULL,
  code TEXT NOT NULL,
  status TEXT NOT NULL,
  collected_on TEXT NOT NULL,
  body TEXT NOT NULL,
  PRIMARY KEY (id, version)
);
CREATE INDEX result_candidate ON result (candidate_id, current);
CREATE UNIQUE INDEX result_source ON result (identifier_system, identifier_value, version);

CREATE TABLE resource (
  type TEXT NOT NULL,
  id TEXT NOT NULL,
  version BIGINT NOT NULL,
  candidate_id TEXT NOT NULL,
  updated_at TEXT NOT NULL,
  digest TEXT NOT NULL,
  body TEXT NOT NULL,
  PRIMARY KEY (type, id)
);
CREATE INDEX resource_candidate ON resource (candidate_id, type, id);

CREATE TABLE resource_version (
  type TEXT NOT NULL,
  id TEXT NOT NULL,
  version BIGINT NOT NULL,
  updated_at TEXT NOT NULL,
  body TEXT NOT NULL,
  PRIMARY KEY (type, id, version)
);

CREATE TABLE resource_index (
  type TEXT NOT NULL,
  param TEXT NOT NULL,
  value TEXT NOT NULL,
  id TEXT NOT NULL,
  system TEXT NOT NULL,
  PRIMARY KEY (type, param, value, id, system)
);
CREATE INDEX resource_index_id ON resource_index (type, id);

CREATE TABLE account (
  id TEXT PRIMARY KEY,
  username TEXT NOT NULL UNIQUE,
  name TEXT NOT NULL,
  role TEXT NOT NULL,
  password TEXT NOT NULL,
  created_at TEXT NOT NULL,
  disabled_at TEXT NOT NULL DEFAULT ''
);

CREATE TABLE session (
  digest TEXT PRIMARY KEY,
  account_id TEXT NOT NULL REFERENCES account (id),
  expires_at TEXT NOT NULL
);
CREATE INDEX session_account ON session (account_id);

CREATE TABLE token (
  digest TEXT PRIMARY KEY,
  id TEXT NOT NULL UNIQUE,
  role TEXT NOT NULL,
  account_id TEXT NOT NULL,
  created_at TEXT NOT NULL,
  expires_at TEXT NOT NULL
);

CREATE TABLE recipient_team (
  recipient TEXT NOT NULL,
  account_id TEXT NOT NULL REFERENCES account (id),
  PRIMARY KEY (recipient, account_id)
);
CREATE INDEX recipient_team_account ON recipient_team (account_id);

CREATE TABLE setting (
  name TEXT PRIMARY KEY,
  value TEXT NOT NULL
);
