-- +goose Up
-- Messages of laboratories and of other systems, whole, from the moment they are
-- acknowledged. They hold names, and stand nowhere else.
CREATE TABLE incoming (
  id TEXT PRIMARY KEY,
  channel TEXT NOT NULL,
  sender TEXT NOT NULL,
  control_id TEXT NOT NULL,
  digest TEXT NOT NULL,
  content_type TEXT NOT NULL,
  request TEXT NOT NULL,
  raw BYTEA NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  sent_at TEXT NOT NULL,
  received_at TEXT NOT NULL,
  state TEXT NOT NULL,
  rejected BIGINT NOT NULL,
  issues TEXT NOT NULL,
  parts TEXT NOT NULL,
  decisions TEXT NOT NULL,
  revision BIGINT NOT NULL,
  attempts BIGINT NOT NULL,
  due_at TEXT NOT NULL,
  claim TEXT NOT NULL,
  claimed_until TEXT NOT NULL,
  changed_at TEXT NOT NULL,
  UNIQUE (channel, sender, control_id, digest)
);
CREATE INDEX incoming_waiting ON incoming (state, due_at);
CREATE INDEX incoming_arrived ON incoming (state, received_at, id);

-- What people did with a message, and why. The key makes a form that is sent
-- twice one act.
CREATE TABLE incoming_act (
  message_id TEXT NOT NULL REFERENCES incoming (id),
  seq BIGINT NOT NULL,
  act_key TEXT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  kind TEXT NOT NULL,
  reason TEXT NOT NULL,
  detail TEXT NOT NULL,
  PRIMARY KEY (message_id, seq),
  UNIQUE (message_id, act_key)
);

-- Further numbers of a candidate: those of another authority, and those that a
-- merge left behind. Like the identity they stand in no entry.
CREATE TABLE candidate_identifier (
  identifier_system TEXT NOT NULL,
  identifier_value TEXT NOT NULL,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  kind TEXT NOT NULL,
  reason TEXT NOT NULL,
  recorded_by TEXT NOT NULL,
  recorded_at TEXT NOT NULL,
  PRIMARY KEY (identifier_system, identifier_value)
);
CREATE INDEX candidate_identifier_of ON candidate_identifier (candidate_id);

-- Reports of a result that came after a newer one. They are kept, and change
-- nothing.
CREATE TABLE result_outdated (
  result_id TEXT NOT NULL,
  seq BIGINT NOT NULL,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  body TEXT NOT NULL,
  PRIMARY KEY (result_id, seq)
);
CREATE INDEX result_outdated_candidate ON result_outdated (candidate_id);
