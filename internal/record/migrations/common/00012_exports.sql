-- +goose Up
-- Exports of published resources: what a client asked for, and what came of it.
-- The rows stay when the files are gone; they tell who took data out, and when.
CREATE TABLE export (
  id TEXT PRIMARY KEY,
  client TEXT NOT NULL,
  request TEXT NOT NULL,
  spec TEXT NOT NULL,
  state TEXT NOT NULL,
  created_at TEXT NOT NULL,
  -- The moment of the snapshot.
  taken_at TEXT NOT NULL,
  finished_at TEXT NOT NULL,
  expires_at TEXT NOT NULL,
  done BIGINT NOT NULL,
  total BIGINT NOT NULL,
  attempts BIGINT NOT NULL,
  error TEXT NOT NULL,
  -- The claim under which the files were written, or are being written.
  claim TEXT NOT NULL,
  claimed_until TEXT NOT NULL
);
CREATE INDEX export_state ON export (state, created_at);
CREATE INDEX export_client ON export (client, state);

CREATE TABLE export_file (
  export_id TEXT NOT NULL REFERENCES export (id),
  name TEXT NOT NULL,
  position BIGINT NOT NULL,
  section TEXT NOT NULL,
  type TEXT NOT NULL,
  resources BIGINT NOT NULL,
  -- The sizes of its chunks, as they are read and as they are kept.
  chunks TEXT NOT NULL,
  PRIMARY KEY (export_id, name)
);

-- The chunks themselves, where the processes share no folder.
CREATE TABLE export_chunk (
  claim TEXT NOT NULL,
  file BIGINT NOT NULL,
  position BIGINT NOT NULL,
  data BYTEA NOT NULL,
  PRIMARY KEY (claim, file, position)
);

-- The ends of resources, for exports of what changed.
CREATE INDEX resource_version_deleted ON resource_version (updated_at) WHERE body = '';
