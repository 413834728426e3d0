package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

// byResult are the requirements of c01 that stand on results.
var byResult = []string{
	"body-size", "bp-office", "abo-first", "abo-second", "blood-count", "glucose-fasting", "hba1c", "creatinine", "gfr-measured", "acr",
}

// TestJourneyThroughHTTP takes one person from the referral to the committee's
// decision, with nothing but requests.
func TestJourneyThroughHTTP(t *testing.T) {
	const recipient = "R-journey"
	answer := fix.do(t, call{
		method: "POST", path: "/api/candidates", as: "coordinator", key: "journey-referral", body: encoded(t, fix.referral("SYN-0001", recipient)),
	})
	if answer.Code != http.StatusCreated {
		t.Fatalf("got %d: %s", answer.Code, answer.Body)
	}
	id := object(t, answer.Body.Bytes())["candidate"].(string)
	if got, want := answer.Header().Get("Location"), "/api/candidates/"+id; got != want {
		t.Errorf("Location is %q, want %q", got, want)
	}
	stage := func(want journey.Stage) {
		t.Helper()
		if got := fix.read(t, "coordinator", id)["stage"]; got != string(want) {
			t.Fatalf("the stage is %v, want %s", got, want)
		}
	}
	stage(journey.Referral)
	fix.give(t, "coordinator", id, journey.BeginScreening, obj{"contact_consent": true, "duplicate_checked": true})
	stage(journey.Screening)
	fix.give(t, "coordinator", id, journey.AssignAdvocate, obj{"advocate": "acc-advocate"})
	fix.give(t, "clinician", id, journey.RecordConsent, obj{"requirement": "consent-evaluation"})
	fix.give(t, "coordinator", id, journey.BeginEvaluation, obj{"note": "All forms are in."})
	stage(journey.Evaluation)

	sent := 0
	for _, file := range []string{"c01-screening.json", "c01-evaluation.json"} {
		sent += strings.Count(bundle(t, file, ""), `"resourceType":"Observation"`)
		fix.must(t, http.StatusOK, call{
			method: "POST", path: "/api/intake", as: "clinician", contentType: fhirJSON, body: bundle(t, file, ""),
		})
	}
	seen := fix.read(t, "clinician", id)
	if n := len(seen["results"].([]any)); n != sent || n == 0 {
		t.Errorf("%d results are shown, want %d", n, sent)
	}
	if seen["worst_band"] != string(journey.Meets) {
		t.Errorf("the worst band is %v", seen["worst_band"])
	}
	fix.give(t, "clinician", id, journey.SignResults, obj{"requirements": byResult, "verdict": "met"})
	for _, requirement := range []string{"medical-history", "renal-angiogram", "psychosocial-evaluation", "nephrology-review", "surgery-review"} {
		fix.give(t, "clinician", id, journey.RecordReview, obj{"requirement": requirement, "position": "supports", "findings": "private words about " + requirement})
	}
	fix.give(t, "advocate", id, journey.RecordReview, obj{"requirement": "advocate-review-final", "position": "concerns", "findings": "private words about advocacy"})
	fix.give(t, "coordinator", id, journey.PresentToCommittee, obj{})
	stage(journey.Committee)
	receipt := fix.give(t, "committee", id, journey.RecordDecision, obj{
		"outcome": "approve", "side": "left", "seats": []string{"nephrologist", "surgeon", "psychosocial-evaluator", "advocate"},
	})
	if receipt["stage"] != string(journey.Approved) {
		t.Errorf("the receipt says stage %v", receipt["stage"])
	}
	stage(journey.Approved)
	t.Run("what each role sees", func(t *testing.T) { seenBy(t, id, recipient) })
	t.Run("the list", func(t *testing.T) { listed(t, id) })
}

// seenBy checks what is kept from whom.
func seenBy(t *testing.T, id, recipient string) {
	for _, tc := range []struct {
		role                                             string
		recipient, identity, bodies, guarded, may, other bool
	}{
		{role: "coordinator", recipient: true, identity: true, bodies: true, may: true, other: true},
		{role: "clinician", identity: true, bodies: true, guarded: true, may: true, other: true},
		{role: "advocate", bodies: true, guarded: true, may: true, other: true},
		{role: "committee", bodies: true, guarded: true, may: true, other: true},
		{role: "auditor"},
	} {
		t.Run(tc.role, func(t *testing.T) {
			answer := fix.do(t, call{method: "GET", path: "/api/candidates/" + id, as: tc.role})
			if answer.Code != http.StatusOK {
				t.Fatalf("got %d: %s", answer.Code, answer.Body)
			}
			text, seen := answer.Body.String(), object(t, answer.Body.Bytes())
			for what, want := range map[string]bool{
				recipient:                          tc.recipient,
				"SYN-0001":                         tc.identity,
				"All forms are in":                 tc.bodies,
				"private words about psychosocial": tc.guarded,
				"private words about advocacy":     tc.guarded,
				"private words about nephrology":   tc.other,
			} {
				if strings.Contains(text, what) != want {
					t.Errorf("%q is shown: %t, want %t", what, !want, want)
				}
			}
			if may := len(seen["allowed"].([]any)) > 0; may != tc.may {
				t.Errorf("commands are allowed: %t, want %t", may, tc.may)
			}
			if n := len(seen["timeline"].([]any)); n != 16 {
				t.Errorf("the timeline has %d entries, want 16", n)
			}
			if n := len(seen["flags"].([]any)); n == 0 {
				t.Error("no flag is shown")
			}
			if _, named := seen["name"]; named != (tc.role != "auditor") {
				t.Errorf("the name is shown: %t", named)
			}
			for _, each := range seen["requirements"].([]any) {
				switch r := each.(obj); r["id"] {
				case "psychosocial-evaluation", "advocate-review-final":
					if _, told := r["position"]; told != tc.guarded {
						t.Errorf("the position of %s is shown: %t, want %t", r["id"], told, tc.guarded)
					}
				case "surgery-review":
					if r["position"] != "supports" || r["fingerprint"] != nil {
						t.Errorf("the surgeon's review is %v", r)
					}
				case "creatinine":
					if r["fingerprint"] == nil {
						t.Error("what the result stands on is not shown")
					}
				}
			}
			first := seen["requirements"].([]any)[0].(obj)
			if first["title"] != "Independent living donor advocate assigned" || first["status"] != "met" || first["in_force"] != true {
				t.Errorf("the first requirement is %v", first)
			}
		})
	}
}

func listed(t *testing.T, id string) {
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates?stage=approved", as: "auditor"})
	lines := got["candidates"].([]any)
	i := slices.IndexFunc(lines, func(line any) bool { return line.(obj)["id"] == id })
	if i < 0 {
		t.Fatal("the candidate is not in the list")
	}
	line := lines[i].(obj)
	if name, shown := line["name"]; shown {
		t.Errorf("an auditor is told the name %v", name)
	}
	// The consent to donation and the four infection tests are due now.
	if line["outstanding"] != 5.0 || line["since"] != day(0) || line["next_deadline"] == nil {
		t.Errorf("the line is %v", line)
	}
}

func TestPages(t *testing.T) {
	for range 5 {
		fix.refer(t, fix.unique("SYN-P"), fix.unique("R"))
	}
	var ids []string
	path := "/api/candidates?stage=referral&limit=2"
	for after := ""; ; {
		page := fix.must(t, http.StatusOK, call{method: "GET", path: path + after, as: "clinician"})
		lines := page["candidates"].([]any)
		for _, line := range lines {
			if name := line.(obj)["name"].(obj); name["given"] != "Alvira" || name["family"] != "Testford" {
				t.Errorf("the name is %v", name)
			}
			ids = append(ids, line.(obj)["id"].(string))
		}
		next, more := page["next"].(string)
		if !more {
			break
		}
		if len(lines) != 2 || next != ids[len(ids)-1] {
			t.Fatalf("a page of %d ends at %s", len(lines), next)
		}
		after = "&after=" + next
	}
	if len(ids) < 5 || !slices.IsSorted(ids) || len(slices.Compact(slices.Clone(ids))) != len(ids) {
		t.Errorf("the pages hold %v", ids)
	}
}

func TestRepeatedCommandsAreCarriedOutOnce(t *testing.T) {
	id, identifier := fix.evaluated(t)
	message := bundle(t, "c01-screening.json", identifier)
	referral := encoded(t, fix.referral(fix.unique("SYN-R"), "R-repeated"))
	result := encoded(t, obj{"results": []any{creatinine(fix.unique("LV"))}})
	for name, r := range map[string]call{
		"refer":                       {path: "/api/candidates", as: "coordinator", key: fix.unique("key"), body: referral},
		"a command":                   {path: commandPath(id, journey.RecordReview), as: "clinician", key: fix.unique("key"), body: `{"requirement":"surgery-review","position":"supports"}`},
		"results":                     {path: "/api/candidates/" + id + "/results", as: "clinician", key: fix.unique("key"), body: result},
		"a message with a key":        {path: "/api/intake", as: "clinician", key: fix.unique("key"), contentType: fhirJSON, body: message},
		"a message that is its key":   {path: "/api/intake", as: "clinician", contentType: fhirJSON, body: message},
		"a message of another sender": {path: "/api/intake", as: "coordinator", contentType: "application/json; charset=utf-8", body: message},
	} {
		t.Run(name, func(t *testing.T) {
			r.method = "POST"
			first := fix.do(t, r)
			if first.Code/100 != 2 || strings.Contains(first.Body.String(), "repeated") {
				t.Fatalf("got %d: %s", first.Code, first.Body)
			}
			entries, staged := fix.rows(t)
			again := fix.do(t, r)
			if again.Code != first.Code {
				t.Errorf("got %d the second time, %d the first", again.Code, first.Code)
			}
			a, b := object(t, first.Body.Bytes()), object(t, again.Body.Bytes())
			if b["repeated"] != true || a["candidate"] != b["candidate"] || a["seq"] != b["seq"] {
				t.Errorf("got %v the second time, %v the first", b, a)
			}
			if e, s := fix.rows(t); e != entries || s != staged {
				t.Errorf("%d entries and %d staged rows were added", e-entries, s-staged)
			}
		})
	}
}

// creatinine is one good result.
func creatinine(identifier string) obj {
	return obj{
		"identifier": obj{"system": "https://lab.example/result", "value": identifier}, "status": "final",
		"code": obj{"system": "http://loinc.org", "code": "2160-0"}, "quantity": obj{"value": 0.72, "unit": "mg/dL"},
		"effective": day(-3) + "T08:00:00+02:00",
	}
}

func TestAssignedAdvocateOnly(t *testing.T) {
	id, _ := fix.screened(t)
	if got := fix.read(t, "advocate", id)["id"]; got != id {
		t.Errorf("the assigned advocate sees %v", got)
	}
	fix.must(t, http.StatusNotFound, call{method: "GET", path: "/api/candidates/" + id, as: "other-advocate"})
	fix.must(t, http.StatusNotFound, call{
		method: "POST", path: commandPath(id, journey.Withdraw), as: "other-advocate", key: fix.unique("key"), body: "{}",
	})
	listed := func(who map[string]bool) {
		t.Helper()
		for as, want := range who {
			if got := inList(t, as, id); got != want {
				t.Errorf("%s has the candidate in the list: %t, want %t", as, got, want)
			}
		}
	}
	listed(map[string]bool{"advocate": true, "other-advocate": false, "auditor": true})
	fix.give(t, "coordinator", id, journey.AssignAdvocate, obj{"advocate": "acc-other-advocate", "reason": "The former one is ill."})
	listed(map[string]bool{"advocate": false, "other-advocate": true, "auditor": true})
}

// inList reads every page.
func inList(t *testing.T, as, id string) bool {
	t.Helper()
	for after := ""; ; {
		page := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates?limit=3" + after, as: as})
		for _, line := range page["candidates"].([]any) {
			if line.(obj)["id"] == id {
				return true
			}
		}
		next, more := page["next"].(string)
		if !more {
			return false
		}
		after = "&after=" + next
	}
}

// TestRecipientTeamSeesNothing compares, for whoever cares for the recipient,
// a candidate that is hidden with one that does not exist.
func TestRecipientTeamSeesNothing(t *testing.T) {
	id, identifier := fix.screened(t)
	recipient := fix.read(t, "coordinator", id)["recipient"].(string)
	team := []string{"recipient-coordinator", "recipient-clinician"}
	for _, as := range append(team, "recipient-advocate") {
		if err := fix.store.AddToRecipientTeam(t.Context(), recipient, "acc-"+as); err != nil {
			t.Fatal(err)
		}
	}
	const nobody = "00000000-0000-4000-8000-000000000000"
	entries, staged := fix.rows(t)
	for _, as := range append(team, "recipient-advocate") {
		t.Run(as, func(t *testing.T) {
			for _, r := range []call{
				{method: "GET", path: "/api/candidates/"},
				{method: "POST", path: "/api/candidates/ID/commands/withdraw", key: "hidden", body: "{}"},
				{method: "POST", path: "/api/candidates/ID/commands/hold", key: "hidden", body: "not JSON"},
				{method: "POST", path: "/api/candidates/ID/results", key: "hidden", body: "{}"},
			} {
				r.as = as
				if strings.HasSuffix(r.path, "/results") && as == "recipient-advocate" {
					continue
				}
				if !strings.Contains(r.path, "ID") {
					r.path += "ID"
				}
				there, missing := r, r
				there.path = strings.Replace(r.path, "ID", id, 1)
				missing.path = strings.Replace(r.path, "ID", nobody, 1)
				a, b := fix.must(t, http.StatusNotFound, there), fix.must(t, http.StatusNotFound, missing)
				delete(a, "instance")
				delete(b, "instance")
				if encoded(t, a) != encoded(t, b) {
					t.Errorf("%s: the answers differ: %v and %v", r.path, a, b)
				}
			}
			if inList(t, as, id) {
				t.Error("the candidate is in the list")
			}
		})
	}
	for _, as := range team {
		answer := fix.do(t, call{method: "POST", path: "/api/intake", as: as, contentType: fhirJSON, body: bundle(t, "c01-screening.json", identifier)})
		if answer.Code != http.StatusAccepted || strings.Contains(answer.Body.String(), identifier) || strings.Contains(answer.Body.String(), id) {
			t.Errorf("%s: got %d: %s", as, answer.Code, answer.Body)
		}
	}
	got := fix.must(t, http.StatusForbidden, call{
		method: "POST", path: "/api/candidates", as: "recipient-coordinator", key: fix.unique("key"), body: encoded(t, fix.referral(fix.unique("SYN-T"), recipient)),
	})
	if fields(got)[0] != "recipient" {
		t.Errorf("the problem names %v", fields(got))
	}
	if e, s := fix.rows(t); e != entries || s != staged {
		t.Errorf("%d entries and %d staged rows were added", e-entries, s-staged)
	}
	if !inList(t, "coordinator", id) {
		t.Error("the candidate is hidden from everybody")
	}
}

// fields lists the fields that a problem names.
func fields(problem map[string]any) []string {
	var list []string
	each, _ := problem["errors"].([]any)
	for _, fault := range each {
		list = append(list, fault.(obj)["field"].(string))
	}
	return list
}
