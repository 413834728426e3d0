package web

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// entryModel is one entry of the record as it is shown.
type entryModel struct {
	Seq  int64
	When string
	Who  string
	What string
	// Details are what the viewer may read of it.
	Details []fact
	// Basis is what a decision stood on.
	Basis *basisModel
}

// basisModel is what the committee had before it, as it was then.
type basisModel struct {
	Protocol string
	Flags    []basisFlag
}

type basisFlag struct{ Title, Value, Band, Threshold, When string }

func basisOf(b activities.Basis) *basisModel {
	if b.Protocol == "" {
		return nil // an entry from before decisions kept it
	}
	m := &basisModel{Protocol: b.Protocol}
	for _, f := range b.Flags {
		value := strings.TrimSpace(f.Shown + " " + unitWord(f.Unit))
		if f.Band == journey.CannotDecide {
			value = "cannot decide: " + f.Reason
		}
		if f.Interval != nil {
			value += ", " + f.Interval.Text(0)
		}
		m.Flags = append(m.Flags, basisFlag{f.Title, value, capital(bandWord(f.Band)), sign.Replace(f.Threshold), dayWord(f.Date)})
	}
	return m
}

// newestEntries is how much of the record is shown at once.
const newestEntries = 12

// timeline shows the record, newest first, cut into what is shown at once and
// the rest.
func timeline(sc scene, entries []record.Entry, events []journey.Event, people map[string]string) (recent, earlier []entryModel) {
	var all []entryModel
	for i, e := range slices.Backward(entries) {
		m := entryModel{
			Seq: e.Seq, When: e.OccurredAt.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04"),
			Who: personWord(people, e.Actor) + " (" + roleWord(e.Role) + ")", What: entryWord(e.Kind),
		}
		if e.Role == journey.System {
			m.Who = personWord(people, e.Actor)
		}
		m.describe(sc, e, events[i], people)
		all = append(all, m)
	}
	return split(all, newestEntries)
}

var entryWords = map[journey.Kind]string{
	journey.Refer: "Referred", journey.BeginScreening: "Screening began", journey.AssignAdvocate: "Advocate assigned",
	journey.RecordConsent: "Consent recorded", journey.BeginEvaluation: "Evaluation began", journey.RecordResults: "Results recorded",
	journey.SignResults: "Results signed", journey.RecordReview: "Review recorded", journey.WaiveRequirement: "Requirement waived",
	journey.PresentToCommittee: "Presented to the committee", journey.RecordDecision: "Decision recorded",
	journey.Schedule: "Day of the operation set", journey.CancelOperation: "Operation cancelled",
	journey.ConfirmLastCheck: "Last check", journey.ResolveLastCheck: "Mismatch of the last check resolved",
	journey.BeginOperation: "Operation began", journey.RecordOperation: "Operation recorded",
	journey.CompleteRecovery: "Recovery completed", journey.RecordVisit: "Follow-up visit recorded", journey.Close: "Journey closed",
	journey.Withdraw: "Withdrawn", journey.Hold: "Put on hold", journey.Resume: "Resumed", journey.Decline: "Declined",
	journey.MoveProtocol: "Moved to another version of the protocol",
	journey.Elapse:       "A deadline passed", journey.EndBackEntry: "Entry after the fact ended",
}

func entryWord(kind journey.Kind) string { return known(entryWords, kind) }

// withheld stands where words exist that the viewer may not read.
const withheld = "Recorded, not shown to your role"

// describe adds what an entry says. Codes come from the event; words come from
// the body and go through the viewer.
func (m *entryModel) describe(sc scene, e record.Entry, event journey.Event, people map[string]string) {
	p, v := sc.protocol, sc.viewer
	add := func(label, value string) {
		if value != "" {
			m.Details = append(m.Details, fact{label, value})
		}
	}
	withholds := v.reader().Withheld(p, e.Kind, e.Actor, event.Requirement)
	// words adds a member of the body that may not be for the viewer.
	words := func(label, member, text string) {
		if text != "" && slices.Contains(withholds, member) {
			text = withheld
		}
		add(label, text)
	}
	for _, change := range event.Plan {
		text := titleOf(p, change.Requirement)
		var causes []string
		for _, id := range change.Causes {
			if id == journey.ByProtocol {
				causes = append(causes, "the other version of the protocol")
				continue
			}
			causes = append(causes, p.CauseTitle(id))
		}
		if len(causes) > 0 {
			text += ", because of " + strings.Join(causes, "; ")
		}
		if change.Applies {
			add("Now needed", text)
		} else {
			add("No longer needed", text)
		}
	}
	if event.Requirement != "" {
		add("Requirement", titleOf(p, event.Requirement))
	}
	side := ""
	if event.Side != "" {
		side = capital(string(event.Side)) + " kidney"
	}
	switch e.Kind {
	case journey.Refer:
		var body struct{ Path, Recipient, Protocol string }
		read(e, &body)
		add("Donation", body.Path)
		add("Protocol", body.Protocol)
		if v.knowsRecipient() {
			add("Recipient", body.Recipient)
		}
	case journey.AssignAdvocate:
		var body command.AssignAdvocate
		read(e, &body)
		add("Advocate", personWord(people, event.Person))
		words("Reason", "reason", body.Reason)
	case journey.RecordConsent:
		var body command.RecordConsent
		read(e, &body)
		add("Side", side)
		words("Note", "note", body.Note)
	case journey.RecordResults:
		var body command.RecordResults
		read(e, &body)
		add("Results", resultTitles(sc, body))
	case journey.SignResults:
		var body command.SignResults
		read(e, &body)
		var titles []string
		for _, id := range event.Requirements {
			titles = append(titles, titleOf(p, id))
		}
		add("Signed", strings.Join(titles, "; "))
		add("Verdict", map[journey.Verdict]string{journey.VerdictMet: "met", journey.VerdictNotMet: "not met"}[event.Verdict])
		words("Reason", "reason", body.Reason)
	case journey.RecordReview:
		var body command.RecordReview
		read(e, &body)
		words("Position", "position", known(positionWords, event.Position))
		words("Findings", "findings", body.Findings)
	case journey.WaiveRequirement:
		var body command.WaiveRequirement
		read(e, &body)
		add("Until", dayWord(event.On))
		words("Reason", "reason", body.Reason)
	case journey.RecordDecision:
		var body activities.Decision
		read(e, &body)
		m.Basis = basisOf(body.Basis)
		add("Decision", known(outcomeWords, event.Outcome))
		add("Side", side)
		add("Re-review on", dayWord(event.On))
		var seats []string
		for _, seat := range event.Seats {
			seats = append(seats, seatTitle(p, seat))
		}
		add("Present", strings.Join(seats, "; "))
		words("Reason", "reason", body.Reason)
	case journey.Schedule:
		var body command.Schedule
		read(e, &body)
		add("Planned day", dayWord(event.On))
		words("Note", "note", body.Note)
	case journey.ConfirmLastCheck:
		if len(event.Mismatches) == 0 {
			add("Outcome", "Every line agrees")
		} else {
			add("Outcome", "Mismatch: "+strings.ReplaceAll(strings.Join(event.Mismatches, ", "), "-", " "))
		}
	case journey.RecordOperation:
		var body command.RecordOperation
		read(e, &body)
		add("Outcome", known(outcomeWords, event.Outcome))
		add("Side", side)
		add("Approach", body.Approach)
		words("Note", "note", body.Note)
	case journey.RecordVisit:
		var body command.RecordVisit
		read(e, &body)
		add("Visit", visitTitle(p, event.Visit))
		add("Outcome", known(outcomeWords, event.Outcome))
		words("Note", "note", body.Note)
	case journey.Elapse:
		for _, d := range event.Fired {
			add(dayWord(lastDay(d)), deadlineWord(p, d.Kind, d.Subject))
		}
	case journey.Decline, journey.CancelOperation:
		var body command.Reasoned
		read(e, &body)
		words("Reason", "reason", body.Reason)
	case journey.MoveProtocol:
		var body activities.Move
		read(e, &body)
		add("Protocol", strings.TrimSpace(body.From+" to "+event.Version))
		for _, f := range body.Flags {
			add("Flag", flagChangeWord(p, p, f))
		}
		for _, d := range event.Fired {
			add(dayWord(lastDay(d)), deadlineWord(p, d.Kind, d.Subject))
		}
		words("Reason", "reason", body.Reason)
	case journey.ResolveLastCheck:
		var body command.Reasoned
		read(e, &body)
		words("Reason", "reason", body.Reason)
	case journey.Withdraw:
		var body command.Plain
		read(e, &body)
		words("Note", "note", body.Note)
	default:
		var body command.Plain
		read(e, &body)
		words("Note", "note", body.Note)
	}
}

// read takes what it can from a body. A body that can't be read is shown
// without its words: the codes of the event remain.
func read(e record.Entry, into any) { _ = json.Unmarshal(e.Body, into) }

func resultTitles(sc scene, body command.RecordResults) string {
	counts := map[string]int{}
	var order []string
	for _, r := range body.Results {
		title := r.Code.Display
		if o, ok := sc.protocol.Observation(r.Code.Code); ok {
			title = o.Title
		}
		if title == "" {
			title = r.Code.Code
		}
		if counts[title] == 0 {
			order = append(order, title)
		}
		counts[title]++
	}
	for i, title := range order {
		if n := counts[title]; n > 1 {
			order[i] = fmt.Sprintf("%s (%d)", title, n)
		}
	}
	return strings.Join(order, "; ")
}
