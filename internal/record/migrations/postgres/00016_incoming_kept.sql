-- +goose Up
-- Among equals the bytes decide, as on SQLite.
ALTER TABLE incoming ALTER COLUMN received_at TYPE TEXT COLLATE "C";
ALTER TABLE incoming ALTER COLUMN due_at TYPE TEXT COLLATE "C";
ALTER TABLE incoming ALTER COLUMN claimed_until TYPE TEXT COLLATE "C";
CREATE TRIGGER incoming_act_append_only BEFORE UPDATE OR DELETE ON incoming_act
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER incoming_whole BEFORE UPDATE OF channel, sender, control_id, digest, content_type, request, raw, received_at ON incoming
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER incoming_no_delete BEFORE DELETE ON incoming
  FOR EACH ROW EXECUTE FUNCTION append_only();
