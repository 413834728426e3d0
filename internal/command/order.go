package command

import (
	"time"

	"candidacy/internal/result"
)

// Place is where a report of a result belongs beside the one on record.
type Place int

// The places.
const (
	// Same: it says what is on record.
	Same Place = iota
	// Newer: it stands from now on.
	Newer
	// Older: it came too late; the one on record stands.
	Older
	// Against: it would make a final result preliminary, or bring back what was
	// entered in error. Only a person lets it in.
	Against
)

// PlaceOf puts a report beside the one on record. Reports that say when they were
// made end in the same one in whatever order they come: a status that is final
// counts more than one that is not, and an error that was reported more than
// both; then the later report; and of two at one time the correction. Among
// reports that say no time the last to come counts.
//
// Moves between statuses: HL7 FHIR R4, observation-status; that a final result
// does not become preliminary is common practice of laboratory interfaces.
func PlaceOf(known, next result.Result) Place {
	if SameContent(known, next) {
		return Same
	}
	later, told := compareTimes(known, next)
	was, is := finality(known.Status), finality(next.Status)
	switch {
	case known.Accepted && told && later < 0:
		// A person has let it in, knowing what came before it.
		return Older
	case is > was:
		return Newer
	case is < was && told && later <= 0:
		return Older
	case is < was:
		return Against
	case told && later != 0:
		if later > 0 {
			return Newer
		}
		return Older
	case correction(next.Status) < correction(known.Status):
		return Older
	default:
		return Newer
	}
}

// finality is how far a status is from one that still changes.
func finality(s result.Status) int {
	switch s {
	case result.Registered, result.Preliminary, result.Unknown:
		return 0
	case result.EnteredInError:
		return 2
	default:
		return 1
	}
}

func correction(s result.Status) int {
	switch s {
	case result.Registered, result.Unknown, result.Final:
		return 0
	default:
		return 1
	}
}

// compareTimes is positive when the next report was made later than the known
// one. It is not told when one of them doesn't say when it was made.
func compareTimes(known, next result.Result) (later int, told bool) {
	was, wasTold := madeAt(known)
	is, isTold := madeAt(next)
	if !wasTold || !isTold {
		return 0, false
	}
	if c := is.Compare(was); c != 0 {
		return c, true
	}
	// The same version may have been sent twice, the second time with more.
	was, wasTold = moment(known.Reported)
	is, isTold = moment(next.Reported)
	if wasTold && isTold {
		return is.Compare(was), true
	}
	return 0, true
}

// madeAt is when a report was issued, or when its message was made.
func madeAt(r result.Result) (time.Time, bool) {
	if at, ok := moment(r.Issued); ok {
		return at, true
	}
	return moment(r.Reported)
}

// LaterReport reports whether the same content was reported later than is known.
func LaterReport(known, next result.Result) bool {
	is, told := moment(next.Reported)
	was, wasTold := moment(known.Reported)
	return told && (!wasTold || is.After(was))
}

func moment(text string) (time.Time, bool) {
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.Parse(layout, text); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}
