package web

import (
	"fmt"
	"net/url"
	"strconv"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

var approachWords = map[journey.Approach]string{
	"laparoscopic": "Laparoscopic", "hand-assisted": "Hand-assisted", "robotic": "Robotic", "mini-open": "Mini-open", "open": "Open",
}

func approachOptions() []option {
	options := []option{{"", "Not stated"}}
	for _, a := range journey.Approaches {
		options = append(options, option{string(a), known(approachWords, a)})
	}
	return options
}

var partWords = map[string]string{
	"surgeon": "Surgeon", "assistant": "Assistant", "anaesthetist": "Anaesthetist", "nurse": "Theatre nurse", "coordinator": "Coordinator on the day",
}

func scheduleFields(s scene) []field {
	fields := []field{
		{Name: "date", Label: "Planned day of incision", Type: "date"},
		{Name: "approach", Label: "Approach", Type: "select", Optional: true, Options: approachOptions()},
		sideField(true, "As the theatre is booked. It has to be the side that the committee decided."),
	}
	staff := []option{{"", "Not stated"}}
	for _, a := range s.staff {
		staff = append(staff, option{a.ID, a.Name})
	}
	for _, part := range command.TeamParts {
		fields = append(fields, field{Name: "team_" + part, Label: known(partWords, part), Type: "select", Optional: true, Options: staff})
	}
	return append(fields, noteField())
}

func scheduleBody(_ scene, v url.Values, _ string) (command.Body, []problem) {
	body := &command.Schedule{
		Date: journey.Date(v.Get("date")), Approach: journey.Approach(v.Get("approach")), Side: journey.Side(v.Get("side")), Note: v.Get("note"),
	}
	for _, part := range command.TeamParts {
		if id := v.Get("team_" + part); id != "" {
			body.Team = append(body.Team, command.TeamMember{Part: part, Account: id})
		}
	}
	return body, nil
}

var causeWords = map[string]string{
	"candidate-ill": "The candidate is ill", "candidate-choice": "The candidate's own choice", "abnormal-result": "An abnormal result",
	"expired-test": "A test that expired", "crossmatch": "The crossmatch", "recipient-ill": "The recipient is ill", "recipient-died": "The recipient died",
	"other-kidney": "The recipient got another kidney", "staff-or-theatre": "Staff or theatre", "logistics": "Travel or logistics", "other": "Something else",
}

var toldWords = map[string]string{"in-person": "In person", "by-phone": "By phone", "not-yet": "Not yet"}

func cancelFields(scene) []field {
	causes := []option{{"", "Not stated"}}
	for _, c := range command.CancellationCauses {
		causes = append(causes, option{c, known(causeWords, c)})
	}
	told := []option{{"", "Not stated"}}
	for _, t := range command.CancellationTold {
		told = append(told, option{t, known(toldWords, t)})
	}
	return []field{
		{Name: "cause", Label: "Kind of reason", Type: "select", Optional: true, Options: causes, Hint: "Private, as the reason is. It feeds the programme's measures."},
		reasonField("Reason", "Private: read by clinicians, the advocate and the committee."),
		{Name: "told", Label: "How the candidate was told", Type: "select", Optional: true, Options: told},
		{Name: "told_on", Label: "Told on", Type: "date", Optional: true},
		{Name: "counselling", Label: "Counselling was offered", Type: "checkbox"},
	}
}

func cancelBody(_ scene, v url.Values, _ string) (command.Body, []problem) {
	return &command.CancelOperation{
		Reason: v.Get("reason"), Cause: v.Get("cause"), Told: v.Get("told"), ToldOn: journey.Date(v.Get("told_on")), Counselling: v.Has("counselling"),
	}, nil
}

// recipientSamples is how many samples the form asks for.
const recipientSamples = 2

func recipientFields(s scene) []field {
	reference := field{Name: "recipient", Label: "Reference of the recipient", Type: "text", Complete: "off", Hint: "The opaque reference that the recipient's side uses. Never a name."}
	if s.viewer.knowsRecipient() {
		reference.Value = s.candidate.Recipient
	}
	fields := []field{reference}
	for i := range recipientSamples {
		n := strconv.Itoa(i + 1)
		fields = append(fields,
			field{Name: "group_" + n, Label: "Blood group, sample " + n, Type: "radio", Options: asOptions(bloodGroups)},
			field{Name: "specimen_" + n, Label: "Number of specimen " + n, Type: "text", Complete: "off"},
			field{Name: "date_" + n, Label: "Day of sample " + n, Type: "date"},
			field{Name: "time_" + n, Label: "Time of sample " + n, Type: "time"})
	}
	return append(fields,
		field{Name: "anti_a_titre", Label: "Anti-A titre", Type: "decimal", Optional: true, Hint: "The reciprocal, such as 8 for 1:8. Only for a donor with the weak antigen A."},
		field{Name: "incompatible", Label: "The programme means to donate across the groups", Type: "checkbox", Hint: "By a protocol of its own; it needs a reason."},
		field{Name: "reason", Label: "Reason", Type: "textarea", Optional: true})
}

func recipientBody(s scene, v url.Values, _ string) (command.Body, []problem) {
	body := &command.RecordRecipient{Recipient: v.Get("recipient"), Incompatible: v.Has("incompatible"), Reason: v.Get("reason")}
	var problems []problem
	if text := v.Get("anti_a_titre"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n <= 0 {
			problems = append(problems, problem{Text: "Not a titre; accepted: a whole number such as 8.", Field: "anti_a_titre"})
		}
		body.AntiATitre = n
	}
	for i := range recipientSamples {
		n := strconv.Itoa(i + 1)
		date, clock := v.Get("date_"+n), v.Get("time_"+n)
		at, ok := instant(date, clock, s.protocol.Zone())
		if !ok && journeyDate(date) && clock != "" {
			problems = append(problems, problem{Text: "There is no such time on that day.", Field: "time_" + n})
		}
		body.Samples = append(body.Samples, command.RecipientSample{Group: v.Get("group_" + n), Specimen: v.Get("specimen_" + n), Collected: at})
	}
	return body, problems
}

// recipientField is the field of a fault in what is recorded of the recipient.
func recipientField(path string) string {
	i := indexIn(path, "samples")
	if i < 0 {
		return path
	}
	n := strconv.Itoa(i + 1)
	switch _, member, _ := cutLast(path, "."); member {
	case "collected":
		return "time_" + n
	default:
		return fmt.Sprintf("%s_%s", member, n)
	}
}
