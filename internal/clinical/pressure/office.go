package pressure

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Sitting is one occasion on which blood pressure was taken in the office, with
// the readings in order of time.
type Sitting struct {
	Readings []Reading `json:"readings,omitempty" jsonschema:"readings in order of time"`
}

// Office is the mean office blood pressure with its class.
type Office struct {
	Mean
	Class Class `json:"class"`
}

// The warnings of the office blood pressure.
const (
	// TooFewOccasions: without two readings on two occasions a pressure is not
	// classified.
	TooFewOccasions clinical.WarningCode = "too-few-occasions"
	// FirstReadingDiscarded: the first of three or more readings was left out.
	FirstReadingDiscarded clinical.WarningCode = "first-reading-discarded"
)

// The readings and occasions that the ACC/AHA guideline of 2017 asks for, and
// the number of readings from which the first is discarded (common practice, no
// published source).
const (
	readingsToClassify  = 2
	occasionsToClassify = 2
	readingsToDiscard   = 3
)

// OfficeMean returns the mean office blood pressure in mm[Hg]: the mean over
// sittings of the mean of each sitting, in which the first of three or more
// readings is discarded. The unrounded mean is classified by ACC/AHA 2017 when
// at least two readings were taken on at least two occasions (two sittings of
// one recorded day are one); otherwise the
// class is Unclassified, with a warning.
//
// It returns a *clinical.Error when there is no sitting, a sitting without
// readings, a pressure in another unit than mm[Hg], outside 60 to 260 systolic
// or 30 to 160 diastolic, or a diastolic not below the systolic. Source: ACC/AHA
// guideline of 2017.
func OfficeMean(sittings []Sitting) (Office, error) {
	if len(sittings) == 0 {
		return Office{}, &clinical.Error{Code: clinical.Missing, Field: "sittings", Message: "at least one sitting is required"}
	}
	var office Office
	var overall mean
	occasions := 0
	days := map[string]bool{}
	discarded := false
	for i, sitting := range sittings {
		systolic, diastolic, err := sitting.mean(fieldOf("sitting", i))
		if err != nil {
			return Office{}, err
		}
		overall.add(systolic, diastolic)
		name := fieldOf("mean of sitting", i)
		office.Systolic.AddStep(name, systolic, units.MmHg)
		office.Diastolic.AddStep(name, diastolic, units.MmHg)
		for _, r := range sitting.Readings {
			office.addInput(fieldOf("sitting", i), r)
		}
		// Two sittings of one day are one occasion.
		if day := sitting.day(); len(sitting.Readings) >= readingsToClassify && !days[day] {
			occasions++
			days[day] = day != ""
		}
		discarded = discarded || len(sitting.Readings) >= readingsToDiscard
	}
	systolic, diastolic := overall.values()
	office.Systolic.Value, office.Diastolic.Value = mmHg(systolic), mmHg(diastolic)
	office.both(func(r *clinical.Result) {
		r.Equation = "office-mean-acc-aha-2017"
		r.Source = "ACC/AHA guideline 2017; mean of sittings"
		if discarded {
			r.Warn(FirstReadingDiscarded, "the first of three or more readings of a sitting was left out")
		}
	})
	if occasions < occasionsToClassify {
		office.Class = Unclassified
		office.both(func(r *clinical.Result) {
			r.Warn(TooFewOccasions, "%d occasion(s) with two readings; two are needed to classify", occasions)
		})
		return office, nil
	}
	class, err := Classify(systolic, diastolic)
	if err != nil {
		return Office{}, err
	}
	office.Class = class
	warnNear(&office.Systolic, elevatedSystolic, stage1Systolic, stage2Systolic)
	warnNear(&office.Diastolic, stage1Diastolic, stage2Diastolic)
	return office, nil
}

// day is the calendar day of the sitting as recorded, empty when it was not.
func (s Sitting) day() string {
	day := s.Readings[0].Date
	return day[:min(len(day), len("2006-01-02"))]
}

func (s Sitting) mean(field string) (systolic, diastolic float64, err error) {
	if len(s.Readings) == 0 {
		return 0, 0, &clinical.Error{Code: clinical.Missing, Field: field, Message: "a sitting needs at least one reading"}
	}
	var m mean
	for i, r := range s.Readings {
		name := field + " " + fieldOf("reading", i)
		systolic, diastolic, err := r.values(name)
		if err != nil {
			return 0, 0, err
		}
		if err := checkPair(name, systolic, diastolic); err != nil {
			return 0, 0, err
		}
		if i == 0 && len(s.Readings) >= readingsToDiscard {
			continue
		}
		m.add(systolic, diastolic)
	}
	systolic, diastolic = m.values()
	return systolic, diastolic, nil
}
