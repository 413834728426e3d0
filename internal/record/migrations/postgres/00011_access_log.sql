-- +goose Up
-- Who asked for what, and whom the answer told of. Parameters are kept by name,
-- never by value. Each row's hash covers the one before it.
CREATE TABLE access_log (
  seq BIGINT PRIMARY KEY,
  at TEXT COLLATE "C" NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  credential TEXT NOT NULL,
  interaction TEXT NOT NULL,
  resource_type TEXT NOT NULL,
  resource_id TEXT NOT NULL,
  parameters TEXT NOT NULL,
  candidates TEXT NOT NULL,
  status BIGINT NOT NULL,
  request TEXT NOT NULL,
  address TEXT NOT NULL,
  hash TEXT NOT NULL
);
CREATE INDEX access_log_at ON access_log (at);
CREATE INDEX access_log_actor ON access_log (actor, seq);

-- Finds the rows that name a candidate: what candidates in access_log lists.
CREATE TABLE access_about (
  candidate_id TEXT NOT NULL,
  seq BIGINT NOT NULL,
  PRIMARY KEY (candidate_id, seq)
);

CREATE TRIGGER access_log_append_only BEFORE UPDATE OR DELETE ON access_log
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER access_about_append_only BEFORE UPDATE OR DELETE ON access_about
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER client_change_append_only BEFORE UPDATE OR DELETE ON client_change
  FOR EACH ROW EXECUTE FUNCTION append_only();
