-- +goose Up
-- Versions before this one are not served any more: a later one was published
-- to take back what they tell.
ALTER TABLE resource ADD COLUMN served_from BIGINT NOT NULL DEFAULT 1;

-- What sorted searches found, for as long as their pages may be read.
CREATE TABLE kept_order (
  id TEXT NOT NULL,
  block BIGINT NOT NULL,
  ids TEXT NOT NULL,
  total BIGINT NOT NULL,
  expires_at TEXT NOT NULL,
  PRIMARY KEY (id, block)
);
CREATE INDEX kept_order_expires ON kept_order (expires_at);
