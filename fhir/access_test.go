package fhir

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"
)

// scopes are a grant written as in SMART: a type, the letters of what may be
// done, and what narrows it.
type scopes map[string]struct {
	letters string
	within  []string
}

func (s scopes) Allows(typ string, p Permission) ([]string, bool) {
	each, ok := s[typ]
	if !ok {
		each, ok = s["*"]
	}
	return each.within, ok && strings.Contains(each.letters, string(p))
}

func grantedServer(store Reader, grant Grant) *echo.Echo {
	e := echo.New()
	Register(e.Group("/fhir"), store, Options{
		BaseURL: func(*http.Request) string { return testBase }, Now: func() time.Time { return testNow },
		Grant: func(*http.Request) Grant { return grant },
	})
	return e
}

func TestGrants(t *testing.T) {
	store := seeded(t)
	laboratory := []string{"category=" + systemObservationCategory + "|laboratory"}
	vital := "a0000000-0000-4000-8000-000000000003" // category vital-signs
	chemistry := "a0000000-0000-4000-8000-000000000001"
	none := scopes{}
	searches := scopes{typeObservation: {letters: "s"}, typePatient: {letters: "s"}}
	reads := scopes{typeObservation: {letters: "r"}, typePatient: {letters: "r"}}
	both := scopes{typeObservation: {letters: "rs"}, typePatient: {letters: "rs"}}
	observations := scopes{typeObservation: {letters: "rs"}}
	narrowed := scopes{typeObservation: {"rs", laboratory}, typePatient: {letters: "rs"}}
	either := scopes{typeObservation: {"rs", append([]string{"status=preliminary"}, laboratory...)}}
	unusable := scopes{typeObservation: {"rs", []string{"colour=red"}}}
	const obs = "/fhir/Observation"
	for _, c := range []struct {
		name   string
		grant  Grant
		target string
		status int
		// count is how many entries the answer has, -1 if it is no Bundle.
		count int
	}{
		{"nothing", none, obs, 403, -1}, {"nothing", none, obs + "/" + chemistry, 403, -1}, {"nothing", none, "/fhir/_history", 403, -1},
		{"nothing", none, "/fhir/Patient/" + candidateA + "/$everything", 403, -1}, {"nothing", none, obs + "/nobody", 403, -1},
		{"nothing", none, "/fhir/metadata", 200, -1}, {"nothing", none, "/fhir/Nonsense/1", 404, -1},

		{"search", searches, obs + "?patient=" + candidateA, 200, 11}, {"search", searches, obs + "/" + chemistry, 403, -1},
		{"search", searches, obs + "/" + chemistry + "/_history/1", 403, -1}, {"search", searches, obs + "/" + chemistry + "/_history", 403, -1},
		{"search", searches, obs + "/_history", 403, -1}, {"search", searches, "/fhir/_history", 403, -1},
		{"search", searches, "/fhir/Patient/" + candidateA + "/$everything", 403, -1},
		{"search", searches, obs + "?patient=" + candidateA + "&_include=Observation:patient", 200, 11}, // reading it is not granted
		{"search", searches, "/fhir/Patient?_id=" + candidateA + "&_revinclude=Observation:patient", 200, 12},

		{"read", reads, obs, 403, -1}, {"read", reads, obs + "/" + chemistry, 200, -1}, {"read", reads, obs + "/" + chemistry + "/_history", 200, 1},
		{"read", reads, "/fhir/_history?_count=200", 200, 21}, {"read", reads, "/fhir/CarePlan/" + candidateA + "-evaluation", 403, -1},

		{"both", both, "/fhir/Patient/" + candidateA + "/$everything", 200, 12},
		{"both", both, "/fhir/Patient/" + candidateA + "/$everything?_type=CarePlan", 200, 0},
		{"both", both, obs + "?patient=" + candidateA + "&_include=Observation:patient", 200, 12},
		{"both", both, "/fhir/Patient?_id=" + candidateA + "&_revinclude=CarePlan:patient", 200, 1},
		{"both", both, obs + "?patient.family=marchetti", 200, 8}, {"both", both, "/fhir/Patient?_has:Observation:patient:code=2160-0", 200, 2},
		{"both", both, "/fhir/Patient?_has:CarePlan:patient:status=active", 403, -1},

		{"one type", observations, obs + "?patient.family=marchetti", 403, -1}, {"one type", observations, obs + "?patient=" + candidateA, 200, 11},
		{"one type", observations, obs + "?_include=Observation:patient&patient=" + candidateA, 200, 11},
		{"one type", observations, "/fhir/Patient/" + candidateA + "/$everything", 403, -1},

		{"narrowed", narrowed, obs + "?patient=" + candidateA, 200, 7}, {"narrowed", narrowed, obs + "?_id=" + vital, 200, 0},
		{"narrowed", narrowed, obs + "/" + vital, 403, -1}, {"narrowed", narrowed, obs + "/" + vital + "/_history/1", 403, -1},
		{"narrowed", narrowed, obs + "/" + vital + "/_history", 403, -1}, {"narrowed", narrowed, obs + "/" + chemistry, 200, -1},
		{"narrowed", narrowed, obs + "/nobody", 404, -1}, {"narrowed", narrowed, obs + "/" + chemistry + "/_history", 200, 1},
		{"narrowed", narrowed, "/fhir/Patient/" + candidateA + "/$everything", 200, 8}, {"narrowed", narrowed, obs + "/_history", 200, 12},
		{"narrowed", narrowed, "/fhir/Patient?_id=" + candidateA + "&_revinclude=Observation:patient", 200, 8},
		{"narrowed", narrowed, "/fhir/Patient?_has:Observation:patient:code=85354-9", 200, 0},
		{"narrowed", narrowed, "/fhir/Patient?_has:Observation:patient:code=2160-0", 200, 2},
		{"narrowed", narrowed, obs + "?patient=" + candidateA + "&_sort=-date&_count=4", 200, 4},

		{"either", either, obs + "?patient=" + candidateA, 200, 8},
		{"unusable", unusable, obs, 403, -1}, {"unusable", unusable, obs + "/" + chemistry, 403, -1},
	} {
		w := ask(grantedServer(store, c.grant), "GET", c.target, "")
		if w.Code != c.status {
			t.Errorf("%s: %s: status %d, want %d: %.300s", c.name, c.target, w.Code, c.status, w.Body)
			continue
		}
		if c.status == 403 && !strings.Contains(w.Body.String(), `"code":"forbidden"`) {
			t.Errorf("%s: %s: %s", c.name, c.target, w.Body)
		}
		if c.count >= 0 {
			if a := bundleOf(t, c.target, w); len(a.Entry) != c.count {
				t.Errorf("%s: %s: %d entries, want %d", c.name, c.target, len(a.Entry), c.count)
			}
		}
	}
}

// A client can't read on, with a cursor of another, what its own grant excludes.
func TestCursorsGiveNoGrant(t *testing.T) {
	store := seeded(t)
	whole := testServer(store)
	narrow := grantedServer(store, scopes{typeObservation: {"rs", []string{"status=preliminary"}}})
	for _, sorted := range []string{"", "&_sort=-date"} {
		next := get(t, whole, "/fhir/Observation?patient="+candidateA+"&_count=1"+sorted).link("next")
		if got := walk(t, whole, next); len(got) != 10 {
			t.Errorf("%s: %v", next, got)
		}
		if got := walk(t, narrow, next); len(got) > 1 {
			t.Errorf("%s: %v", next, got)
		}
	}
}
