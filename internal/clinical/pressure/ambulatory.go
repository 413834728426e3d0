package pressure

import (
	"fmt"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Period tells whether the candidate was awake, by diary where there is one.
type Period string

// The periods of ambulatory monitoring.
const (
	DayTime   Period = "day"
	NightTime Period = "night"
)

// PeriodOfHour returns the period of a reading from its local hour, 0 to 23, for
// use without a diary: day from 7 to before 23. It returns a *clinical.Error for
// another hour. Common practice, no published source.
func PeriodOfHour(hour int) (Period, error) {
	switch {
	case hour < 0 || hour > 23:
		return "", &clinical.Error{Code: clinical.OutOfRange, Field: "hour", Message: "the hour is outside a day", Accepted: []string{"0 to 23"}}
	case hour >= 7 && hour < 23:
		return DayTime, nil
	}
	return NightTime, nil
}

// AmbulatoryReading is one reading of a monitor.
type AmbulatoryReading struct {
	Reading
	Period Period `json:"period,omitempty" jsonschema:"day or night; by the candidate's diary where there is one"`
}

// Counts tells how complete an ambulatory monitoring is.
type Counts struct {
	// Attempted is the number of readings the monitor tried to take.
	Attempted int `json:"attempted"`
	// Valid is the number of readings within the limits.
	Valid int `json:"valid"`
	// Day and Night are the valid readings of each period.
	Day   int `json:"day"`
	Night int `json:"night"`
}

// AmbulatoryFinding compares ambulatory means with their thresholds.
type AmbulatoryFinding string

// The findings of ambulatory monitoring.
const (
	// BelowThresholds: no mean reaches its threshold.
	BelowThresholds AmbulatoryFinding = "below-thresholds"
	// Hypertensive: the 24 h or the day mean reaches its threshold.
	Hypertensive AmbulatoryFinding = "hypertensive"
	// NightOnly: only the night mean reaches its threshold, of uncertain
	// meaning.
	NightOnly AmbulatoryFinding = "night-only"
)

// Ambulatory is the outcome of ambulatory blood pressure monitoring.
type Ambulatory struct {
	Day   Mean `json:"day"`
	Night Mean `json:"night"`
	// Whole is the mean of all valid readings, not that of day and night.
	Whole Mean `json:"whole"`
	// Dip is the fall of the systolic mean from day to night, in percent of the
	// day mean; it is negative when the night is higher.
	Dip float64 `json:"dip"`
	// Dipper tells whether Dip is more than 10 %.
	Dipper  bool              `json:"dipper"`
	Finding AmbulatoryFinding `json:"finding"`
	Counts  Counts            `json:"counts"`
}

// ReadingsLeftOut is the warning that readings outside the limits do not count.
const ReadingsLeftOut clinical.WarningCode = "readings-left-out"

// What a valid monitoring needs: the part of the attempts in percent, and the valid
// readings by day and by night. From memory: ESH position paper on ambulatory
// monitoring.
const (
	FewestValidPercent = 70
	FewestDay          = 20
	FewestNight        = 7
)

// dipperPercent: a fall of more than 10 % (common definition, no published
// source seen).
const dipperPercent = 10

// AmbulatoryMeans returns the mean blood pressures of day, night and 24 h in
// mm[Hg], the fall at night, and whether a mean reaches the ACC/AHA 2017
// threshold for the office target of DefaultTarget. Attempted is the number of readings the monitor tried to take,
// failed ones included. A reading outside 60 to 260 systolic or 30 to 160
// diastolic, or with a diastolic not below the systolic, is left out and counts
// as not valid.
//
// It returns a *clinical.Error for a pressure that is missing, not a positive
// number or in another unit, for an unknown period, for fewer attempts than
// readings, and with the code TooFew when less than 70 % of the attempts are
// valid or there are fewer than 20 valid readings by day or 7 by night. Sources:
// beside the limits.
func AmbulatoryMeans(readings []AmbulatoryReading, attempted int) (Ambulatory, error) {
	return AmbulatoryMeansFor(DefaultTarget(), readings, attempted)
}

// AmbulatoryMeansFor is AmbulatoryMeans with the thresholds that correspond to an
// office target that the programme chose. It also returns a *clinical.Error when
// the target is not one of Targets.
func AmbulatoryMeansFor(target Target, readings []AmbulatoryReading, attempted int) (Ambulatory, error) {
	thresholds, err := target.Thresholds()
	if err != nil {
		return Ambulatory{}, err
	}
	if attempted < len(readings) || attempted <= 0 {
		return Ambulatory{}, &clinical.Error{
			Code: clinical.OutOfRange, Field: "attempted readings",
			Message: "the number of attempted readings must be positive and not below the number of readings",
		}
	}
	var a Ambulatory
	var day, night, whole mean
	for i, r := range readings {
		field := fieldOf("reading", i)
		systolic, diastolic, err := r.values(field)
		if err != nil {
			return Ambulatory{}, err
		}
		if r.Period != DayTime && r.Period != NightTime {
			return Ambulatory{}, &clinical.Error{
				Code: clinical.UnknownChoice, Field: field + " period", Message: "the period is missing or not known",
				Accepted: []string{string(DayTime), string(NightTime)},
			}
		}
		if checkPair(field, systolic, diastolic) != nil {
			continue
		}
		whole.add(systolic, diastolic)
		a.Whole.addInput(field, r.Reading)
		if r.Period == DayTime {
			day.add(systolic, diastolic)
			a.Day.addInput(field, r.Reading)
		} else {
			night.add(systolic, diastolic)
			a.Night.addInput(field, r.Reading)
		}
	}
	a.Counts = Counts{Attempted: attempted, Valid: whole.n, Day: day.n, Night: night.n}
	if err := a.Counts.check(); err != nil {
		return Ambulatory{}, err
	}
	leftOut := len(readings) - whole.n
	a.Day.finish("day", day, leftOut, thresholds.Day)
	a.Night.finish("night", night, leftOut, thresholds.Night)
	a.Whole.finish("24h", whole, leftOut, thresholds.Whole)

	daily, nightly := a.Day.Systolic.Value.Value, a.Night.Systolic.Value.Value
	a.Dip = 100 * (daily - nightly) / daily
	a.Dipper = a.Dip > dipperPercent
	a.Night.Systolic.AddStep("fall from day to night", a.Dip, units.Percent)
	if clinical.NearThreshold(a.Dip, clinical.MoreThan, dipperPercent, 1) {
		a.Night.Systolic.Warn(clinical.NearThresholdWarning, "the fall at night is shown on another side of %d %% than it lies", dipperPercent)
	}
	switch {
	case a.Whole.reaches(thresholds.Whole) || a.Day.reaches(thresholds.Day):
		a.Finding = Hypertensive
	case a.Night.reaches(thresholds.Night):
		a.Finding = NightOnly
	default:
		a.Finding = BelowThresholds
	}
	return a, nil
}

func (c Counts) check() error {
	if c.Valid*100 >= FewestValidPercent*c.Attempted && c.Day >= FewestDay && c.Night >= FewestNight {
		return nil
	}
	return &clinical.Error{
		Code: clinical.TooFew, Field: "readings",
		Message: fmt.Sprintf("%d of %d readings are valid, %d by day and %d by night", c.Valid, c.Attempted, c.Day, c.Night),
		Accepted: []string{fmt.Sprintf("at least %d %% valid", FewestValidPercent),
			fmt.Sprintf("at least %d by day", FewestDay), fmt.Sprintf("at least %d by night", FewestNight)},
	}
}

func (m *Mean) finish(period string, values mean, leftOut int, threshold Pair) {
	systolic, diastolic := values.values()
	m.Systolic.Value, m.Diastolic.Value = mmHg(systolic), mmHg(diastolic)
	m.both(func(r *clinical.Result) {
		r.Equation = "ambulatory-mean-" + period + "-acc-aha-2017"
		r.Source = "mean of the valid readings; thresholds of the ACC/AHA guideline 2017"
		if leftOut > 0 {
			r.Warn(ReadingsLeftOut, "%d reading(s) outside the limits were left out", leftOut)
		}
	})
	warnNear(&m.Systolic, threshold.Systolic)
	warnNear(&m.Diastolic, threshold.Diastolic)
}

func (m Mean) reaches(threshold Pair) bool {
	return threshold.reachedBy(m.Systolic.Value.Value, m.Diastolic.Value.Value)
}
