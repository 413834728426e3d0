package protocol

import (
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/renal"
)

// residualCode asks whether what stayed in the syringe was measured and subtracted.
const residualCode = "iohexol-residual-measured"

// plasma adds to a study what the protocol chooses for it.
func (m Methods) plasma(study renal.PlasmaStudy) renal.PlasmaStudy {
	study.SurfaceArea = body.SurfaceAreaFormula(m.BodySurfaceArea)
	study.Uncertainty = m.PlasmaUncertainty.clinical()
	return study
}

// EvaluatePlasma evaluates a study by the method, the correction, the surface formula
// and the uncertainties of the protocol, in the same way as Assess does with results
// on record.
func (p *Protocol) EvaluatePlasma(study renal.PlasmaStudy) renal.PlasmaEvaluation {
	study = p.Methods.plasma(study)
	if p.Methods.PlasmaClearance == TwoCompartment {
		return renal.EvaluateTwoCompartment(study)
	}
	return renal.EvaluateSlopeIntercept(renal.SlopeInterceptInput{PlasmaStudy: study, Correction: renal.Correction(p.Methods.PlasmaCorrection)})
}
