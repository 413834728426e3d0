package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

// TestRoles asks every route, and gives every command, as every role and as
// nobody. A body that can't be read tells being let in from being kept out: the
// one is 400, the other 403.
func TestRoles(t *testing.T) {
	id, _ := fix.screened(t)
	everybody := names(journey.Roles)
	reading := names(readers)
	type route struct {
		call
		roles []string
		let   int
	}
	routes := []route{
		{call{method: "GET", path: "/api/openapi.yaml"}, append(slices.Clone(everybody), ""), 200},
		{call{method: "GET", path: "/api/protocol.schema.json"}, append(slices.Clone(everybody), ""), 200},
		{call{method: "GET", path: "/api/whoami"}, reading, 200},
		{call{method: "HEAD", path: "/api/whoami"}, reading, 200},
		{call{method: "GET", path: "/api/protocol"}, reading, 200},
		{call{method: "GET", path: "/api/protocols"}, names(administrators), 200},
		{call{method: "GET", path: "/api/clients"}, names(administrators), 200},
		{call{method: "POST", path: "/api/clients", body: "?"}, names(administrators), 400},
		{call{method: "GET", path: "/api/clients/none"}, names(administrators), 404},
		{call{method: "POST", path: "/api/clients/none/scopes", body: "?"}, names(administrators), 400},
		{call{method: "POST", path: "/api/clients/none/keys", body: "?"}, names(administrators), 400},
		{call{method: "POST", path: "/api/clients/none/disable"}, names(administrators), 404},
		{call{method: "POST", path: "/api/clients/none/enable"}, names(administrators), 404},
		{call{method: "GET", path: "/api/protocol/move?to=" + fix.protocol.Version}, names(administrators), 200},
		{call{method: "GET", path: "/api/accounts?role=advocate"}, []string{"coordinator", "administrator"}, 200},
		{call{method: "GET", path: "/api/candidates?limit=1"}, reading, 200},
		{call{method: "POST", path: "/api/candidates", body: "?"}, []string{"coordinator"}, 400},
		{call{method: "GET", path: "/api/candidates/" + id}, reading, 200},
		{call{method: "GET", path: "/api/candidates/" + id + "/follow-up"}, reading, 200},
		{call{method: "GET", path: "/api/follow-up"}, reading, 200},
		{call{method: "POST", path: "/api/candidates/" + id + "/results", body: "?"}, []string{"coordinator", "clinician"}, 400},
		{call{method: "GET", path: "/api/meetings"}, names(careTeam), 200},
		{call{method: "POST", path: "/api/meetings", body: "?"}, names(planners), 400},
		{call{method: "GET", path: "/api/meetings/none"}, names(careTeam), 404},
		{call{method: "POST", path: "/api/meetings/none/changes", body: "?"}, names(careTeam), 400},
		{call{method: "GET", path: "/api/reports"}, reading, 200},
		{call{method: "GET", path: "/api/measures"}, []string{"coordinator", "clinician", "committee", "auditor"}, 200},
		{call{method: "POST", path: "/api/intake", body: "?"}, []string{"coordinator", "clinician", "laboratory"}, 400},
		{call{method: "GET", path: "/api/incoming"}, []string{"coordinator"}, 200},
		{call{method: "GET", path: "/api/incoming/m-none"}, []string{"coordinator"}, 404},
		{call{method: "POST", path: "/api/incoming/m-none/decisions", body: "?"}, []string{"coordinator"}, 400},
		{call{method: "GET", path: "/api/candidates/" + id + "/identifiers"}, []string{"coordinator"}, 200},
		{call{method: "POST", path: "/api/candidates/" + id + "/identifiers", body: "?"}, []string{"coordinator"}, 400},
		{call{method: "POST", path: commandPath(id, "nonsense"), body: "?"}, append(slices.Clone(reading), "administrator"), 404},
	}
	for _, kind := range journey.Kinds() {
		var may []string
		for _, role := range journey.Roles {
			if journey.MayGive(role, kind) && role != journey.Laboratory {
				may = append(may, string(role))
			}
		}
		routes = append(routes, route{call{method: "POST", path: commandPath(id, kind), body: "?"}, may, 400})
	}
	covered := map[string]bool{}
	entries, staged := fix.rows(t)
	for _, r := range routes {
		t.Run(r.method+" "+strings.ReplaceAll(r.path, id, "id"), func(t *testing.T) {
			for _, role := range append(slices.Clone(everybody), "") {
				want := http.StatusForbidden
				switch {
				case slices.Contains(r.roles, role):
					want = r.let
				case role == "":
					want = http.StatusUnauthorized
				}
				r.as = role
				if answer := fix.do(t, r.call); answer.Code != want {
					t.Errorf("%q: got %d, want %d: %s", role, answer.Code, want, answer.Body)
				}
			}
		})
		path, _, _ := strings.Cut(r.path, "?")
		for served := range covering(r.method, path) {
			covered[served] = true
		}
	}
	for _, r := range fix.server.Routes() {
		if strings.HasPrefix(r.Path, "/api/") && strings.ToUpper(r.Method) == r.Method && r.Method != http.MethodHead && !covered[r.Method+" "+r.Path] {
			t.Errorf("%s %s is not in the table", r.Method, r.Path)
		}
	}
	if e, s := fix.rows(t); e != entries || s != staged {
		t.Errorf("%d entries and %d staged rows were added", e-entries, s-staged)
	}
}

// covering names the registered routes that an address belongs to.
func covering(method, path string) map[string]bool {
	found := map[string]bool{}
	for _, r := range fix.server.Routes() {
		if r.Method == method && matches(r.Path, path) {
			found[method+" "+r.Path] = true
		}
	}
	return found
}

func TestWhoami(t *testing.T) {
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/whoami", as: "clinician"})
	if got["actor"] != "acc-clinician" || got["role"] != "clinician" || got["name"] != "Person of clinician" {
		t.Errorf("got %v", got)
	}
	token, err := fix.store.IssueToken(t.Context(), journey.Auditor, "", 1e15)
	if err != nil {
		t.Fatal(err)
	}
	fix.tokens["machine"] = token
	got = fix.must(t, http.StatusOK, call{method: "GET", path: "/api/whoami", as: "machine"})
	if actor, _ := got["actor"].(string); !strings.HasPrefix(actor, "token-") || got["name"] != nil {
		t.Errorf("got %v", got)
	}
}

func TestAccountsGiveNoUsernames(t *testing.T) {
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/accounts?role=advocate", as: "coordinator"})
	list := got["accounts"].([]any)
	if len(list) != 3 {
		t.Errorf("%d advocates, want 3", len(list))
	}
	for _, each := range list {
		if a := each.(obj); len(a) != 3 || a["role"] != "advocate" || a["id"] == "" {
			t.Errorf("got %v", a)
		}
	}
	if all := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/accounts", as: "administrator"}); len(all["accounts"].([]any)) != 12 {
		t.Errorf("got %v", all)
	}
}

func TestProtocolIsTheCurrentOne(t *testing.T) {
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/protocol", as: "auditor"})
	for member, want := range map[string]int{
		"requirements": len(fix.protocol.Requirements), "flags": len(fix.protocol.Flags),
		"visits": len(fix.protocol.Visits), "quorum": len(fix.protocol.Quorum),
	} {
		if n := len(got[member].([]any)); n != want || n == 0 {
			t.Errorf("%d %s, want %d", n, member, want)
		}
	}
	if got["version"] != fix.protocol.Version || got["digest"] != fix.protocol.Digest() {
		t.Errorf("the version is %v, the digest %v", got["version"], got["digest"])
	}
}
