// Package bulk copies published resources out of the record store: to files that
// a client fetches later, as jobs that outlive the process, or straight to a
// folder.
//
// A copy is of one moment, whatever is written meanwhile, and goes by row: what
// it keeps in memory depends on how many types there are and not on how many
// resources. It knows rows and bytes and nothing of FHIR but that a resource is a
// JSON object on a line of its own.
package bulk

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"candidacy/internal/record"
)

// sink takes resources, line by line. The body is good until add returns.
type sink interface {
	add(typ string, body []byte) error
}

// copyTo copies what the plan selects into the sink. Tell is called with how many
// there were so far, often; its error ends the copy.
func copyTo(ctx context.Context, view *record.View, plan Plan, to sink, tell func(done int64) error) (int64, error) {
	var done int64
	for _, scan := range plan.Scans {
		err := view.Each(ctx, scan, func(typ string, body []byte) error {
			line, err := oneLine(body)
			if err == nil && plan.Shape != nil {
				line, err = plan.Shape(typ, line)
			}
			if err != nil {
				return fmt.Errorf("a published %s: %w", typ, err)
			}
			if err := to.add(typ, line); err != nil {
				return err
			}
			if done++; done%tellEvery == 0 {
				return tell(done)
			}
			return nil
		})
		if err != nil {
			return done, err
		}
	}
	return done, tell(done)
}

// tellEvery is how many resources go by between two calls of tell.
const tellEvery = 1000

// oneLine is a body without line breaks. What is published has none; in one that
// has, they stand between its elements only, since JSON has none in strings.
func oneLine(body []byte) ([]byte, error) {
	if bytes.IndexByte(body, '\n') < 0 && bytes.IndexByte(body, '\r') < 0 {
		return body, nil
	}
	var b bytes.Buffer
	if err := json.Compact(&b, body); err != nil {
		return nil, fmt.Errorf("the stored body is not JSON: %w", err)
	}
	return b.Bytes(), nil
}

// counted reports whether the scans can be counted without doing their work
// twice.
func counted(scans []record.Scan) bool {
	for _, s := range scans {
		if len(s.Any) > 0 {
			return false
		}
	}
	return true
}
