package api

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// refusal is a bad request and what must come of it.
type refusal struct {
	name string
	call
	status int
	// problem ends the type of the problem, field is one that it names.
	problem, field string
	// says must be in the answer and hides must not.
	says, hides string
}

// result with one member changed; nil takes it out.
func changed(member string, value any) obj {
	r := creatinine(fix.unique("LV"))
	if value == nil {
		delete(r, member)
	} else {
		r[member] = value
	}
	return r
}

// TestRefusedRequestsChangeNothing sends what must be refused and checks that
// the answer says what is wrong and where, and that nothing was written.
func TestRefusedRequestsChangeNothing(t *testing.T) {
	id, identifier := fix.evaluated(t)
	referred := fix.refer(t, fix.unique("SYN-N"), fix.unique("R"))
	screened, _ := fix.screened(t)
	ended := fix.refer(t, fix.unique("SYN-E"), fix.unique("R"))
	fix.give(t, "coordinator", ended, journey.Withdraw, obj{})
	const used = "a key that was used"
	fix.must(t, http.StatusOK, call{method: "POST", path: commandPath(id, journey.RecordReview), as: "clinician", key: used, body: `{"requirement":"surgery-review","position":"supports"}`})
	taken := fix.unique("LV-taken")
	fix.must(t, http.StatusCreated, call{
		method: "POST", path: "/api/candidates/" + screened + "/results", as: "clinician", key: fix.unique("key"),
		body: encoded(t, obj{"results": []any{creatinine(taken)}}),
	})

	order := func(as string, candidate string, kind journey.Kind, body string) call {
		return call{path: commandPath(candidate, kind), as: as, key: fix.unique("key"), body: body}
	}
	results := func(list ...any) call {
		return call{path: "/api/candidates/" + id + "/results", as: "clinician", key: fix.unique("key"), body: encoded(t, obj{"results": list})}
	}
	raw := func(body string) call {
		return call{path: "/api/candidates/" + id + "/results", as: "clinician", key: fix.unique("key"), body: body}
	}
	with := func(c call, change func(*call)) call {
		change(&c)
		return c
	}
	quantity := func(value any, unit string) obj { return changed("quantity", obj{"value": value, "unit": unit}) }
	refer := func(member string, value any) call {
		body := fix.referral(fix.unique("SYN-B"), "R-bad")
		body[member] = value
		return call{path: "/api/candidates", as: "coordinator", key: fix.unique("key"), body: encoded(t, body)}
	}
	intake := func(body string) call {
		return call{path: "/api/intake", as: "clinician", contentType: fhirJSON, body: body}
	}
	message := bundle(t, "c01-evaluation.json", identifier)
	number := func(text string) string {
		return strings.Replace(encoded(t, obj{"results": []any{creatinine("LV-number")}}), "0.72", text, 1)
	}
	big := `{"note":"` + strings.Repeat("x", command.MaxBytes) + `"}`
	const nobody = "00000000-0000-4000-8000-000000000000"

	for _, tc := range []refusal{
		// Results.
		{"wrong unit", results(quantity(0.72, "mmol/L")), 422, "invalid", "results[0].quantity.unit", "mg/dL", ""},
		{"no unit", results(quantity(0.72, "")), 422, "invalid", "results[0].quantity.unit", "UCUM", ""},
		{"negative value", results(quantity(-0.72, "mg/dL")), 422, "invalid", "results[0].quantity.value", "greater than zero", "-0.72"},
		{"zero", results(quantity(0, "mg/dL")), 422, "invalid", "results[0].quantity.value", "greater than zero", ""},
		{"implausible value", results(quantity(72, "mg/dL")), 422, "invalid", "results[0].quantity.value", "0.2 to 15 mg/dL", ""},
		{"NaN", raw(number("NaN")), 400, "malformed", "body", "not valid JSON", ""},
		{"quoted NaN", raw(number(`"NaN"`)), 400, "malformed", "body", "", "NaN"},
		{"absurdly large", raw(number("1e300")), 422, "invalid", "results[0].quantity.value", "plausible", "1e300"},
		{"value as a list", raw(number("[1]")), 400, "malformed", "", "", ""},
		{"future date", results(changed("effective", day(1)+"T08:00:00+02:00")), 422, "invalid", "results[0].effective", "in the future", ""},
		{"no such day", results(changed("effective", "2024-02-30")), 422, "invalid", "results[0].effective", "YYYY-MM-DD", "02-30"},
		{"time without a zone", results(changed("effective", day(-3)+"T08:00:00")), 422, "invalid", "results[0].effective", "with a zone", ""},
		{"no time", results(changed("effective", nil)), 422, "invalid", "results[0].effective", "missing", ""},
		{"no identifier", results(changed("identifier", nil)), 422, "invalid", "results[0].identifier.system", "missing", ""},
		{"no such status", results(changed("status", "done")), 422, "invalid", "results[0].status", "corrected", "done"},
		{"two values", results(changed("text", "and a text")), 422, "invalid", "results[0].value", "exactly one", ""},
		{"second result is wrong", results(creatinine("LV-good"), quantity(0.72, "g")), 422, "invalid", "results[1].quantity.unit", "", ""},
		{"same result twice", results(creatinine("LV-twice"), creatinine("LV-twice")), 422, "invalid", "results[1].identifier", "twice", ""},
		{"no results", results(), 422, "invalid", "results", "missing", ""},
		{"another candidate's result", results(creatinine(taken)), 409, "conflict", "results[0].identifier", "another candidate", taken},
		// The body as such.
		{"bad JSON", order("clinician", id, journey.RecordReview, `{"requirement":`), 400, "malformed", "body", "ends too early", ""},
		{"trailing text", order("clinician", id, journey.Withdraw, `{} {}`), 400, "malformed", "body", "after the JSON object", ""},
		{"not an object", order("clinician", id, journey.Withdraw, `[]`), 400, "malformed", "body", "", ""},
		{"not UTF-8", order("clinician", id, journey.Withdraw, "{\"note\":\"\xff\"}"), 400, "malformed", "body", "UTF-8", ""},
		{"unknown field", order("clinician", id, journey.Withdraw, `{"weight":1}`), 400, "malformed", "weight", "no such field", ""},
		{"unknown field that is a value", order("clinician", id, journey.Withdraw, `{"Alvira Testford, 1981":1}`), 400, "malformed", "(unnamed)", "", "Alvira"},
		{"wrong type", order("clinician", id, journey.RecordReview, `{"requirement":7}`), 400, "malformed", "requirement", "number", ""},
		{"oversized body", order("clinician", id, journey.Withdraw, big), 413, "too-large", "body", "1048576", ""},
		{"oversized message", intake(big), 413, "too-large", "body", "1048576", ""},
		{"text too long", order("clinician", id, journey.Withdraw, `{"note":"`+strings.Repeat("x", 10_001)+`"}`), 422, "invalid", "note", "10000", ""},
		{"wrong content type", with(results(creatinine("LV-a")), func(c *call) { c.contentType = "text/plain" }), 415, "unsupported-media-type", "Content-Type", "application/json", ""},
		{"no content type", with(raw("{}"), func(c *call) { c.header = http.Header{echo.HeaderContentType: nil} }), 415, "unsupported-media-type", "Content-Type", "", ""},
		{"FHIR as a command", with(results(creatinine("LV-a")), func(c *call) { c.contentType = fhirJSON }), 415, "unsupported-media-type", "Content-Type", "", ""},
		{"another charset", with(results(creatinine("LV-a")), func(c *call) { c.contentType = "application/json; charset=latin1" }), 415, "unsupported-media-type", "Content-Type", "utf-8", ""},
		{"compressed", with(raw("{}"), func(c *call) { c.header = http.Header{echo.HeaderContentEncoding: {"gzip"}} }), 415, "unsupported-media-type", "Content-Encoding", "", ""},
		// Who and which.
		{"no token", with(results(creatinine("LV-a")), func(c *call) { c.as = "" }), 401, "unauthorized", "", "", ""},
		{"wrong token", with(results(creatinine("LV-a")), func(c *call) { c.as = "nobody" }), 401, "unauthorized", "", "", ""},
		{"wrong role", order("auditor", id, journey.Withdraw, `{}`), 403, "forbidden", "", "auditor", ""},
		{"role of another command", order("coordinator", id, journey.RecordDecision, `{}`), 403, "forbidden", "", "coordinator", ""},
		{"referral by a clinician", with(refer("given", "Bertin"), func(c *call) { c.as = "clinician" }), 403, "forbidden", "", "", "Bertin"},
		{"review of another role", order("advocate", id, journey.RecordReview, `{"requirement":"surgery-review","position":"supports"}`), 403, "forbidden", "requirement", "clinician", ""},
		{"unknown candidate", order("clinician", nobody, journey.Withdraw, `{}`), 404, "not-found", "", "", nobody},
		{"candidate by another id", order("clinician", identifier, journey.Withdraw, `{}`), 404, "not-found", "", "", identifier},
		{"unknown command", order("clinician", id, "promote", `{}`), 404, "not-found", "kind", "sign-results", "promote"},
		{"command of the timer", order("clinician", id, journey.Elapse, `{}`), 404, "not-found", "kind", "", ""},
		{"referral as a command", order("coordinator", id, journey.Refer, `{}`), 404, "not-found", "kind", "", ""},
		{"not this advocate's", order("other-advocate", id, journey.Withdraw, `{}`), 404, "not-found", "", "", ""},
		// The key.
		{"no key", with(results(creatinine("LV-a")), func(c *call) { c.key = "" }), 422, "invalid", keyHeader, "", ""},
		{"key too long", with(results(creatinine("LV-a")), func(c *call) { c.key = strings.Repeat("k", 201) }), 422, "invalid", keyHeader, "200", ""},
		{"key with another body", with(order("clinician", id, journey.RecordReview, `{"requirement":"surgery-review","position":"objects","findings":"no"}`), func(c *call) { c.key = used }), 409, "conflict", keyHeader, "another command", ""},
		{"key of another person", with(order("coordinator", id, journey.Withdraw, `{}`), func(c *call) { c.key = used }), 409, "conflict", keyHeader, "", ""},
		// The process.
		{"wrong stage", order("committee", id, journey.RecordDecision, `{"outcome":"approve","side":"left","seats":[]}`), 409, "stage-not-allowed", "", `"allowed":["ask-question","answer-question","decline"]`, ""},
		{"nothing is allowed", order("clinician", referred, journey.ConfirmLastCheck, `{"birth_date":"1981-03-14","identifier":"SYN","blood_type_first":"O positive","blood_type_second":"O positive","side":"left"}`), 409, "stage-not-allowed", "", `"allowed":["hold","decline","withdraw","record-death"]`, ""},
		{"journey has ended", order("coordinator", ended, journey.Hold, `{}`), 409, "stage-not-allowed", "", `"allowed":[]`, ""},
		{"blocked", order("coordinator", screened, journey.BeginEvaluation, `{}`), 409, "blocked", "", `"requirement":"consent-evaluation"`, ""},
		{"nothing to sign", order("clinician", id, journey.SignResults, `{"requirements":["hba1c"],"verdict":"met"}`), 409, "blocked", "", `"rule":"result-present"`, ""},
		{"no such requirement", order("clinician", id, journey.RecordReview, `{"requirement":"horoscope","position":"supports"}`), 422, "invalid", "requirement", "surgery-review", "horoscope"},
		{"objection without reasons", order("clinician", id, journey.RecordReview, `{"requirement":"surgery-review","position":"objects"}`), 422, "invalid", "findings", "reasons", ""},
		{"no such verdict", order("clinician", id, journey.SignResults, `{"requirements":["hba1c"],"verdict":"fine"}`), 422, "invalid", "verdict", "not-met", "fine"},
		{"no such advocate", order("coordinator", screened, journey.AssignAdvocate, `{"advocate":"acc-nobody","reason":"a change"}`), 422, "invalid", "advocate", "no such account", "acc-nobody"},
		{"advocate of another role", order("coordinator", screened, journey.AssignAdvocate, `{"advocate":"acc-clinician","reason":"a change"}`), 422, "invalid", "advocate", "role advocate", ""},
		{"waiver in the past", order("clinician", id, journey.WaiveRequirement, fmt.Sprintf(`{"requirement":"hba1c","until":%q,"reason":"why not"}`, day(-1))), 422, "invalid", "until", "after today", ""},
		{"not waivable", order("clinician", id, journey.WaiveRequirement, fmt.Sprintf(`{"requirement":"abo-first","until":%q,"reason":"why not"}`, day(9))), 409, "blocked", "", "no-waiver", ""},
		{"no duplicate check", order("coordinator", referred, journey.BeginScreening, `{"contact_consent":true}`), 422, "invalid", "duplicate_checked", "", ""},
		// Referrals.
		{"born in the future", refer("birth_date", day(1)), 422, "invalid", "birth_date", "not in the past", ""},
		{"born longer ago than anybody", refer("birth_date", "1884-03-05"), 422, "invalid", "birth_date", "120 years", ""},
		{"no such sex", refer("sex", "f"), 422, "invalid", "sex", "female", ""},
		{"no name", refer("given", "  "), 422, "invalid", "given", "missing", ""},
		{"recipient that is a name", refer("recipient", "Bertin Mockwell"), 422, "invalid", "recipient", "opaque", "Mockwell"},
		{"identifier that is taken", refer("identifier", obj{"system": mrn, "value": identifier}), 409, "conflict", "identifier", "another candidate", identifier},
		// Messages.
		{"not a bundle", intake(`{"resourceType":"Patient"}`), 400, "malformed", "Bundle", "resourceType", "Patient"},
		{"message that is not JSON", intake(`MSH|^~\&|`), 400, "malformed", "Bundle", "not valid JSON", "MSH"},
		{"empty message", intake(`{"resourceType":"Bundle","type":"batch"}`), 422, "invalid", "Bundle.entry", "missing", ""},
		{"another unit system", intake(strings.Replace(message, "http://unitsofmeasure.org", "urn:units", 1)), 422, "invalid", "Bundle.entry[2].resource.valueQuantity.code", "UCUM", ""},
		{"wrong unit in a message", intake(strings.Replace(message, `"code":"mg/dL"`, `"code":"umol/L"`, 1)), 422, "invalid", "Bundle.entry[2].resource.valueQuantity.code", "mg/dL", ""},
		{"message of the future", intake(strings.Replace(message, `"effectiveDateTime":"2`, `"effectiveDateTime":"3`, 1)), 422, "invalid", "Bundle.entry[0].resource.effective", "in the future", ""},
		{"result of another in a message", intake(strings.ReplaceAll(strings.ReplaceAll(message, "https://lab.lindholm-valley.example/result", "https://lab.example/result"), "LV-"+identifier+"-E01", taken)), 409, "conflict", "Bundle.entry[0].resource.identifier", "another candidate", taken},
		{"message from an advocate", with(intake(message), func(c *call) { c.as = "advocate" }), 403, "forbidden", "", "", ""},
		// Routes and queries.
		{"unknown route", call{path: "/api/people", as: "clinician"}, 404, "not-found", "", "", "people"},
		{"the root", call{method: "GET", path: "/api", as: "clinician"}, 404, "not-found", "", "", ""},
		{"wrong method", call{method: "DELETE", path: "/api/candidates/" + id, as: "clinician"}, 405, "method-not-allowed", "", "GET, HEAD", id},
		{"wrong method for a command", call{method: "GET", path: commandPath(id, journey.Hold), as: "clinician"}, 405, "method-not-allowed", "", "POST", id},
		{"wrong method for a list", call{method: "PUT", path: "/api/candidates", as: "clinician"}, 405, "method-not-allowed", "", "GET, HEAD, POST", ""},
		{"a method of one's own", call{method: "PEEK", path: "/api/whoami", as: "clinician"}, 405, "method-not-allowed", "", "GET, HEAD", ""},
		{"read of an unknown candidate", call{method: "GET", path: "/api/candidates/" + nobody, as: "clinician"}, 404, "not-found", "", "", nobody},
		{"id in capitals", call{method: "GET", path: "/api/candidates/" + strings.ToUpper(id), as: "clinician"}, 404, "not-found", "", "", id},
		{"no such stage", call{method: "GET", path: "/api/candidates?stage=limbo", as: "clinician"}, 400, "malformed", "stage", "evaluation", "limbo"},
		{"limit too high", call{method: "GET", path: "/api/candidates?limit=101", as: "clinician"}, 400, "malformed", "limit", "1 to 100", ""},
		{"limit that is no number", call{method: "GET", path: "/api/candidates?limit=all", as: "clinician"}, 400, "malformed", "limit", "", ""},
		{"bad cursor", call{method: "GET", path: "/api/candidates?after=z", as: "clinician"}, 400, "malformed", "after", "", ""},
		{"unknown parameter", call{method: "GET", path: "/api/candidates?name=Alvira", as: "clinician"}, 400, "malformed", "query", "stage", "Alvira"},
		{"parameter twice", call{method: "GET", path: "/api/candidates?stage=closed&stage=hold", as: "clinician"}, 400, "malformed", "stage", "more than once", ""},
		{"query that is none", call{method: "GET", path: "/api/candidates?stage=%zz", as: "clinician"}, 400, "malformed", "query", "", ""},
		{"no such role", call{method: "GET", path: "/api/accounts?role=king", as: "coordinator"}, 400, "malformed", "role", "advocate", "king"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if tc.method == "" {
				tc.method = "POST"
			}
			entries, staged := fix.rows(t)
			answer := fix.do(t, tc.call)
			text := answer.Body.String()
			if answer.Code != tc.status {
				t.Fatalf("got %d, want %d: %s", answer.Code, tc.status, text)
			}
			problem := object(t, answer.Body.Bytes())
			if got, want := problem["type"], "/problems/"+tc.problem; got != want {
				t.Errorf("the problem is %v, want %s", got, want)
			}
			if got := answer.Header().Get(echo.HeaderContentType); got != problemType {
				t.Errorf("the content type is %s", got)
			}
			if tc.field != "" && !slices.Contains(fields(problem), tc.field) {
				t.Errorf("%s is not named: %s", tc.field, text)
			}
			if tc.says != "" && !strings.Contains(text, tc.says) {
				t.Errorf("%q is not said: %s", tc.says, text)
			}
			if tc.hides != "" && strings.Contains(text, tc.hides) {
				t.Errorf("%q is repeated: %s", tc.hides, text)
			}
			switch tc.status {
			case http.StatusUnauthorized:
				if got := answer.Header().Get(echo.HeaderWWWAuthenticate); got != "Bearer" {
					t.Errorf("WWW-Authenticate is %q", got)
				}
			case http.StatusMethodNotAllowed:
				if got := answer.Header().Get(echo.HeaderAllow); got != tc.says {
					t.Errorf("Allow is %q", got)
				}
			}
			if e, s := fix.rows(t); e != entries || s != staged {
				t.Errorf("%d entries and %d staged rows were added", e-entries, s-staged)
			}
		})
	}
}

// TestUnknownSubjectIsHeld: a message about nobody who is known is kept for a
// person, and its sender learns no more.
func TestUnknownSubjectIsHeld(t *testing.T) {
	entries, staged := fix.rows(t)
	message := bundle(t, "c01-evaluation.json", fix.unique("SYN-UNKNOWN"))
	for range 2 {
		got := fix.must(t, 202, call{method: "POST", path: "/api/intake", as: "laboratory", contentType: fhirJSON, body: message})
		if got["state"] != "held" || len(got) != 2 {
			t.Errorf("got %v", got)
		}
		kept, err := fix.store.Incoming(t.Context(), got["message"].(string))
		if err != nil || string(kept.Raw) != message || kept.Sender != "acc-laboratory" {
			t.Errorf("kept is %v of %s, %v", len(kept.Raw), kept.Sender, err)
		}
	}
	if e, s := fix.rows(t); e != entries || s != staged {
		t.Errorf("%d entries and %d staged rows were added", e-entries, s-staged)
	}
}
