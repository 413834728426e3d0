package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Subject is what the estimating equations need beside the blood sample. Age
// is in completed years at the date of the sample.
type Subject struct {
	Age        int          `json:"age" jsonschema:"age in completed years at the date of the sample"`
	Sex        clinical.Sex `json:"sex,omitempty" jsonschema:"sex used by the equation; leave it out where another or none is recorded, and an estimate shows both"`
	Conditions Conditions   `json:"conditions,omitzero" jsonschema:"circumstances in which an estimate is not valid or is read with care"`
}

// Conditions are the circumstances in which an estimate is not valid or is to
// be read with care. The body mass index is optional.
type Conditions struct {
	// Pregnancy makes every estimate invalid.
	Pregnancy clinical.Answer `json:"pregnancy,omitempty" jsonschema:"is the candidate pregnant"`
	// UnsteadyCreatinine: acute illness or a creatinine that is changing.
	UnsteadyCreatinine clinical.Answer `json:"unsteadyCreatinine,omitempty" jsonschema:"is there an acute illness or a changing creatinine"`
	// UnusualMuscleOrDiet: amputation, body-building, paralysis, a diet high in
	// meat, or creatine.
	UnusualMuscleOrDiet clinical.Answer `json:"unusualMuscleOrDiet,omitempty" jsonschema:"amputation, body-building, paralysis, a diet high in meat, or creatine"`
	// CystatinCAltered: thyroid disease, steroids, smoking or inflammation.
	CystatinCAltered clinical.Answer `json:"cystatinCAltered,omitempty" jsonschema:"thyroid disease, steroids, smoking or inflammation"`
	// BodyMassIndex in kg/m2, if known.
	BodyMassIndex clinical.Measurement `json:"bodyMassIndex,omitzero" jsonschema:"body mass index in kg/m2"`
}

// ForEachSex estimates with the recorded sex, or with each of the two where
// another or none is recorded: both are shown then, and nothing is assumed. It
// returns the first error.
func (s Subject) ForEachSex(estimate func(Subject) (Estimate, error)) ([]Estimate, error) {
	if s.Sex != "" {
		e, err := estimate(s)
		return []Estimate{e}, err
	}
	var both []Estimate
	for _, sex := range clinical.Sexes() {
		s.Sex = sex
		e, err := estimate(s)
		if err != nil {
			return nil, err
		}
		e.Warn(SexNotRecorded, "no sex was recorded that the equation knows; this is with the coefficients for %s, the other is shown beside it", sex)
		both = append(both, e)
	}
	return both, nil
}

// Estimate is an estimated GFR.
type Estimate struct {
	clinical.Result
	GFR NormalisedGFR `json:"gfr"`
}

// The warnings of the estimates. Common practice, no published source.
const (
	// CreatinineHighForCandidate: more than 1.5 mg/dL (133 umol/L), probably a
	// wrong unit.
	CreatinineHighForCandidate clinical.WarningCode = "creatinine-high-for-candidate"
	// PregnancyNotRecorded: no answer was recorded for a woman.
	PregnancyNotRecorded clinical.WarningCode = "pregnancy-not-recorded"
	// SexNotRecorded: the estimate is one of two, by the coefficients of each sex.
	SexNotRecorded clinical.WarningCode = "sex-not-recorded"
	// CreatinineNotSteady: acute illness or a changing creatinine.
	CreatinineNotSteady clinical.WarningCode = "creatinine-not-steady"
	// MuscleMassUnusual: creatinine does not reflect GFR as usual.
	MuscleMassUnusual clinical.WarningCode = "muscle-mass-unusual"
	// CystatinCUnreliable: cystatin C does not reflect GFR as usual.
	CystatinCUnreliable clinical.WarningCode = "cystatin-c-unreliable"
	// EstimatesDisagree: the estimates from creatinine and from cystatin C
	// differ by more than 15 mL/min/{1.73_m2}.
	EstimatesDisagree clinical.WarningCode = "estimates-disagree"
)

// Limits. Common practice, no published source; the BMI limits of entry only
// catch slips.
const (
	lowestCreatinineMgPerDL, highestCreatinineMgPerDL = 0.2, 15
	lowestCystatinMgPerL, highestCystatinMgPerL       = 0.3, 8
	highCreatinineMgPerDL                             = 1.5
	lowestBMI, highestBMI                             = 10, 100
	lowMuscleBMI, highMuscleBMI, obesityBMI           = 18.5, 40, 30
	largestDisagreement                               = 15
)

// The concentrations at which the CKD-EPI equations have their knots: serum
// creatinine in mg/dL by sex, cystatin C in mg/L (Inker, N Engl J Med
// 2021;385:1737 and 2012;367:20).
const (
	kappaFemale   = 0.7
	kappaMale     = 0.9
	kappaCystatin = 0.8
)

const (
	inker2021 = "Inker, N Engl J Med 2021;385:1737"
	inker2012 = "Inker, N Engl J Med 2012;367:20"
)

// CKDEPICreatinine2021 estimates GFR from serum creatinine, without race. The
// assay must be traceable to IDMS. The result is in mL/min/{1.73_m2}.
//
// It returns a *clinical.Error when the creatinine is missing, in an unknown or
// probably wrong unit or outside 0.2 to 15 mg/dL, for an age under 18, for a
// sex that is neither female nor male, and in pregnancy. Source: Inker, N Engl
// J Med 2021;385:1737.
func CKDEPICreatinine2021(creatinine clinical.Measurement, s Subject) (Estimate, error) {
	scr, err := creatinineMgPerDL(creatinine)
	if err != nil {
		return Estimate{}, err
	}
	bmi, err := s.check()
	if err != nil {
		return Estimate{}, err
	}
	e := newEstimate(ckdepiCreatinine2021(scr, s.Age, s.Sex), "ckdepi-cr-2021", inker2021)
	e.AddInput("serum creatinine", creatinine)
	s.describe(&e.Result)
	s.warnAboutCreatinine(&e.Result, scr, bmi)
	return e, nil
}

// CKDEPICystatinC2012 estimates GFR from cystatin C. The assay must be
// traceable to ERM-DA471/IFCC. The result is in mL/min/{1.73_m2}.
//
// It returns a *clinical.Error when the cystatin C is missing, not in mg/L or
// outside 0.3 to 8 mg/L, for an age under 18, for a sex that is neither female
// nor male, and in pregnancy. Source: Inker, N Engl J Med 2012;367:20.
func CKDEPICystatinC2012(cystatinC clinical.Measurement, s Subject) (Estimate, error) {
	scys, err := cystatinMgPerL(cystatinC)
	if err != nil {
		return Estimate{}, err
	}
	bmi, err := s.check()
	if err != nil {
		return Estimate{}, err
	}
	e := newEstimate(ckdepiCystatinC2012(scys, s.Age, s.Sex), "ckdepi-cys-2012", inker2012)
	e.AddInput("cystatin C", cystatinC)
	s.describe(&e.Result)
	s.warnAboutCystatinC(&e.Result, bmi)
	return e, nil
}

// CKDEPICreatinineCystatinC2021 estimates GFR from serum creatinine and
// cystatin C together, without race. The result is in mL/min/{1.73_m2}. The two
// single estimates are among its steps; it warns when they differ by more than
// 15. Its errors are those of the two single estimates. Source: Inker, N Engl J
// Med 2021;385:1737.
func CKDEPICreatinineCystatinC2021(creatinine, cystatinC clinical.Measurement, s Subject) (Estimate, error) {
	scr, err := creatinineMgPerDL(creatinine)
	if err != nil {
		return Estimate{}, err
	}
	scys, err := cystatinMgPerL(cystatinC)
	if err != nil {
		return Estimate{}, err
	}
	bmi, err := s.check()
	if err != nil {
		return Estimate{}, err
	}
	e := newEstimate(ckdepiCreatinineCystatinC2021(scr, scys, s.Age, s.Sex), "ckdepi-cr-cys-2021", inker2021)
	e.AddInput("serum creatinine", creatinine)
	e.AddInput("cystatin C", cystatinC)
	s.describe(&e.Result)
	s.warnAboutCreatinine(&e.Result, scr, bmi)
	s.warnAboutCystatinC(&e.Result, bmi)
	fromCreatinine := ckdepiCreatinine2021(scr, s.Age, s.Sex)
	fromCystatinC := ckdepiCystatinC2012(scys, s.Age, s.Sex)
	e.AddStep("estimate from creatinine alone (ckdepi-cr-2021)", float64(fromCreatinine), units.MLPerMinPer173M2)
	e.AddStep("estimate from cystatin C alone (ckdepi-cys-2012)", float64(fromCystatinC), units.MLPerMinPer173M2)
	if math.Abs(float64(fromCreatinine-fromCystatinC)) > largestDisagreement {
		e.Warn(EstimatesDisagree, "the estimates from creatinine and cystatin C differ by more than %d mL/min/1.73 m2; measure GFR", largestDisagreement)
	}
	return e, nil
}

func newEstimate(gfr NormalisedGFR, equation, source string) Estimate {
	return Estimate{
		Result: clinical.Result{Value: gfr.Quantity(), Equation: equation, Source: source},
		GFR:    gfr,
	}
}

// ckdepiCreatinine2021: coefficients from Inker, N Engl J Med 2021;385:1737, as
// printed on the equation page of the National Kidney Foundation.
func ckdepiCreatinine2021(scr float64, age int, sex clinical.Sex) NormalisedGFR {
	kappa, alpha, factor := coefficientsCreatinine(sex)
	gfr := 142 * twoSlopes(scr/kappa, alpha, aboveCreatinine) * math.Pow(0.9938, float64(age)) * factor
	return NormalisedGFR(gfr)
}

// aboveCreatinine is the exponent above the knot, for both sexes.
const aboveCreatinine = -1.200

// coefficientsCreatinine returns the knot in mg/dL, the exponent below it, and
// the factor for the sex.
func coefficientsCreatinine(sex clinical.Sex) (kappa, alpha, factor float64) {
	if sex == clinical.Female {
		return kappaFemale, -0.241, 1.012
	}
	return kappaMale, -0.302, 1
}

// ckdepiCystatinC2012: coefficients from Inker, N Engl J Med 2012;367:20, as
// printed on the equation page of the National Kidney Foundation and in BioMed
// Res Int 2014, article 916542. One page prints 0.9962 for the age; two print
// 0.996, which is used.
func ckdepiCystatinC2012(scys float64, age int, sex clinical.Sex) NormalisedGFR {
	factor := 1.0
	if sex == clinical.Female {
		factor = 0.932
	}
	gfr := 133 * twoSlopes(scys/kappaCystatin, -0.499, -1.328) * math.Pow(0.996, float64(age)) * factor
	return NormalisedGFR(gfr)
}

// ckdepiCreatinineCystatinC2021: coefficients from Inker, N Engl J Med
// 2021;385:1737, as printed in two secondary sources.
func ckdepiCreatinineCystatinC2021(scr, scys float64, age int, sex clinical.Sex) NormalisedGFR {
	kappa, alpha, factor := kappaMale, -0.144, 1.0
	if sex == clinical.Female {
		kappa, alpha, factor = kappaFemale, -0.219, 0.963
	}
	gfr := 135 * twoSlopes(scr/kappa, alpha, -0.544) * twoSlopes(scys/kappaCystatin, -0.323, -0.778) *
		math.Pow(0.9961, float64(age)) * factor
	return NormalisedGFR(gfr)
}

// twoSlopes is min(x,1)^below times max(x,1)^above: a power of x with another
// exponent on each side of the knot, and 1 at the knot.
func twoSlopes(x, below, above float64) float64 {
	return math.Pow(math.Min(x, 1), below) * math.Pow(math.Max(x, 1), above)
}

func creatinineMgPerDL(m clinical.Measurement) (float64, error) {
	return creatinineOf("serum creatinine", m)
}

// creatinineOf returns a serum creatinine in mg/dL.
func creatinineOf(field string, m clinical.Measurement) (float64, error) {
	return m.Within(field, units.SerumCreatinine, lowestCreatinineMgPerDL, highestCreatinineMgPerDL, units.MgPerDL)
}

func cystatinMgPerL(m clinical.Measurement) (float64, error) {
	return m.Within("cystatin C", units.CystatinC, lowestCystatinMgPerL, highestCystatinMgPerL, units.MgPerL)
}

// check returns the body mass index in kg/m2, or zero when it was not given.
func (s Subject) check() (bmi float64, err error) {
	if err := clinical.CheckAge("age", s.Age); err != nil {
		return 0, err
	}
	if err := clinical.CheckSex("sex", s.Sex); err != nil {
		return 0, err
	}
	for _, q := range s.Conditions.answers() {
		if err := clinical.CheckAnswer(q.name, q.answer); err != nil {
			return 0, err
		}
	}
	if s.Conditions.Pregnancy == clinical.Yes {
		return 0, &clinical.Error{
			Code: clinical.NotValidInPregnancy, Field: "pregnancy",
			Message: "estimating equations do not hold in pregnancy",
		}
	}
	if !s.Conditions.BodyMassIndex.Given() {
		return 0, nil
	}
	return s.Conditions.BodyMassIndex.Within("body mass index", units.BodyMassIndex, lowestBMI, highestBMI, units.KgPerM2)
}

type question struct {
	name   string
	answer clinical.Answer
}

func (c Conditions) answers() []question {
	return []question{
		{"pregnancy", c.Pregnancy},
		{"unsteady creatinine", c.UnsteadyCreatinine},
		{"unusual muscle mass or diet", c.UnusualMuscleOrDiet},
		{"condition that alters cystatin C", c.CystatinCAltered},
	}
}

func (s Subject) describe(r *clinical.Result) {
	r.AddInput("age", clinical.NewMeasurement(float64(s.Age), units.Year))
	r.AddChoice("sex", string(s.Sex))
	for _, q := range s.Conditions.answers() {
		r.AddChoice(q.name, string(q.answer))
	}
	if s.Conditions.BodyMassIndex.Given() {
		r.AddInput("body mass index", s.Conditions.BodyMassIndex)
	}
	if s.Sex == clinical.Female && s.Conditions.Pregnancy == clinical.NotRecorded {
		r.Warn(PregnancyNotRecorded, "whether the candidate is pregnant was not recorded; the estimate does not hold in pregnancy")
	}
}

func (s Subject) warnAboutCreatinine(r *clinical.Result, scr, bmi float64) {
	if scr > highCreatinineMgPerDL {
		r.Warn(CreatinineHighForCandidate, "the creatinine is above %g mg/dL (133 umol/L), unusual in a donor candidate; check the unit with the laboratory", highCreatinineMgPerDL)
	}
	if s.Conditions.UnsteadyCreatinine == clinical.Yes {
		r.Warn(CreatinineNotSteady, "creatinine was not in steady state; repeat when stable")
	}
	if s.Conditions.UnusualMuscleOrDiet == clinical.Yes || (bmi > 0 && (bmi < lowMuscleBMI || bmi >= highMuscleBMI)) {
		r.Warn(MuscleMassUnusual, "muscle mass or diet is unusual; use cystatin C or measure GFR")
	}
}

func (s Subject) warnAboutCystatinC(r *clinical.Result, bmi float64) {
	if s.Conditions.CystatinCAltered == clinical.Yes || bmi >= obesityBMI {
		r.Warn(CystatinCUnreliable, "cystatin C is altered by thyroid disease, steroids, smoking, inflammation or obesity")
	}
}
