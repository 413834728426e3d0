package pressure

import (
	"strconv"
	"strings"

	"candidacy/internal/clinical"
)

// Diary is when the candidate woke and went to sleep, as a local time of day.
// Sleep may be after midnight.
type Diary struct {
	Wake  string `json:"wake,omitempty" jsonschema:"time of waking, HH:MM"`
	Sleep string `json:"sleep,omitempty" jsonschema:"time of going to sleep, HH:MM; may be after midnight"`
}

// PeriodByDiary returns the period of a reading from its local time of day,
// HH:MM: day from waking to before going to sleep. It returns a *clinical.Error
// for a time that is missing or not HH:MM, and when waking and sleeping are at
// the same time. Source: the candidate's diary comes before fixed hours; common
// practice, no published source.
func PeriodByDiary(at string, d Diary) (Period, error) {
	for _, t := range []struct{ field, text string }{
		{"time of the reading", at}, {"time of waking", d.Wake}, {"time of sleep", d.Sleep},
	} {
		if err := checkTimeOfDay(t.field, t.text); err != nil {
			return "", err
		}
	}
	// Times of day as HH:MM are in the order of their text.
	awake := at >= d.Wake && at < d.Sleep
	switch {
	case d.Wake == d.Sleep:
		return "", &clinical.Error{Code: clinical.WrongOrder, Field: "time of sleep", Message: "waking and sleep must be at different times"}
	case d.Sleep < d.Wake:
		// The day goes on past midnight.
		awake = at >= d.Wake || at < d.Sleep
	}
	if awake {
		return DayTime, nil
	}
	return NightTime, nil
}

func checkTimeOfDay(field, text string) error {
	const layout = "HH:MM"
	if text == "" {
		return &clinical.Error{Code: clinical.Missing, Field: field, Message: "a time of day is required", Accepted: []string{layout}}
	}
	if hour, minute, ok := strings.Cut(text, ":"); ok && len(text) == len(layout) && len(hour) == len(minute) {
		h, hourErr := strconv.ParseUint(hour, 10, 0)
		m, minuteErr := strconv.ParseUint(minute, 10, 0)
		if hourErr == nil && minuteErr == nil && h < 24 && m < 60 {
			return nil
		}
	}
	return &clinical.Error{Code: clinical.OutOfRange, Field: field, Message: "the time is outside a day or written in another way", Accepted: []string{layout + ", 00:00 to 23:59"}}
}
