package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// highestClearanceForCorrection is the largest uncorrected clearance that is
// corrected. The parabola of Brochner-Mortensen turns at 406.7, and
// no candidate filters as much as 200.
const highestClearanceForCorrection = 200

// Correction is the id of the correction for the early, fast part of the plasma
// curve that the slope-intercept method leaves out, with its order of
// operations: a clearance that is normalised first and then corrected differs
// from one that is corrected first. A site chooses one; another correction is
// another equation. The zero value is the default of the project,
// BrochnerMortensen1972.
type Correction string

// The corrections. All but the first have to be chosen by name. Fleming2007 and
// Jodal2009 use coefficients quoted from memory; do not choose them before they
// are compared with the papers.
const (
	// BrochnerMortensen1972 corrects the normalised clearance.
	BrochnerMortensen1972 Correction = "brochner-mortensen-1972"
	// BrochnerMortensen1972Absolute corrects the absolute clearance, and
	// normalises afterwards.
	BrochnerMortensen1972Absolute Correction = "brochner-mortensen-1972-absolute"
	// Fleming2007 corrects the normalised clearance.
	Fleming2007 Correction = "fleming-2007"
	// Jodal2009 corrects the absolute clearance by the body surface, and
	// normalises afterwards.
	Jodal2009 Correction = "jodal-2009"
	// Ng2011 corrects the normalised clearance.
	Ng2011 Correction = "ng-2011"
)

// Corrections lists the corrections, the default first.
func Corrections() []Correction {
	return []Correction{BrochnerMortensen1972, BrochnerMortensen1972Absolute, Fleming2007, Jodal2009, Ng2011}
}

func (c Correction) orDefault() Correction {
	if c == "" {
		return BrochnerMortensen1972
	}
	return c
}

// source names the publication of a correction.
func (c Correction) source() string {
	switch c {
	case BrochnerMortensen1972:
		return "Brochner-Mortensen, Scand J Clin Lab Invest 1972;30:271, applied to the BSA-normalised clearance"
	case BrochnerMortensen1972Absolute:
		return "Brochner-Mortensen, Scand J Clin Lab Invest 1972;30:271, applied to the absolute clearance"
	case Fleming2007:
		return "Fleming, Nucl Med Commun 2007 (coefficient from memory), applied to the BSA-normalised clearance"
	case Jodal2009:
		return "Jodal and Brochner-Mortensen, Scand J Clin Lab Invest 2009;69:314 (coefficients from memory), applied to the absolute clearance"
	case Ng2011:
		return "Ng, Kidney Int 2011;80:423, applied to the BSA-normalised clearance"
	}
	return ""
}

// Correct applies a correction to a one-compartment clearance in mL/min, given
// the body surface area in m2, and returns the corrected value in both forms.
// Whether the normalised or the absolute value is corrected depends on the
// correction: see its constants.
//
// It returns a *clinical.Error for an unknown correction, for a clearance or
// surface that is not finite and positive, and for a clearance above 200
// mL/min/{1.73_m2} or, where the absolute one is corrected, 200 mL/min, which is
// implausible and where the parabola of Brochner-Mortensen must not be
// extrapolated. Sources: beside the coefficients.
func Correct(c Correction, clearance AbsoluteGFR, surfaceAreaM2 float64) (AbsoluteGFR, NormalisedGFR, error) {
	normalised, err := clearance.Normalise(surfaceAreaM2)
	if err != nil {
		return 0, 0, err
	}
	c = c.orDefault()
	if c.source() == "" {
		return 0, 0, &clinical.Error{
			Code: clinical.UnknownChoice, Field: "correction", Message: "the correction is not known", Accepted: clinical.Words(Corrections()),
		}
	}
	x := float64(normalised)
	absoluteFirst := c == BrochnerMortensen1972Absolute || c == Jodal2009
	if absoluteFirst {
		x = float64(clearance)
	}
	if x > highestClearanceForCorrection || normalised > highestClearanceForCorrection {
		return 0, 0, &clinical.Error{
			Code: clinical.OutOfRange, Field: "uncorrected clearance", Message: "the value is outside the plausible range",
			Accepted: []string{"up to 200 " + units.MLPerMin + " and 200 " + units.MLPerMinPer173M2},
		}
	}
	corrected := c.apply(x, surfaceAreaM2)
	if absoluteFirst {
		absolute := AbsoluteGFR(corrected)
		return absolute, absolute.normalise(surfaceAreaM2), nil
	}
	return NormalisedGFR(corrected).absolute(surfaceAreaM2), NormalisedGFR(corrected), nil
}

// apply corrects the clearance x, which is the normalised or the absolute one.
func (c Correction) apply(x, surfaceAreaM2 float64) float64 {
	switch c {
	case BrochnerMortensen1972, BrochnerMortensen1972Absolute:
		// Coefficients as in open-source code after the EKFC recommendations
		// (Ebert, Kidney Int 2024), which applies them to the absolute
		// clearance. BNMS applies them to the normalised one (from memory:
		// Fleming 2004, Burniston 2018; Blake, Nucl Med Commun 2014, abstract).
		return 0.990778*x - 0.001218*x*x
	case Fleming2007:
		// Form: Blake, Nucl Med Commun 2014, abstract. 0.0017 from memory:
		// Fleming, Nucl Med Commun 2007.
		return x / (1 + 0.0017*x)
	case Jodal2009:
		// Dependence on the surface: Blake 2014, abstract. 0.0032 and -1.3 from
		// memory: Jodal and Brochner-Mortensen, Scand J Clin Lab Invest
		// 2009;69:314.
		return x / (1 + 0.0032*math.Pow(surfaceAreaM2, -1.3)*x)
	case Ng2011:
		// Ng, Kidney Int 2011;80:423, abstract.
		return x / (1 + 0.12*x/100)
	}
	return x
}
