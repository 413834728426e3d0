package journey_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
)

// checkFollowUp checks what holds of visits and contacts in every state.
func checkFollowUp(t failer, p *player) {
	t.Helper()
	s := p.state
	open := map[string]bool{}
	ids := map[string]bool{}
	for _, v := range s.Visits {
		if ids[v.ID] {
			t.Fatalf("the visit %s is there twice", v.ID)
		}
		ids[v.ID] = true
		if v.Repeats() && !v.Settled() {
			if open[v.Rule] {
				t.Fatalf("two visits of the row %s are to come", v.Rule)
			}
			open[v.Rule] = true
		}
		if v.Refused != "" && !slices.ContainsFunc(v.Contacts, func(c journey.Contact) bool { return c.Outcome == journey.ContactRefused }) {
			t.Fatalf("%s was refused without a contact", v.ID)
		}
	}
	for _, d := range journey.Deadlines(p.rules, s) {
		id, _, _ := strings.Cut(d.Subject, "/")
		i := slices.IndexFunc(s.Visits, func(v journey.Visit) bool { return v.ID == id })
		switch {
		case d.Kind != journey.ContactDue:
		case i < 0, s.Visits[i].Settled(), s.Visits[i].Refused != "", s.Died != "", s.Visits[i].Closes.Before(d.On):
			t.Fatalf("the step %+v stands for nobody", d)
		}
	}
	fired := map[journey.Deadline]bool{}
	for _, e := range p.events {
		for _, d := range e.Fired {
			// After a move a step may have another day: it is then another deadline.
			if d.Kind == journey.ContactDue && fired[d] {
				t.Fatalf("the step %+v fired twice", d)
			}
			fired[d] = true
		}
	}
}

// donor is a player whose follow-up has begun.
func donor() *player { return newPlayer().to(journey.FollowUp) }

// wait lets every deadline up to a day pass, as the timer does.
func (p *player) wait(until journey.Date) []journey.Deadline {
	var fired []journey.Deadline
	events, _ := journey.Passed(p.rules, p.state, journey.Moment{On: until})
	for _, e := range events {
		p.today = e.Today
		p.commit(e.Command, nil, nil)
		fired = append(fired, e.Fired...)
	}
	p.today = until
	return fired
}

func (p *player) visit(id string) journey.Visit {
	i := slices.IndexFunc(p.state.Visits, func(v journey.Visit) bool { return v.ID == id })
	if i < 0 {
		return journey.Visit{}
	}
	return p.state.Visits[i]
}

func (p *player) contact(visit string, outcome journey.Outcome) {
	p.must(journey.RecordContact, journey.Coordinator, "coordinator", func(c *journey.Command) {
		c.Visit, c.Channel, c.Outcome = visit, "call", outcome
	})
}

func steps(fired []journey.Deadline) []string {
	var list []string
	for _, d := range fired {
		if d.Kind == journey.ContactDue {
			list = append(list, d.Subject+" "+string(d.On))
		}
	}
	return list
}

// TestLadder counts the steps from the target. The operation is on 15 January
// 2026, so month-6 is 15 July with a window from 16 May to 13 September: 60 days
// back are 14 June days and 31 May days and so on, counted by hand.
func TestLadder(t *testing.T) {
	p := donor()
	if p.state.Operated != "2026-01-15" {
		t.Fatalf("the operation is on %s", p.state.Operated)
	}
	got := steps(p.wait("2026-09-30"))
	want := []string{"month-6/letter 2026-05-16", "month-6/call 2026-07-15", "month-6/doctor 2026-08-14"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if v := p.visit("month-6"); v.Status != journey.VisitMissed {
		t.Errorf("got %+v", v)
	}
}

// TestLadderOfALeapDay: who donated on 29 February has the target of the next
// year on the 28th, and that of the fourth on the 29th.
func TestLadderOfALeapDay(t *testing.T) {
	rules := smallRules()
	s := journey.State{Candidate: "c", Stage: journey.Operation, Operated: "2028-02-29"}
	s = journey.Apply(rules, s, journey.Event{Seq: 1, Command: journey.Command{
		Kind: journey.RecordOperation, Today: "2028-02-29", Outcome: journey.Removed, Side: journey.Left,
	}})
	targets := map[string]journey.Date{}
	for range 2000 {
		all := journey.Deadlines(rules, s)
		if len(all) == 0 || "2032-12-31" < all[0].On {
			break
		}
		s = journey.Apply(rules, s, journey.Event{Seq: s.Seq + 1, Command: journey.Command{Kind: journey.Elapse, Today: all[0].On, On: all[0].On}, Fired: journey.DueBy(rules, s, journey.Moment{On: all[0].On})})
	}
	for _, v := range s.Visits {
		targets[v.ID] = v.Target
	}
	for id, want := range map[string]journey.Date{
		"month-6": "2028-08-29", "year-1": "2029-02-28", "yearly-m24": "2030-02-28", "yearly-m36": "2031-02-28", "yearly-m48": "2032-02-29",
	} {
		if targets[id] != want {
			t.Errorf("%s: got %q, want %s", id, targets[id], want)
		}
	}
}

// TestLadderInALocalDay: a step begins with the day in the programme's zone,
// whatever the clock did. On 29 March 2026 Stockholm goes from UTC+1 to UTC+2.
func TestLadderInALocalDay(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	rules := smallRules()
	rules.Ladder = []journey.LadderStep{{ID: "letter", Days: -60}}
	s := journey.State{Stage: journey.FollowUp, Operated: "2025-11-28", Outcome: journey.Removed, Visits: []journey.Visit{
		{ID: "month-6", Opens: "2026-03-29", Target: "2026-05-28", Closes: "2026-07-27", Status: journey.VisitAhead},
	}}
	next := journey.NextDue(rules, s, zone)
	if next == nil || next.Kind != journey.ContactDue || next.On != "2026-03-29" || next.At.UTC().Format(time.RFC3339) != "2026-03-28T23:00:00Z" {
		t.Errorf("got %+v", next)
	}
	s.Visits[0].Target = "2026-05-29" // a day later, the first of summer time
	if next = journey.NextDue(rules, s, zone); next.On != "2026-03-29" {
		t.Errorf("the window opens on the 29th, got %+v", next)
	}
	s.Visits[0].Status = journey.VisitOpen
	if next = journey.NextDue(rules, s, zone); next.At.UTC().Format(time.RFC3339) != "2026-03-29T22:00:00Z" {
		t.Errorf("got %+v", next)
	}
}

// TestRefusal stops the steps of a visit and leaves one offer at the next.
func TestRefusal(t *testing.T) {
	p := donor()
	p.wait("2026-05-20")
	p.contact("month-6", journey.ContactRefused)
	if got := steps(p.wait("2026-12-31")); !slices.Equal(got, []string{"year-1/letter 2026-11-16"}) {
		t.Errorf("after a refusal: %v", got)
	}
	if v := p.visit("month-6"); v.Status != journey.VisitMissed || v.Reason != journey.ReasonRefused || v.Refused != "2026-05-20" {
		t.Errorf("got %+v", v)
	}
	if got := steps(p.wait("2027-02-20")); len(got) > 0 {
		t.Errorf("more than one offer: %v", got)
	}
	// Reached after all: the steps still to come stand again, those before do not.
	p.today = "2027-02-20"
	p.contact("year-1", journey.Reached)
	if got := steps(p.wait("2028-01-15")); !slices.Equal(got, []string{"yearly-m24/letter 2027-11-16", "yearly-m24/call 2028-01-15"}) {
		t.Errorf("after an answer: %v", got)
	}
}

// TestLost follows from visits without contact, and any contact ends it.
func TestLost(t *testing.T) {
	p := donor()
	lost := func() string { v, is := p.state.Lost(p.rules); return map[bool]string{true: v.ID}[is] }
	p.wait("2026-08-01")
	p.contact("month-6", journey.NoAnswer)
	p.wait("2026-09-30")
	if lost() != "" {
		t.Errorf("lost after one visit: %s", lost())
	}
	p.wait("2027-03-17")
	if lost() != "year-1" {
		t.Errorf("after two visits without contact: %q", lost())
	}
	p.contact("year-1", journey.WrongAddress)
	if lost() != "year-1" {
		t.Errorf("a wrong address is no contact: %q", lost())
	}
	p.contact("yearly-m24", journey.Reached)
	if lost() != "" {
		t.Errorf("found, and still lost since %s", lost())
	}
	// A protocol without the rule loses nobody.
	p.rules.Lost = journey.LostRule{}
	if _, is := p.state.Lost(p.rules); is {
		t.Error("lost without a rule")
	}
}

// TestDeath: a death that is learned of when a visit falls due ends visits, windows
// and contacts, and has to be reported; a mistake can be taken back.
func TestDeath(t *testing.T) {
	p := donor()
	p.wait("2026-04-01")
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) {
		c.Visit, c.Outcome, c.ReasonCode, c.On = "month-6", journey.NotReached, journey.ReasonDied, "2026-03-20"
	})
	if p.state.Died != "2026-03-20" || len(p.state.Reports) != 1 || p.state.Reports[0].Happened != "2026-03-20" {
		t.Fatalf("got %q with %+v", p.state.Died, p.state.Reports)
	}
	for _, d := range journey.Deadlines(p.rules, p.state) {
		if !d.Kind.AtInstant() {
			t.Errorf("after a death there is still %+v", d)
		}
	}
	if err := journey.Check(p.rules, p.state, p.command(journey.Close, journey.Coordinator, "c")); err == nil {
		t.Error("the journey is closed before the death is reported")
	}
	p.today = "2026-12-01"
	// The reason why a visit did not take place moves no day of death.
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) {
		c.Visit, c.Outcome, c.ReasonCode = "month-6", journey.NotReached, journey.ReasonDied
	})
	if p.state.Died != "2026-03-20" || len(p.state.Reports) != 1 {
		t.Errorf("after another entry: died %q with %+v", p.state.Died, p.state.Reports)
	}
	year := p.command(journey.RecordVisit, journey.Coordinator, "c")
	year.Visit, year.Outcome = "year-1", journey.Seen
	if err := journey.Check(p.rules, p.state, year); err == nil {
		t.Error("somebody who died is seen")
	}
	p.must(journey.RetractReport, journey.Coordinator, "c", func(c *journey.Command) { c.Report, c.Reasoned = p.state.Reports[0].ID, true })
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) { c.Visit, c.Outcome = "year-1", journey.Seen })
	if p.state.Died != "" || p.visit("yearly-m24").Status != journey.VisitAhead {
		t.Errorf("got died %q, next %+v", p.state.Died, p.visit("yearly-m24"))
	}
}

// TestDeathWithoutARule: where the protocol reports no deaths, the journey can be
// closed, and a visit that took place takes the mistake back.
func TestDeathWithoutARule(t *testing.T) {
	p := donor()
	p.rules.Reports = nil
	p.wait("2026-04-01")
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) {
		c.Visit, c.Outcome, c.ReasonCode, c.On = "month-6", journey.NotReached, journey.ReasonDied, "2026-03-20"
	})
	if p.state.Died != "2026-03-20" || len(journey.Deadlines(p.rules, p.state)) > 0 {
		t.Fatalf("got %q with %v", p.state.Died, journey.Deadlines(p.rules, p.state))
	}
	if err := journey.Check(p.rules, p.state, p.command(journey.Close, journey.Coordinator, "c")); err != nil {
		t.Errorf("closing after a death: %v", err)
	}
	p.today = "2026-12-01"
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) { c.Visit, c.Outcome = "year-1", journey.Seen })
	if p.state.Died != "" || p.visit("yearly-m24").Status != journey.VisitAhead {
		t.Errorf("got died %q, next %+v", p.state.Died, p.visit("yearly-m24"))
	}
}

// TestRepeats: a yearly visit comes when the one before is settled, until the
// row ends, and never keeps a journey from being closed.
func TestRepeats(t *testing.T) {
	p := donor()
	p.rules.Visits[3].RepeatsUntil = 3
	seen := func(id string, day journey.Date) {
		p.wait(day)
		p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) { c.Visit, c.Outcome = id, journey.Seen })
	}
	seen("month-6", "2026-07-20")
	if p.visit("yearly-m24").ID != "" {
		t.Error("the yearly visit came before the last of the fixed ones")
	}
	seen("year-1", "2027-01-15")
	if v := p.visit("yearly-m24"); v.Target != "2028-01-15" || v.Opens != "2027-10-16" || v.Closes != "2028-04-15" || v.RuleID() != "yearly" {
		t.Errorf("got %+v", v)
	}
	if err := journey.Check(p.rules, p.state, p.command(journey.Close, journey.Coordinator, "c")); err != nil {
		t.Errorf("closing: %v", err)
	}
	p.wait("2028-04-16")
	if v := p.visit("yearly-m24"); v.Status != journey.VisitMissed {
		t.Errorf("got %+v", v)
	}
	seen("yearly-m36", "2029-01-15")
	if last := p.state.Visits[len(p.state.Visits)-1]; last.ID != "yearly-m36" {
		t.Errorf("the row goes on after three years: %+v", last)
	}
	// Entered years later, a window that has closed by then is passed over.
	q := donor()
	q.wait("2027-01-15")
	q.today = "2033-06-01"
	q.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) { c.Visit, c.Outcome, c.On = "year-1", journey.Seen, "2027-01-20" })
	if last := q.state.Visits[len(q.state.Visits)-1]; last.ID != "yearly-m96" || last.Status != journey.VisitAhead {
		t.Errorf("got %+v", last)
	}
}

// TestVisitOnItsDay judges a visit by its own day.
func TestVisitOnItsDay(t *testing.T) {
	p := donor()
	p.wait("2026-10-10")
	try := func(fill func(*journey.Command)) *journey.Refusal {
		return p.refused(t, journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) {
			c.Visit, c.Outcome = "month-6", journey.Seen
			fill(c)
		})
	}
	if r := try(func(c *journey.Command) { c.On = "2026-10-11" }); r.Field != "on" {
		t.Errorf("a day after today: %+v", r)
	}
	if r := try(func(c *journey.Command) { c.On = "2026-01-14" }); r.Field != "on" {
		t.Errorf("a day before the operation: %+v", r)
	}
	if r := try(func(c *journey.Command) { c.On = "2026-05-15" }); !names(r, "visit-open") {
		t.Errorf("a day before the window: %+v", r)
	}
	if r := try(func(c *journey.Command) { c.ReasonCode = journey.ReasonMoved }); r.Field != "reason_code" {
		t.Errorf("a reason with a visit: %+v", r)
	}
	if r := try(func(c *journey.Command) { c.Outcome, c.ReasonCode = journey.NotReached, "busy" }); r.Field != "reason_code" {
		t.Errorf("an unknown reason: %+v", r)
	}
	if r := try(func(c *journey.Command) { c.Outcome = journey.NotReached }); !names(r, "visit-missed") {
		t.Errorf("a missed visit without a reason: %+v", r)
	}
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) {
		c.Visit, c.Outcome, c.ReasonCode = "month-6", journey.NotReached, journey.ReasonAbroad
	})
	if v := p.visit("month-6"); v.Status != journey.VisitMissed || v.Reason != journey.ReasonAbroad {
		t.Errorf("got %+v", v)
	}
	p.must(journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) { c.Visit, c.Outcome, c.On = "month-6", journey.Seen, "2026-09-13" })
	if v := p.visit("month-6"); v.Status != journey.VisitDone || v.On != "2026-09-13" || v.Reason != "" {
		t.Errorf("on the last day of its window, entered later: %+v", v)
	}
}

// TestContactRefused covers what is no contact.
func TestContactRefused(t *testing.T) {
	p := donor()
	try := func(visit string, channel journey.Channel, outcome journey.Outcome, on journey.Date) *journey.Refusal {
		return p.refused(t, journey.RecordContact, journey.Clinician, "c", func(c *journey.Command) {
			c.Visit, c.Channel, c.Outcome, c.On = visit, channel, outcome, on
		})
	}
	for _, tt := range []struct {
		name, field string
		got         *journey.Refusal
	}{
		{"an unknown visit", "visit", try("year-9", "call", journey.Reached, "")},
		{"an unknown way", "channel", try("month-6", "pigeon", journey.Reached, "")},
		{"an unknown outcome", "outcome", try("month-6", "call", journey.Seen, "")},
		{"a day to come", "on", try("month-6", "call", journey.Reached, p.today.AddDays(1))},
		{"a day before the operation", "on", try("month-6", "call", journey.Reached, "2026-01-14")},
	} {
		if tt.got.Code != journey.Invalid || tt.got.Field != tt.field {
			t.Errorf("%s: got %+v", tt.name, tt.got)
		}
	}
	if r := try("week-1", "call", journey.Reached, ""); !names(r, "visit-done") {
		t.Errorf("got %+v", r)
	}
	if r := try("year-1", "call", journey.Reached, ""); !names(r, "visit-next") {
		t.Errorf("got %+v", r)
	}
}

// TestRebaseKeepsContacts: what is known of a visit outlasts a move, and steps
// before it are not made up for.
func TestRebaseKeepsContacts(t *testing.T) {
	p := donor()
	p.rules.Ladder = nil
	p.wait("2026-08-01")
	p.contact("month-6", journey.ContactRefused)
	to := smallRules()
	to.Visits[1].ClosesAfter = 40
	s := journey.Rebase(p.rules, to, p.state, journey.Event{Command: journey.Command{Kind: journey.MoveProtocol, Today: p.today}})
	i := slices.IndexFunc(s.Visits, func(v journey.Visit) bool { return v.ID == "month-6" })
	if v := s.Visits[i]; len(v.Contacts) != 1 || v.Refused != "2026-08-01" || v.Closes != "2026-08-24" {
		t.Errorf("got %+v", v)
	}
	for _, d := range journey.Deadlines(to, s) {
		if d.On.Before(p.today) {
			t.Errorf("%+v is in the past", d)
		}
	}
}
