// Package glycaemia classifies fasting glucose, the 75 g tolerance test and
// HbA1c of a candidate by the tables of the American Diabetes Association, each
// in the unit that the laboratory reported, and says whether diabetes would be
// confirmed. Whether a candidate may donate is decided by people; gestational
// limits and treatment are not considered here.
package glycaemia

import (
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Class is a class of the tables of the American Diabetes Association.
type Class string

// The classes of glycaemia.
const (
	Normal      Class = "normal"
	Prediabetes Class = "prediabetes"
	Diabetes    Class = "diabetes"
)

// Classes lists the classes from the best to the worst.
func Classes() []Class { return []Class{Normal, Prediabetes, Diabetes} }

// source of the tables and of the rule of two results.
const source = "American Diabetes Association, Diabetes Care"

// The warnings of this package.
const (
	// PregnancyNotRecorded: the tables don't hold in pregnancy, and it was not
	// recorded.
	PregnancyNotRecorded clinical.WarningCode = "pregnancy-not-recorded"
	// ConditionNotRecorded: a condition that makes HbA1c not valid was not
	// recorded.
	ConditionNotRecorded clinical.WarningCode = "condition-not-recorded"
	// SymptomsNotRecorded: whether one result is enough depends on symptoms, and
	// they were not recorded.
	SymptomsNotRecorded clinical.WarningCode = "symptoms-not-recorded"
	// ResultNotCounted: a result is not valid and was left out.
	ResultNotCounted clinical.WarningCode = "result-not-counted"
	// SameReference: results with one reference have different values.
	SameReference clinical.WarningCode = "same-reference"
	// OnlyOpenResults: no result is valid without open questions.
	OnlyOpenResults clinical.WarningCode = "only-open-results"
)

// limits are the lowest values of prediabetes and of diabetes in one unit, and
// the decimals in which values of that unit are shown. The published limits in
// SI units are rounded, so that each unit has its own.
type limits struct {
	unit                  string
	prediabetes, diabetes float64
	decimals              int
}

// The tables of the American Diabetes Association, Diabetes Care. HbA1c in
// mmol/mol is printed as 39 to 46 or 47; here prediabetes ends below 48. The
// decimals are those of common practice: mmol/mol and mg/dL whole, others one.
func fastingLimits() []limits {
	return []limits{{units.MgPerDL, 100, 126, 0}, {units.MmolPerL, 5.6, 7.0, 1}}
}

func toleranceLimits() []limits {
	return []limits{{units.MgPerDL, 140, 200, 0}, {units.MmolPerL, 7.8, 11.1, 1}}
}

func hba1cLimits() []limits {
	return []limits{{units.Percent, 5.7, 6.5, 1}, {units.MmolPerMol, 39, 48, 0}}
}

// classify classifies a measurement by the limits of its own unit.
func classify(c *clinical.Conclusion, field string, analyte units.Analyte, m clinical.Measurement, tables []limits) error {
	value, err := m.In(field, analyte, m.Unit)
	if err != nil {
		return err
	}
	// In accepts no unit that the tables lack.
	l := tables[slices.IndexFunc(tables, func(l limits) bool { return l.unit == m.Unit })]
	class := Normal
	switch {
	case value >= l.diabetes:
		class = Diabetes
	case value >= l.prediabetes:
		class = Prediabetes
	}
	c.Answer = string(class)
	c.AddInput(field, m)
	show := func(v float64) string { return clinical.Display(v, l.decimals) + " " + l.unit }
	text := field + " is below " + show(l.prediabetes)
	switch class {
	case Prediabetes:
		text = field + " is at least " + show(l.prediabetes) + " and below " + show(l.diabetes)
	case Diabetes:
		text = field + " is at least " + show(l.diabetes)
	}
	c.AddReason(clinical.Decides, source, text)
	for _, threshold := range []float64{l.prediabetes, l.diabetes} {
		if clinical.NearThreshold(value, clinical.AtLeast, threshold, l.decimals) {
			c.Warn(clinical.NearThresholdWarning, "%s is shown as %s but is below that limit", field, show(value))
		}
	}
	return nil
}

// required returns an *clinical.Error unless the question was answered.
func required(field, question string, answer clinical.Answer) error {
	if err := clinical.CheckAnswer(field, answer); err != nil {
		return err
	}
	if answer == clinical.NotRecorded {
		return &clinical.Error{
			Code: clinical.Missing, Field: field, Message: question,
			Accepted: []string{string(clinical.Yes), string(clinical.No)},
		}
	}
	return nil
}

// FastingInput is a fasting plasma glucose.
type FastingInput struct {
	Glucose clinical.Measurement `json:"glucose,omitzero" jsonschema:"fasting plasma glucose in mg/dL or mmol/L"`
	Fasting clinical.Answer      `json:"fasting,omitempty" jsonschema:"yes or no: was the candidate fasting when the sample was taken? Required"`
	// Pregnancy is optional: without it the class stands, with a warning.
	Pregnancy clinical.Answer `json:"pregnancy,omitempty" jsonschema:"yes or no: is the candidate pregnant? Empty when not recorded"`
}

// FastingGlucose returns the class of a fasting plasma glucose: in mg/dL by 100
// and 126, in mmol/L by 5.6 and 7.0. It returns a *clinical.Error for a glucose
// that is missing, not a positive number, in another unit or typical of another
// unit, when the question whether it was fasting is not answered, with the code
// QualityRefused when it was not, and in pregnancy, where other limits hold.
// Source: American Diabetes Association, Diabetes Care.
func FastingGlucose(in FastingInput) (clinical.Conclusion, error) {
	if err := notPregnant(in.Pregnancy, "fasting glucose has other limits in pregnancy"); err != nil {
		return clinical.Conclusion{}, err
	}
	if err := required("fasting", "it must be recorded whether the candidate was fasting", in.Fasting); err != nil {
		return clinical.Conclusion{}, err
	}
	if in.Fasting == clinical.No {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.QualityRefused, Field: "fasting",
			Message: "the limits of the fasting glucose hold for a fasting sample only",
		}
	}
	c := clinical.Conclusion{Question: "class of fasting glucose", Rule: "fasting-glucose-ada", Source: source}
	if err := classify(&c, "fasting glucose", units.Glucose, in.Glucose, fastingLimits()); err != nil {
		return clinical.Conclusion{}, err
	}
	c.AddChoice("fasting", string(in.Fasting))
	addPregnancy(&c, in.Pregnancy)
	return c, nil
}

// ToleranceInput is an oral glucose tolerance test.
type ToleranceInput struct {
	Glucose   clinical.Measurement `json:"glucose,omitzero" jsonschema:"plasma glucose 2 h after the drink, in mg/dL or mmol/L"`
	Dose      clinical.Measurement `json:"dose,omitzero" jsonschema:"anhydrous glucose that was drunk, in g or mg; must be 75 g"`
	Time      clinical.Measurement `json:"time,omitzero" jsonschema:"time from the drink to the sample in min or h; must be about 120 min"`
	Pregnancy clinical.Answer      `json:"pregnancy,omitempty" jsonschema:"yes or no: is the candidate pregnant? Empty when not recorded"`
}

// The tolerance test of the American Diabetes Association: 75 g of glucose and a
// sample after 120 min. That the sample may be 5 min early or late is common
// practice, no published source.
const (
	toleranceGrams        = 75
	toleranceMinutes      = 120
	toleranceMinutesApart = 5
)

// toleranceName is how reasons and errors call the glucose of the test.
const toleranceName = "glucose 2 h after 75 g"

// ToleranceGlucose returns the class of the plasma glucose 2 h after 75 g of
// glucose: in mg/dL by 140 and 200, in mmol/L by 7.8 and 11.1. It returns a
// *clinical.Error for a value that is missing, not a positive number, in another
// unit or typical of another unit, for a dose other than 75 g, a sample outside
// 115 to 125 min, and in pregnancy, where other limits hold. Source: American
// Diabetes Association, Diabetes Care.
func ToleranceGlucose(in ToleranceInput) (clinical.Conclusion, error) {
	if err := notPregnant(in.Pregnancy, "the tolerance test has other limits in pregnancy"); err != nil {
		return clinical.Conclusion{}, err
	}
	if _, err := in.Dose.Within("glucose dose", units.MedicineDose, toleranceGrams, toleranceGrams, units.Gram); err != nil {
		return clinical.Conclusion{}, err
	}
	if _, err := in.Time.Within("time after the drink", units.Duration,
		toleranceMinutes-toleranceMinutesApart, toleranceMinutes+toleranceMinutesApart, units.Minute); err != nil {
		return clinical.Conclusion{}, err
	}
	c := clinical.Conclusion{Question: "class of the 75 g tolerance test", Rule: "tolerance-test-75g-2h-ada", Source: source}
	if err := classify(&c, toleranceName, units.Glucose, in.Glucose, toleranceLimits()); err != nil {
		return clinical.Conclusion{}, err
	}
	c.AddInput("glucose dose", in.Dose)
	c.AddInput("time after the drink", in.Time)
	addPregnancy(&c, in.Pregnancy)
	return c, nil
}

// addPregnancy lists the answer to the question about pregnancy of a glucose.
func addPregnancy(c *clinical.Conclusion, answer clinical.Answer) {
	c.AddChoice("pregnancy", string(answer))
	if answer == clinical.NotRecorded {
		const text = "pregnancy was not recorded; the limits do not hold in pregnancy"
		c.AddReason(clinical.NotKnown, "", text)
		c.Warn(PregnancyNotRecorded, text)
	}
}

func notPregnant(answer clinical.Answer, message string) error {
	if err := clinical.CheckAnswer("pregnancy", answer); err != nil {
		return err
	}
	if answer == clinical.Yes {
		return &clinical.Error{Code: clinical.NotValidInPregnancy, Field: "pregnancy", Message: message}
	}
	return nil
}
