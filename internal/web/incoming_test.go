package web

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"candidacy/internal/incoming"
	"candidacy/internal/intake"
)

// creatinineOf is a message of one result of a person, as a laboratory sends it.
func creatinineOf(identifier, family, given, born, number, status, issued, value string) string {
	return fmt.Sprintf(`{"resourceType":"Bundle","type":"collection","entry":[
{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","identifier":[{"system":"urn:oid:1.2.36.146.595.217.0.1","value":"%s"}],"name":[{"family":"%s","given":["%s"]}],"birthDate":"%s"}},
{"fullUrl":"urn:uuid:2","resource":{"resourceType":"Observation","status":"%s","identifier":[{"system":"https://lab.example/result","value":"%s"}],
"code":{"coding":[{"system":"http://loinc.org","code":"2160-0"}]},"subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-09-01T08:00:00+02:00","issued":"%s",
"note":[{"text":"<script>alert(1)</script>"}],"valueQuantity":{"value":%s,"unit":"mg/dL","system":"http://unitsofmeasure.org","code":"mg/dL"}}}]}`,
		identifier, family, given, born, status, number, issued, value)
}

// arrive lets a message come in that nobody waits for.
func (w *world) arrive(raw string) incoming.Outcome {
	w.t.Helper()
	out, err := w.incoming.Take(w.t.Context(), incoming.Delivery{Channel: incoming.MLLP, Sender: "Northmere laboratory", ContentType: intake.ContentType, Raw: []byte(raw)})
	must(w.t, err)
	return out
}

// incomingWorld has two candidates and messages that wait for different reasons.
func incomingWorld(t *testing.T) (w *world, ids []string, unknown, differs, conflict string) {
	w = newWorld(t, nil)
	w.day("2026-09-10")
	for i, family := range []string{"Fjellgren", "Okonedo"} {
		id := w.refer("Ottilie", family, "1979-05-02", "female", fmt.Sprintf("SYN-%d", i+1), "R-77")
		w.screen(id)
		ids = append(ids, id)
	}
	const first, later = "2026-09-01T10:00:00+02:00", "2026-09-02T10:00:00+02:00"
	if out := w.arrive(creatinineOf("SYN-1", "Fjellgren", "Ottilie", "1979-05-02", "N-1", "final", first, "0.81")); out.State != incoming.Applied {
		t.Fatalf("the first is %+v", out)
	}
	conflict = w.arrive(creatinineOf("SYN-1", "Fjellgren", "Ottilie", "1979-05-02", "N-1", "preliminary", later, "0.99")).ID
	w.day("2026-09-12")
	differs = w.arrive(creatinineOf("SYN-1", "Fjellberg", "Ottilie", "1979-05-20", "N-2", "final", first, "0.82")).ID
	unknown = w.arrive(creatinineOf("SYN-9", "Fjellgren", "Ottilie", "1979-05-02", "N-3", "final", first, "0.83")).ID
	return w, ids, unknown, differs, conflict
}

var keyOf = regexp.MustCompile(`name="key" value="([^"]+)"`)

// TestIncomingPages goes through what a coordinator does with messages.
func TestIncomingPages(t *testing.T) {
	w, ids, unknown, differs, conflict := incomingWorld(t)
	cora := w.as("cora")
	cora.get("/").has(t, "3 incoming messages wait for a person.", `href="/incoming"`)
	w.as("clem").get("/").lacks(t, "incoming message")
	list := cora.get("/incoming")
	list.has(t, "Northmere laboratory (HL7 v2)", "No candidate has this patient number", "Fjellberg, Ottilie, born 20 May 1979", "The name is not that of the candidate with this number",
		"It goes against the order of reports", "1 result", `href="/incoming/`+unknown+`"`, "2 days", "On record")
	if strings.Index(list.body, conflict) > strings.Index(list.body, unknown) {
		t.Error("the longest waiting is not first")
	}

	// What the message says stands beside the record, and nothing of it is markup.
	page := cora.get("/incoming/" + differs)
	page.has(t, "Fjellberg", "Fjellgren, Ottilie", "differs", "20 May 1979", "2 May 1979", "SYN-1 (urn:oid:1.2.36.146.595.217.0.1)", "Serum creatinine", "0.82 mg/dL",
		"&lt;script&gt;alert(1)&lt;/script&gt;", "As it came")
	page.lacks(t, "<script>alert")
	cora.get("/incoming/"+conflict).has(t, "0.99 mg/dL", "0.81 mg/dL, final", "Let it in all the same")

	// A search is sent, and finds by name or number as the board does.
	path := "/incoming/" + unknown
	cora.get(path).lacks(t, `name="birth_date"`)
	cora.get("/incoming/"+differs).has(t, `value="`+ids[0]+`"`, `name="birth_date"`) // whom it was compared with
	found := cora.post(path, url.Values{"do": {"search"}, "group": {"0"}, "q": {"fjellgren"}})
	found.has(t, "1 found", "Fjellgren, Ottilie, SYN-1", `name="birth_date"`, "Record a patient number as theirs")
	found.lacks(t, "2 May 1979, ", `value="1979-05-02"`)
	cora.post(path, url.Values{"do": {"search"}, "group": {"0"}, "q": {"nobody at all"}}).has(t, "Nobody found")

	// Mistakes keep what was entered, and say where.
	assign := url.Values{
		"act": {"assign"}, "group": {"0"}, "revision": {"0"}, "key": {keyOf.FindStringSubmatch(found.body)[1]}, "q": {"fjellgren"}, "candidate": {ids[0]},
		"birth_date": {"1979-05-20"}, "alias": {"0"}, "alias_kind": {"merged"}, "reason": {"The laboratory has an old number."},
	}
	bad := cora.post(path, assign)
	if bad.status != http.StatusUnprocessableEntity {
		t.Errorf("a wrong date of birth is answered %d", bad.status)
	}
	bad.has(t, "Not the date of birth of this candidate", `href="#assign-0-birth_date"`, "The laboratory has an old number.", `value="1979-05-20"`)
	for name, missing := range map[string]string{"candidate": "Choose whom it is about.", "reason": "This is missing.", "birth_date": "This is missing."} {
		values := url.Values{}
		for n, v := range assign {
			if n != name {
				values[n] = v
			}
		}
		values.Set("birth_date", map[bool]string{true: "", false: "1979-05-02"}[name == "birth_date"])
		if got := cora.post(path, values); got.status != http.StatusUnprocessableEntity {
			t.Errorf("without %s: %d", name, got.status)
		} else {
			got.has(t, missing)
		}
	}
	assign.Set("birth_date", "1979-05-02")
	for range 2 { // the form is sent twice
		got := cora.post(path, assign)
		if got.header.Get("Location") != path+"?done=assign" {
			t.Fatalf("answered %d to %q", got.status, got.header.Get("Location"))
		}
	}
	cora.get(path+"?done=assign").has(t, "It is on record.", "Assigned to a candidate", "The laboratory has an old number.", "Cora", "On record as entry", "New on record")
	cora.get("/candidates/"+ids[0]).has(t, "0.83 mg/dL")
	// The number finds them from now on.
	if out := w.arrive(creatinineOf("SYN-9", "Fjellgren", "Ottilie", "1979-05-02", "N-4", "final", "2026-09-01T10:00:00+02:00", "0.84")); out.State != incoming.Applied {
		t.Errorf("the next is %+v", out)
	}

	// Two people: the second is told.
	aside := url.Values{"act": {"set-aside"}, "group": {"0"}, "revision": {"0"}, "key": {"aside-1"}, "reason": {"The laboratory withdrew it."}}
	if got := cora.post("/incoming/"+differs, aside); got.status != http.StatusSeeOther {
		t.Fatalf("set aside with %d", got.status)
	}
	aside.Set("key", "aside-2")
	late := cora.post("/incoming/"+differs, aside)
	if late.status != http.StatusConflict {
		t.Errorf("the second is answered %d", late.status)
	}
	late.has(t, "Somebody else has dealt with the message meanwhile", "Set aside", "The laboratory withdrew it.")
	if got := cora.post("/incoming/"+conflict, url.Values{"act": {"accept"}, "group": {"0"}, "revision": {"0"}, "key": {"accept-1"}, "reason": {"The laboratory reopened it."}}); got.status != http.StatusSeeOther {
		t.Errorf("let in with %d %s", got.status, got.body)
	}
	for _, values := range []url.Values{{"act": {"guess"}, "group": {"0"}, "revision": {"1"}, "key": {"x"}, "reason": {"x"}}, {"act": {"accept"}, "key": {"x"}}} {
		if got := cora.post("/incoming/"+conflict, values); got.status != http.StatusUnprocessableEntity && got.status != http.StatusConflict {
			t.Errorf("%v is answered %d", values, got.status)
		}
	}
	cora.get("/").lacks(t, "incoming message")
	if strings.Contains(w.log.String(), "Fjell") || strings.Contains(w.log.String(), "SYN-") {
		t.Error("the log names a person")
	}
}

// TestIncomingForTheRecipientsTeam: what is about nobody who is known may be
// about their recipient's candidate.
func TestIncomingForTheRecipientsTeam(t *testing.T) {
	w, _, unknown, differs, conflict := incomingWorld(t)
	must(t, w.store.AddToRecipientTeam(t.Context(), "R-other", "cora"))
	cora := w.as("cora")
	list := cora.get("/incoming")
	list.has(t, differs, conflict)
	list.lacks(t, unknown)
	cora.get("/").has(t, "2 incoming messages wait")
	must(t, w.store.AddToRecipientTeam(t.Context(), "R-77", "cora"))
	cora.get("/incoming").lacks(t, "Fjell", differs, conflict)
	for _, id := range []string{unknown, differs, conflict} {
		if got := cora.get("/incoming/" + id); got.status != http.StatusNotFound {
			t.Errorf("a message is answered %d", got.status)
		}
		if got := cora.post("/incoming/"+id, url.Values{"act": {"set-aside"}, "revision": {"0"}, "key": {"x"}, "reason": {"x"}}); got.status != http.StatusNotFound {
			t.Errorf("a decision is answered %d", got.status)
		}
	}
	cora.get("/").lacks(t, "incoming message")
}

// TestBrowserIncoming looks at the pages at every width and in every colour, and
// assigns a message with the keyboard's own controls.
func TestBrowserIncoming(t *testing.T) {
	program := chromium(t)
	w, _, unknown, differs, _ := incomingWorld(t)
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	s.open("/")
	s.check("board-incoming")
	for name, path := range map[string]string{"incoming": "/incoming", "message-differs": "/incoming/" + differs, "message-unknown": "/incoming/" + unknown} {
		s.open(path)
		eval[string](s, `document.querySelectorAll("details").forEach(d => d.open = true); ""`)
		s.check(name)
		s.narrow(name)
		s.zoom(path)
	}
	s.open("/incoming/" + unknown)
	s.set("q-0", "okonedo")
	s.send("q-0")
	s.check("message-search")
	s.narrow("message-search")
	if text := s.text("main"); !strings.Contains(text, "1 found") {
		t.Errorf("the search says %.300s", text)
	}
	s.set("assign-0-candidate-0", "")
	s.set("assign-0-birth_date", "1979-05-02")
	if _, problem := s.send("assign-0-reason"); !strings.Contains(problem, "Nothing was recorded") {
		t.Errorf("without a reason: %q", problem)
	}
	s.check("message-errors")
	s.set("assign-0-reason", "Married since, and moved here from another hospital.")
	if notice, problem := s.send("assign-0-reason"); notice == "" {
		t.Fatalf("assigned with %q", problem)
	}
	s.check("message-done")
	s.colours("print", "light")
	s.shot("message-print")
	if _, err := chromedp.Run(s.ctx, chromedp.Evaluate[chromedp.Void]("1")); err != nil {
		t.Error(err)
	}
}
