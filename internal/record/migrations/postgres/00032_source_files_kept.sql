-- +goose Up
CREATE TRIGGER source_file_append_only BEFORE UPDATE OR DELETE ON source_file
  FOR EACH ROW EXECUTE FUNCTION append_only();
