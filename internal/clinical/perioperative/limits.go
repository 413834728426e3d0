package perioperative

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/clinical"
)

// Limit is a restriction that ends a number of whole weeks after the operation.
// Source says where the number comes from; it is shown beside the date.
type Limit struct {
	Name   string `json:"name" jsonschema:"short name of the limit, such as lifting"`
	Weeks  int    `json:"weeks" jsonschema:"whole weeks after the operation, 1 to 104"`
	Source string `json:"source,omitzero" jsonschema:"where the number of weeks comes from"`
}

// The names of the limits of DefaultLimits.
const (
	Lifting           = "lifting"
	Soaking           = "soaking"
	DeskWork          = "desk-work"
	HeavyWorkEarliest = "heavy-work-earliest"
	HeavyWork         = "heavy-work"
)

// DefaultLimits returns the usual limits, which a programme replaces by its own:
// nothing above about 4 kg lifted for 6 weeks, no bath or pool for 4, desk work
// from 4, heavy work from 6 to 8. Common practice, no published source; leaflets
// of single hospitals agree on lifting.
func DefaultLimits() []Limit {
	const source = "common practice, no published source"
	return []Limit{
		{Lifting, 6, source}, {Soaking, 4, source}, {DeskWork, 4, source},
		{HeavyWorkEarliest, 6, source}, {HeavyWork, 8, source},
	}
}

// LimitEnd is a limit with the date, as yyyy-mm-dd, on which it ends.
type LimitEnd struct {
	Limit
	Ends string `json:"ends"`
}

// Limits is when the limits after an operation end, in the order they were
// given. The surgeon's clearance counts, not the date alone.
type Limits struct {
	OperationDate string     `json:"operationDate"`
	Rule          string     `json:"rule"`
	Ends          []LimitEnd `json:"ends"`
}

// Plausible dates and limits. They only catch slips of entry: no kidney of a
// living donor was transplanted before 1950, and two years cover every limit
// after donation. Common practice, no published source.
const (
	earliestYear, latestYear = 1950, 2199
	mostWeeks                = 104
)

const daysAWeek = 7

// LimitsAfterOperation returns the date on which each limit ends: the day of the
// operation is day 0 and a limit ends 7 days a week later, by the calendar,
// without time of day or time zone.
//
// The date of the operation is yyyy-mm-dd and complete. It returns a
// *clinical.Error for another or an impossible date, a year outside 1950 to
// 2199, no limit at all, a limit without a name, and weeks that are not 1 to
// 104. Source: common practice, no published source.
func LimitsAfterOperation(operationDate string, limits []Limit) (Limits, error) {
	day0, err := parseDate("operation date", operationDate)
	if err != nil {
		return Limits{}, err
	}
	if len(limits) == 0 {
		return Limits{}, &clinical.Error{Code: clinical.Missing, Field: "limits", Message: "at least one limit is required"}
	}
	result := Limits{OperationDate: operationDate, Rule: "operation-date-plus-weeks"}
	for i, limit := range limits {
		field := fmt.Sprintf("limit %d", i+1)
		if strings.TrimSpace(limit.Name) == "" {
			return Limits{}, &clinical.Error{Code: clinical.Missing, Field: field + " name", Message: "a limit needs a name"}
		}
		if limit.Weeks <= 0 {
			return Limits{}, &clinical.Error{Code: clinical.NotPositive, Field: field + " weeks", Message: "the number of weeks must be greater than zero"}
		}
		if limit.Weeks > mostWeeks {
			return Limits{}, &clinical.Error{
				Code: clinical.OutOfRange, Field: field + " weeks", Message: "the value is outside the plausible range",
				Accepted: []string{fmt.Sprintf("1 to %d weeks", mostWeeks)},
			}
		}
		ends := day0.AddDate(0, 0, daysAWeek*limit.Weeks)
		result.Ends = append(result.Ends, LimitEnd{Limit: limit, Ends: ends.Format(time.DateOnly)})
	}
	return result, nil
}

// parseDate reads a complete date. Formatting it again refuses what is no day of
// the calendar and every other spelling.
func parseDate(field, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, &clinical.Error{Code: clinical.Missing, Field: field, Message: "a complete date is required", Accepted: []string{"yyyy-mm-dd"}}
	}
	refused := &clinical.Error{
		Code: clinical.OutOfRange, Field: field, Message: "not a complete date of the calendar",
		Accepted: []string{fmt.Sprintf("yyyy-mm-dd, years %d to %d", earliestYear, latestYear)},
	}
	if len(text) != len(time.DateOnly) {
		return time.Time{}, refused
	}
	year, errYear := strconv.Atoi(text[:len("yyyy")])
	month, errMonth := strconv.Atoi(text[len("yyyy-"):len("yyyy-mm")])
	day, errDay := strconv.Atoi(text[len("yyyy-mm-"):])
	if errYear != nil || errMonth != nil || errDay != nil || year < earliestYear || year > latestYear {
		return time.Time{}, refused
	}
	// The zero time is the first day of the year 1, in UTC.
	date := time.Time{}.AddDate(year-1, month-1, day-1)
	if date.Format(time.DateOnly) != text {
		return time.Time{}, refused
	}
	return date, nil
}
