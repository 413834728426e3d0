package fhir

import (
	"html"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// planNarrative says in words what the plan holds, for readers that show text
// only.
func planNarrative(p r4.CarePlan) *r4.Narrative {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml"><p>`)
	b.WriteString(html.EscapeString(value(p.Title)) + ": " + p.Status.Code() + "</p>")
	if len(p.Activity) > 0 {
		b.WriteString("<ul>")
		for _, a := range p.Activity {
			b.WriteString("<li>" + html.EscapeString(value(a.Detail.Code.Text)) + ": " + a.Detail.Status.Code())
			for _, outcome := range a.OutcomeCodeableConcept {
				b.WriteString(", " + html.EscapeString(value(outcome.Text)))
			}
			if a.Detail.StatusReason != nil {
				b.WriteString(", " + html.EscapeString(value(a.Detail.StatusReason.Text)))
			}
			b.WriteString("</li>")
		}
		b.WriteString("</ul>")
	}
	b.WriteString("</div>")
	return &r4.Narrative{Status: r4.NarrativeStatusGenerated, Div: b.String()}
}
