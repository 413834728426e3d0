package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestPages drives one world through everything that needs the engine, so that
// it starts once.
func TestPages(t *testing.T) {
	w := newWorld(t, func(d *Deps) {
		d.Demo = true
		d.SignIns = []SignIn{{"cora", journey.Coordinator, "shown in the demonstration"}}
	})
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0002", "")
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")

	t.Run("every route for every role", func(t *testing.T) { testAccess(t, w, id) })
	t.Run("pages of a candidate", func(t *testing.T) { testLeaves(t, w, id) })
	t.Run("every command for every role", func(t *testing.T) { testCommands(t, w, id) })
	t.Run("who sees whom", func(t *testing.T) { testVisibility(t, w, id, other) })
	t.Run("private words", func(t *testing.T) { testPrivate(t, w, id) })
	t.Run("a form sent from elsewhere", func(t *testing.T) { testCrossOrigin(t, w, id) })
	t.Run("nothing inline", func(t *testing.T) { testInline(t, w, id) })
	t.Run("headers", func(t *testing.T) { testHeaders(t, w, id) })
	t.Run("referral", func(t *testing.T) { testReferral(t, w) })
	t.Run("typed results", func(t *testing.T) { testResults(t, w, id) })
	t.Run("signing what was seen", func(t *testing.T) { testSigning(t, w, id) })
	t.Run("errors keep input", func(t *testing.T) { testErrors(t, w, id) })
	t.Run("board", func(t *testing.T) { testBoard(t, w, id, other) })
	t.Run("contact details", func(t *testing.T) { testContact(t, w, id) })
	t.Run("every look is logged", func(t *testing.T) { testLooks(t, w, id, other) })
	t.Run("audit trail", func(t *testing.T) { testAuditTrail(t, w, id, other) })
	t.Run("every candidate's page is logged", func(t *testing.T) { testCandidateLooks(t, w, id) })
	t.Run("headers of every answer", func(t *testing.T) { testEveryHeader(t, w, id) })
	t.Run("no form from elsewhere", func(t *testing.T) { testEveryForm(t, w, id) })
	t.Run("notes", func(t *testing.T) { testNotes(t, w, id, other) })
	t.Run("protocols", func(t *testing.T) { testProtocols(t, w, id) })
	t.Run("what is sent", func(t *testing.T) { testSend(t, w, id) })
}

// cells is the access table: what each role gets at each route. Nobody who is
// not named gets in.
func testAccess(t *testing.T, w *world, id string) {
	const ok, no, away = http.StatusOK, http.StatusForbidden, http.StatusSeeOther
	roles := []string{"cora", "clem", "adva", "comm", "audi", "edna", "admi", ""}
	table := []struct {
		method, path string
		want         []int
	}{
		{http.MethodGet, "/", []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodPost, "/", []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodGet, "/today", []int{ok, ok, ok, ok, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/notes", []int{422, 422, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/evaluation-summary", []int{ok, ok, no, no, no, no, no, away}},
		{http.MethodPost, "/views", []int{422, 422, 422, 422, 422, no, no, away}},
		{http.MethodGet, "/?view=none", []int{404, 404, 404, 404, 404, no, no, away}},
		{http.MethodGet, "/candidates/new", []int{ok, no, no, no, no, no, no, away}},
		{http.MethodPost, "/candidates/new", []int{422, no, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id, []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodGet, "/candidates/00000000-0000-4000-8000-000000000000", []int{404, 404, 404, 404, 404, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/present-to-committee", []int{409, no, no, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/elapse", []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/end-back-entry", []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/refer", []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/checks/confirm-verification", []int{ok, ok, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/checks/confirm-last-check", []int{no, ok, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/checks/withdraw", []int{404, 404, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/results", []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/documents", []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/documents", []int{400, 400, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/documents/0", []int{404, 404, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/documents/incoming/m-none/0/0", []int{404, 404, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/results?of=none", []int{404, 404, 404, 404, 404, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/recovery-plan", []int{404, 404, 404, 404, 404, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/reviews/surgery-review", []int{404, 404, 404, 404, 404, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/reviews/surgery-review", []int{no, 404, 404, no, no, no, no, away}},
		{http.MethodGet, "/visits", []int{ok, ok, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/visits", []int{ok, ok, ok, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/visits", []int{422, 422, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/visits/days/2026-07-20", []int{404, 404, 404, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/visits/calendar.ics", []int{404, no, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/visits/planned-1/calendar.ics", []int{404, no, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/side", []int{404, 404, 404, 404, 404, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/side", []int{no, 404, 404, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/worksheets/plasma-clearance", []int{ok, ok, no, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/worksheets/plasma-clearance", []int{away, away, no, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/worksheets/ambulatory-pressure", []int{ok, ok, no, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/worksheets/ambulatory-pressure", []int{ok, ok, no, no, no, no, no, away}},
		{http.MethodGet, "/advocate", []int{no, no, ok, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/advocate", []int{no, no, ok, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/advocate", []int{no, no, 422, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/advocate/notes", []int{no, no, ok, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/advocate/notes", []int{no, no, 422, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/advocate/withdrawal", []int{no, no, ok, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/advocate/withdrawal", []int{no, no, 422, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/statement", []int{ok, ok, ok, no, no, no, no, away}},
		{http.MethodGet, "/my/no-secret", []int{ok, ok, ok, ok, ok, ok, ok, ok}},
		{http.MethodPost, "/my/no-secret", []int{422, 422, 422, 422, 422, 422, 422, 422}},
		{http.MethodPost, "/my/no-secret/close", []int{away, away, away, away, away, away, away, away}},
		{http.MethodGet, "/my/no-secret/stop", []int{away, away, away, away, away, away, away, away}},
		{http.MethodPost, "/my/no-secret/stop", []int{away, away, away, away, away, away, away, away}},
		{http.MethodGet, "/my/no-secret/stopped", []int{away, away, away, away, away, away, away, away}},
		{http.MethodGet, "/my/no-secret/calendar.ics", []int{away, away, away, away, away, away, away, away}},
		{http.MethodGet, "/my/no-secret/visits/planned-1/calendar.ics", []int{away, away, away, away, away, away, away, away}},
		{http.MethodGet, "/committee", []int{ok, ok, ok, ok, no, no, no, away}},
		{http.MethodPost, "/committee", []int{422, no, no, 422, no, no, no, away}},
		{http.MethodGet, "/committee/m-none", []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodPost, "/committee/m-none", []int{404, no, no, 404, no, no, no, away}},
		{http.MethodGet, "/committee/m-none/minutes", []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodGet, "/committee/m-none/candidates/" + id, []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodPost, "/committee/m-none/candidates/" + id, []int{404, 404, 404, 404, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/committee", []int{ok, ok, ok, ok, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/letters", []int{ok, no, ok, no, no, no, no, away}},
		{http.MethodPost, "/candidates/" + id + "/letters", []int{409, no, 409, no, no, no, no, away}},
		{http.MethodGet, "/candidates/" + id + "/letters/1", []int{404, no, 404, no, no, no, no, away}},
		{http.MethodGet, "/questions/no-secret", []int{ok, ok, ok, ok, ok, ok, ok, ok}},
		{http.MethodPost, "/questions/no-secret", []int{422, 422, 422, 422, 422, 422, 422, 422}},
		{http.MethodGet, "/questions/no-secret/why", []int{ok, ok, ok, ok, ok, ok, ok, ok}},
		{http.MethodPost, "/questions/no-secret/why", []int{422, 422, 422, 422, 422, 422, 422, 422}},
		{http.MethodGet, "/reports", []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodGet, "/follow-up", []int{ok, ok, ok, ok, ok, no, no, away}},
		{http.MethodGet, "/measures", []int{ok, ok, no, ok, ok, no, ok, away}},
		{http.MethodGet, "/measures.csv", []int{ok, ok, no, ok, ok, no, ok, away}},
		{http.MethodGet, "/measures.xlsx", []int{ok, ok, no, ok, ok, no, ok, away}},
		{http.MethodGet, "/measures/people", []int{ok, ok, no, ok, ok, no, no, away}},
		{http.MethodGet, "/measures?from=soon", []int{422, 422, no, 422, 422, no, ok, away}}, // the administrator narrows nothing
		{http.MethodGet, "/measures?protocol=none", []int{404, 404, no, 404, 404, no, ok, away}},
		{http.MethodGet, "/measures/people?from=soon", []int{422, 422, no, 422, 422, no, no, away}},
		{http.MethodGet, "/measures/people?measure=none", []int{404, 404, no, 404, 404, no, no, away}},
		{http.MethodGet, "/protocols", []int{no, no, no, no, no, no, ok, away}},
		{http.MethodPost, "/protocols", []int{no, no, no, no, no, no, 422, away}},
		{http.MethodGet, "/clients", []int{no, no, no, no, no, no, ok, away}},
		{http.MethodGet, "/clients?client=none", []int{no, no, no, no, no, no, 404, away}},
		{http.MethodPost, "/clients", []int{no, no, no, no, no, no, 422, away}},
		{http.MethodGet, "/accounts", []int{no, no, no, no, no, no, ok, away}},
		{http.MethodGet, "/accounts?account=none", []int{no, no, no, no, no, no, 404, away}},
		{http.MethodPost, "/accounts", []int{no, no, no, no, no, no, 422, away}},
		{http.MethodGet, "/audit", []int{no, no, no, no, ok, no, no, away}},
		{http.MethodGet, "/audit?show=looks&verify=yes", []int{no, no, no, no, ok, no, no, away}},
		{http.MethodGet, "/audit?from=soon", []int{no, no, no, no, 422, no, no, away}},
		{http.MethodGet, "/emergency", []int{ok, no, ok, no, no, no, no, away}},
		{http.MethodPost, "/emergency", []int{422, no, 422, no, no, no, no, away}},
		{http.MethodGet, "/account", []int{ok, ok, ok, ok, ok, ok, ok, away}},
		{http.MethodPost, "/account", []int{422, 422, 422, 422, 422, 422, 422, away}},
		{http.MethodGet, "/account/second-factor", []int{ok, ok, ok, ok, ok, ok, ok, away}},
		{http.MethodPost, "/account/second-factor", []int{422, 422, 422, 422, 422, 422, 422, away}},
		{http.MethodGet, "/account/second-factor.png", []int{404, 404, 404, 404, 404, 404, 404, away}},
		{http.MethodGet, "/sign-in/provider", []int{404, 404, 404, 404, 404, 404, 404, 404}},
		{http.MethodGet, "/sign-in/provider/back", []int{404, 404, 404, 404, 404, 404, 404, 404}},
		{http.MethodGet, "/sign-in/code", []int{away, away, away, away, away, away, away, away}},
		{http.MethodPost, "/sign-in/code", []int{away, away, away, away, away, away, away, away}},
		{http.MethodGet, "/notices", []int{ok, no, no, no, no, no, ok, away}},
		{http.MethodPost, "/notices", []int{422, no, no, no, no, no, no, away}},
		{http.MethodGet, "/incoming", []int{ok, no, no, no, no, no, no, away}},
		{http.MethodGet, "/incoming/m-none", []int{404, no, no, no, no, no, no, away}},
		{http.MethodPost, "/incoming/m-none", []int{404, no, no, no, no, no, no, away}},
		{http.MethodGet, "/incoming/m-none/documents/0/0", []int{404, no, no, no, no, no, no, away}},
		{http.MethodGet, "/sign-in", []int{away, away, away, away, away, away, away, ok}},
		{http.MethodGet, "/nowhere", []int{404, 404, 404, 404, 404, 404, 404, 404}},
		{http.MethodPut, "/", []int{405, 405, 405, 405, 405, 405, 405, 405}},
		{http.MethodDelete, "/candidates/" + id, []int{405, 405, 405, 405, 405, 405, 405, 405}},
		{http.MethodGet, "/assets/none.css", []int{404, 404, 404, 404, 404, 404, 404, 404}},
		{http.MethodPost, "/sign-out", []int{away, away, away, away, away, away, away, away}},
	}
	browsers := map[string]*browser{"": w.browser()}
	for _, role := range roles[:len(roles)-1] {
		browsers[role] = w.as(role)
	}
	named := map[string]bool{}
	for _, row := range table {
		named[row.method+" "+row.path] = true
		for i, role := range roles {
			var got answer
			if row.method == http.MethodPost {
				got = browsers[role].post(row.path, url.Values{"key": {"access-" + role}})
			} else {
				got = browsers[role].do(http.NewRequest(row.method, w.site.URL+row.path, nil))
			}
			if got.status != row.want[i] {
				t.Errorf("%s %s as %q: %d, want %d", row.method, row.path, role, got.status, row.want[i])
			}
		}
	}
	// Every route of the server is in the table.
	s := &server{}
	for _, r := range s.routes() {
		path := strings.NewReplacer(":id", id, ":kind", "present-to-committee", ":check", "confirm-verification", ":requirement", "surgery-review", ":name", "none.css", ":secret", "no-secret", ":message", "m-none", ":part", "0", ":document", "0", ":meeting", "m-none", ":letter", "1", ":page", "why", ":visit", "planned-1", ":day", "2026-07-20").Replace(r.path)
		if !named[r.method+" "+path] && r.path != pathSignIn {
			t.Errorf("the access table lacks %s %s", r.method, r.path)
		}
		if !r.public && len(r.roles) == 0 {
			t.Errorf("%s %s is open to nobody and not marked", r.method, r.path)
		}
	}
	w.as("edna").get("/").has(t, "not your place")
	if got := w.browser().get("/candidates/" + id); got.header.Get("Location") != "/sign-in?next=%2Fcandidates%2F"+id {
		t.Errorf("a signed-out reader is sent to %q", got.header.Get("Location"))
	}
}

// testLooks opens every page as somebody who may and as somebody who may not, and
// finds each in the access log, with those whom it showed.
func testLooks(t *testing.T, w *world, id, other string) {
	rows := func(after int64) []record.Access {
		t.Helper()
		list, err := w.store.Accesses(context.Background(), record.AccessQuery{After: after, OldestFirst: true, Limit: 100})
		must(t, err)
		return list
	}
	end := func() int64 {
		t.Helper()
		list, err := w.store.Accesses(context.Background(), record.AccessQuery{Limit: 1})
		must(t, err)
		if len(list) == 0 {
			return 0
		}
		return list[0].Seq
	}
	browsers := map[string]*browser{"cora": w.as("cora"), "edna": w.as("edna"), "": w.browser()}
	for _, r := range (&server{}).routes() {
		path := strings.NewReplacer(":id", id, ":kind", "elapse", ":check", "confirm-verification", ":requirement", "surgery-review", ":name", "none.css", ":secret", "no-secret").Replace(r.path)
		untold := r.tellsNothing()
		for username, b := range browsers {
			if r.path == pathSignOut || strings.Contains(path, ":") {
				continue
			}
			before := end()
			var got answer
			if r.method == http.MethodPost {
				got = b.post(path, url.Values{"q": {"Fjellgren"}})
			} else {
				got = b.get(path + "?q=Fjellgren")
			}
			list := rows(before)
			if untold != (len(list) == 0) || len(list) > 1 {
				t.Errorf("%s %s as %q has %d rows", r.method, r.path, username, len(list))
				continue
			}
			if untold {
				continue
			}
			row := list[0]
			actor := username
			if r.ownPage() && username == "" {
				actor = anOwner
			}
			if row.Actor != actor || row.Status != got.status || row.Request != got.header.Get("X-Request-Id") {
				t.Errorf("%s %s as %q: %d, logged as %+v", r.method, r.path, username, got.status, row)
			}
			if got.status >= 300 && got.status != http.StatusUnprocessableEntity && len(row.Candidates) > 0 && !strings.HasPrefix(r.path, pathCandidate) {
				t.Errorf("%s %s as %q: %d, and tells of %v", r.method, r.path, username, got.status, row.Candidates)
			}
		}
	}
	for _, look := range []struct {
		username, path string
		shown          []string
	}{
		{"cora", "/candidates/" + id, []string{id}}, {"adva", "/candidates/" + other, nil}, {"adva", "/", []string{id}}, {"cleo", "/", nil},
		{"cora", "/candidates/00000000-0000-4000-8000-000000000000", nil}, {"clem", "/candidates/" + id + "/checks/confirm-verification", []string{id}},
	} {
		b := w.as(look.username)
		before := end()
		b.get(look.path)
		row := rows(before)[0]
		for _, candidate := range []string{id, other} {
			if slices.Contains(row.Candidates, candidate) != slices.Contains(look.shown, candidate) {
				t.Errorf("%s as %s is logged as %+v; of %s and %s want %v", look.path, look.username, row, id, other, look.shown)
			}
		}
	}
	_, err := w.store.Verify(context.Background())
	must(t, err)
}

// testCommands gives every command as every role: a role that may never give
// it is refused before anything is read, and nothing passes by accident.
func testCommands(t *testing.T, w *world, id string) {
	before := candidateState(t, w, id).Seq
	for _, username := range []string{"cora", "clem", "adva", "comm", "audi", "edna", "admi"} {
		b := w.as(username)
		var role journey.Role
		for _, a := range staff {
			if a.id == username {
				role = a.role
			}
		}
		for _, kind := range journey.Kinds() {
			if slices.Contains([]journey.Kind{journey.Hold, journey.Withdraw}, kind) && journey.MayGive(role, kind) {
				continue // these need nothing and would be carried out
			}
			got := b.post("/candidates/"+id+"/"+string(kind), url.Values{"key": {username + string(kind)}})
			switch {
			case !journey.MayGive(role, kind) && got.status != http.StatusForbidden:
				t.Errorf("%s as %s: %d, want 403", kind, username, got.status)
			case journey.MayGive(role, kind) && got.status != 422 && got.status != 409 && got.status != 403:
				t.Errorf("%s as %s: %d, want a refusal", kind, username, got.status)
			}
		}
	}
	if after := candidateState(t, w, id).Seq; after != before {
		t.Errorf("an empty form changed the record: %d entries more", after-before)
	}
}

func candidateState(t *testing.T, w *world, id string) journey.State {
	t.Helper()
	c, err := w.store.Candidate(context.Background(), id)
	must(t, err)
	return c.State
}

func testVisibility(t *testing.T, w *world, id, other string) {
	// The other advocate is assigned to nobody.
	b := w.as("adil")
	if got := b.get("/candidates/" + id); got.status != 404 {
		t.Errorf("an advocate who is not assigned: %d", got.status)
	}
	b.get("/").has(t, "No candidate is assigned to you")
	b = w.as("adva")
	if got := b.get("/candidates/" + other); got.status != 404 {
		t.Errorf("an advocate of somebody else: %d", got.status)
	}
	board := b.get("/")
	board.has(t, "Fjellgren")
	board.lacks(t, "Okonedo")

	// A clinician who cares for the recipient.
	must(t, w.store.AddToRecipientTeam(context.Background(), "R-771", "cleo"))
	b = w.as("cleo")
	if got := b.get("/candidates/" + id); got.status != 404 {
		t.Errorf("the recipient's team reads the donor: %d", got.status)
	}
	if got := b.post("/candidates/"+id+"/withdraw", url.Values{"key": {"team"}}); got.status != 404 {
		t.Errorf("the recipient's team gives a command: %d", got.status)
	}
	board = b.get("/")
	board.has(t, "Okonedo", "1 to 1 of 1")
	board.lacks(t, "Fjellgren")

	// The recipient's reference.
	w.as("cora").get("/candidates/"+id).has(t, "R-771")
	for _, username := range []string{"clem", "adva", "comm", "audi"} {
		w.as(username).get("/candidates/"+id).lacks(t, "R-771")
	}
	// The auditor reads the facts and not the person.
	audit := w.as("audi").get("/candidates/" + id)
	audit.lacks(t, "Fjellgren", "Ottilie", "WEB-0001", "1979", `method="post" action="/candidates`)
	audit.has(t, "Your role gives no commands")
	w.as("audi").post("/", url.Values{"q": {"fjellgren"}}).lacks(t, "/candidates/"+id)
}

func testPrivate(t *testing.T, w *world, id string) {
	const finding, clinical = "Feels pressed by an uncle", "Two arteries on the left"
	w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "psychosocial-evaluation", Position: journey.Concerns, Findings: finding})
	w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "surgery-review", Position: journey.Supports, Findings: clinical})
	for _, username := range []string{"clem", "adva", "comm"} {
		w.as(username).get("/candidates/"+id).has(t, finding, clinical)
	}
	got := w.as("cora").get("/candidates/" + id)
	got.lacks(t, finding, "has concerns")
	got.has(t, clinical, withheld)
	w.as("audi").get("/candidates/"+id).lacks(t, finding, clinical)

	// What the position is can't be told from the status either.
	w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "psychosocial-evaluation", Position: journey.Objects, Findings: finding})
	const says, neutral = "Psychosocial evaluation is not met", "Psychosocial evaluation needs attention by the clinicians"
	w.as("clem").get("/candidates/"+id).has(t, says, "objects")
	for _, username := range []string{"cora", "audi"} {
		for _, path := range []string{"/candidates/" + id, "/"} {
			got := w.as(username).get(path)
			got.has(t, neutral)
			got.lacks(t, says, "objects", "(not met)")
		}
	}
	w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "psychosocial-evaluation", Position: journey.Concerns, Findings: finding})
}

func testCrossOrigin(t *testing.T, w *world, id string) {
	b := w.as("cora")
	for name, header := range map[string]http.Header{
		"fetch metadata": {"Sec-Fetch-Site": {"cross-site"}},
		"origin":         {"Origin": {"https://elsewhere.example"}},
	} {
		for _, path := range []string{"/", "/candidates/" + id + "/hold", "/candidates/new", "/sign-in", "/sign-out"} {
			r, err := http.NewRequest(http.MethodPost, w.site.URL+path, strings.NewReader("key=x&note=y"))
			must(t, err)
			r.Header = header.Clone()
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			if got := b.do(r, nil); got.status != http.StatusForbidden {
				t.Errorf("%s, %s: %d", name, path, got.status)
			}
		}
	}
	if got := candidateState(t, w, id).Stage; got != journey.Evaluation {
		t.Errorf("the stage is %s", got)
	}
	if got := b.get("/"); got.status != http.StatusOK {
		t.Errorf("a form sent from elsewhere signed the reader out: %d", got.status)
	}
}

// testInline parses pages and looks for anything the policy would refuse.
func testInline(t *testing.T, w *world, id string) {
	b := w.as("cora")
	pages := []answer{
		w.browser().get("/sign-in"), b.get("/"), b.get("/today"), w.as("clem").get("/today"), b.get("/candidates/" + id + "/evaluation-summary"), b.get("/candidates/new"), b.get("/candidates/" + id),
		b.get("/candidates/" + id + "?code=85354-9"), b.get("/nowhere"), w.as("clem").get("/candidates/" + id),
		w.as("admi").get("/protocols"), w.as("admi").get("/protocols?to=" + w.protocol.Version),
	}
	for _, p := range pages {
		root, err := html.Parse(strings.NewReader(p.body))
		must(t, err)
		ids := map[string]bool{}
		var targets []string
		for n := range root.Descendants() {
			if n.Type != html.ElementNode {
				continue
			}
			if n.Data == "script" && n.FirstChild == nil && slices.ContainsFunc(n.Attr, func(a html.Attribute) bool {
				return a.Key == "src" && strings.HasPrefix(a.Val, "/assets/")
			}) {
				continue
			}
			if n.Data == "script" || n.Data == "style" || n.Data == "iframe" || n.Data == "object" {
				t.Errorf("a page holds <%s>", n.Data)
			}
			for _, a := range n.Attr {
				if a.Key == "style" || strings.HasPrefix(a.Key, "on") || strings.HasPrefix(a.Val, "javascript:") {
					t.Errorf("a page holds %s=%q", a.Key, a.Val)
				}
				if a.Key == "id" {
					if ids[a.Val] {
						t.Errorf("the id %q is used twice", a.Val)
					}
					ids[a.Val] = true
				}
				if a.Key == "href" && strings.HasPrefix(a.Val, "#") {
					targets = append(targets, a.Val[1:])
				}
			}
		}
		for _, target := range targets {
			if !ids[target] {
				t.Errorf("a link leads to #%s, which is not on the page", target)
			}
		}
		p.has(t, "Candidacy advises; people decide. Thresholds are programme settings. Follow local policy and licensed judgement.",
			"Synthetic demonstration data. Nobody here is real.")
	}
	pages[0].has(t, "shown in the demonstration")
}

func testHeaders(t *testing.T, w *world, id string) {
	b := w.as("cora")
	for _, path := range []string{"/", "/candidates/" + id, "/candidates/new", "/nowhere"} {
		got := b.get(path)
		for name, want := range map[string]string{
			"Content-Security-Policy": policy, "Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
		} {
			if got.header.Get(name) != want {
				t.Errorf("%s: %s is %q", path, name, got.header.Get(name))
			}
		}
	}
	page := b.get("/").body
	_, rest, _ := strings.Cut(page, `rel="stylesheet" href="`)
	sheet, _, _ := strings.Cut(rest, `"`)
	got := b.get(sheet)
	if got.status != http.StatusOK || !strings.Contains(got.header.Get("Cache-Control"), "immutable") ||
		!strings.HasPrefix(got.header.Get("Content-Type"), "text/css") {
		t.Errorf("%s: %d %v", sheet, got.status, got.header)
	}
	if strings.Contains(got.body, "@import") || strings.Contains(got.body, "url(") {
		t.Error("the style sheet loads something else")
	}
}

// testLeaves follows the list of a candidate's pages: each that a role is shown is open
// to it.
func testLeaves(t *testing.T, w *world, id string) {
	for _, who := range []string{"cora", "clem", "adva", "comm", "audi"} {
		b := w.as(who)
		root, err := html.Parse(strings.NewReader(b.get("/candidates/" + id).body))
		must(t, err)
		found := 0
		for n := range root.Descendants() {
			if n.Type != html.ElementNode || n.Data != "nav" || attribute(n, "class") != "leaves" {
				continue
			}
			for a := range n.Descendants() {
				if a.Type != html.ElementNode || a.Data != "a" {
					continue
				}
				found++
				if got := b.get(attribute(a, "href")); got.status != http.StatusOK {
					t.Errorf("%s: %s answers %d", who, attribute(a, "href"), got.status)
				}
			}
		}
		if found == 0 {
			t.Errorf("%s is shown %d pages", who, found)
		}
	}
}

// attribute is one attribute of an element, empty where it has none.
func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}
