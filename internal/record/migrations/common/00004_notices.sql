-- +goose Up
-- Where people can be written to. It is no part of any entry: what a candidate
-- gave stands beside the identity, so that it can be erased with it.
ALTER TABLE account ADD COLUMN email TEXT NOT NULL DEFAULT '';
ALTER TABLE identity ADD COLUMN email TEXT NOT NULL DEFAULT '';
ALTER TABLE identity ADD COLUMN phone TEXT NOT NULL DEFAULT '';
ALTER TABLE identity ADD COLUMN email_permission TEXT NOT NULL DEFAULT '';

-- Messages that deadlines ask for, written in the transaction of the entry
-- whose deadlines fired. They hold codes and no address: whom a message goes to
-- is looked up when it is sent.
CREATE TABLE notice (
  id TEXT PRIMARY KEY,
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  seq BIGINT NOT NULL,
  deadline TEXT NOT NULL,
  subject TEXT NOT NULL,
  addressee TEXT NOT NULL,
  protocol TEXT NOT NULL,
  text TEXT NOT NULL,
  state TEXT NOT NULL,
  created_at TEXT NOT NULL,
  due_at TEXT NOT NULL,
  attempts BIGINT NOT NULL,
  error TEXT NOT NULL,
  settled_at TEXT NOT NULL,
  claim TEXT NOT NULL,
  claimed_until TEXT NOT NULL,
  UNIQUE (candidate_id, seq, deadline, subject, addressee)
);
CREATE INDEX notice_due ON notice (state, due_at);
CREATE INDEX notice_created ON notice (created_at);

-- Who was reached by a message that goes to several people: a repeated attempt
-- leaves them out. The recipient is an account, or the word candidate.
CREATE TABLE notice_delivery (
  notice_id TEXT NOT NULL REFERENCES notice (id),
  recipient TEXT NOT NULL,
  sent_at TEXT NOT NULL,
  PRIMARY KEY (notice_id, recipient)
);
