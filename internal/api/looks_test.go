package api

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// looksSince are the rows of the access log after one.
func looksSince(t *testing.T, after int64) []record.Access {
	t.Helper()
	rows, err := fix.store.Accesses(t.Context(), record.AccessQuery{After: after, OldestFirst: true, Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func lastLook(t *testing.T) int64 {
	t.Helper()
	rows, err := fix.store.Accesses(t.Context(), record.AccessQuery{Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) == 0 {
		return 0
	}
	return rows[0].Seq
}

// TestEveryLookIsLogged asks every route as somebody who may, as somebody who may
// not, and as nobody. Each has its row, except where nothing tells of anybody.
func TestEveryLookIsLogged(t *testing.T) {
	id, _ := fix.screened(t)
	for _, r := range routes {
		if r.roles == nil {
			continue
		}
		told := slices.Contains(quiet, r.path) || strings.HasPrefix(r.path, "/clients")
		path := "/api" + strings.NewReplacer(":id", id, ":kind", "nonsense").Replace(r.path)
		if strings.HasPrefix(r.path, "/incoming") || strings.HasPrefix(r.path, "/clients") {
			path = strings.ReplaceAll(path, id, "none")
		}
		for _, as := range append(names(journey.Roles), "") {
			before := lastLook(t)
			answer := httptest.NewRecorder()
			fix.server.ServeHTTP(answer, fix.request(call{method: r.method, path: path + "?family=Quokka", as: as, body: map[bool]string{true: "?"}[r.method == http.MethodPost]}))
			rows := looksSince(t, before)
			if told {
				if len(rows) > 0 {
					t.Errorf("%s %s as %q is logged as %+v", r.method, r.path, as, rows)
				}
				continue
			}
			if len(rows) != 1 {
				t.Errorf("%s %s as %q has %d rows", r.method, r.path, as, len(rows))
				continue
			}
			row := rows[0]
			want := record.AccessList
			switch {
			case r.method == http.MethodPost:
				want = record.AccessCommand
			case strings.Contains(r.path, "/:id"):
				want = record.AccessView
			}
			if row.Interaction != want || row.Status != answer.Code || row.Request != answer.Header().Get(echo.HeaderXRequestID) || (row.Actor == "") != (as == "") {
				t.Errorf("%s %s as %q is answered %d and logged as %+v", r.method, r.path, as, answer.Code, row)
			}
			if strings.HasPrefix(r.path, "/candidates/:id") != (row.Type == "Patient" && row.ID == id) {
				t.Errorf("%s %s is about %s/%s", r.method, r.path, row.Type, row.ID)
			}
			if !slices.Equal(row.Parameters, []string{"family"}) {
				t.Errorf("%s %s has the parameters %v", r.method, r.path, row.Parameters)
			}
			if answer.Code >= 400 && answer.Code != http.StatusBadRequest && r.path != "/candidates/:id/commands/:kind" && len(row.Candidates) > 0 {
				t.Errorf("%s %s is refused with %d and tells of %v", r.method, r.path, answer.Code, row.Candidates)
			}
		}
	}
	// Who is shown is named; who is hidden is not.
	for _, look := range []struct {
		path, as string
		names    bool
	}{
		{"/api/candidates/" + id, "clinician", true}, {"/api/candidates/" + id + "/follow-up", "auditor", true},
		{"/api/candidates/" + id, "administrator", false}, {"/api/candidates/" + id, "ehr", false},
	} {
		before := lastLook(t)
		answer := fix.do(t, call{method: "GET", path: look.path, as: look.as})
		rows := looksSince(t, before)
		if len(rows) != 1 || slices.Contains(rows[0].Candidates, id) != look.names {
			t.Errorf("%s as %s: %d, %+v", look.path, look.as, answer.Code, rows)
		}
	}
	if found, err := fix.store.Accesses(t.Context(), record.AccessQuery{Candidates: []string{id}, Limit: 10}); err != nil || len(found) == 0 {
		t.Errorf("who looked at the candidate: %d, %v", len(found), err)
	}
	if _, err := fix.store.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// A list names those whom it shows, and with them nobody who is hidden.
func TestAListNamesWhomItShows(t *testing.T) {
	id, _ := fix.screened(t)
	before := lastLook(t)
	list := object(t, fix.do(t, call{method: "GET", path: "/api/candidates?limit=100", as: "clinician"}).Body.Bytes())
	row := looksSince(t, before)[0]
	var shown []string
	for _, line := range list["candidates"].([]any) {
		shown = append(shown, line.(map[string]any)["id"].(string))
	}
	slices.Sort(shown)
	if !slices.Contains(shown, id) || !row.Everybody && !slices.Equal(row.Candidates, shown) {
		t.Errorf("shown are %d, named %d", len(shown), len(row.Candidates))
	}
}
