package web

import (
	"errors"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// form is one form as it is shown.
type form struct {
	// ID is unique on the page and the start of every field's id.
	ID     string
	Action string
	Title  string
	Hint   string
	Button string
	// Key is the idempotency key, made when the form is rendered: sending the
	// same form twice does the same thing once.
	Key    string
	Fields []field
	// Waiting lists why the command would be refused now.
	Waiting []string
	// Empty says why there is nothing to fill in.
	Empty string
	Grave bool
	Open  bool
	// Link leads to the page that the form is filled in on.
	Link string
	// Picker is set on the form that first asks which result is meant.
	Picker *picker
}

// picker asks which kind of result is to be recorded.
type picker struct {
	Action string
	Field  field
}

// field is one question of a form.
type field struct {
	ID      string
	Name    string
	Label   string
	Hint    string
	Type    string
	Value   string
	Checked []string
	Options []option
	// Optional questions say so; all others must be answered.
	Optional bool
	Error    string
	Complete string
}

// option is one answer to choose.
type option struct{ Value, Label string }

// Has reports whether the option is chosen.
func (f field) Has(value string) bool {
	return value == f.Value || slices.Contains(f.Checked, value)
}

// Anchor is the id of the control that an error leads to.
func (f field) Anchor() string {
	switch f.Type {
	case "radio", "checkboxes":
		return f.ID + "-0"
	default:
		return f.ID
	}
}

// Describes lists the ids of the texts that explain the field.
func (f field) Describes() string {
	var ids []string
	if f.Hint != "" {
		ids = append(ids, f.ID+"-hint")
	}
	if f.Error != "" {
		ids = append(ids, f.ID+"-error")
	}
	return strings.Join(ids, " ")
}

// fill puts the entered values and the errors into the form's fields.
func (f *form) fill(values url.Values, problems []problem) {
	for i := range f.Fields {
		field := &f.Fields[i]
		field.ID = f.ID + "-" + field.Name
		// What a form was made with stays as it is now; the rest is as entered.
		if values != nil && field.Type != "hidden" {
			field.Value, field.Checked = "", nil
			if field.Type == "checkboxes" || field.Type == "checkbox" {
				field.Checked = f.stillSeen(values, values[field.Name])
			} else {
				field.Value = values.Get(field.Name)
			}
		}
		for _, p := range problems {
			if p.Field == field.Name {
				field.Error = join(field.Error, p.Text)
			}
		}
	}
}

// stillSeen leaves out what changed since the form was made: it has to be looked
// at and chosen again.
func (f *form) stillSeen(values url.Values, chosen []string) []string {
	return slices.DeleteFunc(slices.Clone(chosen), func(choice string) bool {
		return slices.ContainsFunc(f.Fields, func(seen field) bool {
			return seen.Name == seenPrefix+choice && seen.Value != values.Get(seen.Name)
		})
	})
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + " " + b
}

// summary turns problems with field names into links to the fields.
func (f *form) summary(title string, problems []problem) *summary {
	s := &summary{Title: title}
	for _, p := range problems {
		target := f.ID
		for _, field := range f.Fields {
			if field.Name == p.Field {
				target = field.Anchor()
				if !strings.HasPrefix(p.Text, field.Label) && field.Label != "" {
					p.Text = field.Label + ": " + lower(p.Text)
				}
			}
		}
		s.Items = append(s.Items, problem{Text: p.Text, Field: target})
	}
	return s
}

func newKey() string { return uuid.NewString() }

// refused turns what the dispatcher answered into a status and problems that
// name the form's fields. The last value says whether the idempotency key stays:
// only while the outcome of that very command is still open.
func refused(p *protocol.Protocol, err error, fieldOf func(string) string) (status int, title string, problems []problem, keep, ok bool) {
	var invalid *command.Invalid
	var refusal *journey.Refusal
	var pending *dispatch.Pending
	switch {
	case errors.As(err, &pending):
		return 202, "This is still being carried out", []problem{{Text: "Send the form again in a moment to learn the outcome. It is done once, however often you send it."}}, true, true
	case errors.As(err, &invalid):
		for _, fault := range invalid.Faults {
			problems = append(problems, problem{Text: faultWord(fault), Field: fieldOf(fault.Field)})
		}
		status = 422
		if invalid.Malformed {
			status = 400
		}
		return status, "Nothing was recorded. Check what is entered", problems, false, true
	case errors.As(err, &refusal):
		for _, reason := range refusal.Reasons {
			problems = append(problems, problem{Text: reasonWord(p, reason)})
		}
		if len(problems) == 0 {
			text := refusal.Message
			if refusal.Field == "Idempotency-Key" { // somebody went back to a form that was carried out
				text = "this very form was carried out before, with something else in it; look at what is on record, and send it again if this is to be recorded as well"
			}
			if refusal.Field != "" {
				text = strings.TrimPrefix(text, refusal.Field+": ")
			}
			if refusal.Code == journey.NotAllowed {
				text = "this is not possible in the present stage; the page shows what is"
			}
			for _, r := range p.Requirements { // a message may begin with a requirement's id
				if rest, found := strings.CutPrefix(text, r.ID+" "); found {
					text = r.Title + " " + rest
				}
			}
			if len(refusal.Accepted) > 0 {
				text += "; accepted: " + strings.Join(refusal.Accepted, ", ")
			}
			problems = []problem{{Text: capital(text) + ".", Field: fieldOf(refusal.Field)}}
		}
		title = "Nothing was recorded"
		if refusal.Code == journey.Blocked {
			title = "Nothing was recorded: this is not possible yet"
			if slices.ContainsFunc(refusal.Reasons, func(r journey.Reason) bool { return r.Rule == "result-as-seen" }) {
				title = "Nothing was recorded: a result has changed since you looked at it"
			}
		}
		return statusOf(refusal.Code), title, problems, false, true
	default:
		return 0, "", nil, false, false
	}
}

func faultWord(f command.Fault) string {
	text := f.Problem
	if text == "missing" { // the question itself shows what can be answered
		return "This is missing."
	}
	if slices.Equal(f.Accepted, []string{"true"}) { // a box has no words to type
		return capital(text) + ": tick the box once it is so."
	}
	if len(f.Accepted) > 0 {
		words := make([]string, len(f.Accepted))
		for i, a := range f.Accepted {
			words[i] = unitWord(a)
			if a == "YYYY-MM-DD" {
				words[i] = "a date as year-month-day"
			}
		}
		text += "; accepted: " + strings.Join(words, ", ")
	}
	return capital(text) + "."
}

// plainField is the field of most faults: its name is the form's name too.
func plainField(name string) string { return name }

// indexIn reads the first index of a path such as "components[1]".
func indexIn(path, list string) int {
	_, rest, ok := strings.Cut(path, list+"[")
	if !ok {
		return -1
	}
	digits, _, _ := strings.Cut(rest, "]")
	n, err := strconv.Atoi(digits)
	if err != nil {
		return -1
	}
	return n
}

// cutLast cuts a text around the last separator.
func cutLast(text, separator string) (before, after string, found bool) {
	if i := strings.LastIndex(text, separator); i >= 0 {
		return text[:i], text[i+len(separator):], true
	}
	return text, "", false
}
