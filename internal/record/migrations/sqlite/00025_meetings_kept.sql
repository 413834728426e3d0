-- +goose Up
-- +goose StatementBegin
CREATE TRIGGER meeting_entry_no_update BEFORE UPDATE ON meeting_entry
BEGIN SELECT RAISE(ABORT, 'the table meeting_entry is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER meeting_entry_no_delete BEFORE DELETE ON meeting_entry
BEGIN SELECT RAISE(ABORT, 'the table meeting_entry is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER letter_no_update BEFORE UPDATE ON letter
BEGIN SELECT RAISE(ABORT, 'the table letter is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER letter_no_delete BEFORE DELETE ON letter
BEGIN SELECT RAISE(ABORT, 'the table letter is append-only'); END;
-- +goose StatementEnd
