package protocol

import (
	"slices"

	"candidacy/internal/result"
)

// Findings lists what a rule over a coded result tells apart.
var Findings = []string{findingNegative, findingEquivocal, findingPositive}

func snomed(code, display string) result.Coding {
	return result.Coding{System: "http://snomed.info/sct", Code: code, Display: display}
}

// The answers of coded observations. The blood types are from memory: check
// them with a terminology server before go-live.
var (
	screenAnswers = []result.Coding{
		snomed("260385009", "Negative"), snomed("10828004", "Positive"), snomed("42425007", "Equivocal"),
	}
	bloodAnswers = []result.Coding{
		snomed("278147001", "O positive"), snomed("278148006", "O negative"),
		snomed("278149003", "A positive"), snomed("278152006", "A negative"),
		snomed("278150003", "B positive"), snomed("278153001", "B negative"),
		snomed("278151004", "AB positive"), snomed("278154007", "AB negative"),
	}
	yesAnswers = []result.Coding{snomed("373067005", "No"), snomed("373066001", "Yes")}
)

// AnswerSystem is the code system of answers that an observation has of its own.
const AnswerSystem = "https://candidacy.example/CodeSystem/answer"

// extravasationCode is the local code of the one question of yes and no.
const extravasationCode = "iohexol-extravasation"

// Answers lists the codes that a coded observation is reported with, in the
// order in which a form offers them. Other observations have none.
func (o Observation) Answers() []result.Coding {
	switch {
	case !o.Coded:
		return nil
	case o.Code == bloodTypeCode:
		return slices.Clone(bloodAnswers)
	case len(o.Choices) > 0:
		list := make([]result.Coding, len(o.Choices))
		for i, c := range o.Choices {
			list[i] = result.Coding{System: AnswerSystem, Code: c.Code, Display: c.Title}
		}
		return list
	case o.YesNo || o.Code == extravasationCode:
		return slices.Clone(yesAnswers)
	default:
		return slices.Clone(screenAnswers)
	}
}
