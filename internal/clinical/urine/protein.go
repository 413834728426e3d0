package urine

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// ProteinExcretion returns the protein excreted in 24 h, in mg/(24.h), from the
// concentration in a timed collection. The completeness of the collection is not
// judged here: see CreatinineExcretion. It returns a *clinical.Error for an
// invalid collection or a protein outside 1 to 50 000 mg/L. Source:
// concentration times volume over time.
func ProteinExcretion(c Collection, protein clinical.Measurement) (clinical.Result, error) {
	volume, minutes, err := c.Values()
	if err != nil {
		return clinical.Result{}, err
	}
	concentration, err := proteinMgPerL(protein)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: excretionMgPer24Hours(concentration, volume, minutes), Unit: units.MgPer24Hours},
		Equation: "protein-excretion-24h",
		Source:   "concentration times volume over time",
	}
	c.describe(&r)
	r.AddInput("urine protein", protein)
	return r, nil
}

// ProteinToCreatinine returns the protein-to-creatinine ratio of one urine
// sample: in mg/g when the creatinine is in mg/dL and in mg/mmol when it is in
// mmol/L, so that no molar mass enters. It returns a *clinical.Error for a
// protein outside 1 to 50 000 mg/L or a creatinine outside 2 to 500 mg/dL.
// Source: ratio of the two concentrations.
func ProteinToCreatinine(protein, creatinine clinical.Measurement) (clinical.Result, error) {
	mgPerL, err := proteinMgPerL(protein)
	if err != nil {
		return clinical.Result{}, err
	}
	mgPerDL, err := CreatinineMgPerDL(creatinine)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    overCreatinine(mgPerL, mgPerDL, creatinine),
		Equation: "protein-creatinine-ratio",
		Source:   "protein over creatinine in the same sample",
	}
	r.AddInput("urine protein", protein)
	r.AddInput("urine creatinine", creatinine)
	return r, nil
}
