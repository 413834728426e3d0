-- +goose Up
-- +goose StatementBegin
CREATE TRIGGER incoming_act_no_update BEFORE UPDATE ON incoming_act
BEGIN SELECT RAISE(ABORT, 'what was done with a message is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER incoming_act_no_delete BEFORE DELETE ON incoming_act
BEGIN SELECT RAISE(ABORT, 'what was done with a message is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER incoming_whole BEFORE UPDATE OF channel, sender, control_id, digest, content_type, request, raw, received_at ON incoming
BEGIN SELECT RAISE(ABORT, 'a message stays as it was received'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER incoming_no_delete BEFORE DELETE ON incoming
BEGIN SELECT RAISE(ABORT, 'a message stays as it was received'); END;
-- +goose StatementEnd
