-- +goose Up
-- +goose StatementBegin
CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'entries are append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'entries are append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER resource_version_no_update BEFORE UPDATE ON resource_version
BEGIN SELECT RAISE(ABORT, 'published versions are immutable'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER resource_version_no_delete BEFORE DELETE ON resource_version
BEGIN SELECT RAISE(ABORT, 'published versions are immutable'); END;
-- +goose StatementEnd
