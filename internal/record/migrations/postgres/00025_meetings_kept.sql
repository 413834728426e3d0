-- +goose Up
-- Among equals the bytes decide, as on SQLite.
ALTER TABLE meeting ALTER COLUMN held_on TYPE TEXT COLLATE "C";
CREATE TRIGGER meeting_entry_append_only BEFORE UPDATE OR DELETE ON meeting_entry
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER letter_append_only BEFORE UPDATE OR DELETE ON letter
  FOR EACH ROW EXECUTE FUNCTION append_only();
