package population

import (
	"encoding/json"
	"fmt"
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// Describe says what was given in a journey, one command a line, in codes alone:
// no name, no date of birth, no identifier and no free text is in it.
func Describe(j Journey) string {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d\n", j.Seed)
	for _, s := range j.Steps {
		fmt.Fprintf(&b, "  %s %s %s as %s", s.At.Format("2006-01-02T15:04Z07:00"), s.Kind, describeBody(s), s.Role)
		if s.Timers {
			b.WriteString(", after every deadline at its time")
		}
		if s.Refused != "" {
			b.WriteString(", refused")
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func describeBody(s Step) string {
	switch body := s.Body.(type) {
	case *command.Referral:
		return fmt.Sprintf("on %s: %s, %s", s.Protocol, body.Sex, body.Path)
	case *command.RecordResults:
		var list []string
		for _, r := range body.Results {
			list = append(list, describeResult(r))
		}
		return strings.Join(list, "; ")
	case *command.RecordStay, *command.RecordMedicines, *command.RecordRecipient, *command.LastCheck:
		return "" // days, products and readings
	}
	var c journey.Command
	s.Body.Code(&c)
	coded, err := json.Marshal(c)
	if err != nil {
		return ""
	}
	var members map[string]any
	if json.Unmarshal(coded, &members) != nil {
		return ""
	}
	for _, same := range []string{"id", "candidate", "kind", "actor", "role", "at", "today", "person"} {
		delete(members, same)
	}
	coded, err = json.Marshal(members)
	if err != nil {
		return ""
	}
	return string(coded)
}

func describeResult(r command.Result) string {
	text := fmt.Sprintf("%s %s", r.Code.Code, r.Status)
	switch {
	case r.Quantity != nil:
		text += fmt.Sprintf(" %s%s %s", r.Quantity.Comparator, r.Quantity.Value, r.Quantity.Unit)
	case r.Coded != nil:
		text += " " + r.Coded.Code
	case len(r.Components) > 0:
		text += fmt.Sprintf(" of %d", len(r.Components))
	case r.Text != "":
		text += " in words"
	}
	return text
}
