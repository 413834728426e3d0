-- +goose Up
-- A search value may cover a range, from its value to before its end: a period,
-- a day, or a quantity below a limit. Until now the ends of dates had rows of
-- their own.
CREATE TABLE search_value (
  type TEXT NOT NULL,
  param TEXT NOT NULL,
  value TEXT COLLATE "C" NOT NULL,
  id TEXT COLLATE "C" NOT NULL,
  system TEXT NOT NULL,
  upto TEXT COLLATE "C" NOT NULL,
  PRIMARY KEY (type, param, value, id, system, upto)
);
INSERT INTO search_value
  SELECT x.type, x.param, x.value, x.id, x.system, COALESCE((SELECT e.value FROM resource_index e
    WHERE e.type = x.type AND e.param = x.param || ':end' AND e.id = x.id), '')
  FROM resource_index x WHERE x.param NOT LIKE '%:end';
DROP TABLE resource_index;
ALTER TABLE search_value RENAME TO resource_index;
ALTER TABLE resource_index RENAME CONSTRAINT search_value_pkey TO resource_index_pkey;
CREATE INDEX resource_index_id ON resource_index (type, id, param);
-- What changed last, and in order.
CREATE INDEX resource_updated ON resource (type, updated_at, id);
CREATE INDEX resource_version_updated ON resource_version (type, updated_at, id, version);
-- Ids are in the order of their bytes, as on SQLite: pages go by it.
ALTER TABLE resource ALTER COLUMN id TYPE TEXT COLLATE "C", ALTER COLUMN candidate_id TYPE TEXT COLLATE "C";
ALTER TABLE resource_version ALTER COLUMN id TYPE TEXT COLLATE "C", ALTER COLUMN updated_at TYPE TEXT COLLATE "C";
