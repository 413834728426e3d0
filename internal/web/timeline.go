package web

import (
	"encoding/json"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"

	"candidacy/activities"
	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// entryModel is one entry of the record as it is shown.
type entryModel struct {
	Seq  int64
	When string
	Who  string
	What string
	// Details are what the viewer may read of it, Changes what changed with it in the
	// plan and of the flags.
	Details, Changes []fact
	// Basis is what a decision stood on.
	Basis *basisModel
	// by and kind are what the history is narrowed by.
	by   string
	kind journey.Kind
}

// basisModel is what the committee had before it, as it was then.
type basisModel struct {
	Protocol     string
	Digest       string
	Requirements []basisRequirement
	Flags        []basisFlag
	Derived      []valueModel
}

type basisRequirement struct {
	Title                             string
	Status                            template.HTML
	Detail, Collected, Validity, Sign string
}

type basisFlag struct {
	Title           string
	Band            template.HTML
	Value, Compared string
	When, Threshold string
	Source          string
}

func basisOf(sc scene, b activities.Basis, people map[string]string) *basisModel {
	if b.Protocol == "" {
		return nil // an entry from before decisions kept it
	}
	b = sc.viewer.reader().Basis(sc.protocol, b)
	m := &basisModel{Protocol: "protocol version " + b.Protocol, Digest: b.Digest, Derived: derivedModels(sc.protocol, b.Derived)}
	if b.Title != "" {
		m.Protocol = b.Title + ", version " + b.Protocol
	}
	for _, r := range b.Requirements {
		seen, replaced := sc.viewer.reader().BasisRequirement(sc.protocol, r)
		row := basisRequirement{
			Title: seen.Title, Status: statusMark(seen.Status), Detail: known(positionWords, seen.Position), Collected: dayWord(seen.Collected),
		}
		if replaced {
			row.Detail = api.ByClinicians
		}
		if seen.Awaiting != nil {
			row.Detail = joined(row.Detail, awaitingWord(*seen.Awaiting, people)+"; a second signature was needed")
		}
		for _, c := range b.Conditions {
			if c.Requirement == seen.ID {
				row.Detail = joined(row.Detail, conditionWord(c))
			}
		}
		switch {
		case seen.WaivedUntil != "":
			row.Validity = "Waived until " + dayWord(seen.WaivedUntil)
		case seen.ValidUntil != "":
			row.Validity = "Valid until " + dayWord(seen.ValidUntil)
		}
		if seen.SignedBy != "" {
			row.Sign = personWord(people, seen.SignedBy) + ", " + dayWord(seen.SignedOn)
		}
		m.Requirements = append(m.Requirements, row)
	}
	for _, f := range b.Flags {
		row := basisFlag{
			Title: f.Title, Band: bandMark(f.Band, f.Absolute && f.Band == journey.Excludes), Value: strings.TrimSpace(f.Shown + " " + unitWord(f.Unit)),
			When: dayWord(f.Date), Threshold: ruleWord(f), Source: f.Source,
		}
		if f.Band == journey.CannotDecide {
			row.Value = "cannot decide: " + f.Reason
		} else if f.Value != f.Shown {
			row.Compared = f.Value
		}
		if f.Interval != nil {
			row.Value += ", " + f.Interval.Text(0)
		}
		m.Flags = append(m.Flags, row)
	}
	return m
}

// ruleWord is the rule of a flag as it was, with the units that people write.
func ruleWord(f protocol.Flag) string {
	text := sign.Replace(f.Threshold) + ";"
	if f.Unit != "" {
		text = strings.ReplaceAll(text, " "+f.Unit+";", " "+unitWord(f.Unit)+";")
	}
	return capital(strings.TrimSuffix(text, ";"))
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
			by: e.Actor, kind: e.Kind,
		}
		switch e.Role {
		case journey.System:
			m.Who = personWord(people, e.Actor)
		case journey.Self:
			m.Who = "the candidate"
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
	journey.RecordRecipient: "Recipient's blood group recorded", journey.ConfirmVerification: "Verification of the planned operation",
	journey.ConfirmLastCheck: "Last check", journey.ResolveLastCheck: "Mismatch of the last check resolved",
	journey.BeginOperation: "Operation began", journey.RecordOperation: "Operation recorded",
	journey.AmendOperation: "Operation record amended", journey.RecordComplication: "Complication recorded",
	journey.CompleteRecovery: "Recovery completed", journey.RecordVisit: "Follow-up visit recorded", journey.RecordContact: "Contact recorded", journey.Close: "Journey closed",
	journey.Withdraw: "Withdrawn", journey.Hold: "Put on hold", journey.Resume: "Resumed", journey.Decline: "Declined",
	journey.MoveProtocol: "Moved to another version of the protocol",
	journey.RecordStay:   "Stay and recovery recorded", journey.RecordMedicines: "Medicines recorded", journey.RecordRisk: "Risk recorded",
	journey.GiveDonorLink: "Link to the own page given", journey.RevokeDonorLink: "Link to the own page revoked",
	journey.ReportEvent: "Event to be reported", journey.CloseReport: "Event reported", journey.RetractReport: "Event retracted",
	journey.RecordDeath: "Death recorded",
	journey.Elapse:      "A deadline passed", journey.EndBackEntry: "Entry after the fact ended",

	journey.RecordContactDetails: "Contact details recorded",
	journey.AskQuestion:          "Question asked", journey.AnswerQuestion: "Question answered", journey.RecordWords: "The candidate's own words recorded",
	journey.ConfirmDuties: "Duties of the advocate",

	journey.GiveQuestionnaire: "Link to a questionnaire given", journey.RevokeQuestionnaire: "Link to the questionnaire revoked",
	journey.AnswerQuestionnaire: "Questionnaire answered by the candidate", journey.AskToStop: "Said in private that they want to stop",
	journey.SettleStopWish: "Talk about stopping recorded",

	journey.PlanAppointment: "Visit planned", journey.MoveAppointment: "Planned visit moved or changed",
	journey.CancelAppointment: "Planned visit called off", journey.CloseAppointment: "Said whether a planned visit took place",
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
	withholds := v.reader().Withheld(p, e.Kind, e.Actor, event.Named()...)
	// words adds a member of the body that may not be for the viewer.
	words := func(label, member, text string) {
		if text != "" && slices.Contains(withholds, member) {
			text = withheld
		}
		add(label, text)
	}
	m.changes(sc, event)
	if event.Requirement != "" {
		add("Requirement", titleOf(p, event.Requirement))
	} else if e.Kind != journey.SignResults {
		add("Requirements", titlesOf(p, event.Requirements))
	}
	side := ""
	if event.Side != "" {
		side = capital(string(event.Side)) + " kidney"
	}
	for _, clock := range event.Clocks {
		if clock.Limit != "" {
			add("Report by", instantWord(clock.Limit, p.Zone())+", "+lower(eventTitle(p, clock.Event)))
		}
	}
	switch e.Kind {
	case journey.Refer:
		var body struct {
			Path, Recipient, Protocol string
			DistinctReason            string `json:"distinct_reason"`
		}
		read(e, &body)
		add("Donation", body.Path)
		add("Protocol", body.Protocol)
		if v.knowsRecipient() {
			add("Recipient", body.Recipient)
			add("Compared with others on record: another person, because", body.DistinctReason)
		}
	case journey.AssignAdvocate:
		var body command.AssignAdvocate
		read(e, &body)
		add("Advocate", personWord(people, event.Person))
		words("Reason", "reason", body.Reason)
	case journey.RecordConsent:
		var body command.RecordConsent
		read(e, &body)
		add("Told", titlesOf(p, body.Disclosures))
		add("Told back in own words", titlesOf(p, body.TeachBack))
		add("Side", side)
		words("Note", "note", body.Note)
	case journey.RecordResults:
		var body command.RecordResults
		read(e, &body)
		shown, more := v.reader().Reported(p, e.Actor, body.Results)
		add("Results", resultTitles(sc, shown))
		if more {
			add("More results", withheld)
		}
	case journey.GiveQuestionnaire:
		var body command.GiveQuestionnaire
		read(e, &body)
		if q, ok := p.Questionnaire(body.Questionnaire); ok {
			add("Questionnaire", q.Title)
		}
		add("Until", dayWord(body.Until))
	case journey.AnswerQuestionnaire:
		var body activities.Answered
		read(e, &body)
		shown, more := v.reader().Answers(p, body.Answers)
		add("Questionnaire", body.Title)
		add("Answers", strconv.Itoa(len(shown)))
		if more {
			add("More answers", withheld)
		}
	case journey.AskToStop:
		var body activities.StopWish
		read(e, &body)
		words("In their words", "words", body.Words)
	case journey.SignResults:
		var body command.SignResults
		read(e, &body)
		add("Signed", titlesOf(p, event.Requirements))
		words("Until", "until", dayWord(event.On))
		words("Verdict", "verdict", map[journey.Verdict]string{journey.VerdictMet: "met", journey.VerdictNotMet: "not met"}[event.Verdict])
		words("Reason", "reason", body.Reason)
	case journey.RecordReview:
		var body command.RecordReview
		read(e, &body)
		add("Duties done", titlesOf(p, body.Duties))
		words("Position", "position", known(positionWords, event.Position))
		words("Findings", "findings", body.Findings)
		words("Structured findings", "structured", structuredWord(p, body.Structured))
	case journey.WaiveRequirement:
		var body command.WaiveRequirement
		read(e, &body)
		add("Until", dayWord(event.On))
		words("Reason", "reason", body.Reason)
	case journey.RecordDecision:
		var body activities.Decision
		read(e, &body)
		m.Basis = basisOf(sc, body.Basis, people)
		add("Decision", known(outcomeWords, event.Outcome))
		add("Side", side)
		add("Re-review on", dayWord(event.On))
		var seats []string
		for _, seat := range event.Seats {
			seats = append(seats, seatTitle(p, seat))
		}
		add("Present", strings.Join(seats, "; "))
		for _, c := range body.Conditions {
			words("Condition", "conditions", conditionText(c))
		}
		words("Votes", "votes", votesWord(body.Votes))
		words("Reason", "reason", body.Reason)
	case journey.Schedule:
		var body command.Schedule
		read(e, &body)
		add("Planned day", dayWord(event.On))
		add("Approach", known(approachWords, event.Approach))
		add("Side booked", side)
		for _, member := range body.Team {
			add(known(partWords, member.Part), personWord(people, member.Account))
		}
		words("Note", "note", body.Note)
	case journey.RecordRecipient:
		var body command.RecordRecipient
		read(e, &body)
		words("Recipient", "recipient", body.Recipient)
		groups := make([]string, len(body.Samples))
		for i, sample := range body.Samples {
			groups[i] = sample.Group
		}
		words("Groups of the samples", "samples", strings.Join(groups, ", "))
		words("Reason", "reason", body.Reason)
	case journey.ConfirmVerification, journey.ConfirmLastCheck:
		add("Outcome", checkedLines(event.Mismatches, e))
	case journey.RecordOperation:
		var body command.RecordOperation
		read(e, &body)
		add("Outcome", known(outcomeWords, event.Outcome))
		add("Side", side)
		add("Approach", body.Approach)
		words("Note", "note", body.Note)
	case journey.AmendOperation:
		var body command.AmendOperation
		read(e, &body)
		add("Replaces", "entry "+strconv.FormatInt(body.Replaces, 10))
		add("Outcome", known(outcomeWords, event.Outcome))
		add("Side", side)
		words("Reason", "reason", body.Reason)
	case journey.RecordComplication:
		var body command.RecordComplication
		read(e, &body)
		add("Complication", p.ComplicationTitle(body.Complication))
		add("Day", dayWord(event.On))
		if body.Replaces > 0 {
			add("Corrects", "entry "+strconv.FormatInt(body.Replaces, 10))
		}
		if body.EnteredInError {
			add("Status", "Entered in error")
		}
		words("Note", "note", body.Note)
	case journey.RecordVisit:
		var body command.RecordVisit
		read(e, &body)
		add("Visit", visitTitle(p, event.Visit))
		add("Outcome", known(outcomeWords, event.Outcome))
		add("On", dayWord(event.On))
		if event.ReasonCode != "" {
			add("Reason", known(visitReasonWords, event.ReasonCode))
		}
		words("Note", "note", body.Note)
	case journey.RecordContact:
		var body command.RecordContact
		read(e, &body)
		add("Visit", visitTitle(p, event.Visit))
		add("How", known(channelWords, event.Channel))
		add("Outcome", known(contactWords, event.Outcome))
		add("On", dayWord(event.On))
		words("Note", "note", body.Note)
	case journey.Elapse:
		for _, d := range event.Fired {
			add(dayWord(lastDay(d)), deadlineText(p, sc.candidate.State, d))
		}
	case journey.ReportEvent:
		var body command.ReportEvent
		read(e, &body)
		add("Event", eventTitle(p, event.Event))
		add("Happened", dayWord(event.On))
		add("First known", instantWord(event.Moment, p.Zone()))
		add("To", knownTo(people, event.Person))
		words("Note", "note", body.Note)
	case journey.CloseReport:
		var body command.CloseReport
		read(e, &body)
		add("Event", reportTitle(p, sc.candidate.State, event.Report))
		add("Reported", instantWord(event.Moment, p.Zone()))
		words("Reference", "reference", body.Reference)
		words("Note", "note", body.Note)
	case journey.RetractReport:
		var body command.RetractReport
		read(e, &body)
		add("Event", reportTitle(p, sc.candidate.State, event.Report))
		words("Reason", "reason", body.Reason)
	case journey.RecordDeath:
		var body command.RecordDeath
		read(e, &body)
		add("Died", dayWord(event.On))
		words("Note", "note", body.Note)
		add("Lacking for that day", titlesOf(p, event.Outstanding))
	case journey.AskQuestion, journey.AnswerQuestion, journey.RecordWords:
		committeeWords(e, words)
	case journey.RecordContactDetails:
		m.Details = append(m.Details, contactDetails(e)...)
	case journey.CancelOperation:
		var body command.CancelOperation
		read(e, &body)
		words("Kind of reason", "cause", known(causeWords, body.Cause))
		words("Reason", "reason", body.Reason)
		add("The candidate was told", strings.TrimSpace(lower(known(toldWords, body.Told))+" "+dayWord(body.ToldOn)))
		if body.Counselling {
			add("Counselling", "offered")
		}
	case journey.Decline:
		var body command.Reasoned
		read(e, &body)
		words("Reason", "reason", body.Reason)
	case journey.PlanAppointment, journey.MoveAppointment, journey.CancelAppointment, journey.CloseAppointment:
		m.appointment(sc, e, event, add, words)
	case journey.MoveProtocol:
		var body activities.Move
		read(e, &body)
		add("Protocol", strings.TrimSpace(body.From+" to "+event.Version))
		for _, f := range v.reader().FlagChanges(p, p, body.Flags) {
			add("Flag", flagChangeWord(p, p, f))
		}
		for _, d := range event.Fired {
			add(dayWord(lastDay(d)), deadlineWord(p, d.Kind, d.Subject))
		}
		words("Reason", "reason", body.Reason)
	case journey.ResolveLastCheck, journey.SettleStopWish:
		var body command.Reasoned
		read(e, &body)
		words("Reason", "reason", body.Reason)
	case journey.ConfirmDuties:
		var body command.ConfirmDuties
		read(e, &body)
		label := "Done"
		if event.Verdict == journey.VerdictNotMet {
			label = "Taken back"
		}
		add(label, titlesOf(p, event.Items))
		if event.On != "" && event.On != event.Today {
			add("On", dayWord(event.On))
		}
		words("Reason", "reason", body.Reason)
	case journey.Hold:
		var body command.Hold
		read(e, &body)
		words("Kind of reason", "cause", known(pauseWords, body.Cause))
		words("Note", "note", body.Note)
	case journey.Withdraw:
		var body command.Withdrawal
		read(e, &body)
		words("Note", "note", body.Note)
		words("Witness", "witness", personWord(people, body.Witness))
	case journey.RecordRisk:
		m.risk(e, add, words)
	case journey.RecordStay, journey.RecordMedicines, journey.GiveDonorLink:
		m.aftercare(e, add, words)
	default:
		var body command.Plain
		read(e, &body)
		words("Note", "note", body.Note)
	}
}

// changes adds what an entry changed in the plan and of the flags.
func (m *entryModel) changes(sc scene, event journey.Event) {
	p, v := sc.protocol, sc.viewer
	add := func(label, value string) { m.Changes = append(m.Changes, fact{label, value}) }
	for _, change := range event.Plan {
		text := titleOf(p, change.Requirement)
		var causes []string
		shown, more := v.reader().Causes(p, change)
		for _, id := range shown {
			if id == journey.ByProtocol {
				causes = append(causes, "the other version of the protocol")
				continue
			}
			causes = append(causes, p.CauseTitle(id))
		}
		if more {
			causes = append(causes, "what is not shown to your role")
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
	for _, change := range v.reader().Bands(p, event.Bands) {
		text := p.CauseTitle(change.Flag) + ": "
		switch {
		case change.From == "":
			text += lower(bandWord(change.To))
		case change.To == "":
			text += "no longer there, was " + lower(bandWord(change.From))
		default:
			text += lower(bandWord(change.To)) + ", was " + lower(bandWord(change.From))
		}
		if slices.Equal(change.Causes, []string{journey.ByTime}) {
			text += ", by age"
		}
		if change.From != "" || change.To != journey.Meets {
			add("Flag", text)
		}
	}
}

// read takes what it can from a body. A body that can't be read is shown
// without its words: the codes of the event remain.
func read(e record.Entry, into any) { _ = json.Unmarshal(e.Body, into) }

func resultTitles(sc scene, results []command.Result) string {
	counts := map[string]int{}
	var order []string
	for _, r := range results {
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
