// Package calendar writes planned visits as iCalendar files (RFC 5545, with the methods of
// RFC 5546). A file lands on telephones that others look at: it says when and where, and
// nothing of why. Times are written in UTC, so that they are the same moments whatever
// rules of summer time a telephone knows.
package calendar

import (
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"
)

// Event is one visit.
type Event struct {
	// UID stays the same over all changes and tells nothing (see UID).
	UID string
	// Sequence is 0 at first, and one more with each change.
	Sequence     int
	Starts, Ends time.Time
	// Summary is neutral, and Place as the candidate reads it.
	Summary, Place string
	Cancelled      bool
}

// MediaType is that of RFC 5545, section 8.1.
const MediaType = "text/calendar; charset=utf-8"

// product names who wrote a file, without a word of what the programme is for.
const product = "-//Hospital appointments//EN"

var namespace = uuid.MustParse("5a4b0a3c-6f0a-4d7e-9d6e-0c8a1f2b7d11")

// organizer is the calendar address that RFC 5546 wants: the address of nobody, since one
// of a department would tell what the visit is for.
var organizer = "urn:uuid:" + uuid.NewSHA1(namespace, []byte("organizer")).String()

// UID makes the id of an event from those of a candidate and a visit, neither of which
// can be read from it (RFC 7986, section 5.3, asks for a UUID).
func UID(candidate, visit string) string {
	return uuid.NewSHA1(namespace, []byte(candidate+"\n"+visit)).String()
}

// File writes events as one file. One event that is called off is a file of the method
// CANCEL, which takes it out of a calendar; anything else is one of the method PUBLISH, in
// which what is called off says so.
func File(events []Event, now time.Time) string {
	cal := ics.NewCalendarFor("")
	cal.SetProductId(product)
	cal.SetMethod(ics.MethodPublish)
	if len(events) == 1 && events[0].Cancelled {
		cal.SetMethod(ics.MethodCancel)
	}
	for _, e := range events {
		v := cal.AddEvent(e.UID)
		v.SetDtStampTime(now)
		v.SetStartAt(e.Starts)
		v.SetEndAt(e.Ends)
		v.SetSequence(e.Sequence)
		v.SetSummary(e.Summary)
		if e.Place != "" {
			v.SetLocation(e.Place)
		}
		v.SetProperty(ics.ComponentPropertyOrganizer, organizer)
		v.SetClass(ics.ClassificationPrivate)
		v.SetStatus(ics.ObjectStatusConfirmed)
		if e.Cancelled {
			v.SetStatus(ics.ObjectStatusCancelled)
		}
	}
	return cal.Serialize(ics.WithNewLineWindows)
}
