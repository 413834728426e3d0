package fhir

import (
	"html"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// planLine is what a plan says of one activity.
type planLine struct{ text, status, outcome string }

// planNarrative says in words what the plan holds, for readers that show text
// only.
func planNarrative(title, status string, lines []planLine) *r4.Narrative {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml"><p>`)
	b.WriteString(html.EscapeString(title) + ": " + status + "</p>")
	if len(lines) > 0 {
		b.WriteString("<ul>")
		for _, line := range lines {
			b.WriteString("<li>" + html.EscapeString(line.text) + ": " + line.status)
			if line.outcome != "" {
				b.WriteString(", " + html.EscapeString(line.outcome))
			}
			b.WriteString("</li>")
		}
		b.WriteString("</ul>")
	}
	b.WriteString("</div>")
	return &r4.Narrative{Status: r4.NarrativeStatusGenerated, Div: b.String()}
}
