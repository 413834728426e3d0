// Package medication holds what is on record of somebody's medicines, and what
// the limits of the programme say to it: paracetamol over all products, and
// anti-inflammatory medicines, which a donor avoids for life. It is pure.
package medication

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/medicines"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// Recorded is one list of medicines with the day on which it was recorded.
type Recorded struct {
	On journey.Date
	command.RecordMedicines
}

// Known is one medicine that is or was taken.
type Known struct {
	command.Medicine
	// Listed and Asserted are the days of the first and of the last list that
	// holds it, Gone the day of the list that holds it no longer.
	Listed   journey.Date `json:"listed"`
	Asserted journey.Date `json:"asserted"`
	Gone     journey.Date `json:"gone,omitempty"`
}

// List is what is known of somebody's medicines.
type List struct {
	// On is the day of the newest list, empty when none was recorded.
	On       journey.Date `json:"on,omitempty"`
	Complete bool         `json:"complete"`
	Current  []Known      `json:"current"`
	Former   []Known      `json:"former,omitempty"`
}

// Of folds the lists, the oldest first. A medicine is the same on two lists when
// its name, its code and its strength are.
func Of(lists []Recorded) List {
	var all []Known
	var l List
	for _, list := range lists {
		l.On, l.Complete = list.On, list.Complete == string(clinical.Yes)
		for i := range all {
			listed := slices.ContainsFunc(list.Medicines, func(m command.Medicine) bool { return m.Key() == all[i].Key() })
			if !listed && all[i].Gone == "" {
				all[i].Gone = list.On
			}
		}
		for _, m := range list.Medicines {
			i := slices.IndexFunc(all, func(k Known) bool { return k.Key() == m.Key() })
			if i < 0 {
				i = len(all)
				all = append(all, Known{Listed: list.On})
			} else if all[i].Gone != "" {
				all[i].Listed = list.On
			}
			all[i].Medicine, all[i].Asserted, all[i].Gone = m, list.On, ""
		}
	}
	for _, k := range all {
		if k.Gone == "" {
			l.Current = append(l.Current, k)
		} else {
			l.Former = append(l.Former, k)
		}
	}
	return l
}

// Note is one thing to know of a list of medicines, with what it stands on.
type Note struct {
	Code string `json:"code"`
	Text string `json:"text"`
	// Warning says that something is to be changed or cleared up.
	Warning bool             `json:"warning,omitempty"`
	Source  string           `json:"source"`
	Inputs  []clinical.Input `json:"inputs,omitempty"`
	// OnResults says that the person's results are among what it stands on.
	OnResults bool `json:"-"`
}

// The codes of notes. Those of package medicines come beside them.
const (
	NoteParacetamol        = "paracetamol-24h"
	NoteParacetamolAbove   = "paracetamol-above-cap"
	NoteParacetamolUnknown = "paracetamol-cannot-tell"
	NoteNSAID              = "nsaid"
	NoteNSAIDUnknown       = "nsaid-cannot-tell"
)

// Assess says what the protocol's limits say to the current list. Donated says
// that a kidney was removed.
func Assess(p *protocol.Protocol, list List, results []result.Result, donated bool) []Note {
	if list.On == "" {
		return nil
	}
	return append(paracetamol(p, list, results), nsaid(p, list, donated)...)
}

func paracetamol(p *protocol.Protocol, list List, results []result.Result) []Note {
	rules := p.MedicineRules()
	if len(list.Current) == 0 {
		return nil
	}
	in := medicines.ParacetamolInput{}
	in.Weight, in.LiverDisease = p.TakenBy(results)
	products := 0
	for _, k := range list.Current {
		product := medicines.Product{ATC: k.ATC, Ref: k.Name}
		strength, given, err := amountOf(k.Medicine, command.SubstanceParacetamol)
		if err != nil {
			return []Note{cannotTell(NoteParacetamolUnknown, k.Name+": "+err.Error(), rules.Source)}
		}
		if given {
			product.Strength = strength
			products++
		}
		if product.Plan, err = planOf(k.Dose); err != nil {
			return []Note{cannotTell(NoteParacetamolUnknown, k.Name+": "+err.Error(), rules.Source)}
		}
		in.Products = append(in.Products, product)
	}
	total, err := medicines.Paracetamol(in, rules.Paracetamol())
	if err != nil {
		return []Note{cannotTell(NoteParacetamolUnknown, "Paracetamol can't be added up: "+named(err, "product", list), rules.Source)}
	}
	if total.Window == nil && total.Conclusion.Answer == medicines.WithinCap {
		return nil // no paracetamol at all
	}
	note := Note{
		Code: NoteParacetamol, Source: rules.Source, Inputs: total.Inputs, OnResults: true,
		Text: fmt.Sprintf("Paracetamol: at most %s g in 24 hours by this list; the most is %s g", grams(total.Value.Value), grams(total.Cap.Value.Value)),
	}
	switch total.Conclusion.Answer {
	case medicines.Exceeds:
		note.Code, note.Warning = NoteParacetamolAbove, true
		note.Text = fmt.Sprintf("Paracetamol: %s g in 24 hours by this list, above the most of %s g", grams(total.Value.Value), grams(total.Cap.Value.Value))
	case medicines.CannotTell:
		note.Code, note.Warning = NoteParacetamolUnknown, true
		note.Text += "; whether it is within can't be told"
	}
	for _, reason := range total.Conclusion.Reasons {
		// The hours between doses have a note of their own.
		if reason.Weight == clinical.NotKnown && !strings.Contains(reason.Text, "intakes") {
			note.Text += "; " + rename(reason.Text, "product", list)
		}
	}
	notes := []Note{note}
	for _, w := range append(slices.Clone(total.Warnings), total.Conclusion.Warnings...) {
		// What is not known stands in the note above. The times of day are not on
		// record: of several products no interval is known.
		if w.Code == medicines.LowerCapNotExcluded || w.Code == medicines.ContentNotKnown || w.Code == medicines.IntervalTooShort && products > 1 {
			continue
		}
		notes = append(notes, Note{Code: string(w.Code), Text: "Paracetamol: " + rename(w.Message, "product", list), Warning: true, Source: rules.Source, OnResults: true})
	}
	return notes
}

// nsaid looks for what a donor avoids.
func nsaid(p *protocol.Protocol, list List, donated bool) []Note {
	rules := p.MedicineRules()
	in := medicines.NSAIDInput{ListComplete: clinical.No}
	if list.Complete {
		in.ListComplete = clinical.Yes
	}
	for _, k := range list.Current {
		m := medicines.Medicine{ATC: k.ATC, Ref: k.Name}
		if dose, given, err := dailyOf(k.Medicine, command.SubstanceAspirin); err != nil {
			return []Note{cannotTell(NoteNSAIDUnknown, k.Name+": "+err.Error(), rules.Source)}
		} else if given {
			m.DailyDose = dose
		}
		in.Medicines = append(in.Medicines, m)
	}
	found, err := medicines.FindNSAID(in, rules.NSAID())
	if err != nil {
		return []Note{cannotTell(NoteNSAIDUnknown, "Anti-inflammatory medicines can't be looked for: "+named(err, "medicine", list), rules.Source)}
	}
	until := "to be stopped before the operation as the surgeon says, and avoided for life after it"
	if donated {
		until = "this donor avoids it for life"
	}
	var notes []Note
	for _, f := range found.Findings {
		k := list.Current[f.Medicine-1]
		switch f.Class {
		case medicines.SystemicNSAID:
			notes = append(notes, Note{Code: NoteNSAID, Warning: true, Text: k.Name + ": an anti-inflammatory medicine; " + until, Source: rules.Source, Inputs: inputsOf(found.Inputs, f.Medicine)})
		case medicines.AspirinAboveLimit:
			notes = append(notes, Note{
				Code: NoteNSAID, Warning: true, Source: rules.Source, Inputs: inputsOf(found.Inputs, f.Medicine),
				Text: fmt.Sprintf("%s: aspirin above %s mg a day with all products; %s", k.Name, grams(rules.AspirinMg), until),
			})
		case medicines.ClassNotKnown:
			notes = append(notes, Note{Code: NoteNSAIDUnknown, Warning: true, Text: k.Name + ": " + reasonOf(found.Reasons, f.Medicine), Source: rules.Source})
		}
	}
	for _, w := range found.Warnings {
		notes = append(notes, Note{Code: string(w.Code), Text: rename(w.Message, "medicine", list), Warning: true, Source: rules.Source})
	}
	if !list.Complete {
		notes = append(notes, Note{Code: NoteNSAIDUnknown, Text: "The list is not confirmed as complete: ask for medicines bought without a prescription", Source: rules.Source})
	}
	return notes
}

func cannotTell(code, text, source string) Note {
	return Note{Code: code, Text: text, Warning: true, Source: source}
}

// amountOf is the strength of a substance in one unit dose of a medicine.
func amountOf(m command.Medicine, substance string) (clinical.Measurement, bool, error) {
	i := slices.IndexFunc(m.Ingredients, func(in command.Ingredient) bool { return in.Substance == substance })
	if i < 0 {
		return clinical.Measurement{}, false, nil
	}
	v, err := m.Ingredients[i].Strength.Float()
	if err != nil {
		return clinical.Measurement{}, false, errors.New("the strength is not a number")
	}
	return clinical.NewMeasurement(v, m.Ingredients[i].Strength.Unit), true, nil
}

// dailyOf is the amount of a substance that a medicine gives in a day.
func dailyOf(m command.Medicine, substance string) (clinical.Measurement, bool, error) {
	strength, given, err := amountOf(m, substance)
	if err != nil || !given || m.Dose == nil {
		return clinical.Measurement{}, false, err
	}
	plan, err := planOf(m.Dose)
	if err != nil {
		return clinical.Measurement{}, false, err
	}
	strength.Value *= plan.Count * float64(plan.Times)
	return strength, true, nil
}

const minutesADay = 24 * 60

// planOf spreads the doses of a day over it: the times of day are not on record.
func planOf(d *command.Dose) (*medicines.Plan, error) {
	if d == nil {
		return nil, nil
	}
	count, errCount := d.Count.Float64()
	times, errTimes := strconv.Atoi(d.TimesADay.String())
	if errCount != nil || errTimes != nil || times < 1 {
		return nil, errors.New("the dose is not a number")
	}
	return &medicines.Plan{Every: (minutesADay + times - 1) / times, Times: times, Count: count}, nil
}

// grams writes an amount without superfluous digits, to the milligram.
func grams(v float64) string {
	text := strconv.FormatFloat(v, 'f', 3, 64)
	return strings.TrimRight(strings.TrimRight(text, "0"), ".")
}

// named says what a computation refused, by the names of the medicines.
func named(err error, noun string, list List) string {
	var e *clinical.Error
	if !errors.As(err, &e) {
		return err.Error()
	}
	return rename(e.Field+": "+e.Message, noun, list)
}

// rename puts the names of medicines where a text has their places.
func rename(text, noun string, list List) string {
	var pairs []string
	// From the end, so that "product 1" is not found in "product 12".
	for i := len(list.Current); i > 0; i-- {
		pairs = append(pairs, fmt.Sprintf("%s %d", noun, i), list.Current[i-1].Name)
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// inputsOf are the inputs of one medicine.
func inputsOf(all []clinical.Input, medicine int) []clinical.Input {
	name := fmt.Sprintf("medicine %d", medicine)
	var list []clinical.Input
	for _, in := range all {
		if in.Name == name || strings.HasPrefix(in.Name, name+" ") {
			list = append(list, in)
		}
	}
	return list
}

// reasonOf is what was said of one medicine.
func reasonOf(reasons []clinical.Reason, medicine int) string {
	prefix := fmt.Sprintf("medicine %d: ", medicine)
	for _, r := range reasons {
		if text, ok := strings.CutPrefix(r.Text, prefix); ok {
			return text
		}
	}
	return "not known"
}
