-- +goose Up
-- +goose StatementBegin
CREATE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$;
-- +goose StatementEnd
CREATE TRIGGER entry_append_only BEFORE UPDATE OR DELETE ON entry
  FOR EACH ROW EXECUTE FUNCTION append_only();
CREATE TRIGGER resource_version_append_only BEFORE UPDATE OR DELETE ON resource_version
  FOR EACH ROW EXECUTE FUNCTION append_only();
