package web

import (
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/testdata/protocols"
)

// checked is the brief protocol with the lines of both checks.
func checked(t *testing.T) *protocol.Protocol {
	t.Helper()
	p, err := protocol.Parse([]byte(protocols.Brief + `
before_operation:
  readiness_days: [7, 0]
  verification_days: 7
  source: for this test
  verification:
    - {id: group, title: Blood group, compare: blood-group, from: the report, source: for this test}
    - {id: recipient-group, title: Blood group of the recipient, compare: recipient-blood-group, from: the report, source: for this test}
    - {id: compatible, title: The two groups, compare: compatibility, from: both reports, source: for this test}
  last_check:
    - {id: recipient, title: Reference of the recipient, compare: recipient, from: the plan, source: for this test}
    - {id: side-marked, title: Side marked on the skin, compare: side, from: the skin, source: for this test}
    - {id: wish, title: The candidate still wishes to donate, compare: answer, from: the candidate, source: for this test}
    - {id: in-force, title: Nothing has expired, compare: in-force, from: the countdown, source: for this test}
`))
	must(t, err)
	return p
}

// TestChecksInTheBrowser: two people verify the plan, and read every line of the
// last check back on the day, at a phone's width; a mismatch stops them until a
// clinician resolves it on the record.
func TestChecksInTheBrowser(t *testing.T) {
	program := chromium(t)
	w := newWorldOf(t, checked(t), nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0042", "R-9")
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")
	w.sign(id)
	w.review(id)
	w.give("clem", id, journey.WaiveRequirement, &command.WaiveRequirement{Requirement: "acr", Until: "2026-12-01", Reason: "Settled by the 24-hour collection."})
	w.approve(id)
	w.screens(id, "2026-09-15")
	w.give("clem", id, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-donation", Side: journey.Left})
	w.give("cora", id, journey.Schedule, &command.Schedule{Date: "2026-10-02", Side: journey.Left, Approach: "laparoscopic"})
	results, err := w.store.Results(t.Context(), id)
	must(t, err)
	samples := protocol.BloodTypes(results)
	group, _, _ := strings.Cut(samples[0].Type, " ")

	s := newScreen(t, program, w.site.URL)
	home := "/candidates/" + id
	verification, last := home+"/checks/confirm-verification", home+"/checks/confirm-last-check"
	read := func(kind journey.Kind, identifier string, answers map[string]string) (notice, problem string) {
		t.Helper()
		for name, value := range map[string]string{"birth-date": "1979-05-02", "identifier": identifier} {
			s.set(string(kind)+"-"+name, value)
		}
		for name, value := range map[string]string{"blood-type-first": samples[0].Type, "blood-type-second": samples[1].Type, "side": "left"} {
			s.choose(kind, name, value)
		}
		for name, value := range answers {
			if name == "recipient" {
				s.set(string(kind)+"-"+name, value)
				continue
			}
			s.choose(kind, name, value)
		}
		return s.send(string(kind) + "-identifier")
	}

	w.day("2026-09-28")
	s.signIn("cora")
	s.open(verification)
	if text := s.text(".waiting"); !strings.Contains(text, "recipient is not on record") {
		t.Errorf("without the recipient's group: %q", text)
	}
	w.give("cora", id, journey.RecordRecipient, &command.RecordRecipient{Recipient: "R-9", Samples: []command.RecipientSample{
		{Group: group, Specimen: "R-1", Collected: "2026-02-03T08:30:00Z"}, {Group: group, Specimen: "R-2", Collected: "2026-02-10T08:30:00Z"},
	}})
	plan := map[string]string{"group": group, "recipient-group": group, "compatible": "compatible"}
	for _, who := range []string{"cora", "clem"} {
		s.signIn(who)
		s.open(verification)
		if who == "cora" {
			s.check("check-verification")
		}
		if notice, problem := read(journey.ConfirmVerification, "WEB-0042", plan); notice == "" {
			t.Fatalf("the verification by %s: %s", who, problem)
		}
	}
	if text := s.text(".standing"); !strings.Contains(text, "Cora Lindqvist and Clement Oduya") {
		t.Errorf("after two readings: %q", text)
	}
	s.check("check-verified")

	w.day("2026-10-02")
	w.give("clem", id, journey.WaiveRequirement, &command.WaiveRequirement{Requirement: "acr", Until: "2026-12-01", Reason: "Settled by the 24-hour collection."})
	day := map[string]string{"recipient": "R-9", "side-marked": "left", "wish": "yes", "in-force": "yes"}
	s.signIn("clem")
	s.open(last)
	s.check("check-last")
	s.narrow("check-last")
	if _, problem := s.send("confirm-last-check-identifier"); !strings.Contains(problem, "every line is read back") {
		t.Errorf("an empty reading: %q", problem)
	}
	s.check("check-errors")
	wrong := map[string]string{"recipient": "R-9", "side-marked": "right", "wish": "yes", "in-force": "yes"}
	read(journey.ConfirmLastCheck, "WEB-0042", wrong)
	if text := s.text("main"); !strings.Contains(text, "Does not agree") || !strings.Contains(text, "A line did not agree") {
		t.Errorf("after a mismatch: %q", text)
	}
	s.check("check-stopped")
	if _, err := w.try("cleo", id, journey.BeginOperation, &command.Plain{}); err == nil {
		t.Error("the operation begins on a mismatch")
	}
	s.open(home)
	s.do(journey.ResolveLastCheck, "reason", "The mark was on the wrong side; the surgeon marked the left with the candidate awake.")
	// Both checks start again, by two people each.
	for _, check := range []struct {
		kind    journey.Kind
		path    string
		answers map[string]string
	}{{journey.ConfirmVerification, verification, plan}, {journey.ConfirmLastCheck, last, day}} {
		for _, who := range []string{"clem", "cleo"} {
			s.signIn(who)
			s.open(check.path)
			if text := s.text("main"); who == "cleo" && strings.Contains(text, "On record") {
				t.Errorf("the second person sees what the first read: %q", text)
			}
			if notice, problem := read(check.kind, "WEB-0042", check.answers); notice == "" {
				t.Fatalf("%s by %s: %s", check.kind, who, problem)
			}
		}
	}
	s.open(last + "?paper=yes")
	s.colours("print", "light")
	s.shot("check-paper")
	s.colours("", "light")
	s.check("check-paper-screen")
	if text := s.text(".paper"); !strings.Contains(text, "WEB-0042") || !strings.Contains(text, "R-9") || !strings.Contains(text, "Second person") {
		t.Errorf("the paper form: %q", text)
	}
	s.open(home)
	s.do(journey.BeginOperation)
}

// choose takes one of the answers to a line of a check.
func (s *screen) choose(kind journey.Kind, name, value string) {
	s.t.Helper()
	if !eval[bool](s, `(() => { const e = document.querySelector('#`+string(kind)+` input[name="`+name+`"][value="`+value+`"]');
		if (!e) return false; e.checked = true; return true; })()`) {
		s.t.Fatalf("%s has no answer %s to %s", kind, value, name)
	}
}
