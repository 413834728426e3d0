// Package operation reads an operation from the record: what stands after every
// amendment, what follows from it, how it compares with imaging, what of it is a
// safety alert, and its complications with their grades. Pages, interfaces,
// publishing and measures all ask it, so that they agree. It does no I/O and has
// no clock.
package operation

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Kinds are the commands whose entries make a course.
var Kinds = []journey.Kind{journey.RecordOperation, journey.AmendOperation, journey.RecordComplication}

// Course is an operation as it stands on record, with its complications.
type Course struct {
	// Record is what stands, nil until the operation is recorded. Seq is the
	// number of its entry, By and At are who gave it when.
	Record *command.RecordOperation
	Seq    int64
	By     string
	At     time.Time
	// Amendments are the later entries, the newest last.
	Amendments []Amendment
	// Complications are in the order in which they were first recorded, those
	// entered in error among them.
	Complications []Complication
}

// Amendment is an entry that completed or corrected the record.
type Amendment struct {
	Seq    int64
	By     string
	At     time.Time
	Reason string
}

// Complication is one complication as it stands, with its grade.
type Complication struct {
	command.RecordComplication
	// First is the number of the entry that first told of it, and its id; Seq is
	// that of the entry that stands.
	First, Seq int64
	By         string
	At         time.Time
	// Grade is by Clavien and Dindo of this complication alone.
	Grade perioperative.ClavienDindo
}

// Of folds the entries of one candidate. A record that can't be read is an error:
// half an operation must not be taken for the whole.
func Of(entries []record.Entry) (Course, error) {
	var c Course
	for _, e := range entries {
		if !slices.Contains(Kinds, e.Kind) {
			continue
		}
		if err := c.Add(e); err != nil {
			return Course{}, err
		}
	}
	return c, nil
}

// Add folds one entry more.
func (c *Course) Add(e record.Entry) error {
	fault := func(err error) error {
		if err == nil {
			return nil
		}
		return fmt.Errorf("entry %d holds no readable %s: %w", e.Seq, e.Kind, err)
	}
	switch e.Kind {
	case journey.RecordOperation:
		var body command.RecordOperation
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return fault(err)
		}
		c.Record, c.Seq, c.By, c.At = &body, e.Seq, e.Actor, e.OccurredAt
	case journey.AmendOperation:
		var body command.AmendOperation
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return fault(err)
		}
		c.Record, c.Seq, c.By, c.At = &body.Record, e.Seq, e.Actor, e.OccurredAt
		c.Amendments = append(slices.Clone(c.Amendments), Amendment{Seq: e.Seq, By: e.Actor, At: e.OccurredAt, Reason: body.Reason})
	case journey.RecordComplication:
		var body command.RecordComplication
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return fault(err)
		}
		return fault(c.complicate(e, body))
	}
	return nil
}

func (c *Course) complicate(e record.Entry, body command.RecordComplication) error {
	grade, err := perioperative.GradeClavienDindo([]perioperative.Event{event(body.Treatment)})
	if err != nil {
		return err
	}
	next := Complication{RecordComplication: body, First: e.Seq, Seq: e.Seq, By: e.Actor, At: e.OccurredAt, Grade: grade}
	list := slices.Clone(c.Complications)
	i := slices.IndexFunc(list, func(known Complication) bool { return body.Replaces > 0 && known.Seq == body.Replaces })
	if i < 0 {
		c.Complications = append(list, next)
		return nil
	}
	next.First = list[i].First
	list[i] = next
	c.Complications = list
	return nil
}

// event is a treatment as the grading reads it.
func event(t command.Treatment) perioperative.Event {
	return perioperative.Event{
		OtherDrugs: clinical.Answer(t.OtherDrugs), Transfusion: clinical.Answer(t.Transfusion),
		ParenteralNutrition: clinical.Answer(t.ParenteralNutrition), Intervention: perioperative.Intervention(t.Intervention),
		IntensiveCare: clinical.Answer(t.IntensiveCare), OrganFailure: perioperative.OrganFailure(t.OrganFailure),
		Dialysis: clinical.Answer(t.Dialysis), Death: clinical.Answer(t.Death),
		DisabilityAtDischarge: clinical.Answer(t.DisabilityAtDischarge),
	}
}

// Any reports whether anything of an operation is on record.
func (c Course) Any() bool { return c.Record != nil || len(c.Complications) > 0 }

// Standing are the complications that were not entered in error.
func (c Course) Standing() []Complication {
	return slices.DeleteFunc(slices.Clone(c.Complications), func(each Complication) bool { return each.EnteredInError })
}

// Grade is that of the whole course: the highest of its complications. A course
// without complications has none, and the last value is false.
func (c Course) Grade() (perioperative.ClavienDindo, bool, error) {
	var events []perioperative.Event
	for _, each := range c.Standing() {
		events = append(events, event(each.Treatment))
	}
	if len(events) == 0 {
		return perioperative.ClavienDindo{}, false, nil
	}
	grade, err := perioperative.GradeClavienDindo(events)
	return grade, err == nil, err
}

// WithoutWords is the course without anything that somebody wrote in own words.
func (c Course) WithoutWords() Course {
	if c.Record != nil {
		r := *c.Record
		r.Note = ""
		if r.Conversion != nil {
			conversion := *r.Conversion
			conversion.Note = ""
			r.Conversion = &conversion
		}
		if r.Stop != nil {
			stop := *r.Stop
			stop.Note = ""
			r.Stop = &stop
		}
		c.Record = &r
	}
	c.Amendments = slices.Clone(c.Amendments)
	for i := range c.Amendments {
		c.Amendments[i].Reason = ""
	}
	c.Complications = slices.Clone(c.Complications)
	for i := range c.Complications {
		c.Complications[i].Note = ""
	}
	return c
}

// Refuse says why a command does not fit what is on record, nil when it does.
// Operated is the day of the operation, today that of the command.
func (c Course) Refuse(body command.Body, operated, today journey.Date, zone *time.Location) error {
	var faults command.Faults
	switch body := body.(type) {
	case *command.RecordOperation:
		body.Late(&faults, "", operated, today, zone)
	case *command.AmendOperation:
		if c.Record != nil && body.Replaces != c.Seq {
			return &journey.Refusal{Code: journey.Conflict, Field: "replaces", Message: fmt.Sprintf("replaces: the record that stands is entry %d; look at it again", c.Seq)}
		}
		body.Record.Late(&faults, "record.", operated, today, zone)
	case *command.RecordComplication:
		is := func(each Complication) bool { return each.Seq == body.Replaces }
		if body.Replaces > 0 && !slices.ContainsFunc(c.Complications, is) {
			return &journey.Refusal{Code: journey.Conflict, Field: "replaces", Message: "replaces: no complication stands in that entry; look at them again"}
		}
		body.Late(&faults, today)
	}
	return faults.Err()
}
