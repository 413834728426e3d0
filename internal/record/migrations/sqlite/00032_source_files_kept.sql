-- +goose Up
-- +goose StatementBegin
CREATE TRIGGER source_file_no_update BEFORE UPDATE ON source_file
BEGIN SELECT RAISE(ABORT, 'a file stays as it was received'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER source_file_no_delete BEFORE DELETE ON source_file
BEGIN SELECT RAISE(ABORT, 'a file stays as it was received'); END;
-- +goose StatementEnd
