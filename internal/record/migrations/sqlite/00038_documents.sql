-- +goose Up
-- Documents that staff bring in from outside, as a chain for each candidate: a row adds
-- one, or says that one was entered in error. The bytes stand apart, under their SHA-256.
CREATE TABLE candidate_document (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  seq BIGINT NOT NULL,
  document_key TEXT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  role TEXT NOT NULL,
  body TEXT NOT NULL,
  prev_hash TEXT NOT NULL,
  hash TEXT NOT NULL,
  PRIMARY KEY (candidate_id, seq),
  UNIQUE (candidate_id, document_key)
);
CREATE TABLE document_file (
  candidate_id TEXT NOT NULL REFERENCES candidate (id),
  digest TEXT NOT NULL,
  data BYTEA NOT NULL,
  PRIMARY KEY (candidate_id, digest)
);

-- Whom the parts of a message are about, so that a candidate's messages are found
-- without reading all.
CREATE TABLE incoming_person (
  candidate_id TEXT NOT NULL,
  message_id TEXT NOT NULL REFERENCES incoming (id),
  PRIMARY KEY (candidate_id, message_id)
);
INSERT INTO incoming_person (candidate_id, message_id)
  SELECT c.id, i.id FROM incoming i JOIN candidate c ON i.parts LIKE '%"candidate":"' || c.id || '"%';

-- +goose StatementBegin
CREATE TRIGGER candidate_document_no_update BEFORE UPDATE ON candidate_document
BEGIN SELECT RAISE(ABORT, 'the table candidate_document is append-only'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER candidate_document_no_delete BEFORE DELETE ON candidate_document
BEGIN SELECT RAISE(ABORT, 'the table candidate_document is append-only'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER document_file_no_update BEFORE UPDATE ON document_file
BEGIN SELECT RAISE(ABORT, 'the table document_file is append-only'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER document_file_no_delete BEFORE DELETE ON document_file
BEGIN SELECT RAISE(ABORT, 'the table document_file is append-only'); END;
-- +goose StatementEnd
