package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
	"candidacy/testdata/protocols"
)

// reviewProtocol is the brief protocol with structured findings and a choice of side,
// as the default one has them.
func reviewProtocol(t *testing.T) *protocol.Protocol {
	t.Helper()
	const forms = `
reviews:
  - requirement: surgery-review
    source: common practice
    findings:
      - {code: approach, title: Approach, required: true, choices: [{code: laparoscopic, title: Laparoscopic}, {code: open, title: Open}]}
      - {code: risk-words, title: Risks named}
  - requirement: psychosocial-evaluation
    source: common practice
    findings:
      - {code: motive, title: Motive, required: true, confidential: true, choices: [{code: free, title: Free and informed}, {code: pressed, title: Signs of pressure}]}
  - requirement: nephrology-review
    source: common practice
    findings:
      - {code: disease, title: Disease that is not told, confidential: true}
  - requirement: side-proposal
    source: common practice
    findings:
      - {code: proposed-side, title: Kidney proposed, required: true, choices: [{code: left, title: Left}, {code: right, title: Right}]}
      - {code: side-reason, title: Reason of the choice, required: true}

requirements:
  - {id: side-proposal, title: "Side proposed, with reasons", domain: imaging, gate: committee, evidence: review, signer: clinician, valid_days: 365, source: common practice}
`
	var observations strings.Builder
	for _, line := range strings.Split(protocol.Default().Source(), "\n") {
		for _, code := range []string{"arteries-", "veins-", "ureters-", "kidney-volume-", "kidney-length-", "split-function-left", "stone-largest", "stones-", "other-lesion-", "earlier-disease-"} {
			if strings.HasPrefix(line, "  - {code: "+code) && !strings.Contains(protocols.Brief, strings.SplitN(line, ",", 2)[0]+",") {
				observations.WriteString(line + "\n")
			}
		}
	}
	text := strings.NewReplacer(`version: "brief"`, `version: "brief-reviews"`, "\nrequirements:\n", forms).Replace(protocols.Brief) + observations.String() + `  - code: split-method
    local: true
    title: How the split function was measured
    category: imaging
    coded: true
    choices: [{code: geometric-mean, title: Both views}, {code: posterior-only, title: One view}]
  - {code: cysts-left, local: true, title: "Cyst, left", category: imaging, coded: true, choices: [{code: none, title: None}, {code: simple, title: Simple}]}
  - {code: cysts-right, local: true, title: "Cyst, right", category: imaging, coded: true, choices: [{code: none, title: None}, {code: simple, title: Simple}]}
`
	p, err := protocol.Parse([]byte(text))
	must(t, err)
	return p
}

func reviewModels() []any {
	f := form{ID: "review", Action: "/", Key: "k", Button: "b", Fields: []field{{ID: "a", Name: "a", Label: "l", Type: "radio", Options: []option{{"x", "y"}}}}}
	return []any{&reviewPageModel{}, &reviewPageModel{
		Name: "n", Title: "t", Form: &f, Given: []givenReview{{}, {Sign: "s", Position: "p", Findings: "f", Lines: []string{"l"}}}, Closed: "c",
		Side: &sideModel{
			Rows: []sideRow{{}, {Title: "t", Left: "l", Right: "r", Difference: "d", When: "w"}}, Answer: "a", Reasons: []sideReason{{"t", "s", "m"}}, Notes: []string{"n"},
			Why: "w", Remains: []fact{{"a", "b"}}, Source: "s", Unknown: []string{"u", "v"}, Flags: []flagModel{{Number: "1"}},
		},
	}}
}

// imaging records findings of the kidneys: numbers by unit, answers by code.
func (w *world) imaging(id string, findings map[string]string) {
	w.t.Helper()
	body := &command.RecordResults{}
	for code, text := range findings {
		o, ok := w.protocol.Observation(code)
		if !ok {
			w.t.Fatalf("the protocol lacks %s", code)
		}
		r := command.Result{
			Identifier: result.Identifier{System: "urn:test", Value: id + code}, Status: result.Final, Category: o.Category, Effective: "2026-09-10",
			Code: result.Coding{System: protocol.LocalSystem, Code: code},
		}
		if o.Coded {
			for _, answer := range o.Answers() {
				if answer.Code == text {
					r.Coded = &answer
				}
			}
		} else {
			r.Quantity = &result.Quantity{Value: json.Number(text), Unit: o.Units[0]}
		}
		body.Results = append(body.Results, r)
	}
	w.give("cora", id, journey.RecordResults, body)
}

// anatomy is one of the examples of the calculation's reference: 51 % on the left with
// one artery, 49 % on the right with two, nothing else that separates the kidneys.
func anatomy() map[string]string {
	const no = "373067005"
	return map[string]string{
		"split-function-left": "51", "split-method": "geometric-mean", "arteries-left": "1", "arteries-right": "2", "veins-left": "1", "veins-right": "1",
		"ureters-left": "1", "ureters-right": "1", "kidney-volume-left": "168", "kidney-volume-right": "152", "stone-largest": "0",
		"cysts-left": "none", "cysts-right": "none", "other-lesion-left": no, "other-lesion-right": no, "earlier-disease-left": no, "earlier-disease-right": no,
	}
}

// TestReviews gives reviews with structured findings, and looks at who reads them.
func TestReviews(t *testing.T) {
	w := newWorldOf(t, reviewProtocol(t), nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0301", "")
	w.evaluate(id)
	w.day("2026-09-16")
	home := "/candidates/" + id
	clem, cora := w.as("clem"), w.as("cora")
	surgery := home + "/reviews/surgery-review"
	clem.get(home).has(t, `href="`+surgery+`"`, `href="`+home+`/side"`)
	form := url.Values{"key": {"review-one"}, "position": {"supports"}, "finding-approach": {"laparoscopic"}, "finding-risk-words": {"Bleeding, hernia"}}
	before := candidateState(t, w, id).Seq
	for name, tt := range map[string]struct {
		values url.Values
		field  string
	}{
		"no approach":         {with(form, "finding-approach", ""), "review-finding-approach-0"},
		"an approach of ours": {with(form, "finding-approach", "through-the-back"), "review-finding-approach-0"},
		"no position":         {with(form, "position", ""), "review-position-0"},
	} {
		got := clem.post(surgery, tt.values)
		if got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, `href="#`+tt.field+`"`) {
			t.Errorf("%s: %d", name, got.status)
		}
	}
	if got := cora.post(surgery, form); got.status != http.StatusForbidden {
		t.Errorf("a coordinator signs: %d", got.status)
	}
	if candidateState(t, w, id).Seq != before {
		t.Error("a refused review is on record")
	}
	for range 2 {
		if got := clem.post(surgery, form); got.status != http.StatusSeeOther {
			t.Fatalf("signing: %d", got.status)
		}
	}
	if after := candidateState(t, w, id).Seq; after != before+1 {
		t.Errorf("%d entries", after-before)
	}
	for _, reader := range []*browser{clem, cora} {
		reader.get(surgery).has(t, "Approach: Laparoscopic", "Risks named: Bleeding, hernia", "Clement Oduya")
		reader.get(home).has(t, "Approach: Laparoscopic")
	}
	// Somebody signed meanwhile: it is seen first. A correction is a further entry.
	stale := with(form, "key", "review-two", "finding-approach", "open")
	if got := clem.post(surgery, stale); got.status != http.StatusConflict {
		t.Errorf("a review that was written before the newest: %d", got.status)
	}
	fresh := filledIn(clem.get(surgery), "review")
	if got := clem.post(surgery, with(stale, "seen", fresh.Get("seen"))); got.status != http.StatusSeeOther {
		t.Errorf("a correction: %d", got.status)
	}
	clem.get(surgery).has(t, "Approach: Open", "Approach: Laparoscopic")

	// What is told in confidence is read by clinicians, the advocate and the committee.
	for _, tt := range []struct{ requirement, field, value, word string }{
		{"psychosocial-evaluation", "finding-motive", "pressed", "Signs of pressure"}, {"nephrology-review", "finding-disease", "A word of the family", "A word of the family"},
	} {
		path := home + "/reviews/" + tt.requirement
		if got := clem.post(path, url.Values{"key": {tt.requirement}, "position": {"concerns"}, "findings": {"See there."}, tt.field: {tt.value}}); got.status != http.StatusSeeOther {
			t.Fatalf("%s: %d", tt.requirement, got.status)
		}
		for _, username := range []string{"clem", "adva", "comm"} {
			w.as(username).get(path).has(t, tt.word)
			w.as(username).get(home).has(t, tt.word)
		}
		for _, username := range []string{"cora", "audi"} {
			w.as(username).get(path).lacks(t, tt.word)
			w.as(username).get(home).lacks(t, tt.word)
		}
	}
	// A review without structured findings, as they were before, stays valid.
	if _, err := w.try("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "surgery-review", Position: journey.Supports}); err != nil {
		t.Error(err)
	}
	for name, answers := range map[string][]command.ReviewAnswer{
		"of no form":            {{Requirement: "medical-history", Code: "x", Choice: "y"}},
		"of another review":     {{Requirement: "nephrology-review", Code: "disease", Text: "x"}},
		"without the required":  {{Requirement: "surgery-review", Code: "risk-words", Text: "x"}},
		"in words for a choice": {{Requirement: "surgery-review", Code: "approach", Text: "open"}},
		"twice":                 {{Requirement: "surgery-review", Code: "approach", Choice: "open"}, {Requirement: "surgery-review", Code: "approach", Choice: "open"}},
	} {
		requirement := "surgery-review"
		if name == "of no form" {
			requirement = "medical-history"
		}
		if _, err := w.try("clem", id, journey.RecordReview, &command.RecordReview{Requirement: requirement, Position: journey.Supports, Structured: answers}); err == nil {
			t.Errorf("structured findings %s are accepted", name)
		}
	}
}

// TestSide compares both kidneys, and takes the surgeon's choice with its reason.
func TestSide(t *testing.T) {
	w := newWorldOf(t, reviewProtocol(t), nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0311", "")
	w.evaluate(id)
	w.day("2026-09-16")
	path := "/candidates/" + id + "/side"
	clem := w.as("clem")
	clem.get(path).has(t, "No side is advised", "function of each kidney is not known", "Not on record")
	w.imaging(id, anatomy())
	page := clem.get(path)
	// Within 10 points and without lesions, the kidney with fewer arteries is given.
	page.has(t, "The left kidney is advised.", "51 %", "49 %", "2.0 points", "5.0 points of the sum", "Arteries: left 1, right 2", "Decides", "BTS/RA guideline 2018")
	form := url.Values{"key": {"side-one"}, "position": {"supports"}, "finding-proposed-side": {"right"}}
	if got := clem.post(path, form); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, "review-finding-side-reason") {
		t.Errorf("a choice without a reason: %d", got.status)
	}
	if got := clem.post(path, with(form, "finding-side-reason", "The left vein is retroaortic.")); got.status != http.StatusSeeOther {
		t.Fatalf("the choice: %d", got.status)
	}
	clem.get(path).has(t, "Kidney proposed: Right", "The left vein is retroaortic.")
	if r, ok := candidateState(t, w, id).Find(sideReview); !ok || r.Status != journey.Met || r.SignedBy != "clem" {
		t.Errorf("the requirement is %+v", r)
	}
	// Beyond 10 points the weaker kidney is given: 56 to 44 in the reference.
	split := anatomy()
	split["split-function-left"] = "44"
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0312", "")
	w.evaluate(other)
	w.imaging(other, split)
	clem.get("/candidates/"+other+"/side").has(t, "The left kidney is advised.", "12.0 points")
	split["split-function-left"] = "56"
	third := w.refer("Henrike", "Vasquez-Lund", "1968-02-29", "female", "WEB-0313", "")
	w.evaluate(third)
	w.imaging(third, split)
	clem.get("/candidates/"+third+"/side").has(t, "The right kidney is advised.")
	// Where nothing is advised, nothing is for or against it.
	unknown := anatomy()
	delete(unknown, "cysts-left")
	fourth := w.refer("Aaltje", "Aabakken", "1990-01-01", "female", "WEB-0314", "")
	w.evaluate(fourth)
	w.imaging(fourth, unknown)
	open := clem.get("/candidates/" + fourth + "/side")
	open.has(t, "No side is advised: the surgeon decides.", "Speaks for one side")
	open.lacks(t, "Speaks against it", "Speaks for it")
	if got := w.as("adil").get(path); got.status != http.StatusNotFound {
		t.Errorf("an advocate of somebody else: %d", got.status)
	}
	if got := w.as("audi").get(path); got.status != http.StatusOK || strings.Contains(got.body, "Fjellgren") || strings.Contains(got.body, "retroaortic") {
		t.Errorf("the auditor: %d", got.status)
	}
}
