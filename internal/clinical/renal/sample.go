package renal

import (
	"fmt"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Sample is one plasma sample. Time is measured from the middle of the
// injection.
type Sample struct {
	Time          clinical.Measurement `json:"time" jsonschema:"time from the middle of the injection, in min, h or d"`
	Concentration clinical.Measurement `json:"concentration" jsonschema:"iohexol in ug/mL or mg/L, or the net count rate of a radioactive marker in /min/mL"`
}

// Limits of entry. They only catch slips such as a wrong unit; common practice,
// no published source.
const (
	lowestSampleMinutes, highestSampleMinutes   = 1, 2880
	lowestIohexolUgPerML, highestIohexolUgPerML = 0.5, 5000
)

// LowestDoseMg and HighestDoseMg bound a dose of iohexol in mg. Common practice, no
// published source.
const LowestDoseMg, HighestDoseMg = 100, 20000

// point is a sample in the units of the fit: minutes, and the amount of marker
// in 1 mL.
type point struct{ minutes, concentration float64 }

// checkCount refuses a list that is longer than any real one.
func checkCount(field string, n, most int) error {
	if n <= most {
		return nil
	}
	return &clinical.Error{Code: clinical.OutOfRange, Field: field, Message: "the list is too long", Accepted: []string{fmt.Sprintf("up to %d", most)}}
}

// CheckSample returns a *clinical.Error, as the methods do, for a time or a
// concentration of one sample that is missing, in another unit or not plausible.
func (m Marker) CheckSample(s Sample) error {
	_, err := m.pointsOf([]Sample{s})
	return err
}

// pointsOf converts the samples and checks that time increases.
func (m Marker) pointsOf(samples []Sample) ([]point, error) {
	if err := checkCount("samples", len(samples), mostSamples); err != nil {
		return nil, err
	}
	points := make([]point, 0, len(samples))
	for i, s := range samples {
		field := fmt.Sprintf("sample %d", i+1)
		minutes, err := s.Time.Within(field+" time", units.Duration, lowestSampleMinutes, highestSampleMinutes, units.Minute)
		if err != nil {
			return nil, err
		}
		concentration, err := m.concentration(field+" concentration", s.Concentration)
		if err != nil {
			return nil, err
		}
		if i > 0 && minutes <= points[i-1].minutes {
			return nil, &clinical.Error{
				Code: clinical.WrongOrder, Field: field + " time",
				Message: "times must increase from sample to sample",
			}
		}
		points = append(points, point{minutes, concentration})
	}
	return points, nil
}
