package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// TestByLoss puts every pair of a list in order, which was written down by hand.
func TestByLoss(t *testing.T) {
	const today = journey.Date("2026-07-20")
	ordered := []task{
		// Today and tomorrow: by what is lost, the gravest first, and by the day.
		{What: "a report whose limit has passed", Loss: losesReport, By: "2026-07-20", At: "2026-07-20T06:00:00Z"},
		{What: "a report due in the evening", Loss: losesReport, By: "2026-07-20", At: "2026-07-20T18:00:00Z"},
		{What: "a repeat that an operation waits for", Loss: losesOperation, By: "2026-07-21"},
		{What: "a window that closes", Loss: losesEvidence, By: "2026-07-20"},
		{What: "an approval that lapses tomorrow", Loss: losesEvidence, By: "2026-07-21"},
		{What: "a message from last week", Loss: losesResult, By: "2026-07-13"},
		{What: "a stage that is overdue since long", Loss: losesTime, By: "2026-05-01"},
		{What: "a stage that is overdue", Loss: losesTime, By: "2026-07-19"},
		{What: "a step that could be taken", Loss: losesNothing, By: "2026-07-18"},
		// Within a week: however much may be lost, it is not lost tomorrow.
		{What: "a report due on Thursday", Loss: losesReport, By: "2026-07-23", At: "2026-07-23T06:00:00Z"},
		{What: "a repeat by Monday", Loss: losesOperation, By: "2026-07-27"},
		{What: "a review by Friday", Loss: losesTime, By: "2026-07-24"},
		// Within a month.
		{What: "a repeat in a month", Loss: losesOperation, By: "2026-08-20"},
		{What: "a result that expires in eight days", Loss: losesEvidence, By: "2026-07-28"},
		// Later, and what nothing sets a day for.
		{What: "an approval that lapses in autumn", Loss: losesEvidence, By: "2026-08-21"},
		{What: "a step without a day", Loss: losesNothing},
	}
	compare := byLoss(today)
	for i, a := range ordered {
		for j, b := range ordered {
			got := compare(a, b)
			if i < j && got >= 0 || i > j && got <= 0 || i == j && got != 0 {
				t.Errorf("%q and %q: %d", a.What, b.What, got)
			}
		}
	}
	spans := map[span]int{}
	for _, k := range ordered {
		spans[k.spanOf(today)]++
	}
	if spans[spanNow] != 9 || spans[spanWeek] != 3 || spans[spanMonth] != 2 || spans[spanLater] != 2 {
		t.Errorf("the headings have %v", spans)
	}
	// Two of a kind have places of their own, so that a list never changes by itself.
	a, b := task{Candidate: "a", By: today}, task{Candidate: "b", By: today}
	if compare(a, b) >= 0 || compare(b, a) <= 0 {
		t.Error("two candidates have one place")
	}
}

// TestTasksOf looks at invented people on a day, and at what each role is told of them.
func TestTasksOf(t *testing.T) {
	p := protocoltest.Brief()
	const today = journey.Date("2026-07-20")
	now := today.Start(p.Zone()).Add(9 * time.Hour)
	begun := func(stage journey.Stage, since journey.Date) journey.State {
		s := journey.Begin(p.Rules(), journey.Event{Command: journey.Command{Candidate: "c", Today: since}})
		s.Stage, s.Since = stage, since
		return s
	}
	met := func(s journey.State, until journey.Date, but ...string) journey.State {
		s.Requirements = slices.Clone(s.Requirements)
		for i := range s.Requirements {
			if r := &s.Requirements[i]; !slices.Contains(but, r.ID) {
				r.Status, r.ValidUntil, r.Collected, r.Evidence = journey.Met, until, today.AddDays(-30), "e"
			}
		}
		return s
	}
	resulted := func(s journey.State, id string, on journey.Date) journey.State {
		for i := range s.Requirements {
			if r := &s.Requirements[i]; r.ID == id {
				r.Status, r.Collected, r.Evidence, r.ValidUntil = journey.Resulted, on, "e", ""
			}
		}
		return s
	}
	signed := ""
	for _, r := range p.Requirements {
		if r.Evidence == journey.ByResult && r.Signer == journey.Clinician && !p.ConfidentialRequirement(r.ID) {
			signed = r.ID
			break
		}
	}
	approved := begun(journey.Approved, "2026-07-01")
	approved.Decision = &journey.Decision{Outcome: journey.Approve, On: "2026-07-01", Expires: "2026-08-10"}
	scheduled := met(begun(journey.Scheduled, "2026-07-01"), "2026-07-25")
	scheduled.Planned = "2026-08-03"
	scheduled.Decision = &journey.Decision{Outcome: journey.Approve, On: "2026-07-01", Expires: "2027-07-01"}
	visiting := begun(journey.FollowUp, "2026-01-01")
	visiting.Operated, visiting.Outcome = "2025-07-15", journey.Removed
	visiting.Visits = []journey.Visit{{ID: p.Visits[0].ID, Target: "2026-07-15", Opens: "2026-07-01", Closes: "2026-07-24", Status: journey.VisitOpen}}
	reporting := begun(journey.FollowUp, "2026-07-19")
	reporting.Reports = []journey.Report{{ID: "r", Clock: journey.Clock{Event: "death", Limit: journey.InstantOf(now.Add(5 * time.Hour))}}}

	for _, c := range []struct {
		name  string
		state journey.State
		role  journey.Role
		// Each is a part of what is to be done, with its day and the form.
		want []string
	}{
		{"nobody has answered yet", begun(journey.Referral, "2026-07-13"), journey.Coordinator, []string{"Begin screening|2026-07-16|#begin-screening|losesTime"}},
		{"not the clinician's yet", begun(journey.Referral, "2026-07-13"), journey.Clinician, nil},
		{"an approval without a day", approved, journey.Coordinator, []string{"Set the day of the operation|2026-08-10|#schedule|losesEvidence"}},
		{"a visit whose window closes", visiting, journey.Coordinator, []string{"Record the visit|2026-07-24|#record-visit|losesEvidence"}},
		{"an event to be reported", reporting, journey.Clinician, []string{"Report it|2026-07-20|#close-report|losesReport"}},
		{"results that wait for the clinician", resulted(begun(journey.Evaluation, "2026-07-10"), signed, "2026-07-12"), journey.Clinician, []string{"Sign 1 result|2026-07-15|#sign-results|losesResult"}},
		{"and that the coordinator asks for", resulted(begun(journey.Evaluation, "2026-07-10"), signed, "2026-07-12"), journey.Coordinator, []string{"Ask for the signature: 1 result|2026-07-15|#gate-|losesResult"}},
		{"a result of yesterday is not asked for", resulted(begun(journey.Evaluation, "2026-07-10"), signed, "2026-07-19"), journey.Coordinator, []string{"!Ask for"}},
		{"what expires before the operation", scheduled, journey.Coordinator, []string{"|2026-0|losesOperation"}},
		{"an auditor does nothing", scheduled, journey.Auditor, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := &viewer{Account: record.Account{Role: c.role}, now: now}
			candidate := record.Candidate{ID: "c", State: c.state}
			list := tasksOf(p, v, candidate, standingOf(p, v, candidate), today)
			slices.SortFunc(list, byLoss(today))
			words := []string{"losesReport", "losesOperation", "losesEvidence", "losesResult", "losesTime", "losesNothing"}
			var got []string
			for _, k := range list {
				if k.What == "" || k.Why == "" || k.Lost == "" || k.Link == "" || k.Candidate != "c" {
					t.Errorf("a task lacks something: %+v", k)
				}
				got = append(got, strings.Join([]string{k.What, string(k.By), k.Link, words[k.Loss]}, "|"))
			}
			if c.want == nil && len(got) > 0 {
				t.Errorf("there is something to do: %q", got)
			}
			for _, want := range c.want {
				unwanted := strings.HasPrefix(want, "!")
				parts := strings.Split(strings.TrimPrefix(want, "!"), "|")
				found := slices.ContainsFunc(got, func(text string) bool {
					return !slices.ContainsFunc(parts, func(part string) bool { return !strings.Contains(text, part) })
				})
				if found == unwanted {
					t.Errorf("%q: %q", want, got)
				}
			}
		})
	}
}
