-- +goose Up
-- A search value may cover a range, from its value to before its end: a period,
-- a day, or a quantity below a limit. Until now the ends of dates had rows of
-- their own.
CREATE TABLE search_value (
  type TEXT NOT NULL,
  param TEXT NOT NULL,
  value TEXT NOT NULL,
  id TEXT NOT NULL,
  system TEXT NOT NULL,
  upto TEXT NOT NULL,
  PRIMARY KEY (type, param, value, id, system, upto)
) WITHOUT ROWID;
INSERT INTO search_value
  SELECT x.type, x.param, x.value, x.id, x.system, COALESCE((SELECT e.value FROM resource_index e
    WHERE e.type = x.type AND e.param = x.param || ':end' AND e.id = x.id), '')
  FROM resource_index x WHERE x.param NOT LIKE '%:end';
DROP TABLE resource_index;
ALTER TABLE search_value RENAME TO resource_index;
CREATE INDEX resource_index_id ON resource_index (type, id, param);
-- What changed last, and in order.
CREATE INDEX resource_updated ON resource (type, updated_at, id);
CREATE INDEX resource_version_updated ON resource_version (type, updated_at, id, version);
