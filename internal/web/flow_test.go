package web

import (
	"context"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

var hiddenKey = regexp.MustCompile(`name="key" value="([0-9a-f-]{36})"`)

func keyOn(t *testing.T, a answer) string {
	t.Helper()
	found := hiddenKey.FindStringSubmatch(a.body)
	if found == nil {
		t.Fatal("the page has no idempotency key")
	}
	return found[1]
}

func testReferral(t *testing.T, w *world) {
	b := w.as("cora")
	form := url.Values{
		"given": {"Ottilie Marta"}, "family": {" fjellgren "}, "birth_date": {"1979-05-02"}, "sex": {"female"},
		"identifier_system": {"urn:oid:1.2.36.146.595.217.0.1"}, "identifier_value": {"WEB-0003"}, "path": {"nondirected"},
		"key": {keyOn(t, b.get("/candidates/new"))},
	}
	got := b.post("/candidates/new", form)
	if got.status != http.StatusConflict {
		t.Errorf("a likely duplicate: %d", got.status)
	}
	got.has(t, "May be the same person", "WEB-0001", "Another person, because", `value="Ottilie Marta"`,
		"Probably the same person", "same birth date", "given name agrees in one part", "same sex")
	compared := regexp.MustCompile(`name="compared" value="([^"]+)"`).FindStringSubmatch(got.body)
	if compared == nil {
		t.Fatal("the page does not say who was compared")
	}
	// A reason alone is of somebody who has compared nobody, and to have compared needs one.
	form.Set("distinct_reason", "Aunt and niece, both were here.")
	if got = b.post("/candidates/new", form); got.status != http.StatusConflict {
		t.Errorf("a reason without a comparison: %d", got.status)
	}
	form.Set("compared", compared[1])
	form.Set("distinct_reason", " ")
	if got = b.post("/candidates/new", form); got.status != http.StatusConflict {
		t.Errorf("a comparison without a reason: %d", got.status)
	}
	got.has(t, `href="#refer-distinct_reason"`, "Say why this is another person")
	form.Set("distinct_reason", "Aunt and niece, both were here.")
	first := b.post("/candidates/new", form)
	if first.status != http.StatusSeeOther || !strings.HasSuffix(first.header.Get("Location"), "?done=refer") {
		t.Fatalf("a confirmed referral: %d %s", first.status, first.header.Get("Location"))
	}
	if again := b.post("/candidates/new", form); again.header.Get("Location") != first.header.Get("Location") {
		t.Errorf("the same form sent twice: %d %s", again.status, again.header.Get("Location"))
	}
	page := b.get(first.header.Get("Location"))
	page.has(t, "The referral is recorded.", "Begin screening", "another person, because", "Aunt and niece, both were here.")
	page.lacks(t, "May be the same person")
	w.as("clem").get("/candidates/"+idIn(first)).lacks(t, "Aunt and niece")

	// The same identifier is another matter: it is refused.
	form.Set("key", "another")
	form.Set("birth_date", "1969-05-02")
	got = b.post("/candidates/new", form)
	if got.status != http.StatusConflict {
		t.Errorf("the same identifier: %d", got.status)
	}
	got.has(t, "Somebody on record has this identifier", `href="#alike"`)
	got.lacks(t, "Another person, because")

	// Missing answers are named, and what was entered stays.
	testAlikeUnseen(t, w, form)
	got = b.post("/candidates/new", url.Values{"key": {"k"}, "family": {"Half-Entered"}, "path": {"direct"}})
	if got.status != http.StatusUnprocessableEntity {
		t.Errorf("an empty referral: %d", got.status)
	}
	got.has(t, `role="alert"`, `href="#refer-given"`, `value="Half-Entered"`, `href="#refer-recipient"`, `value="direct" checked`)
}

func testResults(t *testing.T, w *world, id string) {
	b := w.as("clem")
	page := b.get("/candidates/" + id + "?code=4548-4")
	page.has(t, "Glycated haemoglobin", `name="value"`)
	form := url.Values{"key": {keyOn(t, page)}, "code": {"4548-4"}, "value": {"5,9"}, "unit": {"%"}, "date": {"2026-09-14"}}
	got := b.post("/candidates/"+id+"/record-results", form)
	if got.status != 422 {
		t.Errorf("a comma in a number: %d", got.status)
	}
	got.has(t, `value="5,9"`, `href="#record-results-value"`, `value="2026-09-14"`)
	form.Set("value", "59")
	got = b.post("/candidates/"+id+"/record-results", form)
	if got.status != 422 {
		t.Errorf("an implausible value: %d", got.status)
	}
	got.has(t, "is the unit right")
	form.Set("value", "5.90")
	form.Set("date", "2027-09-14")
	got = b.post("/candidates/"+id+"/record-results", form)
	got.has(t, "In the future", `href="#record-results-date"`)
	form.Set("date", "2026-09-14")
	form.Set("time", "08:15")
	for range 2 { // sent twice, recorded once
		if got = b.post("/candidates/"+id+"/record-results", form); got.status != http.StatusSeeOther {
			t.Fatalf("a result: %d", got.status)
		}
	}
	page = b.get("/candidates/" + id)
	page.has(t, "5.90 %", "14 Sep 2026, 08:15", "typed in")
	if n := strings.Count(page.body, "5.90 %"); n != 2 { // as a result, and as the flag's input
		t.Errorf("the result is on the page %d times", n)
	}

	// A panel, a coded value, and a time that the clocks skip.
	form = url.Values{"key": {"bp-1"}, "code": {"85354-9"}, "part-8480-6": {"128"}, "date": {"2026-09-15"}}
	got = b.post("/candidates/"+id+"/record-results", form)
	got.has(t, `href="#record-results-part-8462-4"`)
	form.Set("part-8462-4", "78")
	if got = b.post("/candidates/"+id+"/record-results", form); got.status != http.StatusSeeOther {
		t.Errorf("a panel: %d", got.status)
	}
	form = url.Values{"key": {"hiv-1"}, "code": {"56888-1"}, "date": {"2026-03-29"}, "time": {"02:30"}}
	got = b.post("/candidates/"+id+"/record-results", form)
	got.has(t, "no such time", `href="#record-results-coded"`)
	form.Set("time", "")
	form.Set("date", "2026-09-15")
	form.Set("coded", "260385009")
	if got = b.post("/candidates/"+id+"/record-results", form); got.status != http.StatusSeeOther {
		t.Errorf("a coded result: %d", got.status)
	}
	b.get("/candidates/"+id).has(t, "HIV screen", "128/78 mmHg")
}

// testSigning signs a result that is corrected after it was shown.
func testSigning(t *testing.T, w *world, id string) {
	report := func(status result.Status, value json.Number) {
		t.Helper()
		w.give("clem", id, journey.RecordResults, &command.RecordResults{Results: []command.Result{{
			Identifier: result.Identifier{System: "urn:test", Value: "signing"}, Status: status, Code: result.Coding{Code: "4548-4"},
			Quantity: &result.Quantity{Value: value, Unit: "%"}, Effective: "2026-09-16",
		}}})
	}
	evidence := regexp.MustCompile(`name="evidence-hba1c" value="([^"]+)"`)
	b := w.as("clem")
	form := func(key string) url.Values {
		t.Helper()
		seen := evidence.FindStringSubmatch(b.get("/candidates/" + id).body)
		if seen == nil {
			t.Fatal("the form does not say what was seen")
		}
		return url.Values{"key": {key}, "requirements": {"hba1c"}, "verdict": {"met"}, "reason": {"Looked at it."}, "evidence-hba1c": {seen[1]}}
	}
	report(result.Final, "5.4")
	old := form("signing-1")
	report(result.Corrected, "6.1")
	got := b.post("/candidates/"+id+"/sign-results", old)
	if got.status != http.StatusConflict {
		t.Errorf("a signature on what has changed: %d", got.status)
	}
	got.has(t, "a result has changed since you looked at it", "has changed since it was shown; look at it again", "Looked at it.")
	got.lacks(t, `value="hba1c" checked`, old.Get("evidence-hba1c"))
	// A form that does not say what was seen signs nothing.
	blind := form("signing-2")
	blind.Del("evidence-hba1c")
	if got := b.post("/candidates/"+id+"/sign-results", blind); got.status != http.StatusUnprocessableEntity {
		t.Errorf("a signature on nothing in particular: %d", got.status)
	}
	if got := b.post("/candidates/"+id+"/sign-results", form("signing-3")); got.status != http.StatusSeeOther {
		t.Errorf("a signature on what is there: %d", got.status)
	}
}

func testErrors(t *testing.T, w *world, id string) {
	b := w.as("clem")
	page := b.get("/candidates/" + id)
	form := url.Values{
		"key": {keyOn(t, page)}, "requirements": {"surgery-review"}, "position": {"objects"}, "findings": {"  "},
	}
	got := b.post("/candidates/"+id+"/record-review", form)
	if got.status != 422 {
		t.Errorf("an objection without findings: %d", got.status)
	}
	got.has(t, `role="alert"`, `href="#record-review-findings"`, `value="objects" checked`, `value="surgery-review" checked`)
	form = url.Values{"key": {"waive-1"}, "requirement": {"psychosocial-evaluation"}, "until": {"2026-12-01"}, "reason": {"A reason that <b>stays</b>"}}
	got = b.post("/candidates/"+id+"/waive-requirement", form)
	if got.status != 409 {
		t.Errorf("a waiver of what can't be waived: %d", got.status)
	}
	got.has(t, "Psychosocial evaluation can&#39;t be waived", "A reason that &lt;b&gt;stays&lt;/b&gt;")

	// The coordinator's form for a stage that is over.
	b = w.as("cora")
	got = b.post("/candidates/"+id+"/begin-screening", url.Values{"key": {"late"}, "contact_consent": {"yes"}, "duplicate_checked": {"yes"}})
	if got.status != 409 {
		t.Errorf("a command of an earlier stage: %d", got.status)
	}
	got = b.post("/candidates/"+id+"/sign-results", url.Values{"key": {"sign"}, "requirements": {"hba1c"}, "evidence-hba1c": {"seen"}, "verdict": {"met"}})
	if got.status != 403 {
		t.Errorf("a signature of the wrong role: %d", got.status)
	}
	got = b.post("/candidates/"+id+"/present-to-committee", url.Values{"key": {"present"}})
	got.has(t, "this is not possible yet", "Nephrology assessment is due")
	// The idempotency key was used for something else.
	if got = b.post("/candidates/"+id+"/assign-advocate", url.Values{"key": {"once"}, "advocate": {"adva"}, "reason": {"Same person"}}); got.status != 303 {
		t.Errorf("assign: %d", got.status)
	}
	if got = b.post("/candidates/"+id+"/hold", url.Values{"key": {"once"}}); got.status != 409 {
		t.Errorf("a used key: %d", got.status)
	}
	if got = b.post("/candidates/"+id+"/hold", url.Values{}); got.status != 422 {
		t.Errorf("no key: %d", got.status)
	}
	got = b.post("/candidates/"+id+"/hold", url.Values{"key": {strings.Repeat("x", maxForm)}})
	if got.status != 400 && got.status != 413 {
		t.Errorf("a huge form: %d", got.status)
	}
}

func testBoard(t *testing.T, w *world, id, other string) {
	b := w.as("cora")
	board := b.get("/")
	board.has(t, "Fjellgren, Ottilie", "Needs discussion", "Referral has been overdue", "No results yet", "Okonedo")
	// What is overdue comes before what is only due.
	if strings.Index(board.body, other) > strings.Index(board.body, id) {
		t.Error("the overdue candidate is not first")
	}
	found := b.post("/", url.Values{"q": {"OKON"}})
	found.has(t, "Okonedo", `name="q" value="OKON"`)
	found.lacks(t, "Fjellgren", "q=OKON")
	b.get("/?q=OKON").has(t, "Fjellgren") // an address narrows to nobody
	b.post("/", url.Values{"q": {"OKON"}, "stage": {"evaluation"}}).has(t, "No candidate matches")
	b.get("/?stage=evaluation").lacks(t, "Okonedo")
	b.get("/?show=stuck").has(t, "Okonedo")
	b.get("/?show=nonsense&stage=nonsense&page=99").has(t, "Okonedo")
	b.post("/", url.Values{"q": {"nobody"}}).has(t, "No candidate matches")
	w.give("clem", other, journey.Decline, actionBody(t, journey.Decline, url.Values{"reason": {"Not now"}}))
	b.get("/").lacks(t, "Okonedo")
	b.get("/?stage=declined").has(t, "Okonedo")
	page := b.get("/candidates/" + other)
	page.has(t, "Now: Declined", withheld)
	page.lacks(t, "Not now")
}

// answerTo finds one of the coded answers.
func answerTo(t *testing.T, p *protocol.Protocol, code, display string) result.Coding {
	t.Helper()
	o, _ := p.Observation(code)
	for _, c := range o.Answers() {
		if c.Display == display {
			return c
		}
	}
	t.Fatalf("%s can't be %s", code, display)
	return result.Coding{}
}

// testBasis reads what the decision stood on, then has the creatinine corrected
// and reads it again.
func testBasis(t *testing.T, w *world, id string) {
	basis := func(who string) answer {
		t.Helper()
		page := w.as(who).get("/candidates/" + id)
		_, rest, found := strings.Cut(page.body, `<details class="basis">`)
		text, _, _ := strings.Cut(rest, "</code></p></details>")
		if !found {
			t.Fatalf("%s does not see what the decision stood on", who)
		}
		return answer{body: text}
	}
	before := basis("comm")
	before.has(t, w.protocol.Title+", version "+w.protocol.Version+", ", w.protocol.Digest(), "Requirements as they were before the decision",
		"Clement Oduya, 16 Sep 2026", "Waived until 1 Dec 2026", "Valid until ", "has concerns", "supports", "Met</span>", "Not yet due</span>",
		"Estimated GFR from creatinine", "Computed values as they were on that day", "Computed from", "unrounded ",
		"Excludes when ≥ 140 mmHg; needs discussion when ≥ 130 mmHg", "Excludes absolutely when &lt; 18 years; needs", "does not apply: Fasting plasma glucose")
	if n := strings.Count(before.body, `data-label="Requirement"`); n != len(w.protocol.Requirements) {
		t.Errorf("%d requirements, want %d", n, len(w.protocol.Requirements))
	}
	for _, f := range w.protocol.Flags[:3] {
		before.has(t, html.EscapeString(f.Source))
	}
	for _, who := range []string{"cora", "audi"} {
		basis(who).lacks(t, "has concerns")
	}
	w.give("clem", id, journey.RecordResults, &command.RecordResults{Results: []command.Result{{
		Identifier: result.Identifier{System: "urn:test", Value: "later"}, Status: result.Final, Code: result.Coding{Code: "2160-0"},
		Quantity: &result.Quantity{Value: "0.71", Unit: "mg/dL"}, Effective: "2026-09-15",
	}}})
	w.sign(id)
	if after := basis("comm"); after.body != before.body {
		t.Errorf("what the decision stood on has changed:\n%s\n%s", before.body, after.body)
	}
}

// screens records and signs the negative infection tests that an operation needs.
func (w *world) screens(id, day string) {
	w.t.Helper()
	var screens []command.Result
	negative := answerTo(w.t, w.protocol, "56888-1", "Negative")
	for _, code := range []string{"56888-1", "5196-1", "13952-7", "16128-1"} {
		screens = append(screens, command.Result{
			Identifier: result.Identifier{System: "urn:test", Value: code}, Status: result.Final,
			Code: result.Coding{Code: code}, Coded: &negative, Effective: day,
		})
	}
	w.give("clem", id, journey.RecordResults, &command.RecordResults{Results: screens})
	w.sign(id)
}

// TestAfterDecision takes an approved candidate to the end of the follow-up by
// the forms of the page.
func TestAfterDecision(t *testing.T) {
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0009", "")
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")
	w.sign(id)
	w.review(id)
	w.give("clem", id, journey.WaiveRequirement, &command.WaiveRequirement{Requirement: "acr", Until: "2026-12-01", Reason: "Settled by the 24-hour collection."})
	w.approve(id)
	testBasis(t, w, id)
	w.screens(id, "2026-09-15")
	people := map[string]*browser{}
	post := func(who string, want int, kind journey.Kind, form ...string) answer {
		t.Helper()
		if people[who] == nil {
			people[who] = w.as(who)
		}
		w.keys++
		values := url.Values{"key": {fmt.Sprintf("page-%d", w.keys)}}
		for i := 0; i < len(form); i += 2 {
			values.Add(form[i], form[i+1])
		}
		got := people[who].post("/candidates/"+id+"/"+string(kind), values)
		if got.status != want {
			_, shown, _ := strings.Cut(got.body, `role="alert"`)
			t.Fatalf("%s: %d, want %d: %.900s", kind, got.status, want, shown)
		}
		return got
	}
	post("cora", 409, journey.RecordConsent, "requirements", "consent-donation", "side", "right").has(t, "side differs")
	post("cora", 303, journey.RecordConsent, "requirements", "consent-donation", "side", "left")
	post("cora", 409, journey.Schedule, "date", "2026-09-18").has(t, "cooling-off period ends on")
	post("cora", 409, journey.Schedule, "date", "2026-10-02", "side", "right").has(t, "The side that is booked differs")
	post("cora", 422, journey.Schedule, "date", "2026-10-02", "team_surgeon", "nobody").has(t, "no such active account")
	post("cora", 303, journey.Schedule, "date", "2026-10-02", "approach", "robotic", "side", "left", "team_surgeon", "clem")
	people["cora"].get("/candidates/"+id).has(t, "Countdown to the operation", "The operation is planned for 2 Oct 2026", "Robotic", "Surgeon")
	post("adva", 303, journey.CancelOperation, "reason", "Wants a week more.", "cause", "candidate-choice", "told", "by-phone", "told_on", "2026-09-16", "counselling", "yes")
	people["adva"].get("/candidates/"+id).has(t, "own choice", "by phone 16 Sep 2026")
	cancelled := people["cora"].get("/candidates/" + id)
	cancelled.has(t, "A new day of operation, or a hold, is due")
	cancelled.lacks(t, "own choice", "Wants a week more")
	post("cora", 303, journey.Schedule, "date", "2026-10-02")
	w.clock.set(journey.Date("2026-10-02").Start(w.protocol.Zone()).Add(6 * time.Hour)) // before the sign-ins end
	people = map[string]*browser{}
	results, err := w.store.Results(context.Background(), id)
	must(t, err)
	samples := protocol.BloodTypes(results)
	check := func(identifier string) []string {
		return []string{"page", "check", "birth-date", "1979-05-02", "identifier", identifier, "blood-type-first", samples[0].Type, "blood-type-second", samples[1].Type, "side", "left"}
	}
	post("clem", 303, journey.ConfirmLastCheck, check("WEB-0008")...)
	page := people["clem"].get("/candidates/" + id)
	page.has(t, "The last check found a mismatch", "Mismatch: Identifier")
	stopped := people["clem"].get("/candidates/" + id + "/checks/confirm-last-check")
	stopped.has(t, "A line did not agree on 2 Oct 2026", "Does not agree", "Not kept")
	stopped.lacks(t, "WEB-0008", "I read every line")
	post("clem", 303, journey.ResolveLastCheck, "reason", "Misread; the wristband says WEB-0009.")
	post("clem", 303, journey.ConfirmLastCheck, check("WEB-0009")...)
	people["cleo"] = w.as("cleo")
	first := people["cleo"].get("/candidates/" + id + "/checks/confirm-last-check")
	first.has(t, "First reading", "Another person reads every line as well")
	first.lacks(t, "On record", "WEB-0009", `checked>`)
	people["cleo"].get("/candidates/"+id+"/checks/confirm-last-check?paper=yes").has(t, "On record", "WEB-0009", "1979-05-02", "Second person")
	post("clem", 409, journey.ConfirmLastCheck, check("WEB-0009")...).has(t, "another person")
	post("cleo", 422, journey.ConfirmLastCheck, check("WEB-0009")[:4]...).has(t, `href="#confirm-last-check-blood-type-first-0"`, `value="1979-05-02"`)
	post("clem", 409, journey.BeginOperation).has(t, "different people")
	post("cleo", 303, journey.ConfirmLastCheck, check("WEB-0009")...)
	post("clem", 303, journey.BeginOperation)
	post("clem", 422, journey.RecordOperation, "outcome", "removed").has(t, `href="#record-operation-side-0"`)
	post("clem", 303, journey.RecordOperation, "outcome", "removed", "side", "left", "approach", "robotic")
	people["clem"].get("/candidates/"+id).has(t, "Follow-up visits", "First visit, about one week")
	amendments(t, w, id, post)
	w.day("2026-10-09")
	people = map[string]*browser{}
	post("cora", 303, journey.RecordVisit, "visit", "week-1", "outcome", "seen", "note", "Well.")
	post("cora", 303, journey.CompleteRecovery)
	reportPages(t, w, id, post, func() { people = map[string]*browser{} })
	for _, v := range []struct{ visit, day string }{{"month-6", "2027-04-02"}, {"year-1", "2027-10-02"}, {"year-2", "2028-10-02"}} {
		w.day(v.day)
		people = map[string]*browser{}
		post("cora", 303, journey.RecordVisit, "visit", v.visit, "outcome", "seen")
	}
	post("cora", 303, journey.Close)
	page = people["cora"].get("/candidates/" + id)
	page.has(t, "Closed", "Kidney removed")
	page.lacks(t, `method="post" action="/candidates`)
	// A board without anybody on the way is not one without anybody.
	for path, found := range map[string]bool{"/": false, "/?stage=evaluation": false, "/?show=ended": true, "/?show=all": true, "/?stage=closed": true} {
		board := people["cora"].get(path)
		board.lacks(t, "There is no candidate yet")
		if found {
			board.has(t, "Fjellgren")
		} else {
			board.has(t, "No candidate matches")
		}
	}
}
