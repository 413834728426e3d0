package protocol

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Change is one rule that differs between two protocols.
type Change struct {
	// Part is the section, such as requirements, and ID the rule in it.
	Part string `json:"part"`
	ID   string `json:"id,omitempty"`
	// Kind is added, removed or changed.
	Kind string `json:"kind"`
	// Fields says what changed, in the words of the file.
	Fields []FieldChange `json:"fields,omitempty"`
}

// The kinds of change.
const (
	Added   = "added"
	Removed = "removed"
	Changed = "changed"
)

// FieldChange is one field with both texts.
type FieldChange struct {
	Field string `json:"field"`
	From  string `json:"from"`
	To    string `json:"to"`
}

// Diff lists what differs between two protocols, section by section in the order
// of the newer one.
func Diff(from, to *Protocol) []Change {
	var changes []Change
	compare := func(part, id string, a, b any) {
		if fields := fieldChanges("", reflect.ValueOf(a), reflect.ValueOf(b)); len(fields) > 0 {
			changes = append(changes, Change{Part: part, ID: id, Kind: Changed, Fields: fields})
		}
	}
	compare("protocol", "", header(from), header(to))
	compare("programme", "", orZero(from.Programme), orZero(to.Programme))
	compare("methods", "", from.Methods, to.Methods)
	compare("timers", "", from.Timers, to.Timers)
	compare("before_operation", "", beforeHeader(from.BeforeOperation), beforeHeader(to.BeforeOperation))
	line := func(l CheckLine) string { return l.ID }
	changes = append(changes, diffRules("verification", from.BeforeOperation.Verification, to.BeforeOperation.Verification, line)...)
	changes = append(changes, diffRules("last_check", from.BeforeOperation.LastCheck, to.BeforeOperation.LastCheck, line)...)
	compare("medicines", "", from.medicines(), to.medicines())
	changes = append(changes, diffRules("quorum", from.Quorum, to.Quorum, func(s Seat) string { return s.ID })...)
	compare("committee", "", orZero(from.Committee), orZero(to.Committee))
	changes = append(changes, diffRules("reviews", from.Reviews, to.Reviews, func(f ReviewForm) string { return f.Requirement })...)
	changes = append(changes, diffRules("letters", from.Letters, to.Letters, func(l Letter) string { return l.ID })...)
	changes = append(changes, diffRules("facts", from.Facts, to.Facts, func(f Fact) string { return f.ID })...)
	changes = append(changes, diffRules("requirements", from.Requirements, to.Requirements, func(r Requirement) string { return r.ID })...)
	changes = append(changes, diffRules("flags", from.Flags, to.Flags, func(f FlagRule) string { return f.ID })...)
	changes = append(changes, diffRules("disclosures", from.Disclosures, to.Disclosures, func(i Item) string { return i.ID })...)
	changes = append(changes, diffRules("advocate_duties", from.AdvocateDuties, to.AdvocateDuties, func(i Item) string { return i.ID })...)
	changes = append(changes, diffRules("reminders", from.Reminders, to.Reminders, func(r Reminder) string { return string(r.Of) })...)
	changes = append(changes, diffRules("recovery", from.Recovery, to.Recovery, func(m Milestone) string { return m.ID })...)
	changes = append(changes, diffRules("complications", from.Complications, to.Complications, func(c Complication) string { return c.ID })...)
	changes = append(changes, diffRules("procedure_codes", from.ProcedureCodes, to.ProcedureCodes, func(c ProcedureCode) string { return c.ID })...)
	changes = append(changes, diffRules("contacts", from.Contacts, to.Contacts, func(c Contact) string { return c.ID })...)
	changes = append(changes, diffRules("reportable", from.Reportable, to.Reportable, func(r Reportable) string { return r.ID })...)
	changes = append(changes, diffRules("notices", from.Notices, to.Notices, Notice.key)...)
	changes = append(changes, diffRules("notice_texts", from.NoticeTexts, to.NoticeTexts, func(t NoticeText) string { return t.ID })...)
	changes = append(changes, diffRules("visits", from.Visits, to.Visits, func(v Visit) string { return v.ID })...)
	changes = append(changes, diffRules("ladder", from.Ladder, to.Ladder, func(s LadderStep) string { return s.ID })...)
	compare("lost", "", orZero(from.Lost), orZero(to.Lost))
	changes = append(changes, diffRules("completeness", from.Completeness, to.Completeness, func(c Cohort) string { return string(c.From) })...)
	compare("after_donation", "", orZero(from.AfterDonation), orZero(to.AfterDonation))
	compare("measures", "", orZero(from.Measures), orZero(to.Measures))
	changes = append(changes, diffQuestionnaires(from.Questionnaires, to.Questionnaires)...)
	changes = append(changes, diffLaboratory(from.Laboratory, to.Laboratory)...)
	return append(changes, diffRules("observations", from.Observations, to.Observations, func(o Observation) string { return o.Code })...)
}

// beforeHeader is what leads to an operation without the lines of its checks.
func beforeHeader(b BeforeOperation) BeforeOperation {
	b.Verification, b.LastCheck = nil, nil
	return b
}

// header is what stands before the sections.
func header(p *Protocol) any {
	return struct {
		Title     string `yaml:"title"`
		TimeZone  string `yaml:"time_zone"`
		Statement string `yaml:"general_statement"`
		Canonical string `yaml:"canonical"`
	}{p.Title, p.TimeZone, p.Statement, p.Canonical}
}

// orZero is what a part that may be left out holds.
func orZero[T any](part *T) T {
	var zero T
	if part == nil {
		return zero
	}
	return *part
}

func diffRules[T any](part string, from, to []T, id func(T) string) []Change {
	var changes []Change
	for _, b := range to {
		i := slices.IndexFunc(from, func(a T) bool { return id(a) == id(b) })
		if i < 0 {
			changes = append(changes, Change{Part: part, ID: id(b), Kind: Added})
			continue
		}
		if fields := fieldChanges("", reflect.ValueOf(from[i]), reflect.ValueOf(b)); len(fields) > 0 {
			changes = append(changes, Change{Part: part, ID: id(b), Kind: Changed, Fields: fields})
		}
	}
	for _, a := range from {
		if !slices.ContainsFunc(to, func(b T) bool { return id(a) == id(b) }) {
			changes = append(changes, Change{Part: part, ID: id(a), Kind: Removed})
		}
	}
	return changes
}

// fieldChanges compares the fields of two structs of one type.
func fieldChanges(at string, a, b reflect.Value) []FieldChange {
	var changes []FieldChange
	for i := range a.NumField() {
		name := fieldName(a.Type().Field(i))
		if name == "" {
			continue
		}
		x, y := a.Field(i), b.Field(i)
		if x.Kind() == reflect.Pointer && !x.IsNil() && !y.IsNil() {
			x, y = x.Elem(), y.Elem()
		}
		if x.Kind() == reflect.Struct && y.Kind() == reflect.Struct {
			changes = append(changes, fieldChanges(at+name+".", x, y)...)
			continue
		}
		if from, to := fieldText(x), fieldText(y); from != to {
			changes = append(changes, FieldChange{Field: at + name, From: from, To: to})
		}
	}
	return changes
}

func fieldText(v reflect.Value) string {
	switch {
	case v.Kind() == reflect.Pointer && v.IsNil():
		return ""
	case v.Kind() == reflect.Pointer:
		return fmt.Sprint(v.Elem().Interface())
	}
	if bands, ok := v.Interface().([]BandRule); ok {
		var list []string
		for _, b := range bands {
			text := fmt.Sprintf("%s when %s", b.Band, b.When)
			if b.Absolute {
				text += ", absolute"
			}
			list = append(list, text)
		}
		return strings.Join(list, "; ")
	}
	return fmt.Sprint(v.Interface())
}

// Effect is what another protocol changes for one candidate.
type Effect struct {
	// Gained and Lost are requirements that apply, or no longer.
	Gained []string `json:"gained,omitempty"`
	Lost   []string `json:"lost,omitempty"`
	// Flags are those whose band changes.
	Flags []FlagChange `json:"flags,omitempty"`
}

// FlagChange is a flag with both bands; one that is not there has none.
type FlagChange struct {
	ID   string       `json:"id"`
	From journey.Band `json:"from,omitempty"`
	To   journey.Band `json:"to,omitempty"`
}

// None reports whether nothing changes.
func (e Effect) None() bool { return len(e.Gained)+len(e.Lost)+len(e.Flags) == 0 }

// EffectOn compares what two protocols make of one candidate's results.
func EffectOn(from, to *Protocol, person Person, results []result.Result, today journey.Date) Effect {
	h := historyOf(results)
	before, after := from.begin(person, h, today).outline(), to.begin(person, h, today).outline()
	needed, needs := journey.Applying(from.rules, before), journey.Applying(to.rules, after)
	e := Effect{Gained: without(needs, needed), Lost: without(needed, needs)}
	was, is := bands(before.Flags), bands(after.Flags)
	for _, f := range after.Flags {
		if was[f.ID] != f.Band {
			e.Flags = append(e.Flags, FlagChange{ID: f.ID, From: was[f.ID], To: f.Band})
		}
	}
	for _, f := range before.Flags {
		if is[f.ID] == "" {
			e.Flags = append(e.Flags, FlagChange{ID: f.ID, From: f.Band})
		}
	}
	return e
}

// outline is what Report.Coded says of what applies and of the bands, without
// the evidence, and without what a report would write out.
func (a *assessment) outline() *journey.Assessment {
	p := a.protocol
	o := &journey.Assessment{
		Flags: make([]journey.Flag, 0, len(p.Flags)), Conditions: make([]journey.Condition, 0, p.conditions),
	}
	known := a.known()
	p.eachCondition(func(id string, c *condition) {
		o.Conditions = append(o.Conditions, journey.Condition{Requirement: id, Holds: known.answer(c).holds})
	})
	a.countFlags()
	for i := range p.Flags {
		if rule := &p.Flags[i]; a.concerns(rule) {
			_, is := a.decisive(rule)
			o.Flags = append(o.Flags, journey.Flag{ID: rule.ID, Requirement: rule.Requirement, Band: is.band, Absolute: is.absolute})
		}
	}
	return o
}

// without lists what is in a list and not in another.
func without(list, other []string) []string {
	if slices.Equal(list, other) {
		return nil // as is usual
	}
	return orNil(slices.DeleteFunc(slices.Clone(list), func(id string) bool { return slices.Contains(other, id) }))
}

// bands are those of the flags by id; a flag that is not there has none.
func bands(flags []journey.Flag) map[string]journey.Band {
	list := make(map[string]journey.Band, len(flags))
	for _, f := range flags {
		list[f.ID] = f.Band
	}
	return list
}

// heading is a questionnaire or a section without its questions.
type heading struct {
	id     string
	Title  string `yaml:"title"`
	Intro  string `yaml:"intro"`
	Source string `yaml:"source"`
	Order  string `yaml:"order"`
}

// diffQuestionnaires compares questionnaires and their sections, and then question
// by question.
func diffQuestionnaires(from, to []Questionnaire) []Change {
	parts := func(list []Questionnaire) (headings []heading, questions []Question) {
		for _, q := range list {
			var sections []string
			var inside []heading
			for _, s := range q.Sections {
				sections = append(sections, s.ID)
				var order []string
				for _, each := range s.Questions {
					order = append(order, each.ID)
					each.ID = q.ID + "/" + each.ID
					questions = append(questions, each)
				}
				inside = append(inside, heading{id: q.ID + "/" + s.ID, Title: s.Title, Intro: s.Intro, Order: strings.Join(order, " ")})
			}
			headings = append(headings, heading{id: q.ID, Title: q.Title, Intro: q.Intro, Source: q.Source, Order: strings.Join(sections, " ")})
			headings = append(headings, inside...)
		}
		return headings, questions
	}
	oldHeadings, oldQuestions := parts(from)
	newHeadings, newQuestions := parts(to)
	return append(
		diffRules("questionnaires", oldHeadings, newHeadings, func(h heading) string { return h.id }),
		diffRules("questions", oldQuestions, newQuestions, func(q Question) string { return q.ID })...)
}
