package api

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/protocol"
)

// held sends a message of an unknown person and returns its id.
func (f *fixture) held(t *testing.T, file string) (id, identifier, message string) {
	t.Helper()
	identifier = fix.unique("SYN-HELD")
	message = bundle(t, file, identifier)
	got := fix.must(t, 202, call{method: "POST", path: "/api/intake", as: "laboratory", contentType: fhirJSON, body: message})
	return got["message"].(string), identifier, message
}

func (f *fixture) listed(t *testing.T, as, query string) []string {
	t.Helper()
	var ids []string
	for _, m := range fix.must(t, 200, call{method: "GET", path: "/api/incoming" + query, as: as})["messages"].([]any) {
		ids = append(ids, m.(obj)["id"].(string))
	}
	return ids
}

func TestDecidingOnMessages(t *testing.T) {
	candidate, _ := fix.screened(t)
	id, identifier, message := fix.held(t, "c01-screening.json")
	if !slices.Contains(fix.listed(t, "coordinator", ""), id) || slices.Contains(fix.listed(t, "coordinator", "?state=applied"), id) {
		t.Error("the list is wrong")
	}
	detail := fix.must(t, 200, call{method: "GET", path: "/api/incoming/" + id, as: "coordinator"})
	group := detail["groups"].([]any)[0].(obj)
	if detail["raw"] != message || detail["revision"] != 0.0 || group["identifiers"].([]any)[0].(obj)["value"] != identifier || len(group["results"].([]any)) == 0 {
		t.Errorf("the message is %v", detail)
	}
	system := group["identifiers"].([]any)[0].(obj)["system"].(string)
	decide := func(as, key string, body obj) call {
		return call{method: "POST", path: "/api/incoming/" + id + "/decisions", as: as, key: key, body: encoded(t, body)}
	}
	assign := obj{
		"act": "assign", "revision": 0, "candidate": candidate, "birth_date": "1979-04-02", "reason": "Asked the laboratory.",
		"alias": obj{"system": system, "value": identifier}, "alias_kind": "merged",
	}
	born := fix.read(t, "coordinator", candidate)["identity"].(obj)["birth_date"]
	for _, tt := range []struct {
		member string
		value  any
		status int
		field  string
	}{
		{"birth_date", "1900-01-01", 422, "birth_date"}, {"reason", "", 422, "reason"}, {"act", "guess", 422, "act"}, {"group", 7, 422, "group"},
		{"revision", nil, 422, "revision"}, {"revision", 3, 409, ""}, {"alias_kind", "x", 422, "alias_kind"}, {"more", 1, 400, "more"},
	} {
		body := obj{}
		for name, v := range assign {
			body[name] = v
		}
		body["birth_date"] = born
		body[tt.member] = tt.value
		if tt.value == nil {
			delete(body, tt.member)
		}
		got := fix.must(t, tt.status, decide("coordinator", fix.unique("key"), body))
		if tt.field != "" && !slices.Contains(fields(got), tt.field) {
			t.Errorf("%s: the problem names %v", tt.member, fields(got))
		}
	}
	assign["birth_date"] = born
	fix.must(t, 422, decide("coordinator", "", assign)) // no key
	key := fix.unique("key")
	for range 2 {
		got := fix.must(t, 200, decide("coordinator", key, assign))
		part := got["parts"].([]any)[0].(obj)
		if got["state"] != "applied" || part["candidate"] != candidate || got["revision"] != 1.0 {
			t.Errorf("assigned with %v", got)
		}
	}
	detail = fix.must(t, 200, call{method: "GET", path: "/api/incoming/" + id, as: "coordinator"})
	if act := detail["acts"].([]any)[0].(obj); act["actor"] != "acc-coordinator" || act["reason"] != "Asked the laboratory." || detail["can"] != nil {
		t.Errorf("the message is %v", detail)
	}
	// The number is the candidate's from now on, and a further one can be added.
	path := "/api/candidates/" + candidate + "/identifiers"
	add := call{method: "POST", path: path, as: "coordinator", body: encoded(t, obj{"identifier": obj{"system": "urn:other", "value": identifier}, "kind": "alias", "reason": "On the card."})}
	for range 2 {
		if got := fix.must(t, 201, add)["identifiers"].([]any); len(got) != 2 || got[1].(obj)["recorded_by"] != "acc-coordinator" {
			t.Errorf("the identifiers are %v", got)
		}
	}
	other, _ := fix.screened(t)
	add.path = "/api/candidates/" + other + "/identifiers"
	fix.must(t, 409, add)
	add.body = encoded(t, obj{"identifier": obj{"system": "not a URI", "value": ""}, "kind": "x", "reason": " "})
	if got := fields(fix.must(t, 422, add)); len(got) != 4 {
		t.Errorf("the problem names %v", got)
	}
}

// TestMessagesAreKeptFromTheRecipientsTeam: of one about nobody who is known it
// can't be told whom it is about.
func TestMessagesAreKeptFromTheRecipientsTeam(t *testing.T) {
	recipient := fix.unique("R-incoming")
	if err := fix.store.AddToRecipientTeam(t.Context(), recipient, "acc-recipient-coordinator"); err != nil {
		t.Fatal(err)
	}
	id, _, _ := fix.held(t, "c01-screening.json")
	if slices.Contains(fix.listed(t, "recipient-coordinator", ""), id) {
		t.Error("it is listed")
	}
	fix.must(t, 404, call{method: "GET", path: "/api/incoming/" + id, as: "recipient-coordinator"})
	body := encoded(t, obj{"act": "set-aside", "revision": 0, "reason": "x"})
	fix.must(t, 404, call{method: "POST", path: "/api/incoming/" + id + "/decisions", as: "recipient-coordinator", key: fix.unique("key"), body: body})
	// One about a candidate whom they may see is shown to them.
	candidate, identifier := fix.screened(t)
	message := strings.Replace(bundle(t, "c01-screening.json", identifier), `"status":"final"`, `"status":"preliminary"`, 1)
	fix.must(t, 200, call{method: "POST", path: "/api/intake", as: "coordinator", contentType: fhirJSON, body: message})
	ids := fix.listed(t, "recipient-coordinator", "?state=applied")
	seen := false
	for _, each := range ids {
		detail := fix.must(t, 200, call{method: "GET", path: "/api/incoming/" + each, as: "recipient-coordinator"})
		seen = seen || strings.Contains(fmt.Sprint(detail["parts"]), candidate)
	}
	if !seen {
		t.Error("it is not listed")
	}
}

// TestConfidencesInMessages: a coordinator matches people and does not read what
// was told in confidence.
func TestConfidencesInMessages(t *testing.T) {
	p := protocol.Default()
	deps := fix.deps
	deps.Current = p
	server := serve(deps)
	var code string
	for _, o := range p.Observations {
		if o.Confidential && o.Local {
			code = o.Code
			break
		}
	}
	message := strings.Replace(bundle(t, "c01-screening.json", fix.unique("SYN-PRIVATE")), `"code":"8302-2"`, `"code":"`+code+`"`, 1)
	message = strings.Replace(message, `"system":"http://loinc.org","code":"`+code, `"system":"`+protocol.LocalSystem+`","code":"`+code, 1)
	got := fix.must(t, 202, call{method: "POST", path: "/api/intake", as: "laboratory", contentType: fhirJSON, body: message})
	w := httptest.NewRecorder()
	server.ServeHTTP(w, fix.request(call{method: "GET", path: "/api/incoming/" + got["message"].(string), as: "coordinator"}))
	if w.Code != http.StatusOK || strings.Contains(w.Body.String(), code) || !strings.Contains(w.Body.String(), `"withheld":true`) || strings.Contains(w.Body.String(), `"raw"`) {
		t.Errorf("a coordinator reads %d %s", w.Code, w.Body)
	}
}
