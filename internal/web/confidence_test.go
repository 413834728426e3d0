package web

import (
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// choices are what a form offers: the protocol's words, and nobody's answers.
var choices = regexp.MustCompile(`(?s)<option.*?</option>`)

// TestConfidentialPages looks at a candidate who told everything as everybody.
func TestConfidentialPages(t *testing.T) {
	p := protocol.Default()
	w := newWorld(t, func(d *Deps) {
		must(t, d.Store.KeepProtocol(t.Context(), p.Version, p.Digest(), p.Source()))
		d.Current, d.Dispatcher.Current = p, p
	})
	w.protocol = p
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	w.screen(id)
	w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: "adva"})
	w.day("2026-09-16")
	// told reports results, all that are confidential unless some are named.
	answer, on := 0, "2026-09-14"
	told := func(by string, codes ...string) {
		t.Helper()
		var list []command.Result
		for _, o := range p.Observations {
			if len(codes) == 0 && !o.Confidential || len(codes) > 0 && !slices.Contains(codes, o.Code) {
				continue
			}
			r := command.Result{
				Identifier: result.Identifier{System: "urn:test", Value: by + on + o.Code}, Status: result.Final, Category: o.Category,
				Code: result.Coding{System: protocol.LocalSystem, Code: o.Code, Display: o.Title}, Effective: on,
			}
			switch answers := o.Answers(); {
			case o.YesNo:
				r.Coded = &answers[answer]
			case o.Coded:
				r.Coded = &answers[slices.IndexFunc(answers, func(c result.Coding) bool { return c.Display == "Positive" })]
			default:
				r.Quantity = &result.Quantity{Value: json.Number(fmt.Sprint([]float64{o.Low, o.High}[answer])), Unit: o.Units[0]}
			}
			list = append(list, r)
		}
		w.give(by, id, journey.RecordResults, &command.RecordResults{Results: list})
	}
	told("clem", "history-suicide-attempt", "history-psychosis-bipolar", "history-psychiatric-treatment", "phq-9-total")
	answer, on = 1, "2026-09-15"
	told("clem")
	told("clem", "history-gout")
	told("cora", "infection-risk-30-days")
	w.give("clem", id, journey.SignResults, &command.SignResults{
		Requirements: []string{"exclusions-psychosocial"}, Verdict: journey.VerdictNotMet, Reason: "Speaks of a debt to a cousin.",
	})

	var words []string
	add := func(title string) {
		if !slices.ContainsFunc(p.Requirements, func(r protocol.Requirement) bool { return strings.Contains(r.Title, title) }) {
			words = append(words, html.EscapeString(title))
		}
	}
	for _, o := range p.Observations {
		if o.Confidential {
			add(o.Title)
		}
	}
	for _, f := range p.Flags {
		if p.ConfidentialFlag(f.ID) {
			add(f.Title)
		}
	}
	words = append(words, "Speaks of a debt to a cousin.", "Verdict</dt><dd>not met")
	for _, tt := range []struct {
		who   string
		reads bool
	}{{"cora", false}, {"audi", false}, {"clem", true}, {"cleo", true}, {"adva", true}, {"comm", true}} {
		for _, path := range []string{"/candidates/" + id, "/candidates/" + id + "/results", "/candidates/" + id + "/results?of=phq-9-total", "/candidates/" + id + "/documents", "/", "/?show=stuck", "/?show=attention"} {
			page := w.as(tt.who).get(path)
			text := choices.ReplaceAllString(page.body, "")
			var found []string
			for _, word := range words {
				if strings.Contains(text, word) {
					found = append(found, word)
				}
			}
			if tt.who == "cora" { // who recorded one
				found = slices.DeleteFunc(found, func(word string) bool { return word == "An infection risk factor in the last 30 days" })
			}
			if !tt.reads && len(found) > 0 {
				t.Errorf("%s reads %q at %s", tt.who, found, path)
			}
			if tt.reads && strings.HasSuffix(path, id) && len(found) < len(words) {
				t.Errorf("%s reads only %q at %s", tt.who, found, path)
			}
		}
	}
	// A document that came with something told in confidence may say the same.
	out := w.arrive(`{"resourceType":"Bundle","type":"collection","entry":[
{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","identifier":[{"system":"urn:oid:1.2.36.146.595.217.0.1","value":"WEB-0001"}]}},
{"fullUrl":"urn:uuid:2","resource":{"resourceType":"Observation","status":"final","identifier":[{"system":"https://lab.example/result","value":"Q-1"}],
"code":{"coding":[{"system":"` + protocol.LocalSystem + `","code":"phq-9-total"}]},"subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-09-10","issued":"2026-09-11T10:00:00+02:00","valueQuantity":{"value":4,"unit":"score","system":"http://unitsofmeasure.org","code":"{score}"}}},
{"fullUrl":"urn:uuid:3","resource":{"resourceType":"DiagnosticReport","status":"final","identifier":[{"system":"https://lab.example/report","value":"Q-9"}],"result":[{"reference":"urn:uuid:2"}],
"code":{"coding":[{"system":"http://loinc.org","code":"24566-4"}]},"subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-09-10","issued":"2026-09-11T10:00:00+02:00",
"presentedForm":[{"contentType":"text/plain","title":"Scores in words","data":"Zm91cg=="}]}}]}`)
	if out.State != incoming.Applied {
		t.Fatalf("the message is %+v", out)
	}
	for _, who := range []string{"cora", "clem", "audi"} {
		w.as(who).get("/candidates/"+id+"/documents").lacks(t, "Scores in words")
		if got := w.as(who).get("/candidates/" + id + "/documents/incoming/" + out.ID + "/0/0"); got.status == http.StatusOK {
			t.Errorf("%s gets a document of what was told in confidence", who)
		}
	}
	for who, status := range map[string]int{"cora": 404, "audi": 404, "clem": 200, "comm": 200} {
		if got := w.as(who).get("/candidates/" + id + "/results?of=phq-9-total"); got.status != status {
			t.Errorf("%s is answered %d for a score that was told in confidence", who, got.status)
		}
	}
	for _, who := range []string{"cora", "audi"} {
		page := w.as(who).get("/candidates/" + id)
		page.has(t, "Needs attention by the clinicians", "A finding needs attention by the clinicians", "Gout",
			"because of what is not shown to your role", "applies: recorded, not shown to your role", "More results", withheld)
		page.lacks(t, "Absolute psychosocial exclusions looked for, one by one is not met")
	}
	w.as("cora").get("/candidates/"+id).has(t, "An infection risk factor in the last 30 days")
	if text := choices.ReplaceAllString(w.as("audi").get("/candidates/"+id).body, ""); strings.Contains(text, "An infection risk factor") {
		t.Error("an auditor reads what the coordinator recorded")
	}
}
