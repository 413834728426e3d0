// Package pressure computes mean blood pressures of a candidate, in the office
// and by ambulatory monitoring, classifies them by the ACC/AHA guideline of
// 2017, and says whether the two agree. Treatment is considered only there.
package pressure

import (
	"fmt"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Reading is one blood pressure. Date and Ref are optional.
type Reading struct {
	Systolic  units.Quantity `json:"systolic,omitzero" jsonschema:"systolic pressure in mm[Hg]"`
	Diastolic units.Quantity `json:"diastolic,omitzero" jsonschema:"diastolic pressure in mm[Hg]"`
	Date      string         `json:"date,omitempty" jsonschema:"date of the reading"`
	Ref       string         `json:"ref,omitempty" jsonschema:"id of the observation"`
}

// Mean is a mean blood pressure in mm[Hg]: the two results have the same
// warnings apart from those about a threshold.
type Mean struct {
	Systolic  clinical.Result `json:"systolic"`
	Diastolic clinical.Result `json:"diastolic"`
}

// Class is a class of the ACC/AHA guideline of 2017.
type Class string

// The classes of blood pressure. Unclassified means that there were too few
// readings or occasions.
const (
	Unclassified Class = "unclassified"
	Normal       Class = "normal"
	Elevated     Class = "elevated"
	Stage1       Class = "stage-1"
	Stage2       Class = "stage-2"
)

// Limits of a reading in mm[Hg]. Common practice, no published source.
const (
	lowestSystolic, highestSystolic   = 60, 260
	lowestDiastolic, highestDiastolic = 30, 160
)

// Thresholds of office blood pressure in mm[Hg]. Source: ACC/AHA guideline of
// 2017 (Whelton), as quoted in a summary.
const (
	elevatedSystolic = 120
	stage1Systolic   = 130
	stage1Diastolic  = 80
	stage2Systolic   = 140
	stage2Diastolic  = 90
)

// Classify returns the class of a mean systolic and diastolic office blood
// pressure in mm[Hg], unrounded. Each is classified by itself and the higher
// class counts. It returns a *clinical.Error outside 60 to 260 systolic or 30 to
// 160 diastolic, and when the diastolic is not below the systolic. Source:
// ACC/AHA guideline of 2017.
func Classify(systolic, diastolic float64) (Class, error) {
	if err := checkPair("mean", systolic, diastolic); err != nil {
		return Unclassified, err
	}
	switch {
	case systolic >= stage2Systolic || diastolic >= stage2Diastolic:
		return Stage2, nil
	case systolic >= stage1Systolic || diastolic >= stage1Diastolic:
		return Stage1, nil
	case systolic >= elevatedSystolic:
		return Elevated, nil
	}
	return Normal, nil
}

func checkPair(field string, systolic, diastolic float64) error {
	if err := clinical.CheckRange(field+" systolic", systolic, lowestSystolic, highestSystolic, units.MmHg); err != nil {
		return err
	}
	if err := clinical.CheckRange(field+" diastolic", diastolic, lowestDiastolic, highestDiastolic, units.MmHg); err != nil {
		return err
	}
	if diastolic >= systolic {
		return &clinical.Error{
			Code: clinical.OutOfRange, Field: field + " diastolic",
			Message: "the diastolic pressure must be below the systolic",
		}
	}
	return nil
}

// values returns the pressures of a reading in mm[Hg] without checking limits.
func (r Reading) values(field string) (systolic, diastolic float64, err error) {
	systolic, err = r.measurement(r.Systolic).In(field+" systolic", units.BloodPressure, units.MmHg)
	if err != nil {
		return 0, 0, err
	}
	diastolic, err = r.measurement(r.Diastolic).In(field+" diastolic", units.BloodPressure, units.MmHg)
	return systolic, diastolic, err
}

func (r Reading) measurement(q units.Quantity) clinical.Measurement {
	return clinical.Measurement{Quantity: q, Date: r.Date, Ref: r.Ref}
}

func mmHg(value float64) units.Quantity { return units.Quantity{Value: value, Unit: units.MmHg} }

// both calls add for the systolic and the diastolic result.
func (m *Mean) both(add func(r *clinical.Result)) {
	add(&m.Systolic)
	add(&m.Diastolic)
}

func (m *Mean) addInput(name string, r Reading) {
	m.Systolic.AddInput(name+" systolic", r.measurement(r.Systolic))
	m.Diastolic.AddInput(name+" diastolic", r.measurement(r.Diastolic))
}

// warnNear warns when a mean shown in whole mm[Hg] seems to reach a threshold
// that the unrounded mean does not reach.
func warnNear(r *clinical.Result, thresholds ...float64) {
	for _, t := range thresholds {
		if clinical.NearThreshold(r.Value.Value, clinical.AtLeast, t, 0) {
			r.Warn(clinical.NearThresholdWarning, "the mean is shown as %s mm[Hg] but is below the threshold of %g", clinical.Display(r.Value.Value, 0), t)
		}
	}
}

// mean collects the arithmetic mean of pairs.
type mean struct {
	systolic, diastolic float64
	n                   int
}

func (m *mean) add(systolic, diastolic float64) {
	m.systolic += systolic
	m.diastolic += diastolic
	m.n++
}

func (m mean) values() (systolic, diastolic float64) {
	return m.systolic / float64(m.n), m.diastolic / float64(m.n)
}

func fieldOf(kind string, index int) string { return fmt.Sprintf("%s %d", kind, index+1) }
