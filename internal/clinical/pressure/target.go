package pressure

import "candidacy/internal/clinical"

// Pair is a systolic and a diastolic pressure in mm[Hg].
type Pair struct {
	Systolic  float64 `json:"systolic"`
	Diastolic float64 `json:"diastolic"`
}

func (p Pair) reachedBy(systolic, diastolic float64) bool {
	return systolic >= p.Systolic || diastolic >= p.Diastolic
}

// Target is the office pressure in mm[Hg] that a programme takes as its limit.
type Target string

// The targets for which corresponding ambulatory means are published.
const (
	Target120 Target = "120/80"
	Target130 Target = "130/80"
	Target140 Target = "140/90"
	Target160 Target = "160/100"
)

// Targets lists the values of Target.
func Targets() []Target { return []Target{Target120, Target130, Target140, Target160} }

// DefaultTarget is 130/80, where stage 1 of the ACC/AHA guideline of 2017
// begins.
func DefaultTarget() Target { return Target130 }

// Thresholds are the means, in mm[Hg], that correspond to one another.
type Thresholds struct {
	Office Pair `json:"office"`
	Day    Pair `json:"day"`
	Night  Pair `json:"night"`
	Whole  Pair `json:"whole"`
}

// Thresholds returns the ambulatory means that correspond to an office target.
// It returns a *clinical.Error for a target that is not one of Targets. Source:
// summary of a later AHA guideline, tables 7 and 9, modified from the ACC/AHA
// guideline of 2017 (Whelton).
func (t Target) Thresholds() (Thresholds, error) {
	switch t {
	case Target120:
		return Thresholds{Office: Pair{120, 80}, Day: Pair{120, 80}, Night: Pair{100, 65}, Whole: Pair{115, 75}}, nil
	case Target130:
		return Thresholds{Office: Pair{130, 80}, Day: Pair{130, 80}, Night: Pair{110, 65}, Whole: Pair{125, 75}}, nil
	case Target140:
		return Thresholds{Office: Pair{140, 90}, Day: Pair{135, 85}, Night: Pair{120, 70}, Whole: Pair{130, 80}}, nil
	case Target160:
		return Thresholds{Office: Pair{160, 100}, Day: Pair{145, 90}, Night: Pair{140, 85}, Whole: Pair{145, 90}}, nil
	}
	var accepted []string
	for _, t := range Targets() {
		accepted = append(accepted, string(t))
	}
	return Thresholds{}, &clinical.Error{Code: clinical.UnknownChoice, Field: "target", Message: "the office target is missing or not known", Accepted: accepted}
}
