// Package risk reads from the record the risks that people obtained outside this
// program. It computes none: there is no source here for a model. It does no I/O
// and has no clock.
package risk

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// Estimate is one risk as it stands.
type Estimate struct {
	command.RecordRisk
	// First is the number of the entry that first told of it, and its id; Seq is
	// that of the entry that stands. By and At are who recorded that when.
	First, Seq int64
	By         string
	At         time.Time
}

// Of folds the entries of one candidate, in the order in which the risks were
// first recorded, those entered in error among them.
func Of(entries []record.Entry) ([]Estimate, error) {
	var list []Estimate
	for _, e := range entries {
		if e.Kind != journey.RecordRisk {
			continue
		}
		var body command.RecordRisk
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return nil, fmt.Errorf("entry %d holds no readable %s: %w", e.Seq, e.Kind, err)
		}
		next := Estimate{RecordRisk: body, First: e.Seq, Seq: e.Seq, By: e.Actor, At: e.OccurredAt}
		if i := standing(list, body.Replaces); i >= 0 {
			next.First = list[i].First
			list[i] = next
		} else {
			list = append(list, next)
		}
	}
	return list, nil
}

func standing(list []Estimate, seq int64) int {
	return slices.IndexFunc(list, func(e Estimate) bool { return seq > 0 && e.Seq == seq })
}

// Refuse says why a risk does not fit what is on record, nil when it does. The
// results are those of the candidate; what is told in confidence can't be named,
// since a risk is published with what it stands on.
func Refuse(list []Estimate, body *command.RecordRisk, results []result.Result, confidential func(result.Result) bool) *journey.Refusal {
	if body.Replaces > 0 && standing(list, body.Replaces) < 0 {
		return &journey.Refusal{Code: journey.Conflict, Field: "replaces", Message: "replaces: no risk stands in that entry; look at them again"}
	}
	for i, id := range body.Basis {
		field := fmt.Sprintf("basis[%d]", i)
		n := slices.IndexFunc(results, func(r result.Result) bool { return r.ID == id })
		switch {
		case n < 0:
			return &journey.Refusal{Code: journey.Invalid, Field: field, Message: field + ": no such result is on record"}
		case confidential(results[n]):
			return &journey.Refusal{Code: journey.Invalid, Field: field, Message: field + ": this result is told in confidence; leave it out"}
		}
	}
	return nil
}

// Supposes says in words whether the risk is that of somebody who donates.
func (e Estimate) Supposes() string {
	if e.Scenario == "after-donation" {
		return "after donation"
	}
	return "without donation"
}
