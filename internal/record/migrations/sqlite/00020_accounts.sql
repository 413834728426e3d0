-- +goose Up
-- What stands of an account, with the end of the chain of its changes. A password
-- that somebody else chose has to be changed by its owner. The link is the same
-- person at the identity provider, as an administrator entered it.
ALTER TABLE account ADD COLUMN seq BIGINT NOT NULL DEFAULT 0;
ALTER TABLE account ADD COLUMN head TEXT NOT NULL DEFAULT '';
ALTER TABLE account ADD COLUMN must_change BIGINT NOT NULL DEFAULT 0;
ALTER TABLE account ADD COLUMN second_factor BIGINT NOT NULL DEFAULT 0;
ALTER TABLE account ADD COLUMN link_issuer TEXT NOT NULL DEFAULT '';
ALTER TABLE account ADD COLUMN link_subject TEXT NOT NULL DEFAULT '';
ALTER TABLE account ADD COLUMN link_email TEXT NOT NULL DEFAULT '';
CREATE UNIQUE INDEX account_link_subject ON account (link_issuer, link_subject) WHERE link_subject <> '';
CREATE UNIQUE INDEX account_link_email ON account (link_issuer, link_email) WHERE link_email <> '';

-- Each change of an account, chained like entries. Passwords and secrets are in none.
CREATE TABLE account_change (
  account_id TEXT NOT NULL,
  seq BIGINT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  kind TEXT NOT NULL,
  state TEXT NOT NULL,
  prev_hash TEXT NOT NULL,
  hash TEXT NOT NULL,
  PRIMARY KEY (account_id, seq)
);
CREATE INDEX account_change_at ON account_change (at);

-- A session ends at expires_at, and at idle_at unless it is used before. Those from
-- before this have no idle_at and have ended.
ALTER TABLE session ADD COLUMN started_at TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN used_at TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN idle_at TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN agent TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN strong BIGINT NOT NULL DEFAULT 0;

-- +goose StatementBegin
CREATE TRIGGER account_change_no_update BEFORE UPDATE ON account_change
BEGIN SELECT RAISE(ABORT, 'changes of accounts are append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER account_change_no_delete BEFORE DELETE ON account_change
BEGIN SELECT RAISE(ABORT, 'changes of accounts are append-only'); END;
-- +goose StatementEnd
