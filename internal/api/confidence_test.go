package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// told has every confidential result of the protocol, each with the answer that
// tells most, and some that anybody may read.
func told(p *protocol.Protocol, source string) []command.Result {
	var list []command.Result
	for _, o := range p.Observations {
		if !o.Confidential && o.Code != "history-gout" && o.Code != "8302-2" {
			continue
		}
		r := command.Result{
			Identifier: result.Identifier{System: "https://lab.example/result", Value: source + "-" + o.Code}, Status: result.Final,
			Category: o.Category, Code: result.Coding{System: protocol.LocalSystem, Code: o.Code, Display: o.Title}, Effective: day(-3),
		}
		switch answers := o.Answers(); {
		case o.YesNo:
			r.Coded = &answers[1]
		case o.Coded:
			r.Coded = &answers[slices.IndexFunc(answers, func(c result.Coding) bool { return c.Display == "Positive" })]
		default:
			r.Quantity = &result.Quantity{Value: json.Number(fmt.Sprint(o.High)), Unit: o.Units[0]}
		}
		if !o.Local {
			r.Code.System = protocol.LOINCSystem
		}
		list = append(list, r)
	}
	return list
}

// secrets are the codes, titles and ids that tell what was told. What is also the
// name of a requirement tells nothing.
func secrets(p *protocol.Protocol) []string {
	var list []string
	add := func(words ...string) {
		for _, word := range words {
			if !slices.ContainsFunc(p.Requirements, func(r protocol.Requirement) bool {
				bare := strings.Trim(word, `"`)
				return strings.Contains(r.ID, bare) || strings.Contains(r.Title, bare)
			}) {
				list = append(list, word)
			}
		}
	}
	for _, o := range p.Observations {
		if o.Confidential {
			add(o.Code, o.Title)
		}
	}
	for _, f := range p.Flags {
		if p.ConfidentialFlag(f.ID) {
			add(`"`+f.ID+`"`, f.Title)
		}
	}
	for _, f := range p.Facts {
		if p.ConfidentialFact(f.ID) {
			add(f.ID, f.Title)
		}
	}
	return list
}

func found(secrets []string, text string) (in []string) {
	for _, s := range secrets {
		if strings.Contains(text, s) {
			in = append(in, s)
		}
	}
	return in
}

// TestConfidentialSurfaces is the table of who reads what was told in confidence,
// where.
func TestConfidentialSurfaces(t *testing.T) {
	p := protocol.Default()
	words := secrets(p)
	given := told(p, "table")
	var results []result.Result
	for i, r := range given {
		results = append(results, r.Record(fmt.Sprintf("r-%d", i), 1, p.Zone()))
	}
	report := p.Assess(protocol.Person{BirthDate: "1980-01-01", Sex: "female", Path: "direct"}, results, journey.DateOf(today, p.Zone()))
	basis := activities.Basis{
		Protocol: p.Version, Flags: report.Flags, Derived: report.Derived, Conditions: report.Conditions,
		Requirements: []activities.BasisRequirement{{ID: "exclusions-psychosocial", Status: journey.NotMet, SignedBy: "someone"}},
	}
	entry := func(kind journey.Kind, author string, of any) record.Entry {
		return record.Entry{Kind: kind, Actor: author, Body: json.RawMessage(encoded(t, of))}
	}
	reported := entry(journey.RecordResults, "writer", command.RecordResults{Results: given})
	var changes []protocol.FlagChange
	for _, f := range report.Flags {
		changes = append(changes, protocol.FlagChange{ID: f.ID, From: journey.Meets, To: f.Band})
	}
	var bands []journey.BandChange
	for _, f := range report.Flags {
		bands = append(bands, journey.BandChange{Flag: f.ID, To: f.Band})
	}
	plan := journey.PlanChange{Requirement: "psychiatric-consult", Causes: []string{"suicide_attempt", "mood_score", journey.ByProtocol}}
	state := journey.State{Requirements: []journey.Requirement{{ID: "exclusions-psychosocial", Status: journey.NotMet, SignedBy: "someone"}}}
	refusal := &journey.Refusal{}
	for _, f := range report.Flags {
		refusal.Reasons = append(refusal.Reasons,
			journey.Reason{Rule: "absolute-exclusion", Requirement: f.Requirement, Message: f.ID + " is an absolute exclusion"},
			journey.Reason{Rule: "flag-reviewed", Requirement: f.Requirement, Message: f.ID + " is flagged and not reviewed"})
	}
	surfaces := []struct {
		name string
		// own says that whoever wrote it reads it, whatever their role.
		own bool
		of  func(r Reader) any
	}{
		{"results", true, func(r Reader) any { return r.Results(p, results, []record.Entry{reported}) }},
		{"reported", true, func(r Reader) any { return string(body(r, p, reported)) }},
		{"flags", false, func(r Reader) any { return r.Flags(p, report.Flags) }},
		{"conditions", false, func(r Reader) any { return r.Conditions(p, report.Conditions) }},
		{"basis", false, func(r Reader) any { return r.Basis(p, basis) }},
		{"basis in the timeline", false, func(r Reader) any {
			return string(body(r, p, entry(journey.RecordDecision, "writer", activities.Decision{Basis: basis})))
		}},
		{"a move", false, func(r Reader) any {
			return string(body(r, p, entry(journey.MoveProtocol, "writer", activities.Move{From: "a", Flags: changes})))
		}},
		{"preview of a move", false, func(r Reader) any { return r.FlagChanges(p, protocoltest.Brief(), changes) }},
		{"bands", false, func(r Reader) any { return r.Bands(p, bands) }},
		{"causes", false, func(r Reader) any {
			shown, more := r.Causes(p, plan)
			if more == r.confidant() {
				t.Errorf("the %s learns of more causes: %t", r.Role, more)
			}
			return shown
		}},
		{"refusal", false, func(r Reader) any {
			var ids []string
			for _, reason := range r.Refusal(p, state, refusal).Reasons {
				id, _, _ := strings.Cut(reason.Message, " ")
				ids = append(ids, id)
			}
			return ids
		}},
		{"stop", false, func(r Reader) any {
			return r.Stop(p, "excl-coercion", "Suspected coercion, inducement or undue pressure")
		}},
	}
	read := func(of func(Reader) any, r Reader) int {
		shown := of(r)
		text, ok := shown.(string)
		if !ok {
			text = encoded(t, shown)
		}
		return len(found(words, text))
	}
	for _, s := range surfaces {
		for role, reads := range map[journey.Role]bool{
			journey.Coordinator: false, journey.Clinician: true, journey.Advocate: true, journey.CommitteeRole: true,
			journey.Auditor: false, journey.EHR: false, journey.Administrator: false,
		} {
			if n := read(s.of, Reader{ID: "reader", Role: role}); (n > 0) != reads {
				t.Errorf("%s: the %s reads %d secrets", s.name, role, n)
			}
		}
		if n := read(s.of, Reader{ID: "writer", Role: journey.Coordinator}); (n > 0) != s.own {
			t.Errorf("%s: the coordinator who wrote it reads %d secrets", s.name, n)
		}
		if n := read(s.of, Reader{ID: "writer", Role: journey.Auditor}); n > 0 {
			t.Errorf("%s: an auditor who wrote it as something else reads %d secrets", s.name, n)
		}
	}
	outsider := Reader{ID: "reader", Role: journey.Coordinator}
	flags := outsider.Flags(p, report.Flags)
	if last := flags[len(flags)-1]; last.ID != "by-clinicians" || last.Band != journey.Excludes || last.Requirement != "" || last.Value+last.Evidence != "" ||
		!slices.ContainsFunc(flags, func(f protocol.Flag) bool { return f.ID == "gout" }) {
		t.Errorf("the flags are %+v", flags)
	}
	if got := outsider.Results(p, results, nil); len(got) != 2 {
		t.Errorf("%d ordinary results are left", len(got))
	}
	// A correction by somebody else is not the first author's to read.
	corrected := slices.Clone(results)
	for i := range corrected {
		corrected[i].Version, corrected[i].Effective = 2, day(-2)
	}
	if got := (Reader{ID: "writer", Role: journey.Coordinator}).Results(p, corrected, []record.Entry{reported}); len(got) != 2 {
		t.Errorf("after a correction %d results are left", len(got))
	}
}

// TestConfidentialVerdict: a result in confidence that waits, is flagged or is
// not met looks the same.
func TestConfidentialVerdict(t *testing.T) {
	p := protocol.Default()
	first := &journey.Countersignature{By: "someone"}
	var seen []journey.Requirement
	for _, r := range []journey.Requirement{
		{Status: journey.Resulted, Evidence: "1"}, {Status: journey.NeedsReview, Evidence: "2", Awaiting: first},
		{Status: journey.NotMet, Evidence: "3", SignedBy: "someone", SignedOn: "2026-01-01", ValidUntil: "2026-03-01"},
	} {
		r.ID = "mood-screen"
		shown, replaced := Reader{Role: journey.Coordinator}.Requirement(p, r)
		if !replaced {
			t.Errorf("%s is told", r.Status)
		}
		seen = append(seen, shown)
		if same, replaced := (Reader{Role: journey.Clinician}).Requirement(p, r); same != r || replaced {
			t.Errorf("a clinician sees %+v", same)
		}
	}
	if seen[0] != seen[1] || seen[1] != seen[2] {
		t.Errorf("they differ: %+v", seen)
	}
	met := journey.Requirement{ID: "mood-screen", Status: journey.Met, SignedBy: "someone", ValidUntil: "2026-03-01"}
	if shown, replaced := (Reader{Role: journey.Coordinator}).Requirement(p, met); shown != met || replaced {
		t.Errorf("what is met is shown as %+v", shown)
	}
	for _, tt := range []struct {
		kind         journey.Kind
		requirements []string
		hidden       bool
	}{
		{journey.SignResults, []string{"mood-screen"}, true}, {journey.SignResults, []string{"creatinine", "mood-screen"}, true},
		{journey.SignResults, []string{"no-such-requirement"}, true}, {journey.SignResults, []string{"creatinine"}, false},
		{journey.WaiveRequirement, []string{"mood-screen"}, true}, {journey.WaiveRequirement, []string{"creatinine"}, false},
	} {
		for _, r := range []Reader{{ID: "reader", Role: journey.Coordinator}, {ID: "writer", Role: journey.Coordinator}, {ID: "reader", Role: journey.Clinician}} {
			want := tt.hidden && r.ID == "reader" && r.Role == journey.Coordinator
			list := r.Withheld(p, tt.kind, "writer", tt.requirements...)
			if slices.Contains(list, "reason") != want || tt.kind == journey.SignResults && slices.Contains(list, "verdict") != want {
				t.Errorf("%s of %v keeps %v from %v", tt.kind, tt.requirements, list, r)
			}
		}
	}
}

// TestConfidentialResults records them and reads the candidate as everybody.
func TestConfidentialResults(t *testing.T) {
	p := protocol.Default()
	if err := fix.store.KeepProtocol(t.Context(), p.Version, p.Digest(), p.Source()); err != nil {
		t.Fatal(err)
	}
	brief, served := fix.dispatcher.Current, fix.server
	t.Cleanup(func() { fix.dispatcher.Current, fix.server = brief, served })
	fix.dispatcher.Current = p
	deps := fix.deps
	deps.Current = p
	fix.server = serve(deps)

	id, _ := fix.screened(t)
	words := secrets(p)
	fix.give(t, "clinician", id, journey.RecordResults, command.RecordResults{Results: told(p, fix.unique("clinician"))})
	mine := slices.DeleteFunc(told(p, fix.unique("coordinator")), func(r command.Result) bool { return r.Code.Code != "infection-risk-30-days" })
	fix.give(t, "coordinator", id, journey.RecordResults, command.RecordResults{Results: mine})
	for as, reads := range map[string]bool{
		"coordinator": false, "recipient-coordinator": false, "auditor": false, "clinician": true, "advocate": true, "committee": true,
	} {
		for _, path := range []string{"/api/candidates/" + id, "/api/candidates?limit=100"} {
			answer := fix.do(t, call{method: "GET", path: path, as: as})
			if answer.Code != http.StatusOK {
				t.Fatalf("%s of %s: %d %s", as, path, answer.Code, answer.Body)
			}
			got := found(words, answer.Body.String())
			if as == "coordinator" { // who recorded one
				got = slices.DeleteFunc(got, func(word string) bool {
					return word == "infection-risk-30-days" || word == "An infection risk factor in the last 30 days"
				})
			}
			if strings.Contains(path, id) && (len(got) > 0) != reads || !strings.Contains(path, id) && len(got) > 0 {
				t.Errorf("%s reads %v at %s", as, got, path)
			}
		}
	}
	seen := fix.read(t, "coordinator", id)
	own := 0
	for _, r := range seen["results"].([]any) {
		if r.(obj)["code"].(obj)["code"] == "infection-risk-30-days" {
			own++
		}
	}
	if own != 1 {
		t.Errorf("the author reads %d of their own results", own)
	}
	if text := encoded(t, seen["flags"]); !strings.Contains(text, "Needs attention by the clinicians") {
		t.Errorf("the flags don't say that there are others: %s", text)
	}
}
