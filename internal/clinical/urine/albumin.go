package urine

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// AlbuminExcretion returns the albumin excreted in 24 h, in mg/(24.h), from the
// concentration in a timed collection; ug/min is among the steps. A result
// below the detection limit is not a number and cannot be entered as zero. The
// completeness of the collection is not judged here: see CreatinineExcretion.
// It returns a *clinical.Error for an invalid collection or an albumin outside
// 0.1 to 20 000 mg/L. Source: concentration times volume over time.
func AlbuminExcretion(c Collection, albumin clinical.Measurement) (clinical.Result, error) {
	volume, minutes, err := c.Values()
	if err != nil {
		return clinical.Result{}, err
	}
	concentration, err := albuminMgPerL(albumin)
	if err != nil {
		return clinical.Result{}, err
	}
	excretion := units.Quantity{Value: excretionMgPer24Hours(concentration, volume, minutes), Unit: units.MgPer24Hours}
	perMinute, err := units.Convert(units.AlbuminExcretionRate, excretion, units.UgPerMin)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    excretion,
		Equation: "albumin-excretion-24h",
		Source:   "concentration times volume over time",
	}
	c.describe(&r)
	r.AddInput("urine albumin", albumin)
	r.AddStep("albumin excretion a minute", perMinute.Value, perMinute.Unit)
	return r, nil
}

// AlbuminToCreatinine returns the albumin-to-creatinine ratio of one urine
// sample: in mg/g when the creatinine is in mg/dL and in mg/mmol when it is in
// mmol/L, so that no molar mass enters. It returns a *clinical.Error for an
// albumin outside 0.1 to 20 000 mg/L or a creatinine outside 2 to 500 mg/dL.
// Source: ratio of the two concentrations. To change the unit of a ratio use
// units.Convert, and classify it in the unit the laboratory reported.
func AlbuminToCreatinine(albumin, creatinine clinical.Measurement) (clinical.Result, error) {
	mgPerL, err := albuminMgPerL(albumin)
	if err != nil {
		return clinical.Result{}, err
	}
	mgPerDL, err := CreatinineMgPerDL(creatinine)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    overCreatinine(mgPerL, mgPerDL, creatinine),
		Equation: "albumin-creatinine-ratio",
		Source:   "albumin over creatinine in the same sample",
	}
	r.AddInput("urine albumin", albumin)
	r.AddInput("urine creatinine", creatinine)
	return r, nil
}

// excretionMgPer24Hours scales a concentration in mg/L in a volume in mL to a
// day of 1440 min.
func excretionMgPer24Hours(mgPerL, volumeML, minutes float64) float64 {
	return mgPerL * volumeML / 1000 * 1440 / minutes
}

// overCreatinine returns the ratio of a concentration to creatinine: in mg/mmol
// when the creatinine was reported in mmol/L, otherwise in mg/g.
func overCreatinine(mgPerL, creatinineMgPerDL float64, creatinine clinical.Measurement) units.Quantity {
	if creatinine.Unit == units.MmolPerL {
		return units.Quantity{Value: mgPerL / creatinine.Value, Unit: units.MgPerMmol}
	}
	// 1 mg/dL is 0.01 g/L.
	return units.Quantity{Value: mgPerL / (creatinineMgPerDL / 100), Unit: units.MgPerG}
}
