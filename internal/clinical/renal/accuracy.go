package renal

// Accuracy is how often the estimates of an equation come close to the measured GFR.
type Accuracy struct {
	// Within is the fraction of the measured GFR that an estimate is off by at most,
	// in the fraction Share of the people that the equation was validated in.
	Within, Share float64
	Source        string
}

// CKDEPICreatinine2021Accuracy is the P30 of the CKD-EPI 2021 creatinine equation.
// Source: Inker and others, N Engl J Med 2021;385:1737, external validation: 87.2 % of
// Black and 86.5 % of other participants (from memory). The lower of the two counts.
var CKDEPICreatinine2021Accuracy = Accuracy{
	Within: .30, Share: .865, Source: "P30 of the CKD-EPI 2021 creatinine equation, Inker 2021 (from memory)",
}

// Measured is the range, in the unit of the estimate, in which a measured GFR lies for
// an estimate that is off by Within at most: e off by a fraction w of m means
// m(1-w) <= e <= m(1+w).
func (a Accuracy) Measured(estimate float64) (low, high float64) {
	return estimate / (1 + a.Within), estimate / (1 - a.Within)
}
