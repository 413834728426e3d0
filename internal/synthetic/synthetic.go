// Package synthetic invents unremarkable results, so that a demonstration, a
// test or a benchmark can bring a candidate through a whole protocol. No value
// belongs to anybody.
package synthetic

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// system identifies the source of invented results.
const system = "https://laboratory.example/synthetic"

// quantity is an unremarkable number with its unit.
type quantity struct{ value, unit string }

// quantities are by the code of the observation.
var quantities = map[string]quantity{
	"8302-2": {"172", "cm"}, "29463-7": {"68.0", "kg"}, "718-7": {"13.9", "g/dL"}, "6690-2": {"6.1", "10*3/uL"},
	"777-3": {"240", "10*3/uL"}, "1558-6": {"88", "mg/dL"}, "1518-0": {"112", "mg/dL"}, "4548-4": {"5.2", "%"},
	"2160-0": {"0.70", "mg/dL"}, "9318-7": {"6", "mg/g{creat}"}, "14956-7": {"9", "mg/(24.h)"},
	"ambulatory-attempted": {"70", "1"}, "iohexol-dose": {"3235", "mg"},
	"history-pack-years": {"0", "1"}, "finding-cardiac-risk-factors": {"0", "1"}, "finding-pressure-medicines": {"0", "1"},
	"arteries-left": {"1", "1"}, "arteries-right": {"1", "1"}, "veins-left": {"1", "1"}, "veins-right": {"1", "1"},
	"ureters-left": {"1", "1"}, "ureters-right": {"1", "1"}, "kidney-length-left": {"112", "mm"}, "kidney-length-right": {"110", "mm"},
	"kidney-volume-left": {"168", "mL"}, "kidney-volume-right": {"163", "mL"}, "stone-largest": {"0", "mm"}, "split-function-left": {"51", "%"},
	"phq-9-total": {"2", "{score}"}, "gad-7-total": {"1", "{score}"}, "audit-c-total": {"1", "{score}"},
	"5902-2": {"12.1", "s"}, "6301-6": {"1.0", "{INR}"}, "14979-9": {"29", "s"}, "2951-2": {"140", "mmol/L"}, "2823-3": {"4.1", "mmol/L"},
	"2075-0": {"103", "mmol/L"}, "2028-9": {"25", "mmol/L"}, "3094-0": {"13", "mg/dL"}, "1742-6": {"21", "U/L"}, "1920-8": {"19", "U/L"},
	"6768-6": {"68", "U/L"}, "1975-2": {"0.5", "mg/dL"}, "1751-7": {"4.3", "g/dL"}, "17861-6": {"9.4", "mg/dL"}, "2777-1": {"3.4", "mg/dL"},
	"2731-8": {"38", "pg/mL"}, "62292-8": {"31", "ng/mL"}, "3084-1": {"4.6", "mg/dL"}, "2093-3": {"178", "mg/dL"}, "2085-9": {"58", "mg/dL"},
	"13457-7": {"101", "mg/dL"}, "2571-8": {"95", "mg/dL"}, "3016-3": {"1.8", "m[IU]/L"}, "2857-1": {"0.8", "ng/mL"}, "33863-2": {"0.78", "mg/L"},
	"5811-5": {"1.015", "{ratio}"}, "5803-2": {"6.0", "[pH]"}, "13945-1": {"1", "/[HPF]"}, "5821-4": {"1", "/[HPF]"},
	"2889-4": {"70", "mg/(24.h)"}, "6687-8": {"640", "mg/(24.h)"}, "2162-6": {"1250", "mg/(24.h)"}, "calcium-excretion": {"160", "mg/(24.h)"},
	"oxalate-excretion": {"28", "mg/(24.h)"}, "urate-excretion": {"520", "mg/(24.h)"}, "sodium-excretion": {"120", "mmol/(24.h)"},
	"16935-9": {"120", "m[IU]/mL"}, "11011-4": {"0", "[IU]/mL"}, "gfr-tracer": {"96", "mL/min/{1.73_m2}"}, "waist-circumference": {"82", "cm"},
	"98980-6": {"101", "mL/min/{1.73_m2}"},
}

// affirmed are the questions whose unremarkable answer is yes.
var affirmed = []string{
	"identity-document-seen", "finding-measured-gfr-available", "pair-blood-compatible", "legal-permission-given", "interpreter-independent",
	"support-person-named", "teach-back-complete", "finance-counselled", "payer-letter-received", "insurance-covered",
	"insurance-difficulty-told", "primary-care-named", "tobacco-free-4-weeks", "followup-alive", "followup-primary-care",
}

// organs are questions whose answer follows from the sex of an invented person.
var organs = map[string]string{
	"history-has-cervix": "female", "history-has-breast-tissue": "female", "history-had-uterus": "female",
	"history-has-prostate": "male",
}

// positives are coded results whose unremarkable finding is positive.
var positives = []string{"abo-a1-typing", "22322-2"}

// menopause is the age from which an invented woman can't become pregnant.
const menopause = 50

// Chart invents the results of one candidate.
type Chart struct {
	Protocol *protocol.Protocol
	Person   protocol.Person
	// Key makes the results' identifiers unique.
	Key string
	// Operation, if set, is the day on which results have to count.
	Operation journey.Date
	// Results are those on record, with the invented ones.
	Results []result.Result

	today journey.Date
	made  int
}

// Fill invents what the requirements up to the gates still need by results, as
// collected at an instant, and returns it.
func (c *Chart) Fill(at time.Time, gates ...journey.Gate) []command.Result {
	var all []command.Result
	today := journey.DateOf(at, c.Protocol.Zone())
	c.today = today
	// An answer may bring another requirement, and that another; a protocol is
	// not as deep as this.
	for range 10 {
		report := c.Protocol.Assess(c.Person, c.Results, today)
		var added []command.Result
		for _, r := range c.Applying(report) {
			if r.Evidence == journey.ByResult && slices.Contains(gates, r.Gate) && !c.satisfied(report, r) {
				added = append(added, c.of(r, at)...)
			}
		}
		if len(added) == 0 {
			return all
		}
		all = append(all, c.Add(added...)...)
	}
	return all
}

// Add puts results on record, once each, and returns those that are new.
func (c *Chart) Add(results ...command.Result) []command.Result {
	var list []command.Result
	for _, r := range results {
		if slices.ContainsFunc(c.Results, func(has result.Result) bool { return has.Identifier == r.Identifier }) {
			continue
		}
		c.Results = append(c.Results, r.Record(r.Identifier.Value, 1, c.Protocol.Zone()))
		list = append(list, r)
	}
	return list
}

// Applying lists the requirements that apply by a report.
func (c *Chart) Applying(report protocol.Report) []protocol.Requirement {
	applying := journey.Applying(c.Protocol.Rules(), report.Coded())
	return slices.DeleteFunc(slices.Clone(c.Protocol.Requirements), func(r protocol.Requirement) bool { return !slices.Contains(applying, r.ID) })
}

// Answer invents what one requirement needs, as collected at an instant.
func (c *Chart) Answer(requirement string, at time.Time) []command.Result {
	c.today = journey.DateOf(at, c.Protocol.Zone())
	r, ok := c.Protocol.Find(requirement)
	if !ok {
		return nil
	}
	return c.Add(c.of(r, at)...)
}

// Form invents the answers of the clinical form of a follow-up visit, as given at
// an instant.
func (c *Chart) Form(visit protocol.Visit, at time.Time) []command.Result {
	var results []command.Result
	for _, item := range visit.Clinical {
		for _, code := range item {
			if made := c.result(code, at); len(made) > 0 {
				results = append(results, made...)
				break
			}
		}
	}
	return c.Add(results...)
}

// satisfied reports whether results on record are enough today, or on the day of
// the operation.
func (c *Chart) satisfied(report protocol.Report, r protocol.Requirement) bool {
	i := slices.IndexFunc(report.Findings, func(f journey.Finding) bool { return f.Requirement == r.ID })
	if i < 0 {
		return false
	}
	collected := report.Findings[i].Collected
	on := cmp.Or(c.Operation, c.today)
	young := func(days int) bool { return days == 0 || !collected.AddDays(days).Before(on) }
	return young(r.ValidDays) && (c.Operation == "" && r.Gate != journey.ForOperation || young(r.OperationDays))
}

// of invents results of the first set of codes that it knows.
func (c *Chart) of(r protocol.Requirement, at time.Time) []command.Result {
	for _, set := range append(slices.Clone(r.Local), r.LOINC...) {
		var results []command.Result
		whole := true
		for n := range max(1, r.Occasions) {
			for _, code := range set {
				made := c.result(code, at.AddDate(0, 0, -7*n).Add(time.Duration(n)*time.Hour))
				whole = whole && len(made) > 0
				results = append(results, made...)
			}
		}
		if whole {
			return results
		}
	}
	return nil
}

// result invents what a code is reported with, nothing when it doesn't know it.
func (c *Chart) result(code string, at time.Time) []command.Result {
	o, ok := c.Protocol.Observation(code)
	if !ok {
		return nil
	}
	switch {
	case code == "882-1":
		return c.bloodTypes(o, at)
	case code == "iohexol-concentration":
		return c.iohexol(o, at)
	case len(o.Panel) > 0 && code == "ambulatory-reading":
		return c.ambulatory(o, at)
	case len(o.Panel) > 0:
		before := at.AddDate(0, 0, -5) // a pressure is taken on two occasions
		return []command.Result{
			c.pressure(o, before, 119, 75), c.pressure(o, before.Add(5*time.Minute), 117, 74),
			c.pressure(o, at, 118, 74), c.pressure(o, at.Add(5*time.Minute), 116, 73),
		}
	case o.Coded:
		return []command.Result{c.coded(o, c.answer(o), at)}
	}
	q, ok := quantities[code]
	if !ok {
		return nil
	}
	return []command.Result{c.quantity(o, q, at)}
}

// answer is the unremarkable answer of a coded observation.
func (c *Chart) answer(o protocol.Observation) result.Coding {
	answers := o.Answers()
	if o.YesNo {
		if c.affirms(o.Code) {
			return answers[1]
		}
		return answers[0]
	}
	if slices.Contains(positives, o.Code) {
		return answers[1]
	}
	return answers[0]
}

func (c *Chart) affirms(code string) bool {
	if sex, ok := organs[code]; ok {
		return c.Person.Sex == sex
	}
	if code == "history-can-be-pregnant" {
		return c.Person.Sex == "female" && c.today.WholeYears(c.Person.BirthDate) < menopause
	}
	return slices.Contains(affirmed, code)
}

func (c *Chart) base(o protocol.Observation, at time.Time) command.Result {
	c.made++
	r := command.Result{
		Identifier: result.Identifier{System: system, Value: fmt.Sprintf("%s-%s-%d", c.Key, o.Code, c.made)},
		Status:     result.Final, Category: o.Category, Effective: at.Format(time.RFC3339),
		Code: result.Coding{System: protocol.LOINCSystem, Code: o.Code, Display: o.Title},
	}
	if o.Local {
		r.Code.System = protocol.LocalSystem
	}
	return r
}

func (c *Chart) quantity(o protocol.Observation, q quantity, at time.Time) command.Result {
	r := c.base(o, at)
	r.Quantity = &result.Quantity{Value: json.Number(q.value), Unit: q.unit}
	return r
}

func (c *Chart) coded(o protocol.Observation, answer result.Coding, at time.Time) command.Result {
	r := c.base(o, at)
	r.Coded = &answer
	return r
}

func (c *Chart) pressure(o protocol.Observation, at time.Time, systolic, diastolic int) command.Result {
	r := c.base(o, at)
	for i, value := range []int{systolic, diastolic} {
		r.Components = append(r.Components, result.Component{
			Code:  result.Coding{System: protocol.LOINCSystem, Code: o.Panel[i]},
			Value: result.Value{Quantity: &result.Quantity{Value: json.Number(strconv.Itoa(value)), Unit: "mm[Hg]"}},
		})
	}
	return r
}

// bloodTypes are two samples of two draws.
func (c *Chart) bloodTypes(o protocol.Observation, at time.Time) []command.Result {
	var list []command.Result
	for n := range 2 {
		r := c.coded(o, o.Answers()[0], at.AddDate(0, 0, -n))
		r.Specimen = fmt.Sprintf("%s-ABO-%d", c.Key, n+1)
		list = append(list, r)
	}
	return list
}

// iohexol are concentrations of a clearance of about 95 mL/min/{1.73_m2}, with
// the answer that nothing went beside the vein.
func (c *Chart) iohexol(o protocol.Observation, at time.Time) []command.Result {
	var list []command.Result
	for _, s := range []struct {
		minutes int
		value   string
	}{{120, "83.3"}, {180, "55.8"}, {240, "37.4"}} {
		list = append(list, c.quantity(o, quantity{s.value, o.Units[0]}, at.Add(time.Duration(s.minutes)*time.Minute)))
	}
	if beside, ok := c.Protocol.Observation("iohexol-extravasation"); ok {
		list = append(list, c.coded(beside, beside.Answers()[0], at))
	}
	return list
}

// ambulatory are readings every 20 minutes by day and every 30 by night.
func (c *Chart) ambulatory(o protocol.Observation, at time.Time) []command.Result {
	var list []command.Result
	begin := time.Date(at.Year(), at.Month(), at.Day()-1, 9, 0, 0, 0, at.Location())
	for elapsed := time.Duration(0); elapsed < 24*time.Hour; {
		when := begin.Add(elapsed)
		if hour := when.Hour(); hour >= 22 || hour < 7 {
			list = append(list, c.pressure(o, when, 104, 62))
			elapsed += 30 * time.Minute
		} else {
			list = append(list, c.pressure(o, when, 119, 74))
			elapsed += 20 * time.Minute
		}
	}
	return list
}
