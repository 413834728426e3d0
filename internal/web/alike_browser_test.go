package web

import (
	"strings"
	"testing"
)

// TestAlikeBrowser refers somebody who is on record already, and somebody who only looks so.
func TestAlikeBrowser(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	w.day("2026-07-20")
	w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0006", "R-771")
	w.refer("Ottilia", "Fjällgren-Holm", "1979-02-05", "female", "SYN-0016", "")
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	s.open("/candidates/new")
	for id, value := range map[string]string{
		"given": "Ottilie", "family": "Fjellgrenn", "birth_date": "1979-05-02", "sex": "female",
		"identifier_system": "urn:oid:1.2.36.146.595.217.0.1", "identifier_value": "SYN-0060", "path-2": "nondirected",
	} {
		s.set("refer-"+id, value)
	}
	if _, problem := s.send("refer-given"); !strings.Contains(problem, "may be a duplicate") {
		t.Fatalf("a likely duplicate: %q", problem)
	}
	s.focuses("errors")
	s.check("referral-alike")
	s.narrow("referral-alike")
	s.keep("referral-alike")
	s.set("refer-distinct_reason", "Twins: both have called.")
	if notice, problem := s.send("refer-distinct_reason"); notice == "" {
		t.Fatalf("another person: %s", problem)
	}
	s.check("candidate-alike")
}
