-- +goose Up
-- Prefixes and ranges compare bytes, as on SQLite, whatever the language of the
-- database: in most of them a hyphen does not count and an accent hardly does.
ALTER TABLE resource_index ALTER COLUMN value TYPE TEXT COLLATE "C";
ALTER TABLE resource ALTER COLUMN updated_at TYPE TEXT COLLATE "C";
