-- +goose Up
-- The trail of every candidate is read by when its entries were recorded.
CREATE INDEX entry_recorded ON entry (recorded_at, candidate_id, seq);
