package api

import (
	"encoding/json"
	"net/http"
	"testing"
)

// TestMeetings plans a meeting, sets its agenda and says who is there. Each
// answer is held against the document by the fixture.
func TestMeetings(t *testing.T) {
	id, _ := fix.screened(t)
	text := func(body map[string]any) string {
		raw, err := json.Marshal(body)
		if err != nil {
			t.Fatal(err)
		}
		return string(raw)
	}
	plan := map[string]any{"kind": "plan", "seen": 0, "plan": map[string]any{"on": "2026-09-18", "time": "13:00", "chair": "acc-committee"}}
	planned := fix.must(t, http.StatusCreated, call{method: "POST", path: "/api/meetings", as: "coordinator", key: "plan-1", body: text(plan)})
	path := "/api/meetings/" + planned["id"].(string)
	again := fix.must(t, http.StatusOK, call{method: "POST", path: "/api/meetings", as: "coordinator", key: "plan-1", body: text(plan)})
	if again["id"] != planned["id"] {
		t.Errorf("the same key planned %v and %v", planned["id"], again["id"])
	}
	change := func(as string, status int, body map[string]any) map[string]any {
		t.Helper()
		return fix.must(t, status, call{method: "POST", path: path + "/changes", as: as, body: text(body)})
	}
	change("coordinator", 422, map[string]any{"kind": "decide", "seen": 0})
	change("coordinator", 422, map[string]any{"kind": "plan", "seen": 1, "plan": map[string]any{"on": "2026-09-18", "chair": "acc-clinician"}})
	change("coordinator", 404, map[string]any{"kind": "agenda", "seen": 0, "agenda": []string{"00000000-0000-4000-8000-000000000000"}})
	change("coordinator", 200, map[string]any{"kind": "agenda", "seen": 0, "agenda": []string{id}})
	change("coordinator", 409, map[string]any{"kind": "agenda", "seen": 0, "agenda": []string{id}})
	change("clinician", 403, map[string]any{"kind": "agenda", "seen": 2, "agenda": []string{id}})
	change("coordinator", 422, map[string]any{"kind": "attendance", "seen": 0, "attended": []map[string]any{{"account": "acc-nobody"}}})
	change("committee", 200, map[string]any{"kind": "attendance", "seen": 0, "attended": []map[string]any{
		{"account": "acc-committee"}, {"account": "acc-clinician", "seat": "nephrologist"},
	}})
	change("committee", 409, map[string]any{"kind": "vote", "seen": 0, "candidate": id, "choice": "approve"})
	change("committee", 200, map[string]any{"kind": "declare", "seen": 0, "candidate": id})
	change("committee", 200, map[string]any{"kind": "vote", "seen": 0, "candidate": id, "choice": "defer", "text": "Not yet."})
	change("committee", 409, map[string]any{"kind": "close", "seen": 5, "candidate": id})
	votes := func(as string) int {
		t.Helper()
		m := fix.must(t, http.StatusOK, call{method: "GET", path: path, as: as})
		items := m["items"].([]any)
		list, _ := items[0].(map[string]any)["votes"].([]any)
		return len(list)
	}
	// Others' votes are shown to nobody before the vote is closed.
	if own, other := votes("committee"), votes("clinician"); own != 1 || other != 0 {
		t.Errorf("%d of the own votes and %d of others are shown", own, other)
	}
	list := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/meetings", as: "clinician"})
	if n := len(list["meetings"].([]any)); n != 1 {
		t.Errorf("%d meetings", n)
	}
}
