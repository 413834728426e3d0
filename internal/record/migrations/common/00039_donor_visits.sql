-- +goose Up
-- Browsers in which the date of birth was given for the own page of a candidate or donor.
CREATE TABLE donor_visit (
  visit TEXT PRIMARY KEY,
  digest TEXT NOT NULL REFERENCES donor_link (digest),
  expires_at TEXT NOT NULL
);
CREATE INDEX donor_visit_link ON donor_visit (digest);
