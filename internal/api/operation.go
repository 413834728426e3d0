package api

import (
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// Operation is a course as the reader may see it: words that the care team writes
// are for the care team.
func (r Reader) Operation(c operation.Course) operation.Course {
	if r.ReadsCare() {
		return c
	}
	return c.WithoutWords()
}

// operationView is the operation as it stands, with what follows from it.
type operationView struct {
	// Record is what stands; Seq is the number of its entry.
	Record     *command.RecordOperation `json:"record,omitempty"`
	Seq        int64                    `json:"seq,omitempty"`
	By         string                   `json:"by,omitempty"`
	At         *time.Time               `json:"at,omitempty"`
	Amendments []amendment              `json:"amendments"`
	Computed   []operation.Computed     `json:"computed"`
	Comparison []operation.Compared     `json:"comparison"`
	Alerts     []operation.Alert        `json:"alerts"`
	// Missing names the fields that a complete record would have.
	Missing       []string       `json:"missing"`
	Complications []complication `json:"complications"`
	// Grade is the highest of the complications.
	Grade *grade `json:"grade,omitempty"`
}

type amendment struct {
	Seq    int64     `json:"seq"`
	By     string    `json:"by"`
	At     time.Time `json:"at"`
	Reason string    `json:"reason,omitempty"`
}

// complication is one complication as it stands. Seq is what a correction
// replaces.
type complication struct {
	Seq            int64             `json:"seq"`
	By             string            `json:"by"`
	At             time.Time         `json:"at"`
	Complication   string            `json:"complication"`
	Title          string            `json:"title"`
	On             journey.Date      `json:"on"`
	Treatment      command.Treatment `json:"treatment"`
	ReadmittedOn   journey.Date      `json:"readmitted_on,omitempty"`
	ReoperatedOn   journey.Date      `json:"reoperated_on,omitempty"`
	EnteredInError bool              `json:"entered_in_error,omitempty"`
	Note           string            `json:"note,omitempty"`
	Grade          grade             `json:"grade"`
}

// grade is one of Clavien and Dindo. Answer is cannot-tell while a fact that
// could raise it is not known; it is then at least Lowest.
type grade struct {
	Answer string `json:"answer"`
	Lowest string `json:"lowest"`
	Rule   string `json:"rule"`
	Source string `json:"source"`
}

// operationOf is what is on record of an operation, nil before it. The results
// are those that the reader may see.
func operationOf(reader Reader, p *protocol.Protocol, s journey.State, course operation.Course, results []result.Result) (*operationView, error) {
	if !course.Any() {
		return nil, nil
	}
	course = reader.Operation(course)
	v := &operationView{Amendments: []amendment{}, Complications: []complication{}}
	if r := course.Record; r != nil {
		var decided journey.Side
		if s.Decision != nil {
			decided = s.Decision.Side
		}
		v.Record, v.Seq, v.By, v.At = r, course.Seq, course.By, &course.At
		v.Computed, v.Comparison = operation.Times(*r), operation.Compare(*r, results, s.Operated)
		v.Alerts, v.Missing = operation.Alerts(*r, decided), operation.Missing(*r)
	}
	v.Computed, v.Comparison, v.Alerts, v.Missing = orEmpty(v.Computed), orEmpty(v.Comparison), orEmpty(v.Alerts), orEmpty(v.Missing)
	for _, a := range course.Amendments {
		v.Amendments = append(v.Amendments, amendment(a))
	}
	for _, c := range course.Complications {
		v.Complications = append(v.Complications, complication{
			Seq: c.Seq, By: c.By, At: c.At, Complication: c.Complication, Title: p.ComplicationTitle(c.Complication), On: c.Date,
			Treatment: c.Treatment, ReadmittedOn: c.ReadmittedOn, ReoperatedOn: c.ReoperatedOn, EnteredInError: c.EnteredInError,
			Note: c.Note, Grade: grade{c.Grade.Answer, string(c.Grade.Lowest), c.Grade.Rule, c.Grade.Source},
		})
	}
	highest, any, err := course.Grade()
	if err != nil {
		return nil, err
	}
	if any {
		v.Grade = &grade{highest.Answer, string(highest.Lowest), highest.Rule, highest.Source}
	}
	return v, nil
}
