package fhir

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
	"candidacy/internal/result"
)

const (
	typeDiagnosticReport   = "DiagnosticReport"
	systemReportStatus     = "http://hl7.org/fhir/diagnostic-report-status"
	systemServiceSection   = "http://terminology.hl7.org/CodeSystem/v2-0074"
	profileReportLab       = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-diagnosticreport-lab"
	profileReportNote      = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-diagnosticreport-note"
	metaReportLab          = `"profile":["` + profileReportLab + `"]`
	metaReportNote         = `"profile":["` + profileReportNote + `"]`
	loincRadiology         = "LP29684-5"
	sectionLab, sectionRad = "LAB", "RAD"
)

var diagnosticReportType = resourceType{
	code:    r4.ResourceTypeDiagnosticReport,
	profile: profileReportLab,
	params: ofPatient("DiagnosticReport-subject",
		tokenParam("identifier", "clinical-identifier", ""),
		tokenParam("category", "DiagnosticReport-category", ""),
		tokenParam("code", "clinical-code", ""),
		tokenParam("status", "DiagnosticReport-status", systemReportStatus),
		dateParam("date", "clinical-date"),
		dateParam("issued", "DiagnosticReport-issued"),
		referenceParam("result", "DiagnosticReport-result", typeObservation),
		referenceParam("based-on", "DiagnosticReport-based-on", typeServiceRequest),
		referenceParam("specimen", "DiagnosticReport-specimen", typeSpecimen),
	),
}

var reportStatuses = map[result.ReportStatus]r4.DiagnosticReportStatus{
	"registered": r4.DiagnosticReportStatusRegistered, "partial": r4.DiagnosticReportStatusPartial,
	"preliminary": r4.DiagnosticReportStatusPreliminary, "final": r4.DiagnosticReportStatusFinal,
	"amended": r4.DiagnosticReportStatusAmended, "corrected": r4.DiagnosticReportStatusCorrected,
	"appended": r4.DiagnosticReportStatusAppended, "cancelled": r4.DiagnosticReportStatusCancelled,
	"entered-in-error": r4.DiagnosticReportStatusEnteredInError, "unknown": r4.DiagnosticReportStatusUnknown,
}

// collection is the results of one report.
type collection struct {
	id      string
	results []result.Result
}

// reports publishes a report for each that the results came in. Results that
// came in none are together what one source collected at one time in one
// category: laboratory or imaging.
func (r reported) reports() ([]record.Resource, error) {
	var all []*collection
	byID := map[string]*collection{}
	for _, of := range r.results {
		var id string
		switch {
		case of.Report != nil:
			id = r.id("report", of.Report.Identifier.System, of.Report.Identifier.Value)
		case of.Category == "laboratory" || of.Category == "imaging":
			id = r.id("collection", of.Identifier.System, of.Category, momentOf(of.Effective)+"/"+momentOf(of.EffectiveEnd))
		default:
			continue // a measurement at the bedside or an answer is no report
		}
		c := byID[id]
		if c == nil {
			c = &collection{id: id}
			byID[id] = c
			all = append(all, c)
		}
		c.results = append(c.results, of)
	}
	list := make([]record.Resource, 0, len(all))
	for _, c := range all {
		discreet := ""
		if header := newestReport(c.results); header != nil && r.discreet[header.Identifier] {
			discreet = "discreet"
		}
		memo := r.memoOf(c.results, discreet)
		if was, ok := r.kept(typeDiagnosticReport, c.id, memo); ok {
			list = append(list, was)
			continue
		}
		published, err := r.report(*c)
		if err == nil && r.labels.holds(c.results) {
			published, err = restricted(published)
		}
		if err != nil {
			return nil, fmt.Errorf("report of result %s: %w", c.results[0].ID, err)
		}
		published.Memo = memo
		list = append(list, published)
	}
	return list, nil
}

// momentOf writes one instant in one way, and a day as it is.
func momentOf(text string) string {
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at.UTC().Format(time.RFC3339Nano)
	}
	return text
}

func (r reported) report(c collection) (record.Resource, error) {
	header := newestReport(c.results)
	status, err := reportStatus(header, c.results)
	if err != nil {
		return record.Resource{}, err
	}
	subject := reference(typePatient, r.candidate)
	report := r4.DiagnosticReport{Id: &c.id, Status: status, Subject: &subject, Code: r.reportCode(header, c.results)}
	section := sectionOf(header, c.results)
	report.Category = []r4.CodeableConcept{concept(systemServiceSection, section, "", "")}
	if header != nil {
		report.Identifier = []r4.Identifier{{System: optional(header.Identifier.System), Value: &header.Identifier.Value}}
	}
	meta := ""
	switch section {
	case sectionLab:
		meta = metaReportLab
	case sectionRad:
		meta = metaReportNote
		report.Category = append(report.Category, concept(systemLOINC, loincRadiology, "Radiology", ""))
	}
	if err := setCollected(&report, c.results); err != nil {
		return record.Resource{}, err
	}
	report.Issued = newestIssued(header, c.results)
	var performer []string
	for _, of := range c.results {
		report.Result = append(report.Result, reference(typeObservation, of.ID))
		if of.Specimen != "" {
			report.Specimen = appendReference(report.Specimen, reference(typeSpecimen, r.specimenOf(&of)))
		}
		for _, request := range r.basedOn(of) {
			report.BasedOn = appendReference(report.BasedOn, request)
		}
		if of.Performer != "" && !slices.Contains(performer, of.Performer) {
			performer = append(performer, of.Performer)
			report.Performer = append(report.Performer, performers(of.Performer)...)
		}
	}
	return publishReport(report, meta)
}

func publishReport(report r4.DiagnosticReport, meta string) (record.Resource, error) {
	var x index
	x.identifiers("identifier", report.Identifier...)
	x.concepts("category", report.Category...)
	x.concepts("code", report.Code)
	x.code("status", systemReportStatus, report.Status.Code())
	x.date("date", report.EffectiveDateTime)
	x.period("date", report.EffectivePeriod)
	x.datedCode("code", "date")
	x.date("issued", report.Issued)
	x.reference("result", report.Result...)
	x.reference("based-on", report.BasedOn...)
	x.reference("specimen", report.Specimen...)
	return publish(typeDiagnosticReport, value(report.Id), meta, report, x)
}

// retireReport says that there is no such report any more: its results stand in
// another, or are told in confidence since. Nothing of it is left to tell.
func retireReport(candidate, id string) (record.Resource, error) {
	subject := reference(typePatient, candidate)
	return publishReport(r4.DiagnosticReport{
		Id: &id, Status: r4.DiagnosticReportStatusEnteredInError, Subject: &subject, Code: concept("", "", "", "Diagnostic report"),
	}, "")
}

// appendReference adds a reference that is not among the others.
func appendReference(list []r4.Reference, r r4.Reference) []r4.Reference {
	same := func(other r4.Reference) bool {
		if r.Identifier != nil && other.Identifier != nil {
			return value(r.Identifier.Value) == value(other.Identifier.Value)
		}
		return r.Reference != nil && value(r.Reference) == value(other.Reference)
	}
	if slices.ContainsFunc(list, same) {
		return list
	}
	return append(list, r)
}

// newestReport is what the results say of the report that they came in, by the
// newest of them; nil where they came in none.
func newestReport(list []result.Result) *result.Report {
	var newest *result.Report
	for _, of := range list {
		if of.Report == nil {
			continue
		}
		if newest == nil || momentOf(cmp.Or(newest.Issued, "")) <= momentOf(cmp.Or(of.Report.Issued, "")) {
			newest = of.Report
		}
	}
	return newest
}

// reportStatus is the status of the report as it was told, unless its results
// say that more has happened since, or without one what they come to.
func reportStatus(header *result.Report, list []result.Result) (r4.DiagnosticReportStatus, error) {
	of := statusOfResults(list)
	if header == nil || header.Status == "" {
		return of, nil
	}
	told, ok := reportStatuses[header.Status]
	if !ok {
		return of, fmt.Errorf("the report status %q is not a FHIR status", header.Status)
	}
	if !slices.Contains(closedReports, told) {
		return told, nil
	}
	switch of {
	case r4.DiagnosticReportStatusUnknown:
		return told, nil
	case r4.DiagnosticReportStatusFinal, r4.DiagnosticReportStatusAmended, r4.DiagnosticReportStatusCorrected:
		if told != r4.DiagnosticReportStatusFinal {
			return told, nil
		}
	}
	return of, nil
}

// closedReports are the statuses of a report to which nothing is to come.
var closedReports = []r4.DiagnosticReportStatus{
	r4.DiagnosticReportStatusFinal, r4.DiagnosticReportStatusAmended, r4.DiagnosticReportStatusCorrected, r4.DiagnosticReportStatusAppended,
}

func statusOfResults(list []result.Result) r4.DiagnosticReportStatus {
	has := func(statuses ...result.Status) bool {
		return slices.ContainsFunc(list, func(r result.Result) bool { return slices.Contains(statuses, r.Status) })
	}
	switch {
	case allOf(list, result.EnteredInError):
		return r4.DiagnosticReportStatusEnteredInError
	case allOf(list, result.EnteredInError, result.Cancelled):
		return r4.DiagnosticReportStatusCancelled
	case has(result.Unknown):
		return r4.DiagnosticReportStatusUnknown
	case has(result.Registered, result.Preliminary) && has(result.Final, result.Amended, result.Corrected):
		return r4.DiagnosticReportStatusPartial
	case has(result.Preliminary):
		return r4.DiagnosticReportStatusPreliminary
	case has(result.Registered):
		return r4.DiagnosticReportStatusRegistered
	case has(result.Corrected, result.EnteredInError):
		return r4.DiagnosticReportStatusCorrected
	case has(result.Amended):
		return r4.DiagnosticReportStatusAmended
	default:
		return r4.DiagnosticReportStatusFinal
	}
}

// generalReports are the codes of any report of a service, from memory of LOINC.
var generalReports = map[string]struct{ loinc, text string }{
	sectionLab: {"11502-2", "Laboratory report"}, sectionRad: {"18748-4", "Imaging report"},
}

// reportCode is the code of the report; without one it is that of its only result,
// or that of any report of the service. A sender's own code has no system where
// none was told, and the general code stands beside it.
func (r reported) reportCode(header *result.Report, list []result.Result) r4.CodeableConcept {
	named := header != nil && header.Code.Code != "" && !r.discreet[header.Identifier]
	if !named && len(list) == 1 {
		return resultCode(list[0].Code)
	}
	var code r4.CodeableConcept
	if named {
		told := header.Code
		if loincShape.MatchString(told.Code) {
			told.System = observationSystem(told.System, told.Code)
		}
		code = concept(told.System, told.Code, told.Display, cmp.Or(told.Display, told.Code))
	}
	general, ok := generalReports[sectionOf(header, list)]
	switch coded := len(code.Coding) > 0; {
	case !ok && !coded:
		return concept("", "", "", "Diagnostic report")
	case !ok || coded && value(code.Coding[0].System) == systemLOINC:
		return code
	}
	all := concept(systemLOINC, general.loinc, general.text, general.text)
	if code.Text == nil {
		code.Text = all.Text
	}
	code.Coding = append(code.Coding, all.Coding...)
	return code
}

// sectionOf is the diagnostic service by HL7 table 0074.
func sectionOf(header *result.Report, list []result.Result) string {
	switch {
	case header != nil && header.Category != "":
		return header.Category
	case list[0].Category == "imaging":
		return sectionRad
	case list[0].Category == "laboratory":
		return sectionLab
	default:
		return "OTH"
	}
}

// setCollected says when the results are of: a moment, or from the first to the
// last. What has a day and what has a time can't be put in order within a day, so
// that the period is then one of days.
func setCollected(report *r4.DiagnosticReport, list []result.Result) error {
	first, last := list[0].Effective, cmp.Or(list[0].EffectiveEnd, list[0].Effective)
	for _, of := range list {
		for _, text := range []string{of.Effective, cmp.Or(of.EffectiveEnd, of.Effective)} {
			if text == "" {
				continue
			}
			if first == "" || earlier(text, first) {
				first = text
			}
			if last == "" || earlier(last, text) {
				last = text
			}
		}
	}
	if momentOf(first) == momentOf(last) {
		last = ""
	}
	collected, err := effectiveOf(first, last)
	report.EffectiveDateTime, report.EffectivePeriod = collected.at, collected.period
	return err
}

// earlier compares two times, by their days where one is a day.
func earlier(a, b string) bool {
	x, errX := time.Parse(time.RFC3339, a)
	y, errY := time.Parse(time.RFC3339, b)
	if errX == nil && errY == nil {
		return x.Before(y)
	}
	return a[:min(len(a), len(time.DateOnly))] < b[:min(len(b), len(time.DateOnly))]
}

// newestIssued is when the newest version of the report was released.
func newestIssued(header *result.Report, list []result.Result) *string {
	newest := ""
	consider := func(text string) {
		if instantOnly(text) != nil && (newest == "" || earlier(newest, text)) {
			newest = text
		}
	}
	if header != nil {
		consider(header.Issued)
	}
	for _, of := range list {
		consider(of.Issued)
	}
	return optional(newest)
}
