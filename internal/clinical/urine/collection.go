// Package urine computes what a timed or a spot urine sample tells: creatinine
// excretion with the completeness of the collection, albumin and protein
// excretion and their ratios to creatinine, the bands in which these lie, and
// whether red cells persist. The clearance of creatinine is in package renal.
// The limits of the bands belong to a programme: they are parameters.
package urine

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Collection is a timed urine collection. Duration is the real time between
// the two emptyings of the bladder, not the time that was planned.
type Collection struct {
	Volume   clinical.Measurement `json:"volume,omitzero" jsonschema:"urine volume in mL or L"`
	Duration clinical.Measurement `json:"duration,omitzero" jsonschema:"real time between the two emptyings of the bladder, in min, h or d"`
}

// The warnings about a collection.
const (
	// DurationNot24Hours: the duration is outside 20 to 28 h, so the amount
	// scaled to 24 h is an extrapolation.
	DurationNot24Hours clinical.WarningCode = "duration-not-24-hours"
	// DurationUnusual: the duration is within 20 to 28 h but outside 22 to 26 h.
	DurationUnusual clinical.WarningCode = "duration-unusual"
)

// Limits of a collection. Common practice, no published source; the upper limit
// of the duration and those of the volume and the concentrations only catch
// slips of entry, such as 1440 with the unit h.
const (
	lowestHours, highestHours           = 4, 72
	lowestDayHours, highestDayHours     = 20, 28
	usualLowestHours, usualHighestHours = 22, 26
	lowestVolumeML, highestVolumeML     = 50, 20000

	lowestCreatinineMgPerDL, highestCreatinineMgPerDL = 2, 500
	lowestAlbuminMgPerL, highestAlbuminMgPerL         = 0.1, 20000
	lowestProteinMgPerL, highestProteinMgPerL         = 1, 50000
)

// Values returns the volume in mL and the duration in min. It returns a
// *clinical.Error for a duration under 4 h or over 72 h and for a volume
// outside 50 to 20 000 mL.
func (c Collection) Values() (volumeML, minutes float64, err error) {
	volumeML, err = c.Volume.Within("urine volume", units.UrineVolume, lowestVolumeML, highestVolumeML, units.ML)
	if err != nil {
		return 0, 0, err
	}
	hours, err := c.Duration.Within("collection duration", units.Duration, lowestHours, highestHours, units.Hour)
	if err != nil {
		return 0, 0, err
	}
	return volumeML, hours * 60, nil
}

// describe adds the collection and the warnings about its duration to a result
// that was computed from it.
func (c Collection) describe(r *clinical.Result) {
	r.AddInput("urine volume", c.Volume)
	r.AddInput("collection duration", c.Duration)
	_, minutes, err := c.Values()
	if err != nil {
		return
	}
	switch hours := minutes / 60; {
	case hours < lowestDayHours || hours > highestDayHours:
		r.Warn(DurationNot24Hours, "the collection is outside %d to %d h, so an amount for 24 h is extrapolated", lowestDayHours, highestDayHours)
	case hours < usualLowestHours || hours > usualHighestHours:
		r.Warn(DurationUnusual, "the collection is outside %d to %d h", usualLowestHours, usualHighestHours)
	}
}

// CreatinineMgPerDL returns a urine creatinine in mg/dL. It returns a
// *clinical.Error outside 2 to 500 mg/dL.
func CreatinineMgPerDL(creatinine clinical.Measurement) (float64, error) {
	return creatinine.Within("urine creatinine", units.UrineCreatinine, lowestCreatinineMgPerDL, highestCreatinineMgPerDL, units.MgPerDL)
}

func albuminMgPerL(albumin clinical.Measurement) (float64, error) {
	return albumin.Within("urine albumin", units.UrineAlbumin, lowestAlbuminMgPerL, highestAlbuminMgPerL, units.MgPerL)
}

func proteinMgPerL(protein clinical.Measurement) (float64, error) {
	return protein.Within("urine protein", units.UrineProtein, lowestProteinMgPerL, highestProteinMgPerL, units.MgPerL)
}
