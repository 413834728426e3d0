package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/url"
	"slices"
	"strings"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/protocol"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

// aftercareActions are the forms about the stay, medicines, risks and the donor's
// link.
func aftercareActions() map[journey.Kind]action {
	return map[journey.Kind]action{
		journey.RecordStay: {
			Title: "Record the stay and the recovery", Button: "Record", Done: "The stay is recorded.",
			Hint:   "Enter what is new. What is left empty stays as it was; days in the plan follow from it.",
			Fields: stayFields,
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				day := func(name string) journey.Date { return journey.Date(v.Get(name)) }
				return &command.RecordStay{
					Eating: day("eating"), Walking: day("walking"), CatheterOut: day("catheter_out"), DrainOut: day("drain_out"),
					Discharged: day("discharged"), LastOpioid: day("last_opioid"), Work: v.Get("work"), WorkPartTime: day("work_part_time"),
					WorkFull: day("work_full"), Withdrawn: v["withdrawn"], Reason: v.Get("reason"), Note: v.Get("note"),
				}, nil
			},
		},
		journey.RecordMedicines: {
			Title: "Record medicines", Button: "Record the list", Done: "The medicines are recorded.",
			Hint:   "The list holds everything that is taken now. Take the mark from what is not taken any more, and add what is new, one at a time.",
			Fields: medicineFields, Body: medicinesBody,
		},
		journey.RecordRisk: {
			Title: "Record a risk", Button: "Record the risk", Done: "The risk is recorded.",
			Hint:   "What another tool or a publication says of this candidate, with where it comes from. It is published to the EHR, and no rule reads it.",
			Fields: riskFields, Body: riskBody,
		},
		journey.GiveDonorLink: {
			Title: "Give a link to the candidate's own page", Button: "Make the link", Done: "The link is made.",
			Hint: "The link is shown once. A link from before stops. It opens with the date of birth, and shows in plain words the visits that are planned, with a calendar file, and after the operation the plan for the time after it: no results, and nothing about a recipient.",
			Fields: func(s scene) []field {
				return []field{{Name: "until", Label: "Last day of the link", Type: "date", Value: string(s.today.AddDays(linkDays))}}
			},
			Empty: func(s scene) string {
				if !s.candidate.State.Stage.BeforeOperation() && s.candidate.State.Outcome != journey.Removed {
					return "No kidney was removed: there is no recovery plan to show."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.GiveDonorLink{Digest: v.Get("digest"), Until: journey.Date(v.Get("until"))}, nil
			},
		},
		journey.RevokeDonorLink: {
			Title: "Revoke the link to the own page", Button: "Revoke the link", Done: "The link is revoked.",
			Fields: noteOnly, Body: plainBody,
			Empty: func(s scene) string {
				if s.candidate.State.DonorLink == "" {
					return "No link is open."
				}
				return ""
			},
		},
	}
}

// linkDays is what the form offers as the life of a link: as long as the lines of
// the plan other than those for a year or for life. Common practice.
const linkDays = pictureDays

// stay is what is on record for the form. What can't be read is left out: the
// page itself says so.
func (s scene) stay() recovery.Stay {
	stay, err := activities.StayOf(s.entries)
	if err != nil {
		return recovery.Stay{}
	}
	return stay
}

func stayFields(s scene) []field {
	stay := s.stay()
	var fields []field
	withdraw := field{Name: "withdrawn", Label: "Recorded by mistake and not known", Type: "checkboxes", Optional: true}
	for _, f := range stayLabels {
		day := field{Name: f.field, Label: f.label, Type: "date", Optional: true}
		if on := stay.Days[recovery.AnchorOf(f.field)]; on != "" {
			day.Hint = "On record: " + dayWord(on) + "."
			withdraw.Options = append(withdraw.Options, option{f.field, f.label + " " + dayWord(on)})
		} else if f.field == "last_opioid" {
			day.Hint = "If none was taken after the operation, its day."
		}
		fields = append(fields, day)
	}
	work := field{Name: "work", Label: "Work", Type: "radio", Optional: true}
	if stay.Work != "" {
		work.Hint = "On record: " + lower(known(workWords, stay.Work)) + "."
	}
	for _, kind := range protocol.WorkKinds {
		work.Options = append(work.Options, option{string(kind), workWords[kind]})
	}
	fields = append(fields, work)
	if len(withdraw.Options) > 0 {
		fields = append(fields, withdraw)
	}
	return append(fields,
		field{Name: "reason", Label: "Reason", Hint: "Needed to change what is on record, but for a later opioid.", Type: "textarea", Optional: true},
		noteField())
}

// medicines is what is on record for the form, as stay.
func (s scene) medicines() medication.List {
	list, err := activities.MedicinesOf(s.protocol, s.entries)
	if err != nil {
		return medication.List{}
	}
	return list
}

// medicineKey identifies a medicine exactly as it is on the list.
func medicineKey(m command.Medicine) string {
	text, err := json.Marshal(m)
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}

func medicineFields(s scene) []field {
	var fields []field
	if current := s.medicines().Current; len(current) > 0 {
		keep := field{Name: "keep", Label: "Still taken", Type: "checkboxes", Optional: true}
		for _, k := range current {
			m, key := medicineOf(k), medicineKey(k.Medicine)
			label := m.Name
			if m.Dose != "" {
				label += ", " + m.Dose
			}
			keep.Options, keep.Checked = append(keep.Options, option{key, label}), append(keep.Checked, key)
		}
		fields = append(fields, keep)
	}
	return append(fields,
		field{Name: "name", Label: "Another medicine", Hint: "As it stands on the package, with its strength.", Type: "text", Optional: true, Complete: "off"},
		field{Name: "atc", Label: "ATC code", Hint: "Such as N02BE01. Without it nobody can tell whether a donor has to avoid it.", Type: "text", Optional: true, Complete: "off"},
		field{Name: "paracetamol", Label: "Paracetamol in one tablet or dose, in mg", Type: "decimal", Optional: true},
		field{Name: "aspirin", Label: "Aspirin in one tablet or dose, in mg", Type: "decimal", Optional: true},
		field{Name: "count", Label: "Tablets or doses at once", Type: "decimal", Optional: true},
		field{Name: "times", Label: "Times a day", Hint: "If taken as needed, the most.", Type: "decimal", Optional: true},
		field{Name: "as_needed", Label: "Taken as needed", Type: "checkbox"},
		field{Name: "since", Label: "Taken since", Type: "date", Optional: true},
		field{Name: "complete", Label: "Is this everything that is taken, bought without prescription too?", Type: "radio", Options: []option{
			{"yes", "Yes, asked and confirmed"}, {"no", "No, or not asked"},
		}},
		noteField())
}

func medicinesBody(s scene, v url.Values, _ string) (command.Body, []problem) {
	body := &command.RecordMedicines{Complete: v.Get("complete"), Note: v.Get("note"), Medicines: []command.Medicine{}}
	var problems []problem
	current := s.medicines().Current
	for _, key := range v["keep"] {
		i := slices.IndexFunc(current, func(k medication.Known) bool { return medicineKey(k.Medicine) == key })
		if i < 0 {
			problems = append(problems, problem{Text: "The list has changed since the form was made. Look at it again.", Field: "keep"})
			continue
		}
		body.Medicines = append(body.Medicines, current[i].Medicine)
	}
	name := strings.TrimSpace(v.Get("name"))
	details := []string{"atc", "paracetamol", "aspirin", "count", "times", "as_needed", "since"}
	if name == "" {
		if slices.ContainsFunc(details, func(d string) bool { return v.Get(d) != "" }) {
			problems = append(problems, problem{Text: "Name the medicine that the rest is about.", Field: "name"})
		}
		return body, problems
	}
	m := command.Medicine{Name: name, ATC: strings.ToUpper(strings.TrimSpace(v.Get("atc"))), AsNeeded: v.Has("as_needed"), Since: journey.Date(v.Get("since"))}
	number := func(field string) json.Number {
		text := strings.TrimSpace(v.Get(field))
		if text != "" && !plainNumber(text) {
			problems = append(problems, problem{Text: "Not a decimal number: such as 500 or 0.5.", Field: field})
		}
		return json.Number(text)
	}
	for _, substance := range []string{command.SubstanceParacetamol, command.SubstanceAspirin} {
		if strength := number(substance); strength != "" {
			m.Ingredients = append(m.Ingredients, command.Ingredient{Substance: substance, Strength: result.Quantity{Value: strength, Unit: "mg"}})
		}
	}
	if count, times := number("count"), number("times"); count != "" || times != "" {
		m.Dose = &command.Dose{Count: count, TimesADay: times}
	}
	body.Medicines = append(body.Medicines, m)
	return body, problems
}

// plainNumber reports whether a text can be a JSON number, which a body that is
// stored has to hold.
func plainNumber(text string) bool {
	var n json.Number
	return json.Unmarshal([]byte(text), &n) == nil && !strings.ContainsAny(text, `"`)
}

// medicineField is the field that a fault of a list of medicines is shown at: all
// but what was just entered has been accepted before.
func medicineField(path string) string {
	_, member, ok := strings.Cut(path, "].")
	if !ok {
		return path
	}
	switch {
	case member == "dose.times_a_day":
		return "times"
	case strings.HasPrefix(member, "dose"):
		return "count"
	case strings.HasPrefix(member, "ingredients"):
		return "paracetamol"
	default:
		return member
	}
}
