package urine

import (
	"fmt"
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// ErythrocyteSample is the red cell count of one urine sample, with the
// circumstances in which it tells nothing about the kidney.
type ErythrocyteSample struct {
	Cells        clinical.Measurement `json:"cells,omitzero" jsonschema:"red cells in a high power field, /[HPF]; zero is a result"`
	Menstruation clinical.Answer      `json:"menstruation,omitempty" jsonschema:"yes or no: taken during menstruation? Empty when not recorded"`
	Exercise     clinical.Answer      `json:"exercise,omitempty" jsonschema:"yes or no: taken after hard exercise? Empty when not recorded"`
	Infection    clinical.Answer      `json:"infection,omitempty" jsonschema:"yes or no: urinary infection at the time? Empty when not recorded"`
}

// HaematuriaRule is what a programme sets.
type HaematuriaRule struct {
	// LaboratoryLimit is the highest number of red cells in a high power field
	// that the laboratory still reports as normal.
	LaboratoryLimit float64 `json:"laboratoryLimit" jsonschema:"highest normal number of red cells in a high power field"`
}

// DefaultHaematuriaRule returns a laboratory limit of 2 red cells, which stands
// for the limit of the site's own laboratory. Source: KDIGO 2017, chapter 7
// (from memory).
func DefaultHaematuriaRule() HaematuriaRule { return HaematuriaRule{LaboratoryLimit: 2} }

// The answers of Haematuria.
const (
	// NotAboveLimit: no valid sample was above the limit.
	NotAboveLimit = "not-above-limit"
	// RepeatNeeded: a second or third valid sample is needed.
	RepeatNeeded = "repeat-needed"
	// IsolatedOrTransient: above the limit, but not in two of the last three.
	IsolatedOrTransient = "isolated-or-transient"
	// Persistent: above the limit in two of the last three.
	Persistent = "persistent"
)

// The warnings of Haematuria.
const (
	// SampleExcluded: a sample was left out and has to be repeated.
	SampleExcluded clinical.WarningCode = "sample-excluded"
	// CircumstanceNotRecorded: a circumstance that excludes a sample was not
	// recorded.
	CircumstanceNotRecorded clinical.WarningCode = "circumstance-not-recorded"
	// PersistentBefore: an earlier series of three samples was persistent.
	PersistentBefore clinical.WarningCode = "persistent-before"
)

// Persistent means at least two of the last three samples. Source: KDIGO 2017,
// chapter 7 (from memory).
const (
	samplesWeighed    = 3
	samplesToPersist  = 2
	haematuriaSource  = "KDIGO 2017, chapter 7 (from memory)"
	haematuriaRuleKey = "haematuria-2-of-3-kdigo-2017"
)

// Haematuria tells whether red cells in urine persist: more than the laboratory
// limit in at least two of the last three samples. One sample above the limit
// asks for a second and a third. The samples are in order of time; one that was
// taken during menstruation, after exercise or with an infection is listed, not
// counted, and has to be repeated.
//
// It returns a *clinical.Error when there is no sample, for a count that is
// missing, negative, not finite or in another unit, for an unknown answer, and
// for a limit that is negative or not finite. Source: KDIGO 2017, chapter 7, from
// memory.
func Haematuria(samples []ErythrocyteSample, rule HaematuriaRule) (clinical.Conclusion, error) {
	if !(rule.LaboratoryLimit >= 0) || math.IsInf(rule.LaboratoryLimit, 1) {
		return clinical.Conclusion{}, &clinical.Error{Code: clinical.OutOfRange, Field: "laboratory limit", Message: "the limit must be zero or a positive number"}
	}
	if len(samples) == 0 {
		return clinical.Conclusion{}, &clinical.Error{Code: clinical.Missing, Field: "samples", Message: "at least one sample is required"}
	}
	c := clinical.Conclusion{Question: "red cells in urine", Rule: haematuriaRuleKey, Source: haematuriaSource}
	var list []counted
	for i, s := range samples {
		field := fmt.Sprintf("sample %d", i+1)
		cells, err := s.Cells.In(field+" red cells", units.UrineErythrocytes, units.PerHighField)
		if err != nil {
			return clinical.Conclusion{}, err
		}
		c.AddInput(field+" red cells", s.Cells)
		valid, err := s.checkCircumstances(&c, field)
		if err != nil {
			return clinical.Conclusion{}, err
		}
		if valid {
			list = append(list, newCounted(field, cells, rule.LaboratoryLimit))
		}
	}
	conclude(&c, list)
	return c, nil
}

// checkCircumstances tells whether a sample counts, and lists why not.
func (s ErythrocyteSample) checkCircumstances(c *clinical.Conclusion, field string) (valid bool, err error) {
	valid = true
	for _, q := range []struct {
		name   string
		answer clinical.Answer
	}{
		{"menstruation", s.Menstruation},
		{"exercise", s.Exercise},
		{"infection", s.Infection},
	} {
		name := field + " " + q.name
		if err := clinical.CheckAnswer(name, q.answer); err != nil {
			return false, err
		}
		c.AddChoice(name, string(q.answer))
		switch q.answer {
		case clinical.Yes:
			valid = false
			c.AddReason(clinical.Neutral, "", field+" is not counted because of "+q.name)
			c.Warn(SampleExcluded, "%s is not counted because of %s; repeat it", field, q.name)
		case clinical.NotRecorded:
			c.AddReason(clinical.NotKnown, "", name+" was not recorded; the sample would not count with it")
			c.Warn(CircumstanceNotRecorded, "%s was not recorded; the sample would not count with it", name)
		}
	}
	return valid, nil
}

// counted is a sample that counts.
type counted struct {
	text  string
	above bool
}

func newCounted(field string, cells, limit float64) counted {
	if cells > limit {
		return counted{fmt.Sprintf("%s has more than %g red cells", field, limit), true}
	}
	return counted{fmt.Sprintf("%s has at most %g red cells", field, limit), false}
}

// everPersistent reports whether any three samples in a row would have been
// persistent.
func everPersistent(all []counted) bool {
	for end := samplesToPersist; end <= len(all); end++ {
		above := 0
		for _, s := range all[max(end-samplesWeighed, 0):end] {
			if s.above {
				above++
			}
		}
		if above >= samplesToPersist {
			return true
		}
	}
	return false
}

func conclude(c *clinical.Conclusion, all []counted) {
	last := all[max(len(all)-samplesWeighed, 0):]
	above, ever := 0, false
	for _, s := range all {
		ever = ever || s.above
	}
	for _, s := range last {
		if s.above {
			above++
		}
	}
	switch {
	case above >= samplesToPersist:
		c.Answer = Persistent
	case len(all) == 0 || ever && len(last) < samplesWeighed:
		c.Answer = RepeatNeeded
	case ever:
		c.Answer = IsolatedOrTransient
	default:
		c.Answer = NotAboveLimit
	}
	if c.Answer != Persistent && everPersistent(all) {
		c.Warn(PersistentBefore, "an earlier series of three samples was persistent; let the nephrologist judge the whole course")
	}
	for i, s := range all {
		weight := clinical.Opposes
		switch {
		case i < len(all)-len(last):
			weight = clinical.Neutral
		case s.above == ever:
			weight = clinical.Supports
		}
		c.AddReason(weight, haematuriaSource, s.text)
	}
	if len(all) == 0 {
		c.AddReason(clinical.Decides, haematuriaSource, "no sample counts")
		return
	}
	text := fmt.Sprintf("%d of the last %d samples that count are above the limit; persistent means %d of %d", above, len(last), samplesToPersist, samplesWeighed)
	if c.Answer == RepeatNeeded {
		text += fmt.Sprintf("; %d more are needed", samplesWeighed-len(last))
	}
	c.AddReason(clinical.Decides, haematuriaSource, text)
}
