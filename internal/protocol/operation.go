package protocol

import (
	"slices"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Complication is one that an operation may have, as the programme codes it.
type Complication struct {
	ID     string `yaml:"id"`
	Title  string `yaml:"title"`
	Source string `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// ProcedureCode is how an operation is coded for readers of FHIR.
type ProcedureCode struct {
	ID         string   `yaml:"id"`
	Approaches []string `yaml:"approaches" doc:"the approaches that it is the code of"`
	System     string   `yaml:"system" doc:"URI of the code system"`
	Code       string   `yaml:"code"`
	Display    string   `yaml:"display"`
	Source     string   `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// ComplicationTitle says a complication in words. A protocol from before the
// list has none but the other.
func (p *Protocol) ComplicationTitle(id string) string {
	for _, c := range p.Complications {
		if c.ID == id {
			return c.Title
		}
	}
	if id == command.OtherComplication {
		return "Another complication"
	}
	return id
}

// CheckComplication adds a fault when the complication is not in the list.
func (p *Protocol) CheckComplication(f *command.Faults, id string) {
	accepted := []string{}
	for _, c := range p.Complications {
		accepted = append(accepted, c.ID)
	}
	if !slices.Contains(accepted, command.OtherComplication) {
		accepted = append(accepted, command.OtherComplication)
	}
	if !slices.Contains(accepted, id) {
		f.Add("complication", "not in the protocol's list", accepted...)
	}
}

// checkOperation checks both lists about the operation.
func (p *Protocol) checkOperation(fail func(string, ...any)) {
	seen := map[string]bool{}
	for _, c := range p.Complications {
		at := "complications." + c.ID
		if !identifier.MatchString(c.ID) || seen[c.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		seen[c.ID] = true
		if c.Title == "" || c.Source == "" {
			fail("%s: title and source are needed", at)
		}
	}
	seen = map[string]bool{}
	for _, c := range p.ProcedureCodes {
		at := "procedure_codes." + c.ID
		if !identifier.MatchString(c.ID) || seen[c.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		seen[c.ID] = true
		if len(c.Approaches) == 0 {
			fail("%s.approaches: missing; accepted: %v", at, command.Approaches)
		}
		for _, approach := range c.Approaches {
			if !slices.Contains(command.Approaches, approach) {
				fail("%s.approaches: accepted: %v", at, command.Approaches)
			}
		}
		if !strings.Contains(c.System, ":") || strings.ContainsAny(c.System, " \t") {
			fail("%s.system: needs an absolute URI", at)
		}
		if c.Code == "" || strings.TrimSpace(c.Code) != c.Code || c.Display == "" || c.Source == "" {
			fail("%s: code, display and source are needed", at)
		}
	}
}

// Newest returns the newest usable result of a code that was collected no later
// than a day.
func Newest(results []result.Result, code string, by journey.Date) (result.Result, bool) {
	for _, r := range historyOf(results).newestFirst {
		if r.Code.Code == code && !by.Before(journey.Date(r.CollectedOn)) {
			return *r.Result, true
		}
	}
	return result.Result{}, false
}

// AnswerOf reads a coded result as yes or no, NotRecorded when it is neither.
func AnswerOf(r result.Result) clinical.Answer {
	if r.Value.Coding == nil {
		return clinical.NotRecorded
	}
	return answers[r.Value.Coding.Code]
}
