package web

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// loss is what goes if nobody does a thing in time, the gravest first.
type loss int

const (
	// losesReport is the limit in which an event has to be reported.
	losesReport loss = iota
	// losesOperation is the planned day of an operation.
	losesOperation
	// losesEvidence is what has to be done again, or can't be had again at all:
	// results, an approval, a visit whose window closes.
	losesEvidence
	// losesResult is what a laboratory reported and nobody has looked at.
	losesResult
	// losesTime is the time that the programme gives itself.
	losesTime
	// losesNothing keeps somebody waiting.
	losesNothing
)

// task is one thing to do about one candidate, or about none.
type task struct {
	Loss      loss
	Candidate string
	// What is to be done, Why it is, and what is Lost.
	What, Why, Lost string
	// By is the last day on which it helps, and At the instant where it is one.
	By journey.Date
	At journey.Instant
	// Link leads to the very form: a whole address without a candidate, or what follows
	// the address of the candidate's page.
	Link string
}

// How long people may let a thing wait that nothing sets a day for, in days. It only
// says where such a thing stands among the others, and is a choice of ours.
const (
	patienceSignature = 3
	patienceStep      = 3
	patienceReview    = 7
	// expirySoon is how far ahead one looks for results that expire without a planned
	// day, and approvalSoon for an approval that nothing is planned under.
	expirySoon   = 30
	approvalSoon = 60
	// timeSoon is how far ahead the programme's own times are told.
	timeSoon = 14
	// countedSoon is how far ahead of the last day to do it something is told that an
	// operation lacks.
	countedSoon = 30
	mostCounted = 3
)

// span is when something is lost, as a heading says it.
type span int

const (
	spanNow span = iota
	spanWeek
	spanMonth
	spanLater
)

var spanWords = []string{"Today and tomorrow", "Within a week", "Within a month", "Later"}

// spanOf is how soon something is lost. What has passed already is lost more with every
// day.
func (t task) spanOf(today journey.Date) span {
	if t.By == "" {
		return spanLater
	}
	switch left := today.DaysUntil(t.By); {
	case left <= 1:
		return spanNow
	case left <= 7:
		return spanWeek
	case left <= 31:
		return spanMonth
	default:
		return spanLater
	}
}

// byLoss puts first what is lost soonest, of these what loses most, and of these what
// has the nearest day. It gives every task a place of its own.
func byLoss(today journey.Date) func(a, b task) int {
	return func(a, b task) int {
		return placed{a, a.spanOf(today)}.compare(placed{b, b.spanOf(today)})
	}
}

// placed is a task with the heading that it stands under.
type placed struct {
	task
	span span
}

func (a placed) compare(b placed) int {
	if first := cmp.Or(cmp.Compare(a.span, b.span), cmp.Compare(a.Loss, b.Loss)); first != 0 {
		return first
	}
	if first := days(a.By, b.By); first != 0 {
		return first
	}
	return cmp.Or(
		cmp.Compare(cmp.Or(a.At, "~"), cmp.Or(b.At, "~")), cmp.Compare(a.Candidate, b.Candidate), cmp.Compare(a.Link, b.Link), cmp.Compare(a.What, b.What),
	)
}

// byLossOf puts tasks in order and tells how many are lost by tomorrow.
func byLossOf(list []task, today journey.Date) (ordered []placed, now int) {
	ordered = make([]placed, len(list))
	for i, t := range list {
		ordered[i] = placed{t, t.spanOf(today)}
		if ordered[i].span == spanNow {
			now++
		}
	}
	slices.SortFunc(ordered, placed.compare)
	return ordered, now
}

// tasker collects the tasks of one candidate for one role.
type tasker struct {
	p       *protocol.Protocol
	v       *viewer
	c       record.Candidate
	s       journey.State
	rules   journey.Rules
	today   journey.Date
	allowed []journey.Kind
	told    []journey.Kind
	// seen are requirements that a task is about already.
	seen []string
	list []task
}

func (t *tasker) may(kind journey.Kind) bool { return slices.Contains(t.allowed, kind) }

func (t *tasker) add(k task) {
	k.Candidate = t.c.ID
	t.list = append(t.list, k)
}

// form is the anchor of a command's form where the role may give it.
func (t *tasker) form(kind journey.Kind, otherwise string) string {
	if t.may(kind) {
		t.told = append(t.told, kind)
		return "#" + string(kind)
	}
	return otherwise
}

// tasksOf lists what the viewer's role can do about a candidate, or has to see that
// somebody does.
func tasksOf(p *protocol.Protocol, v *viewer, c record.Candidate, st standing, today journey.Date) []task {
	t := &tasker{p: p, v: v, c: c, s: c.State, rules: p.Rules(), today: today, allowed: journey.Allowed(c.State.Stage, v.Role)}
	if v.Role == journey.Auditor || v.Role == journey.Administrator {
		return nil
	}
	t.reports()
	if t.s.Stage.Ended() {
		return t.list
	}
	t.operation()
	t.approval()
	t.expiry()
	t.visits()
	t.appointments()
	t.signatures()
	t.time(st)
	t.steps(st)
	return t.list
}

func (t *tasker) reports() {
	for _, r := range t.s.OpenReports() {
		k := task{
			Loss: losesReport, What: "Report it: " + eventTitle(t.p, r.Event), Why: "An event that has to be reported is not yet.",
			Lost: "The limit for the report.", By: t.today, At: r.Limit, Link: t.form(journey.CloseReport, "#reports"),
		}
		if r.Limit == "" {
			k.Lost = "There is no limit of hours: it is owed at once."
		} else {
			k.By = journey.DateOf(r.Limit.Time(), t.p.Zone())
		}
		t.add(k)
	}
}

// operation is what a planned operation lacks.
func (t *tasker) operation() {
	s := t.s
	if s.Planned == "" || !s.Stage.BeforeOperation() {
		return
	}
	lost := "The operation on " + dayWord(s.Planned) + "."
	if s.LastCheck.Stopped || s.Verification.Stopped {
		t.add(task{
			Loss: losesOperation, What: "Resolve the mismatch of the check", Why: "Two people read something different.", Lost: lost, By: s.Planned,
			Link: t.form(journey.ResolveLastCheck, "#now"),
		})
	}
	if d := s.Decision; d != nil && d.Outcome == journey.Approve && d.Expires.Before(s.Planned) {
		t.add(task{
			Loss: losesOperation, What: "Plan an earlier day, or have it decided again", Why: "The approval is valid until " + dayWord(d.Expires) + ", before the planned day.",
			Lost: lost, By: d.Expires, Link: t.form(journey.Schedule, "#plan"),
		})
	}
	var more []string
	first := journey.Date("")
	told := 0
	for _, line := range t.p.Countdown(s, t.today) {
		if line.Standing == protocol.CountdownReady || line.Standing == protocol.CountdownLater {
			continue
		}
		by := line.Until
		if by.Before(t.today) {
			by = t.today
		}
		if t.today.DaysUntil(by) > countedSoon {
			continue
		}
		state, _ := s.Find(line.Requirement)
		r, ok := t.p.Find(line.Requirement)
		if !ok {
			continue
		}
		link, verb := requirementAction(scene{protocol: t.p, viewer: t.v, candidate: t.c, today: t.today}, r, state)
		if link == "" && t.v.Role != journey.Coordinator {
			continue // somebody else's
		}
		t.seen = append(t.seen, r.ID)
		if told == mostCounted {
			more = append(more, r.Title)
			if first == "" || by.Before(first) {
				first = by
			}
			continue
		}
		told++
		why := "Not in force on the planned day."
		if line.Lapses != "" {
			why = "It no longer counts from " + dayWord(line.Lapses) + ", before the planned day."
		}
		if line.Standing == protocol.CountdownLate {
			why += " The usual lead time is longer than what is left."
		}
		if link == "" {
			link, verb = gateLink(t.p, r.ID), "See to it"
		}
		t.add(task{Loss: losesOperation, What: verb + ": " + r.Title, Why: why, Lost: lost, By: by, Link: link})
	}
	if len(more) > 0 {
		t.add(task{
			Loss: losesOperation, What: "See to " + plural(len(more), "more requirement"), Why: shortList(more, 4) + ".", Lost: lost, By: first, Link: "#countdown",
		})
	}
}

func (t *tasker) approval() {
	d := t.s.Decision
	if d == nil || d.Outcome != journey.Approve || !t.s.Stage.BeforeOperation() || t.s.Planned != "" || t.v.Role != journey.Coordinator || t.today.DaysUntil(d.Expires) > approvalSoon {
		return
	}
	t.add(task{
		Loss: losesEvidence, What: "Set the day of the operation", Why: "Nothing is planned, and the approval is valid until " + dayWord(d.Expires) + ".",
		Lost: "The approval: the committee would have to decide again.", By: d.Expires, Link: t.form(journey.Schedule, "#plan"),
	})
}

// expiry is what expires without a planned day.
func (t *tasker) expiry() {
	if t.s.Planned != "" || !t.s.Stage.BeforeOperation() || t.v.Role != journey.Coordinator {
		return
	}
	var titles []string
	var first journey.Date
	gate := ""
	for _, r := range t.s.Requirements {
		if !r.InForce(t.today) || r.ValidUntil == "" || t.today.DaysUntil(r.ValidUntil) > expirySoon {
			continue
		}
		if _, replaced := t.v.reader().Requirement(t.p, r); replaced {
			continue
		}
		titles = append(titles, titleOf(t.p, r.ID))
		if first == "" || r.ValidUntil.Before(first) {
			first, gate = r.ValidUntil, gateLink(t.p, r.ID)
		}
	}
	if len(titles) == 0 {
		return
	}
	t.add(task{
		Loss: losesEvidence, What: "Go on, or repeat in time: " + shortList(titles, 2), Why: capital(plural(len(titles), "requirement")) + " in force now will expire, the first after " + dayWord(first) + ".",
		Lost: "What was done counts no longer, and is done again.", By: first, Link: gate,
	})
}

// shortList names the first of a list and counts the rest.
func shortList(list []string, most int) string {
	if len(list) <= most {
		return strings.Join(list, ", ")
	}
	return strings.Join(list[:most], ", ") + fmt.Sprintf(" and %d more", len(list)-most)
}

// appointments are planned visits of which nobody has said whether they took place, and
// those that stand while the candidate is on hold.
func (t *tasker) appointments() {
	const home = "/visits" // below the candidate's own page
	var ahead []journey.Appointment
	for _, a := range t.s.Booked() {
		if !a.On.Before(t.today) {
			ahead = append(ahead, a)
			continue
		}
		if t.may(journey.CloseAppointment) && t.v.Role == journey.Coordinator {
			t.add(task{
				Loss: losesTime, What: "Say whether the visit took place", Why: "It was planned for " + dayWord(a.On) + ".",
				Lost: "Nobody knows whether it has to be planned again.", By: t.today, Link: home + "?change=" + a.ID + "#change",
			})
		}
	}
	if t.s.Stage == journey.OnHold && len(ahead) > 0 && t.may(journey.CancelAppointment) {
		t.add(task{
			Loss: losesTime, What: "Call off, or keep: " + plural(len(ahead), "planned visit"), Why: "The candidate is on hold, and what was planned stands.",
			Lost: "The candidate comes for nothing, and the places are not free for others.", By: ahead[0].On, Link: home,
		})
	}
}

func (t *tasker) visits() {
	for _, visit := range t.s.Visits {
		title := visitTitle(t.p, visit.ID)
		if due := followup.Due(t.p, visit); due != nil && t.may(journey.RecordContact) {
			t.add(task{
				Loss: losesEvidence, What: due.Title + ": " + title, Why: "Nobody was reached yet, and the window closes after " + dayWord(visit.Closes) + ".",
				Lost: "The visit: a missed one can't be made up for.", By: t.today, Link: t.form(journey.RecordContact, "#follow-up"),
			})
			continue
		}
		switch {
		case !t.may(journey.RecordVisit):
		case visit.Status == journey.VisitOpen:
			t.add(task{
				Loss: losesEvidence, What: "Record the visit: " + title, Why: "The window is open until " + dayWord(visit.Closes) + ".",
				Lost: "The visit: a missed one can't be made up for.", By: visit.Closes, Link: t.form(journey.RecordVisit, "#follow-up"),
			})
		case visit.Status == journey.VisitMissed && visit.Reason == "" && t.s.Died == "":
			t.add(task{
				Loss: losesNothing, What: "Say why the visit was missed: " + title, Why: "The window closed after " + dayWord(visit.Closes) + ".",
				Lost: "The reason, once nobody remembers it.", Link: t.form(journey.RecordVisit, "#follow-up"),
			})
		}
	}
}

// signatures is what waits for one, for those who sign and, once it has waited, for the
// coordinator.
func (t *tasker) signatures() {
	if !t.s.Stage.BeforeOperation() {
		return
	}
	type waiting struct {
		titles []string
		since  journey.Date
		gate   string
	}
	groups := map[journey.Role]*waiting{}
	for _, r := range t.p.Requirements {
		state, ok := t.s.Find(r.ID)
		if !ok || slices.Contains(t.seen, r.ID) || r.Evidence != journey.ByResult || state.Status != journey.Resulted && state.Status != journey.NeedsReview {
			continue
		}
		if t.v.Role != r.Signer && t.v.Role != journey.Coordinator || t.v.Role != r.Signer && t.v.reader().HidesFinding(t.p, r.ID) {
			continue
		}
		g := groups[r.Signer]
		if g == nil {
			g = &waiting{}
			groups[r.Signer] = g
		}
		g.titles = append(g.titles, r.Title)
		if g.since == "" || state.Collected != "" && state.Collected.Before(g.since) {
			g.since, g.gate = state.Collected, gateLink(t.p, r.ID)
		}
	}
	for _, role := range journey.Roles {
		g := groups[role]
		if g == nil {
			continue
		}
		k := task{
			Loss: losesResult, Why: shortList(g.titles, 3) + ".", Lost: "The result counts for nothing until it is signed.",
			By: g.since.AddDays(patienceSignature),
		}
		switch {
		case role == t.v.Role:
			k.What, k.Link = "Sign "+plural(len(g.titles), "result"), t.form(journey.SignResults, g.gate)
		case t.today.Before(k.By):
			continue
		default:
			k.What, k.Link = "Ask for the signature: "+plural(len(g.titles), "result"), g.gate
			k.Why = "Waits for a " + roleWord(role) + " since " + dayWord(g.since) + ": " + k.Why
		}
		t.add(k)
	}
}

// time is the time that the programme gives itself for a stage.
func (t *tasker) time(st standing) {
	if t.v.Role != journey.Coordinator {
		return
	}
	due := journey.StageDue(t.rules, t.s)
	if due == nil || t.today.DaysUntil(lastDay(*due)) > timeSoon {
		return
	}
	k := task{
		Loss: losesTime, What: "See what is missing", Why: deadlineWord(t.p, due.Kind, due.Subject) + ".", Lost: "The time that the programme gives itself.",
		By: lastDay(*due), Link: "#requirements",
	}
	if len(st.Outstanding) > 0 {
		k.Why += " Missing: " + shortList(st.Outstanding, 2) + "."
	}
	if i := slices.IndexFunc(st.Needs, func(n need) bool { return !reports(n) && !slices.Contains(t.told, n.Kind) }); i >= 0 {
		k.What, k.Link = st.Needs[i].Text, "#"+string(st.Needs[i].Kind)
		t.told = append(t.told, st.Needs[i].Kind)
	} else if kind := stageAction[due.Kind]; kind != "" && t.may(kind) {
		k.What, k.Link = actionOf(kind).Title, "#"+string(kind)
	}
	t.add(k)
}

// stageAction is what answers the deadline of a stage where nothing else is to be done.
var stageAction = map[journey.DeadlineKind]journey.Kind{
	journey.HoldReviewDue: journey.Resume, journey.DeferralReviewDue: journey.Resume, journey.NewDateDue: journey.Schedule,
}

// steps is what else waits for the role.
func (t *tasker) steps(st standing) {
	since := t.s.Since
	for _, n := range st.Needs {
		if reports(n) || slices.Contains(t.told, n.Kind) || n.Kind == journey.SignResults || n.Kind == journey.RecordVisit || n.Kind == journey.RecordContact {
			continue
		}
		k := task{
			Loss: losesNothing, What: n.Text, Why: stageWord(t.s.Stage) + " since " + dayWord(since) + ".", Lost: "Nothing but time: the journey stands still.",
			By: since.AddDays(patienceStep), Link: "#" + string(n.Kind),
		}
		switch n.Kind {
		case journey.RecordReview:
			k.By, k.Lost = since.AddDays(patienceReview), "The committee can't decide without it."
		case journey.ConfirmVerification, journey.ConfirmLastCheck, journey.BeginOperation, journey.RecordRecipient:
			k.Loss, k.By, k.Lost = losesOperation, t.s.Planned, "The operation on "+dayWord(t.s.Planned)+"."
		case journey.RecordDecision:
			k.Lost = "The approval can't begin, and results expire meanwhile."
			if d := journey.StageDue(t.rules, t.s); d != nil {
				k.Loss, k.By = losesTime, lastDay(*d)
			}
		}
		t.add(k)
	}
	// A second signature is asked of whoever gives first ones.
	for _, r := range t.s.Requirements {
		if r.Awaiting == nil {
			continue
		}
		rule, ok := t.p.Find(r.ID)
		if seen, replaced := t.v.reader().Requirement(t.p, r); !ok || seen.Awaiting == nil || replaced || rule.Signer != t.v.Role || !t.may(journey.SignResults) {
			continue
		}
		t.add(task{
			Loss: losesResult, What: "Sign as the second: " + rule.Title, Why: "A first signature was given on " + dayWord(r.Awaiting.On) + ".",
			Lost: "It counts for nothing until another person signs.", By: r.Awaiting.On.AddDays(patienceSignature), Link: "#" + string(journey.SignResults),
		})
	}
}

// taskRow is a task as the page shows it.
type taskRow struct {
	Name, Identifier, Home string
	What, Why, Lost, Link  string
	When, Left             string
	Late                   bool
	Role                   string
}

// rowOfTask shows a task. Without a candidate the link is whole.
func rowOfTask(t task, today journey.Date, now time.Time, zone *time.Location) taskRow {
	row := taskRow{What: t.What, Why: t.Why, Lost: t.Lost, Link: t.Link}
	if t.Candidate != "" {
		row.Home = "/candidates/" + t.Candidate
		row.Link = row.Home + t.Link
	}
	switch {
	case t.At != "":
		row.When = instantWord(t.At, zone)
		left := t.At.Time().Sub(now)
		row.Left, row.Late = "in "+hoursWord(left), left < 0
		if row.Late {
			row.Left = "overdue for " + hoursWord(-left)
		}
	case t.By != "":
		row.When = dayWord(t.By)
		row.Left, row.Late = leftWord(today, t.By)
	}
	return row
}

// incomingTask is a message that waits for a person.
func incomingTask(row messageRow, on journey.Date) task {
	why := "No reason was kept."
	if len(row.Why) > 0 {
		why = strings.Join(row.Why, ". ") + "."
	}
	return task{
		Loss: losesResult, What: "Decide about a message from " + row.From, Why: "It waits for a person. " + why,
		Lost: "Nothing of it is on record meanwhile, however grave it is.", By: on.AddDays(1), Link: row.Link,
	}
}

// linkOf keeps what is asked of a list in an address.
func linkOf(path string, values url.Values) string {
	if len(values) == 0 {
		return path
	}
	return path + "?" + values.Encode()
}
