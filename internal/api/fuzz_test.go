package api

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// FuzzCommandBody decodes bodies of every kind: a refused one must become a
// problem that can be sent, an accepted one must survive being stored.
func FuzzCommandBody(f *testing.F) {
	for _, seed := range []string{
		``, `{}`, `null`, `[]`, `{"note":"x"}`, `{"note":"x"} y`, `{"given":"A","family":"B","birth_date":"1981-03-14","sex":"female","path":"paired","identifier":{"system":"urn:x","value":"1"}}`,
		`{"results":[{"identifier":{"system":"s","value":"v"},"status":"final","code":{"code":"2160-0"},"quantity":{"value":0.72,"unit":"mg/dL"},"effective":"2024-01-02"}]}`,
		`{"results":[{"quantity":{"value":NaN}}]}`, `{"results":[{"quantity":{"value":1e999,"unit":"g"}}]}`,
		`{"requirements":["hba1c"],"verdict":"met"}`, `{"outcome":"approve","side":"left","seats":["surgeon"]}`, "{\"note\":\"\xff\"}",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		for _, kind := range append(journey.Kinds(), journey.Refer) {
			decodeAs(t, kind, raw)
		}
	})
}

func decodeAs(t *testing.T, kind journey.Kind, raw []byte) {
	t.Helper()
	body, err := command.Decode(kind, raw)
	if err != nil {
		var faulty *command.Invalid
		if !errors.As(err, &faulty) {
			t.Fatalf("%s: %T: %v", kind, err, err)
		}
		sendable(t, err)
		return
	}
	stored, hash, err := command.Canonical(kind, "somebody", body)
	if err != nil {
		t.Fatalf("%s: accepted, but can't be stored: %v", kind, err)
	}
	again, err := command.Decode(kind, stored)
	if err != nil {
		t.Fatalf("%s: accepted, but its stored form is refused: %v: %s", kind, err, stored)
	}
	if _, second, err := command.Canonical(kind, "somebody", again); err != nil || second != hash {
		t.Fatalf("%s: the stored form is another command: %s", kind, stored)
	}
}

// sendable checks the problem of a fault of the client.
func sendable(t *testing.T, err error) {
	t.Helper()
	status, p := Problem(err)
	if status != http.StatusBadRequest && status != http.StatusUnprocessableEntity {
		t.Fatalf("%v became %d", err, status)
	}
	if len(p.Errors) == 0 {
		t.Fatalf("%v names no field", err)
	}
	for _, each := range p.Errors {
		if each.Field != "(unnamed)" && !fieldShape.MatchString(each.Field) {
			t.Fatalf("the field %q is repeated", each.Field)
		}
	}
	if _, err := json.Marshal(p); err != nil {
		t.Fatal(err)
	}
}

// FuzzQuery reads query strings: a page that is accepted is within its bounds.
func FuzzQuery(f *testing.F) {
	for _, seed := range []string{
		"", "stage=referral", "stage=limbo", "limit=1", "limit=-1", "limit=9999999999999999999999", "limit=+5", "after=x", "%zz", "a;b",
		"stage=closed&stage=closed", "after=3f2c9f5e-6f0b-5c53-9a54-0d5a1f0c7f11&limit=100", "role=advocate", "role=king", "stage=%00",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, query string) {
		p, err := readPage(query)
		switch {
		case err != nil:
			sendable(t, err)
		case p.limit < 1 || p.limit > maxLimit,
			p.stage != "" && !slices.Contains(journey.Stages, p.stage),
			p.after != "" && !isCandidate(p.after):
			t.Fatalf("%q gives %+v", query, p)
		}
		role, err := readRole(query)
		switch {
		case err != nil:
			sendable(t, err)
		case role != "" && !slices.Contains(journey.Roles, role):
			t.Fatalf("%q gives the role %q", query, role)
		}
	})
}
