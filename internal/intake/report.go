package intake

import (
	"fmt"
	"slices"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/command"
	"candidacy/internal/reading"
	"candidacy/internal/result"
)

// table0074 are the sections of a diagnostic service.
const table0074 = "http://terminology.hl7.org/CodeSystem/v2-0074"

// report joins the reports of a message to their results, those of the given
// entries or of all. A report whose findings are in its conclusion alone becomes
// a result itself.
func (x *reader) report(drafts *[]draft, issues *[]reading.Issue, only ...int) {
	for i, e := range x.ask.Entries {
		if e.Type != "DiagnosticReport" || len(e.Issues) > 0 || len(only) > 0 && !slices.Contains(only, i) {
			continue
		}
		var f faults
		x.reportOf(&f, i, drafts)
		*issues = append(*issues, f.issues...)
	}
}

func (x *reader) reportOf(f *faults, i int, drafts *[]draft) {
	e := x.ask.Entries[i]
	r, err := r4.UnmarshalDiagnosticReport(unescape(e.Resource))
	if err != nil {
		f.add(e.Place, "structure", "not a valid DiagnosticReport")
		return
	}
	from := x.source(i)
	report := result.Report{
		Code: coding(r.Code, command.LOINC), Status: result.ReportStatus(r.Status.Code()), Issued: text(r.Issued), Conclusion: text(r.Conclusion),
	}
	if len(r.Identifier) > 0 {
		report.Identifier = identifier(r.Identifier[0])
	}
	if report.Identifier.System == "" || report.Identifier.Value == "" {
		f.add(e.Place+".identifier", "required", "the laboratory's own system and value are needed")
	}
	for _, named := range []*result.Identifier{e.Where, e.Absent} {
		if named == nil {
			continue
		}
		at := slices.IndexFunc(r.Identifier, func(each r4.Identifier) bool { return identifier(each) == *named })
		if at < 0 {
			f.add(e.Place+".identifier", "invariant", "not the identifier that the request names")
			continue
		}
		report.Identifier = *named
	}
	for _, c := range r.Category {
		if code := coding(c, table0074); code.System == table0074 {
			report.Category = code.Code
		}
	}
	if report.Code.Code == "" {
		report.Code = result.Coding{} // words alone are no code
	}
	if report.Issued != "" && !isInstant(report.Issued) {
		f.add(e.Place+".issued", "value", "not an instant", "RFC 3339 with a zone")
	}
	about := x.subject(from, e.Place, r.Subject, &f.issues)
	orders, number := x.orders(from, r.BasedOn)
	joined := x.join(f, from, r.Result, drafts)
	if len(joined) == 0 && len(f.issues) == 0 {
		d := x.finding(f, e, r, report)
		d.person = about
		*drafts = append(*drafts, d)
		joined = []int{len(*drafts) - 1}
	}
	if len(f.issues) > 0 {
		return
	}
	for _, n := range joined {
		d := &(*drafts)[n]
		if !overlap(d.person.identifiers, about.identifiers) {
			f.add(e.Place+".subject", "business-rule", "another subject than that of its results; name the person in the same way")
			return
		}
		if d.result.Report != nil && d.result.Report.Identifier != report.Identifier {
			f.add(e.Place+".result", "business-rule", "a result belongs to one report")
			return
		}
		own := report
		d.result.Report = &own
		d.result.Confidentiality = closer(d.result.Confidentiality, labelOf(r.Meta))
		d.person.facts = more(d.person.facts, about.facts)
		d.orders = append(d.orders, orders...)
		if d.result.Order == "" {
			d.result.Order = number
		}
	}
}

// join finds the results that a report names, and returns where they are. All
// that a report contains is its own.
func (x *reader) join(f *faults, from source, list []r4.Reference, drafts *[]draft) []int {
	var joined []int
	place := x.ask.Entries[from.entry].Place
	for n, ref := range list {
		at := fmt.Sprintf("%s.result[%d]", place, n)
		t := x.resolve(from, text(ref.Reference))
		if !t.found || t.typ(x) != "Observation" {
			f.add(at, "not-supported", "not a result of the message: a report is sent with its results", "a reference to an Observation of the message", "a contained Observation")
			continue
		}
		where := t.inner.place
		if t.entry >= 0 {
			where = x.ask.Entries[t.entry].Place
		}
		i := slices.IndexFunc(*drafts, func(d draft) bool { return d.place == where })
		if i >= 0 && !slices.Contains(joined, i) {
			joined = append(joined, i) // one that is wrong by itself has its own issues
		}
	}
	if len(list) > 0 && len(joined) == 0 && len(f.issues) == 0 {
		f.add(place+".result", "business-rule", "none of its results can be taken")
	}
	for _, name := range sortedNames(from.contained) {
		c := from.contained[name]
		i := slices.IndexFunc(*drafts, func(d draft) bool { return d.place == c.place })
		if i >= 0 && !slices.Contains(joined, i) {
			joined = append(joined, i)
		}
	}
	return joined
}

// statusOf is the status of a result that a report is by itself.
var statusOf = map[string]result.Status{
	"registered": result.Registered, "partial": result.Preliminary, "preliminary": result.Preliminary, "final": result.Final, "amended": result.Amended,
	"corrected": result.Corrected, "appended": result.Amended, "cancelled": result.Cancelled, "entered-in-error": result.EnteredInError, "unknown": result.Unknown,
}

// categories are those of the results of some sections.
var categories = map[string]string{"RAD": "imaging", "RUS": "imaging", "CT": "imaging", "NMR": "imaging", "NMS": "imaging", "IMG": "imaging", "CUS": "imaging", "VUS": "imaging"}

// finding makes a result of a report that has its findings in the conclusion: as
// a code where there is one, or else in words.
func (x *reader) finding(f *faults, e Entry, r r4.DiagnosticReport, report result.Report) draft {
	d := draft{place: e.Place, result: command.Result{
		Identifier: report.Identifier, Status: statusOf[r.Status.Code()], Code: report.Code, Issued: report.Issued, Category: categories[report.Category],
	}}
	d.result.OnlyNew = e.Absent != nil
	if report.Code.Code == "" {
		f.add(e.Place+".code", "required", "a coding is needed", "a LOINC code")
	}
	switch {
	case r.EffectiveDateTime != nil:
		d.result.Effective = text(r.EffectiveDateTime)
	case r.EffectivePeriod != nil && text(r.EffectivePeriod.Start) != "":
		d.result.Effective, d.result.EffectiveEnd = text(r.EffectivePeriod.Start), text(r.EffectivePeriod.End)
	default:
		f.add(e.Place+".effective", "required", "missing", "effectiveDateTime", "effectivePeriod")
	}
	switch {
	case len(r.ConclusionCode) == 1:
		c := coding(r.ConclusionCode[0], snomed)
		if t := text(r.ConclusionCode[0].Text); t != "" {
			c.Display = t
		}
		d.result.Coded = &c
	case len(r.ConclusionCode) > 1:
		f.add(e.Place+".conclusionCode", "not-supported", "more than one finding: send each as a result")
	case report.Conclusion != "":
		d.result.Text = report.Conclusion
	case d.result.Status.Usable():
		f.add(e.Place+".result", "required", "a report has results or a conclusion", "result", "conclusion", "conclusionCode")
	}
	return d
}
