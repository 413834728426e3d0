-- +goose Up
-- What stands of every published resource, apart from its body: a command asks
-- for all of a candidate's at once. The memo is the publisher's own, and indexed
-- the digest of the search values.
CREATE TABLE resource_standing (
  candidate_id TEXT NOT NULL,
  type TEXT NOT NULL,
  id TEXT NOT NULL,
  version BIGINT NOT NULL,
  digest TEXT NOT NULL,
  indexed TEXT NOT NULL,
  memo TEXT NOT NULL,
  PRIMARY KEY (candidate_id, type, id)
);
INSERT INTO resource_standing SELECT candidate_id, type, id, version, digest, '', '' FROM resource;
