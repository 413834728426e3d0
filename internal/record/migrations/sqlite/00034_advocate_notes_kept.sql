-- +goose Up
-- +goose StatementBegin
CREATE TRIGGER advocate_note_no_update BEFORE UPDATE ON advocate_note
BEGIN SELECT RAISE(ABORT, 'a note stays as it was written'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER advocate_note_no_delete BEFORE DELETE ON advocate_note
BEGIN SELECT RAISE(ABORT, 'a note stays as it was written'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER advocate_handover_no_update BEFORE UPDATE ON advocate_handover
BEGIN SELECT RAISE(ABORT, 'a handing over stays as it was'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER advocate_handover_no_delete BEFORE DELETE ON advocate_handover
BEGIN SELECT RAISE(ABORT, 'a handing over stays as it was'); END;
-- +goose StatementEnd
