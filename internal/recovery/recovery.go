// Package recovery dates a donor's recovery: from what really happened after the
// operation, and from the lines that the programme's protocol holds. It is pure.
// A day that depends on something that is not on record has none: the line says
// what it waits for.
package recovery

import (
	"fmt"
	"slices"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// Stay is what is on record of the time after the operation.
type Stay struct {
	// Days are those on which something happened.
	Days map[protocol.Anchor]journey.Date
	// Work is how heavy the donor's work is, and Approach how the kidney was
	// removed; both are empty while they are not known.
	Work     protocol.WorkKind
	Approach string
}

// anchors are the anchors behind the fields of a stay.
var anchors = map[string]protocol.Anchor{
	"eating": protocol.AtEating, "walking": protocol.AtWalking, "catheter_out": protocol.AtCatheterOut, "drain_out": protocol.AtDrainOut,
	"discharged": protocol.AtDischarge, "last_opioid": protocol.AtLastOpioid,
	"work_part_time": protocol.AtWorkPart, "work_full": protocol.AtWorkFull,
}

// AnchorOf is the anchor behind a field of a stay.
func AnchorOf(field string) protocol.Anchor { return anchors[field] }

// Of folds what was recorded, the oldest first: what is recorded later replaces
// what was before.
func Of(entries []command.RecordStay) Stay {
	stay := Stay{Days: map[protocol.Anchor]journey.Date{}}
	for _, e := range entries {
		for _, field := range e.Withdrawn {
			delete(stay.Days, anchors[field])
		}
		for _, given := range e.Days() {
			if given.Day != "" {
				stay.Days[anchors[given.Field]] = given.Day
			}
		}
		if e.Work != "" {
			stay.Work = protocol.WorkKind(e.Work)
		}
	}
	return stay
}

// Check refuses days that can't be: before the operation, after today, or out of
// their order. A change of what is on record needs a reason, but for a later dose
// of an opioid, which is none.
func Check(before Stay, body *command.RecordStay, operated, today journey.Date) *journey.Refusal {
	refuse := func(field, problem string) *journey.Refusal {
		return &journey.Refusal{Code: journey.Invalid, Field: field, Message: field + ": " + problem}
	}
	changed := before.Work != "" && body.Work != "" && body.Work != string(before.Work)
	for _, given := range body.Days() {
		if given.Day == "" {
			continue
		}
		if given.Day.Before(operated) || today.Before(given.Day) {
			return refuse(given.Field, fmt.Sprintf("accepted: from the day of the operation, %s, to today, %s", operated, today))
		}
		was := before.Days[anchors[given.Field]]
		later := given.Field == "last_opioid" && was.Before(given.Day)
		changed = changed || was != "" && was != given.Day && !later
	}
	for i, field := range body.Withdrawn {
		if before.Days[anchors[field]] == "" {
			return refuse(fmt.Sprintf("withdrawn[%d]", i), "no such day is on record")
		}
	}
	after := Of([]command.RecordStay{{Withdrawn: body.Withdrawn}, *body})
	for anchor, day := range before.Days {
		if _, given := after.Days[anchor]; !given && !slices.ContainsFunc(body.Withdrawn, func(f string) bool { return anchors[f] == anchor }) {
			after.Days[anchor] = day
		}
	}
	for _, order := range []struct{ first, then string }{
		{"discharged", "work_part_time"}, {"discharged", "work_full"}, {"work_part_time", "work_full"},
	} {
		first, then := after.Days[anchors[order.first]], after.Days[anchors[order.then]]
		if first != "" && then != "" && then.Before(first) {
			field := order.then
			if !slices.Contains(body.Days(), command.StayDay{Field: field, Day: then}) {
				field = order.first
			}
			return refuse(field, fmt.Sprintf("%s, %s, would be before %s, %s", order.then, then, order.first, first))
		}
	}
	if changed && !given(body.Reason) {
		return refuse("reason", "what is on record is changed: say why")
	}
	return nil
}
