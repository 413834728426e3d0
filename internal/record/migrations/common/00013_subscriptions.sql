-- +goose Up
-- Clients that want to be told that something changed. The headers may hold a
-- secret of the client's; they are shown to nobody.
CREATE TABLE subscription (
  id TEXT PRIMARY KEY,
  client TEXT NOT NULL,
  version BIGINT NOT NULL,
  status TEXT NOT NULL,
  created_at TEXT NOT NULL,
  updated_at TEXT NOT NULL,
  -- When it ends by itself; empty is never.
  ends_at TEXT NOT NULL,
  criteria TEXT NOT NULL,
  -- The address of the endpoint that references in the criteria may begin with.
  base TEXT NOT NULL,
  -- What the criteria come to, under the client's grant.
  type TEXT NOT NULL,
  query TEXT NOT NULL,
  -- The narrowing of that grant, by permission.
  granted TEXT NOT NULL,
  reason TEXT NOT NULL,
  contact TEXT NOT NULL,
  endpoint TEXT NOT NULL,
  headers TEXT NOT NULL,
  error TEXT NOT NULL,
  -- Failures in a row, and when it is tried again.
  failures BIGINT NOT NULL,
  due_at TEXT NOT NULL,
  reached_at TEXT NOT NULL,
  claim TEXT NOT NULL,
  claimed_until TEXT NOT NULL
);
CREATE INDEX subscription_client ON subscription (client, id);
CREATE INDEX subscription_status ON subscription (status);

-- What a client has to be told of: a row for each commit that published what it
-- subscribed to, written with it. A row says how much there was, and not what.
CREATE TABLE subscription_event (
  id TEXT PRIMARY KEY,
  subscription_id TEXT NOT NULL REFERENCES subscription (id),
  created_at TEXT NOT NULL,
  resources BIGINT NOT NULL,
  state TEXT NOT NULL,
  attempts BIGINT NOT NULL,
  error TEXT NOT NULL,
  settled_at TEXT NOT NULL,
  claim TEXT NOT NULL
);
CREATE INDEX subscription_event_waiting ON subscription_event (subscription_id, state);
CREATE INDEX subscription_event_created ON subscription_event (created_at);
