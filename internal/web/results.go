package web

import (
	"cmp"
	"encoding/json"
	"net/url"
	"slices"
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// typedSystem names the results that were typed through a page. Their value is
// the idempotency key of the form, so a form sent twice makes one result.
const typedSystem = "https://candidacy.example/NamingSystem/typed-result"

// partOfPanel reports whether the code is reported inside a panel only.
func partOfPanel(p *protocol.Protocol, code string) bool {
	return slices.ContainsFunc(p.Observations, func(o protocol.Observation) bool { return slices.Contains(o.Panel, code) })
}

// resultPicker asks for the kind of result first: the questions depend on it,
// and without a script the page can't ask them all at once.
func resultPicker(s scene) *picker {
	f := field{ID: "record-results-pick", Name: "code", Label: "Kind of result", Type: "select", Value: s.code}
	for _, o := range s.protocol.Observations {
		if partOfPanel(s.protocol, o.Code) {
			continue
		}
		label := o.Title
		if len(o.Units) > 0 {
			var words []string
			for _, unit := range o.Units {
				words = append(words, cmp.Or(unitWord(unit), "number"))
			}
			label += " (" + strings.Join(slices.Compact(words), ", ") + ")"
		}
		f.Options = append(f.Options, option{o.Code, label})
	}
	slices.SortStableFunc(f.Options, func(a, b option) int { return strings.Compare(strings.ToLower(a.Label), strings.ToLower(b.Label)) })
	return &picker{Action: "/candidates/" + s.candidate.ID, Field: f}
}

// resultFields asks what the kind of result needs. Without a kind there is
// nothing to ask yet.
func resultFields(s scene) []field {
	o, ok := s.protocol.Observation(s.code)
	if !ok {
		return nil
	}
	fields := []field{{Name: "code", Type: "hidden", Value: o.Code}}
	switch {
	case o.Coded:
		f := field{Name: "coded", Label: o.Title, Type: "select", Options: []option{{"", "Choose"}}}
		for _, c := range o.Answers() {
			f.Options = append(f.Options, option{c.Code, c.Display})
		}
		fields = append(fields, f)
	case len(o.Panel) > 0:
		for _, code := range o.Panel {
			part, _ := s.protocol.Observation(code)
			fields = append(fields, field{Name: "part-" + code, Label: part.Title, Type: "decimal", Hint: "In " + unitWord(part.Units[0]) + "."})
		}
	case len(o.Units) > 0:
		unit := field{Name: "unit", Label: "Unit", Type: "select", Hint: "As the report says. Nothing is converted.", Value: o.Units[0]}
		for _, u := range o.Units {
			unit.Options = append(unit.Options, option{u, cmp.Or(unitWord(u), "number")})
		}
		fields = append(fields, field{Name: "value", Label: o.Title, Type: "decimal", Hint: "Exactly as reported, with a point for decimals."}, unit)
	default:
		fields = append(fields, field{Name: "text", Label: o.Title, Type: "textarea"})
	}
	zone := s.protocol.Zone().String()
	fields = append(fields,
		field{Name: "date", Label: "Day of the sample or measurement", Type: "date"},
		field{Name: "time", Label: "Time", Type: "time", Optional: true, Hint: "In the programme's time zone, " + zone + ". Leave it empty when only the day is known."},
	)
	if o.Category != "laboratory" {
		return fields
	}
	return append(fields,
		field{Name: "specimen", Label: "Specimen number", Type: "text", Optional: true, Complete: "off", Hint: "The accession on the tube. Two blood types count as two only with different numbers."},
		field{Name: "end_date", Label: "Collection ended on", Type: "date", Optional: true, Hint: "For a timed collection such as 24-hour urine."},
		field{Name: "end_time", Label: "Collection ended at", Type: "time", Optional: true},
	)
}

// resultBody reads one typed result.
func resultBody(s scene, v url.Values, key string) (command.Body, []problem) {
	o, ok := s.protocol.Observation(v.Get("code"))
	if !ok || partOfPanel(s.protocol, o.Code) {
		return nil, []problem{{Text: "Choose the kind of result.", Field: "code"}}
	}
	r := command.Result{
		Identifier: result.Identifier{System: typedSystem, Value: key}, Status: result.Final, Category: o.Category,
		Code:     result.Coding{System: command.LOINC, Code: o.Code, Display: o.Title},
		Specimen: strings.TrimSpace(v.Get("specimen")),
	}
	if o.Local {
		r.Code.System = protocol.LocalSystem
	}
	var problems []problem
	number := func(name, unit string) result.Quantity {
		text := strings.TrimSpace(v.Get(name))
		if text == "" {
			problems = append(problems, problem{Text: "This is missing.", Field: name})
			text = "0"
		} else if !json.Valid([]byte(text)) || strings.ContainsAny(text, `"{[tfn`) {
			problems = append(problems, problem{Text: "This is not a number with a point for decimals.", Field: name})
			text = "0"
		}
		return result.Quantity{Value: json.Number(text), Unit: unit}
	}
	switch {
	case o.Coded:
		answers := o.Answers()
		i := slices.IndexFunc(answers, func(c result.Coding) bool { return c.Code == v.Get("coded") })
		if i < 0 {
			problems = append(problems, problem{Text: "This is missing.", Field: "coded"})
		} else {
			r.Coded = &answers[i]
		}
	case len(o.Panel) > 0:
		for _, code := range o.Panel {
			part, _ := s.protocol.Observation(code)
			q := number("part-"+code, part.Units[0])
			r.Components = append(r.Components, result.Component{
				Code: result.Coding{System: command.LOINC, Code: code, Display: part.Title}, Value: result.Value{Quantity: &q},
			})
		}
	case len(o.Units) > 0:
		q := number("value", v.Get("unit"))
		r.Quantity = &q
	default:
		r.Text = v.Get("text")
	}
	times := []struct {
		into              *string
		date, clock, name string
	}{
		{&r.Effective, v.Get("date"), v.Get("time"), "time"},
		{&r.EffectiveEnd, v.Get("end_date"), v.Get("end_time"), "end_time"},
	}
	for _, t := range times {
		text, ok := instant(t.date, t.clock, s.protocol.Zone())
		switch {
		case t.date == "" && t.clock != "":
			problems = append(problems, problem{Text: "A time needs its day.", Field: strings.Replace(t.name, "time", "date", 1)})
		case !ok && journeyDate(t.date):
			problems = append(problems, problem{Text: "There is no such time on that day.", Field: t.name})
		case !ok:
			*t.into = t.date // its own check names what is wrong with it
		default:
			*t.into = text
		}
	}
	return &command.RecordResults{Results: []command.Result{r}}, problems
}

func journeyDate(text string) bool {
	_, err := journey.ParseDate(text)
	return err == nil
}

// resultField finds the question that a fault of a result is about.
func resultField(p *protocol.Protocol, code string) func(string) string {
	return func(path string) string {
		if i := indexIn(path, "components"); i >= 0 {
			if o, ok := p.Observation(code); ok && i < len(o.Panel) {
				return "part-" + o.Panel[i]
			}
		}
		switch {
		case strings.HasSuffix(path, ".effective_end"):
			return "end_date"
		case strings.HasSuffix(path, ".effective"):
			return "date"
		case strings.HasSuffix(path, ".unit"):
			return "unit"
		case strings.HasSuffix(path, ".coded"):
			return "coded"
		case strings.HasSuffix(path, ".specimen"):
			return "specimen"
		case strings.HasSuffix(path, ".value"), strings.HasSuffix(path, ".quantity"):
			return "value"
		default:
			return ""
		}
	}
}
