-- +goose Up
CREATE TRIGGER advocate_note_append_only BEFORE UPDATE OR DELETE ON advocate_note
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER advocate_handover_append_only BEFORE UPDATE OR DELETE ON advocate_handover
  FOR EACH ROW EXECUTE FUNCTION append_only();
