package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// keepNext stores a later version, in which the fasting glucose has a lower
// limit and a review is new.
func keepNext(t *testing.T, version string) *protocol.Protocol {
	t.Helper()
	text := strings.NewReplacer(
		`version: "`+fix.protocol.Version+`"`, "version: "+version+"\napproved_by: Committee of the tests\napproved_on: 2026-01-15",
		"\nrequirements:\n", `
requirements:
  - id: dental-review
    title: Review of the teeth
    domain: history
    gate: committee
    evidence: review
    signer: clinician
    source: invented for this test
`).Replace(fix.protocol.Source())
	p, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := fix.store.KeepProtocol(t.Context(), p.Version, p.Digest(), p.Source()); err != nil {
		t.Fatal(err)
	}
	return p
}

// waiting asks for the whole preview, a few at a time.
func waiting(t *testing.T, version string) (changes []obj) {
	t.Helper()
	path := "/api/protocol/move?limit=3&to=" + version
	for after := ""; ; {
		got := fix.must(t, http.StatusOK, call{method: "GET", path: path + after, as: "administrator"})
		for _, each := range got["candidates"].([]any) {
			changes = append(changes, each.(obj))
		}
		next, ok := got["next"].(string)
		if !ok {
			if n := int(got["waiting"].(float64)); n != len(changes) {
				t.Errorf("%d are waiting, but %d are listed", n, len(changes))
			}
			return changes
		}
		after = "&after=" + next
	}
}

// TestMove previews a move, gives it, and looks at what the candidate's page and
// the preview say afterwards.
func TestMove(t *testing.T) {
	id, _ := fix.evaluated(t)
	fix.screened(t)
	next := keepNext(t, "test.move-1")
	before := waiting(t, next.Version)
	i := slices.IndexFunc(before, func(c obj) bool { return c["candidate"] == id })
	if i < 0 || before[i]["from"] != fix.protocol.Version || !slices.Contains(before[i]["gained"].([]any), any("dental-review")) {
		t.Fatalf("the preview says %v", before)
	}
	for _, c := range before {
		if encoded(t, c) == "" || strings.Contains(encoded(t, c), "name") {
			t.Errorf("the preview names somebody: %v", c)
		}
	}
	move := call{method: "POST", path: commandPath(id, journey.MoveProtocol), as: "administrator", key: fix.unique("key"), body: `{"version":"test.move-1","reason":"told in confidence"}`}
	first := fix.must(t, http.StatusOK, move)
	if again := fix.must(t, http.StatusOK, move); again["repeated"] != true || again["seq"] != first["seq"] {
		t.Errorf("the same command again is answered %v", again)
	}
	move.key = fix.unique("key")
	if answer := fix.do(t, move); answer.Code != http.StatusConflict || !strings.Contains(answer.Body.String(), "is on protocol version test.move-1 already") {
		t.Errorf("got %d %s", answer.Code, answer.Body)
	}
	move.body = `{"version":"nowhere"}`
	if answer := fix.do(t, move); answer.Code != http.StatusUnprocessableEntity || !strings.Contains(answer.Body.String(), `"accepted":["test.move-1"`) {
		t.Errorf("got %d %s", answer.Code, answer.Body)
	}
	if after := waiting(t, next.Version); len(after) != len(before)-1 || slices.ContainsFunc(after, func(c obj) bool { return c["candidate"] == id }) {
		t.Errorf("%d are waiting after the move, %d before it", len(after), len(before))
	}
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates/" + id, as: "clinician"})
	if got["protocol"] != next.Version {
		t.Errorf("the candidate is on %v", got["protocol"])
	}
	last := got["timeline"].([]any)[int(first["seq"].(float64))-1].(obj)
	if last["kind"] != "move-protocol" || last["body"].(obj)["from"] != fix.protocol.Version || last["role"] != "administrator" {
		t.Errorf("the entry is %v", last)
	}
	audited := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates/" + id, as: "auditor"})
	if strings.Contains(encoded(t, audited), "told in confidence") {
		t.Error("an auditor reads the reason")
	}
	// The candidate goes on by the new version.
	fix.must(t, http.StatusOK, call{method: "POST", path: commandPath(id, journey.RecordReview), as: "clinician", key: fix.unique("key"), body: `{"requirement":"dental-review","position":"supports"}`})
}

func TestMovePreviewQuery(t *testing.T) {
	for query, field := range map[string]string{
		"": "to", "to=nowhere": "to", "to=" + fix.protocol.Version + "&from=nowhere": "from",
		"to=x&to=y": "to", "to=" + fix.protocol.Version + "&limit=0": "limit", "to=" + fix.protocol.Version + "&after=x": "after", "to=x&other=1": "query",
	} {
		answer := fix.do(t, call{method: "GET", path: "/api/protocol/move?" + query, as: "administrator"})
		if answer.Code != http.StatusBadRequest || !strings.Contains(answer.Body.String(), `"field":"`+field+`"`) {
			t.Errorf("%q: %d %s", query, answer.Code, answer.Body)
		}
	}
}

func TestProtocols(t *testing.T) {
	keepNext(t, "test.listed-1")
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/protocols", as: "administrator"})
	var current, listed obj
	for _, each := range got["protocols"].([]any) {
		switch v := each.(obj); v["version"] {
		case fix.protocol.Version:
			current = v
		case "test.listed-1":
			listed = v
		}
	}
	if current["current"] != true || current["digest"] != fix.protocol.Digest() || current["open"].(float64) < 1 {
		t.Errorf("the current version is %v", current)
	}
	if listed["approved_by"] != "Committee of the tests" || listed["approved_on"] != "2026-01-15" || listed["open"] != 0.0 {
		t.Errorf("the other version is %v", listed)
	}
}
