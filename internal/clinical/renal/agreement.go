package renal

import (
	"fmt"
	"math"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// MethodKind tells how a GFR was found.
type MethodKind string

// The kinds of method.
const (
	// Estimated: from the concentration of a substance in blood.
	Estimated MethodKind = "estimated"
	// PlasmaMeasured: by the clearance of a marker from plasma.
	PlasmaMeasured MethodKind = "plasma-clearance"
	// UrineMeasured: by a timed urine collection.
	UrineMeasured MethodKind = "urinary-clearance"
)

// MethodKinds lists the kinds, the better reference first.
func MethodKinds() []MethodKind { return []MethodKind{PlasmaMeasured, UrineMeasured, Estimated} }

// MethodResult is the GFR of a candidate by one method.
type MethodResult struct {
	Name string               `json:"name" jsonschema:"name of the method, such as the id of its equation"`
	Kind MethodKind           `json:"kind" jsonschema:"how the GFR was found"`
	GFR  clinical.Measurement `json:"gfr" jsonschema:"GFR in mL/min/{1.73_m2}"`
	// StandardUncertainty is one standard deviation, in the unit of the GFR.
	// Optional.
	StandardUncertainty clinical.Measurement `json:"standardUncertainty,omitzero" jsonschema:"one standard deviation of the GFR, in mL/min/{1.73_m2}"`
}

// AgreementRules are the differences up to which two methods agree.
type AgreementRules struct {
	// Estimates is the largest difference between two estimates, and between an
	// estimate and a urinary clearance, in mL/min/{1.73_m2}.
	Estimates float64 `json:"estimates" jsonschema:"largest difference of two methods without a plasma clearance, in mL/min/{1.73_m2}"`
	// MeasuredFraction is the largest difference between a plasma clearance and
	// another method, as a fraction of the plasma clearance.
	MeasuredFraction float64 `json:"measuredFraction" jsonschema:"largest difference from a plasma clearance, as a fraction of it"`
}

// DefaultAgreementRules returns 15 mL/min/{1.73_m2} and 30 %. Common practice,
// no published source; 30 % is the usual criterion of accuracy of an estimate.
func DefaultAgreementRules() AgreementRules {
	return AgreementRules{Estimates: 15, MeasuredFraction: 0.30}
}

func (r AgreementRules) check() error {
	if r.Estimates > 0 && r.MeasuredFraction > 0 && r.MeasuredFraction < 1 && !math.IsInf(r.Estimates, 0) {
		return nil
	}
	return &clinical.Error{
		Code: clinical.OutOfRange, Field: "agreement rules", Message: "the largest differences must be positive, and the fraction below 1",
	}
}

// Difference is how one method compares with another.
type Difference struct {
	Method    string `json:"method"`
	Reference string `json:"reference"`
	// Absolute is the GFR by the method less that by the reference, in
	// mL/min/{1.73_m2}, and Fraction the same over the reference, or over the mean
	// of two methods of one kind.
	Absolute float64 `json:"absolute"`
	Fraction float64 `json:"fraction"`
	// Agree tells whether the difference is within the rules.
	Agree bool `json:"agree"`
	// Significant tells whether the difference is more than the stated
	// uncertainties explain, with 95 % confidence. It is nil when one of them
	// was not stated.
	Significant *bool `json:"significant,omitempty"`
}

// Agreement is the comparison of the methods, each pair once.
type Agreement struct {
	clinical.Conclusion
	Differences []Difference `json:"differences"`
}

// The answers of an agreement.
const (
	MethodsAgree    = "agree"
	MethodsDisagree = "disagree"
)

// mostMethods: more methods than these are no comparison.
const mostMethods = 20

// Agree compares the GFR of one candidate by two or more methods. A pair with a
// plasma clearance is compared as a fraction of it, another pair by the
// difference; the plasma clearance is the reference, then the urinary one. A
// difference is significant when it exceeds 1.96 times the root of the sum of
// the squared uncertainties (JCGM 100:2008).
//
// It returns a *clinical.Error for fewer than two methods or more than 20, a method without a
// name or of an unknown kind, a GFR outside 5 to 250 mL/min/{1.73_m2}, and rules
// that are not positive. Source: see DefaultAgreementRules.
func Agree(methods []MethodResult, rules AgreementRules) (Agreement, error) {
	if len(methods) < 2 {
		return Agreement{}, &clinical.Error{Code: clinical.TooFew, Field: "methods", Message: "a comparison needs two methods", Accepted: []string{"2 or more"}}
	}
	if err := checkCount("methods", len(methods), mostMethods); err != nil {
		return Agreement{}, err
	}
	if err := rules.check(); err != nil {
		return Agreement{}, err
	}
	values, spreads := make([]float64, len(methods)), make([]float64, len(methods))
	a := Agreement{Conclusion: clinical.Conclusion{
		Question: "do the methods agree on the GFR", Answer: MethodsAgree,
		Rule: "gfr-method-agreement", Source: "common practice, no published source; differences set by the programme",
	}}
	for i, m := range methods {
		var err error
		if values[i], spreads[i], err = m.check(fmt.Sprintf("method %d", i+1)); err != nil {
			return Agreement{}, err
		}
		a.AddInput(m.Name, m.GFR)
	}
	for i := range methods {
		for j := i + 1; j < len(methods); j++ {
			method, reference := j, i
			if methods[j].rank() < methods[i].rank() {
				method, reference = i, j
			}
			base := values[reference]
			if methods[i].Kind == methods[j].Kind { // neither is the better reference
				base = (values[i] + values[j]) / 2
			}
			d := Difference{
				Method: methods[method].Name, Reference: methods[reference].Name,
				Absolute: values[method] - values[reference],
				Fraction: (values[method] - values[reference]) / base,
			}
			weight, limit := clinical.Supports, rules.Estimates
			if methods[reference].Kind == PlasmaMeasured {
				limit = rules.MeasuredFraction * base
			}
			// To seven digits, so that 15.6 is 30 % of 52 in binary too.
			d.Agree = float32(math.Abs(d.Absolute)) <= float32(limit)
			if !d.Agree {
				a.Answer, weight = MethodsDisagree, clinical.Decides
			}
			if methods[i].StandardUncertainty.Given() && methods[j].StandardUncertainty.Given() {
				significant := math.Abs(d.Absolute) > coverageFactor*math.Hypot(spreads[i], spreads[j])
				d.Significant = &significant
			}
			a.Differences = append(a.Differences, d)
			a.AddReason(weight, "", d.text(limit))
		}
	}
	return a, nil
}

func (m MethodResult) check(field string) (gfr, uncertainty float64, err error) {
	if m.Name == "" {
		return 0, 0, &clinical.Error{Code: clinical.Missing, Field: field + " name", Message: "the method needs a name"}
	}
	if m.rank() < 0 {
		return 0, 0, &clinical.Error{
			Code: clinical.UnknownChoice, Field: field + " kind", Message: "the kind of the method is missing or not known",
			Accepted: clinical.Words(MethodKinds()),
		}
	}
	if gfr, err = m.GFR.Within(field+" GFR", units.NormalisedGFR, lowestGFR, highestGFR, units.MLPerMinPer173M2); err != nil {
		return 0, 0, err
	}
	if m.StandardUncertainty.Given() {
		uncertainty, err = m.StandardUncertainty.In(field+" standard uncertainty", units.NormalisedGFR, units.MLPerMinPer173M2)
	}
	return gfr, uncertainty, err
}

// rank orders the kinds as references, the best first, or is negative for one
// that is not known.
func (m MethodResult) rank() int { return slices.Index(MethodKinds(), m.Kind) }

func (d Difference) text(limit float64) string {
	text := fmt.Sprintf("%s differs from %s by %s mL/min/1.73 m2 (%s %%)",
		d.Method, d.Reference, clinical.DisplayBeside(d.Absolute, math.Copysign(limit, d.Absolute), 1), clinical.Display(d.Fraction*100, 1))
	switch {
	case d.Significant == nil:
		return text + "; an uncertainty was not stated"
	case *d.Significant:
		return text + "; more than their uncertainties explain"
	}
	return text + "; within their uncertainties"
}
