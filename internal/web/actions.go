package web

import (
	"errors"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// scene is what a form is made for.
type scene struct {
	protocol  *protocol.Protocol
	viewer    *viewer
	candidate record.Candidate
	today     journey.Date
	// advocates are the accounts that may be assigned.
	advocates []record.Account
	// staff are the accounts that may be of the team of an operation.
	staff []record.Account
	// accounts are all that are in use.
	accounts []record.Account
	// code is the kind of result that is to be recorded.
	code string
	// course is the operation, if there was one.
	course operation.Course
	// entries are the candidate's record, and results what stands of it, the
	// oldest first.
	entries []record.Entry
	results []result.Result
}

// action is how one command is asked for.
type action struct {
	Title  string
	Hint   string
	Button string
	Done   string
	// Grave actions stand apart, at the end of the page.
	Grave  bool
	Fields func(scene) []field
	// Empty says, where it is not the empty text, why there is nothing to fill in.
	Empty func(scene) string
	Body  func(scene, url.Values, string) (command.Body, []problem)
}

func reasonField(label, hint string) field {
	return field{Name: "reason", Label: label, Hint: hint, Type: "textarea"}
}

func noteField() field {
	return field{Name: "note", Label: "Note", Hint: "Read by the care team.", Type: "textarea", Optional: true}
}

func sideField(optional bool, hint string) field {
	return field{Name: "side", Label: "Side", Hint: hint, Type: "radio", Optional: optional, Options: []option{
		{string(journey.Left), "Left kidney"}, {string(journey.Right), "Right kidney"},
	}}
}

func noteOnly(scene) []field { return []field{noteField()} }

func plainBody(_ scene, v url.Values, _ string) (command.Body, []problem) {
	return &command.Plain{Note: v.Get("note")}, nil
}

func reasonedBody(_ scene, v url.Values, _ string) (command.Body, []problem) {
	return &command.Reasoned{Reason: v.Get("reason")}, nil
}

func fixed(fields ...field) func(scene) []field {
	return func(scene) []field { return slices.Clone(fields) }
}

// doneEnded is said alike of every way in which a candidate goes no further.
const doneEnded = "Recorded: this candidate will not be going forward."

// actions describes every command that people give to a candidate on record.
var actions map[journey.Kind]action

// actionOf returns how a command is asked for.
func actionOf(kind journey.Kind) action { return actions[kind] }

// The table and its functions refer to each other, so it is filled here.
func init() {
	actions = map[journey.Kind]action{
		journey.BeginScreening: {
			Title: "Begin screening", Button: "Begin screening", Done: "Screening has begun.",
			Fields: fixed(
				field{Name: "contact_consent", Label: "The candidate wishes to be contacted and to go on", Type: "checkbox"},
				field{Name: "duplicate_checked", Label: "I looked for the same person on record and found nobody", Type: "checkbox"},
			),
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.BeginScreening{ContactConsent: v.Has("contact_consent"), DuplicateChecked: v.Has("duplicate_checked")}, nil
			},
		},
		journey.AssignAdvocate: {
			Title: "Assign the advocate", Button: "Assign", Done: "The advocate is assigned.",
			Hint:   "The independent living donor advocate takes no part in the recipient's care.",
			Fields: advocateFields,
			Empty: func(s scene) string {
				if len(s.advocates) == 0 {
					return "There is no account with the role advocate. An administrator can add one."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.AssignAdvocate{Advocate: v.Get("advocate"), Reason: v.Get("reason")}, nil
			},
		},
		journey.RecordConsent: {
			Title: "Record a consent", Button: "Record the consent", Done: "The consent is recorded.",
			Fields: consentFields,
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.RecordConsent{
					Requirements: v["requirements"], Side: journey.Side(v.Get("side")), Note: v.Get("note"),
					Disclosures: v["disclosures"], TeachBack: within(v["teach_back"], v["disclosures"]),
				}, nil
			},
		},
		journey.BeginEvaluation: {
			Title: "Begin the evaluation", Button: "Begin the evaluation", Done: "The evaluation has begun.",
			Fields: noteOnly, Body: plainBody,
		},
		journey.RecordResults: {
			Title: "Record a result", Button: "Record the result", Done: "The result is recorded.",
			Fields: resultFields, Body: resultBody,
		},
		journey.SignResults: {
			Title: "Sign results", Button: "Sign", Done: "The results are signed.",
			Hint:   "Your signature stands on exactly these results. A new or corrected result needs a new one.",
			Fields: signFields,
			Empty: func(s scene) string {
				if len(signable(s)) == 0 {
					return "No result is waiting for your signature."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				body := &command.SignResults{
					Requirements: v["requirements"], Verdict: journey.Verdict(v.Get("verdict")), Reason: v.Get("reason"),
					Until: journey.Date(v.Get("until")), Evidence: map[string]string{},
				}
				for _, id := range body.Requirements {
					body.Evidence[id] = v.Get(seenPrefix + id)
				}
				return body, nil
			},
		},
		journey.RecordReview: {
			Title: "Record a review", Button: "Record the review", Done: "The review is recorded.",
			Fields: reviewFields,
			Empty: func(s scene) string {
				if len(reviews(s)) == 0 {
					return "No review is yours to give."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.RecordReview{
					Requirements: v["requirements"], Position: journey.Position(v.Get("position")), Findings: v.Get("findings"), Duties: v["duties"],
				}, nil
			},
		},
		journey.WaiveRequirement: {
			Title: "Waive a requirement", Button: "Waive", Done: "The requirement is waived.",
			Hint:   "A waiver ends by itself on the day you name. Some requirements can't be waived by anybody and are not in the list.",
			Fields: waiveFields,
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.WaiveRequirement{Requirement: v.Get("requirement"), Until: journey.Date(v.Get("until")), Reason: v.Get("reason")}, nil
			},
		},
		journey.PresentToCommittee: {
			Title: "Present to the committee", Button: "Present", Done: "The candidate is before the committee.",
			Fields: noteOnly, Body: plainBody,
		},
		journey.RecordDecision: {
			Title: "Record the decision", Button: "Record the decision", Done: "The decision is recorded.",
			Hint:   "The decision is recorded under your own sign-in.",
			Fields: decisionFields,
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.RecordDecision{
					Outcome: journey.Outcome(v.Get("outcome")), Side: journey.Side(v.Get("side")),
					ReReviewOn: journey.Date(v.Get("re_review_on")), Seats: v["seats"], Reason: v.Get("reason"), Conditions: conditionsIn(v),
				}, nil
			},
		},
		journey.Schedule: {
			Title: "Set the day of the operation", Button: "Set the day", Done: "The day of the operation is set.",
			Hint:   "Setting another day moves the operation. What expires before that day is shown on the page.",
			Fields: scheduleFields, Body: scheduleBody,
		},
		journey.RecordRecipient: {
			Title: "Record the recipient's blood group", Button: "Record the group", Done: "The recipient's blood group is recorded.",
			Hint:   "Two samples of separate draws, as the laboratory reported them. The checks before the operation compare with it.",
			Fields: recipientFields, Body: recipientBody,
		},
		journey.ConfirmVerification: {
			Title: "Verification of the planned operation", Button: "I read every line", Done: "Your reading is recorded.",
			Hint:   "Read each line from where it says and enter it. Two different people do this in the days before the operation. A mismatch stops everything.",
			Fields: checkFields(journey.ConfirmVerification), Body: checkBody(journey.ConfirmVerification),
		},
		journey.ConfirmLastCheck: {
			Title: "Last check before incision", Button: "I read every line", Done: "Your reading is recorded.",
			Hint:   "Read each line from where it says and enter it. Two different people do this on the day of the operation, before anaesthesia. A mismatch stops everything.",
			Fields: checkFields(journey.ConfirmLastCheck), Body: checkBody(journey.ConfirmLastCheck),
		},
		journey.ResolveLastCheck: {
			Title: "Resolve the mismatch", Button: "Resolve", Done: "The mismatch is resolved. The last check starts again.",
			Fields: fixed(reasonField("How the mismatch was resolved", "After this, two people confirm every line again.")),
			Body:   reasonedBody,
		},
		journey.BeginOperation: {
			Title: "Begin the operation", Button: "Anaesthesia begins", Done: "The operation has begun.",
			Hint:   "From here on the candidate can't be withdrawn, and a stop is a reportable event.",
			Fields: noteOnly, Body: plainBody,
		},
		journey.RecordOperation: {
			Title: "Record the operation", Button: "Record the operation", Done: "The operation is recorded.",
			Hint: recordHint, Fields: operationFields, Body: operationBody,
		},
		journey.AmendOperation: {
			Title: "Amend the operation record", Button: "Amend the record", Done: "The operation record is amended.",
			Hint:   "The form holds the record as it stands. What you send stands from then on, and what it replaces stays in the history.",
			Fields: amendFields, Body: amendBody,
		},
		journey.RecordComplication: {
			Title: "Record a complication", Button: "Record the complication", Done: "The complication is recorded.",
			Hint:   "The Clavien-Dindo grade is computed from the treatment. It stays open while something that could raise it is not stated.",
			Fields: complicationFields, Body: complicationBody,
		},
		journey.CompleteRecovery: {
			Title: "Complete the recovery", Button: "Complete", Done: "The recovery is complete.", Fields: noteOnly, Body: plainBody,
		},
		journey.RecordVisit: {
			Title: "Record a follow-up visit", Button: "Record the visit", Done: "The visit is recorded.",
			Fields: visitFields,
			Empty: func(s scene) string {
				if len(visits(s)) == 0 {
					return "No visit is open."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.RecordVisit{
					Visit: v.Get("visit"), Outcome: journey.Outcome(v.Get("outcome")), On: journey.Date(v.Get("on")),
					ReasonCode: journey.VisitReason(v.Get("reason_code")), Note: v.Get("note"),
				}, nil
			},
		},
		journey.RecordContact: {
			Title: "Record a contact", Button: "Record the contact", Done: "The contact is recorded.",
			Hint:   "Each attempt to reach a donor for a visit. A refusal ends the contacts for that visit and leaves one offer at each later one.",
			Fields: contactFields,
			Empty: func(s scene) string {
				if len(contactable(s)) == 0 {
					return "No visit is to come."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.RecordContact{
					Visit: v.Get("visit"), Channel: journey.Channel(v.Get("channel")), Outcome: journey.Outcome(v.Get("outcome")),
					On: journey.Date(v.Get("on")), Note: v.Get("note"),
				}, nil
			},
		},
		journey.Close: {
			Title: "Close the follow-up", Button: "Close", Done: "The journey is closed.", Grave: true,
			Hint:   "The journey ends here and nothing more can be recorded. Use this when every visit is settled.",
			Fields: noteOnly, Body: plainBody,
		},
		journey.CancelOperation: {
			Title: "Cancel the operation", Button: "Cancel the operation", Done: "The operation is cancelled. The approval stands.", Grave: true,
			Hint:   "The planned day is given up and the candidate is approved without a day again. The last check, if any, is void.",
			Fields: cancelFields, Body: cancelBody,
		},
		journey.Hold: {
			Title: "Put on hold", Button: "Put on hold", Done: "The candidate is on hold.", Grave: true,
			Hint:   "Nothing goes on until the coordinator resumes it. Results go on expiring. A planned day is given up.",
			Fields: noteOnly, Body: plainBody,
		},
		journey.Resume: {
			Title: "Resume", Button: "Resume", Done: "The candidate goes on.",
			Hint:   "The candidate goes back to the stage before the pause, or to the evaluation after a deferral.",
			Fields: noteOnly, Body: plainBody,
		},
		journey.Decline: {
			Title: "Decline", Button: "Decline the candidate", Done: doneEnded, Grave: true,
			Hint:   "The journey ends and can't be reopened. Outside this programme it looks the same as a withdrawal, and no reason is given to anybody there.",
			Fields: fixed(reasonField("Reason", "Private: read by clinicians, the advocate and the committee.")), Body: reasonedBody,
		},
		journey.ReportEvent:          reportEventAction,
		journey.CloseReport:          closeReportAction,
		journey.RetractReport:        retractReportAction,
		journey.RecordDeath:          recordDeathAction,
		journey.RecordContactDetails: contactAction,
		journey.AskQuestion:          askAction,
		journey.AnswerQuestion:       answerAction,
		journey.RecordWords:          wordsAction,
		journey.ConfirmDuties:        dutiesAction,
		journey.Withdraw: {
			Title: "Withdraw at the candidate's wish", Button: "Withdraw the candidate", Done: doneEnded, Grave: true,
			Hint:   "The candidate may stop at any time and owes nobody a reason. The journey ends and can't be reopened. Outside this programme it looks the same as a decline.",
			Fields: fixed(field{Name: "note", Label: "Note", Hint: "Private: read by the coordinator and the advocate only.", Type: "textarea", Optional: true}),
			Body:   plainBody,
		},
	}
	maps.Copy(actions, aftercareActions())
	maps.Copy(actions, questionnaireActions())
}

func advocateFields(s scene) []field {
	f := field{Name: "advocate", Label: "Advocate", Type: "select", Value: s.candidate.State.Advocate}
	for _, a := range s.advocates {
		f.Options = append(f.Options, option{a.ID, a.Name})
	}
	fields := []field{f}
	if s.candidate.State.Advocate != "" {
		fields = append(fields, reasonField("Reason of the change", "A change of advocate needs a reason, and their review starts again."))
	}
	return fields
}

func consentFields(s scene) []field {
	f := field{Name: "requirements", Label: "Consent", Type: "checkboxes"}
	sided := false
	var ids []string
	for _, r := range s.protocol.Requirements {
		state, ok := s.candidate.State.Find(r.ID)
		if r.Evidence != journey.ByConsent || !ok || state.Status == journey.NotDue || state.Status == journey.NotApplicable {
			continue
		}
		title := r.Title
		if state.InForce(s.today) {
			title += " (in force)"
		}
		f.Options = append(f.Options, option{r.ID, title})
		ids = append(ids, r.ID)
		sided = sided || r.Sided
	}
	fields := []field{f}
	if told := checklist(s, ids); len(told) > 0 {
		fields = append(fields,
			field{Name: "disclosures", Label: "What the candidate was told", Type: "checkboxes", Options: told, Optional: true,
				Hint: "Every line that belongs to the consent is needed. The text is that of the protocol's version."},
			field{Name: "teach_back", Label: "What the candidate told back in own words", Type: "checkboxes", Options: told, Optional: true},
		)
	}
	if sided {
		fields = append(fields, sideField(true, "Only for the consent that names the side. It has to be the side that the committee decided."))
	}
	return append(fields, noteField())
}

// checklist lists the lines that go with the requirements and apply.
func checklist(s scene, requirements []string) []option {
	var options []option
	for _, id := range requirements {
		for _, item := range s.protocol.Items(id) {
			if item.When != "" && s.candidate.State.Holds(item.ID) == journey.HoldsNo {
				continue
			}
			title := item.Title
			if len(requirements) > 1 {
				title += " — " + lower(titleOf(s.protocol, id))
			}
			options = append(options, option{item.ID, title})
		}
	}
	return options
}

func within(values, among []string) []string {
	return slices.DeleteFunc(slices.Clone(values), func(v string) bool { return !slices.Contains(among, v) })
}

// signable lists the requirements whose results wait for the viewer's name.
func signable(s scene) []protocol.Requirement {
	var list []protocol.Requirement
	for _, r := range s.protocol.Requirements {
		state, _ := s.candidate.State.Find(r.ID)
		if r.Evidence != journey.ByResult || r.Signer != s.viewer.Role {
			continue
		}
		switch state.Status {
		case journey.Resulted, journey.NeedsReview, journey.NotMet:
			list = append(list, r)
		}
	}
	return list
}

// seenPrefix begins the names of the hidden fields of the signing form that say
// on which results each requirement stood when the form was made.
const seenPrefix = "evidence-"

// checkedField is the field that a fault of a form with a list of requirements is
// shown at.
func checkedField(name string) string {
	name, _, _ = strings.Cut(name, "[")
	if name == "requirement" || strings.HasPrefix(name, "evidence") {
		return "requirements"
	}
	return name
}

func signFields(s scene) []field {
	var seen []field
	f := field{Name: "requirements", Label: "Results to sign", Type: "checkboxes"}
	for _, r := range signable(s) {
		state, _ := s.candidate.State.Find(r.ID)
		label := r.Title
		if worst := journey.Worst(s.candidate.State.FlagsOf(r.ID)); worst != journey.Meets {
			label += " (flag: " + lower(bandWord(worst)) + ")"
		} else if state.Status == journey.NotMet {
			label += " (not met)"
		}
		if first := state.Awaiting; first != nil && !first.Waiver {
			label += " (accepted once, waits for a second signature"
			if first.Until != "" {
				label += ", until " + dayWord(first.Until)
			}
			label += ")"
		}
		f.Options = append(f.Options, option{r.ID, label})
		seen = append(seen, field{Name: seenPrefix + r.ID, Type: "hidden", Value: state.Evidence})
	}
	return append(seen, []field{
		f,
		{Name: "verdict", Label: "Verdict", Type: "radio", Options: []option{
			{string(journey.VerdictMet), "Met"}, {string(journey.VerdictNotMet), "Not met"},
		}},
		{Name: "reason", Label: "Reason", Hint: "Needed to accept a flagged result, and for every result that is not met.", Type: "textarea", Optional: true},
		{Name: "until", Label: "Accepted until", Hint: "Only to accept a result for a shorter time than it is valid.", Type: "date", Optional: true},
	}...)
}

// reviews lists the reviews that are the viewer's to give.
func reviews(s scene) []protocol.Requirement {
	var list []protocol.Requirement
	for _, r := range s.protocol.Requirements {
		if r.Evidence == journey.ByReview && r.Signer == s.viewer.Role && (!r.ByAdvocate || s.candidate.State.Advocate == s.viewer.ID) {
			list = append(list, r)
		}
	}
	return list
}

func reviewFields(s scene) []field {
	f := field{Name: "requirements", Label: "Reviews", Type: "checkboxes", Hint: "Several may have one position and one text."}
	var ids []string
	for _, r := range reviews(s) {
		state, _ := s.candidate.State.Find(r.ID)
		if state.Status == journey.NotApplicable {
			continue
		}
		title := r.Title
		if state.InForce(s.today) {
			title += " (in force)"
		}
		f.Options = append(f.Options, option{r.ID, title})
		ids = append(ids, r.ID)
	}
	fields := []field{f}
	if duties := checklist(s, ids); len(duties) > 0 {
		f := dutiesField(s, duties)
		f.Hint = "Each is needed to support going on. Nothing stands in the way of a concern or an objection."
		fields = append(fields, f)
	}
	return append(fields, []field{
		{Name: "position", Label: "Position", Type: "radio", Options: []option{
			{string(journey.Supports), "Supports going on"}, {string(journey.Concerns), "Has concerns"}, {string(journey.Objects), "Objects"},
		}},
		{Name: "findings", Label: "Findings", Type: "textarea", Optional: true,
			Hint: "Needed for concerns and objections. Psychosocial and advocate's findings are read by clinicians, the advocate and the committee only."},
	}...)
}

func waiveFields(s scene) []field {
	f := field{Name: "requirement", Label: "Requirement", Type: "select"}
	for _, r := range s.protocol.Requirements {
		if state, ok := s.candidate.State.Find(r.ID); ok && !r.NoWaiver && !state.InForce(s.today) {
			title := r.Title
			switch {
			case state.Awaiting != nil && state.Awaiting.Waiver:
				title += " (waits for a second signature, until " + dayWord(state.Awaiting.Until) + ")"
			case r.SecondSignature:
				title += " (needs two signatures)"
			}
			f.Options = append(f.Options, option{r.ID, title})
		}
	}
	return []field{f, {Name: "until", Label: "Last day of the waiver", Type: "date"}, reasonField("Reason", "Kept with your name.")}
}

func decisionFields(s scene) []field {
	seats := field{Name: "seats", Label: "Seats present", Type: "checkboxes", Hint: "Every seat of the quorum is needed."}
	for _, seat := range s.protocol.Quorum {
		seats.Options = append(seats.Options, option{seat.ID, seat.Title})
	}
	latest := s.today.AddDays(s.protocol.Timers.DeferralDays)
	return append([]field{
		{Name: "outcome", Label: "Decision", Type: "radio", Options: []option{
			{string(journey.Approve), "Approve"}, {string(journey.Defer), "Defer"}, {string(journey.DeclineCandidate), "Decline"},
		}},
		sideField(true, "Needed for an approval."),
		{Name: "re_review_on", Label: "Re-review on", Type: "date", Optional: true, Hint: "Needed for a deferral, no later than " + dayWord(latest) + "."},
		seats,
		{Name: "reason", Label: "Reason", Type: "textarea", Optional: true,
			Hint: "Needed to defer or to decline. Private: read by clinicians, the advocate and the committee."},
	}, conditionFields()...)
}

// makeForm builds the form of a command.
func makeForm(s scene, kind journey.Kind) form {
	a := actionOf(kind)
	f := form{
		ID: string(kind), Action: "/candidates/" + s.candidate.ID + "/" + string(kind),
		Title: a.Title, Hint: a.Hint, Button: a.Button, Grave: a.Grave, Key: newKey(), Fields: a.Fields(s),
	}
	if a.Empty != nil {
		f.Empty = a.Empty(s)
	}
	if kind == journey.RecordResults {
		f.Picker = resultPicker(s)
	}
	if isCheck(kind) {
		f.Link = checkLink(s.candidate.ID, kind)
	}
	f.Waiting = waiting(s, kind)
	f.fill(nil, nil)
	return f
}

// waiting lists what stands in the way of a command that needs nothing but to
// be given, so that nobody has to try.
func waiting(s scene, kind journey.Kind) []string {
	c := journey.Command{Kind: kind, Role: s.viewer.Role, Actor: s.viewer.ID, Today: s.today}
	switch kind {
	case journey.BeginEvaluation, journey.PresentToCommittee, journey.BeginOperation, journey.CompleteRecovery, journey.Close, journey.ConfirmVerification, journey.ConfirmLastCheck:
	case journey.ResolveLastCheck:
		c.Reasoned = true
	default:
		return nil
	}
	var refusal *journey.Refusal
	err := journey.Check(s.protocol.Rules(), s.candidate.State, c)
	if !errors.As(err, &refusal) || refusal.Code != journey.Blocked {
		return nil
	}
	var list []string
	for _, reason := range s.viewer.reader().Refusal(s.protocol, s.candidate.State, refusal).Reasons {
		list = append(list, reasonWord(s.protocol, reason))
	}
	return list
}

// instant puts a date and a time of the programme's zone together. Without a
// time the date stays a date: nobody may read it as midnight.
func instant(date, clock string, zone *time.Location) (string, bool) {
	if clock == "" {
		return date, true
	}
	text := date + " " + clock
	at, err := time.ParseInLocation("2006-01-02 15:04", text, zone)
	// A time that the clocks skip in spring does not come back as it was.
	if err != nil || at.Format("2006-01-02 15:04") != text {
		return "", false
	}
	return at.Format(time.RFC3339), true
}
