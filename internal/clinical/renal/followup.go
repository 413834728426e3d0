package renal

import (
	"fmt"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Visit is what the kidney did at one visit after donation.
type Visit struct {
	// Since is the time since donation.
	Since clinical.Measurement `json:"since" jsonschema:"time since donation, in d or h"`
	// GFR is the estimate.
	GFR clinical.Measurement `json:"gfr" jsonschema:"estimated GFR in mL/min/{1.73_m2}"`
	// Creatinine is that of the same day. Optional.
	Creatinine clinical.Measurement `json:"creatinine,omitzero" jsonschema:"serum creatinine in mg/dL or umol/L"`
}

// FollowUpInput is the course of the remaining kidney. The visits are in order
// of time.
type FollowUpInput struct {
	Visits []Visit `json:"visits" jsonschema:"visits after donation, in order of time"`
	// Baseline is the serum creatinine against which later ones are compared.
	// Optional.
	Baseline clinical.Measurement `json:"baseline,omitzero" jsonschema:"serum creatinine to compare with, in mg/dL or umol/L"`
}

// FollowUpRules are the limits of a programme for the course after donation.
type FollowUpRules struct {
	// LowGFR is the estimate under which there is always a finding, and
	// DecliningGFR that under which there is one when it also falls by more than
	// Decline a year. Both in mL/min/{1.73_m2}.
	LowGFR       float64 `json:"lowGFR" jsonschema:"estimate below which there is always a finding, in mL/min/{1.73_m2}"`
	DecliningGFR float64 `json:"decliningGFR" jsonschema:"estimate below which a fall is a finding, in mL/min/{1.73_m2}"`
	Decline      float64 `json:"decline" jsonschema:"fall a year that is a finding, in mL/min/{1.73_m2}"`
	// CreatinineRatio is the largest creatinine over the baseline.
	CreatinineRatio float64 `json:"creatinineRatio" jsonschema:"largest creatinine over the baseline"`
}

// DefaultFollowUpRules returns 45, 60, 5 a year and 1.6. Common practice, no
// published source.
func DefaultFollowUpRules() FollowUpRules {
	return FollowUpRules{LowGFR: 45, DecliningGFR: 60, Decline: 5, CreatinineRatio: 1.6}
}

func (r FollowUpRules) check() error {
	for _, each := range []struct {
		field string
		value float64
	}{{"low GFR", r.LowGFR}, {"declining GFR", r.DecliningGFR}, {"decline", r.Decline}, {"creatinine ratio", r.CreatinineRatio}} {
		if err := checkPositive(each.field, each.value); err != nil {
			return err
		}
	}
	return nil
}

// FollowUp is the conclusion about the course, with the change of the estimate
// a year where the visits allow it.
type FollowUp struct {
	clinical.Conclusion
	// ChangePerYear is the slope of the least-squares line of the estimate on
	// time, in mL/min/{1.73_m2} a year. It is nil without two visits a year
	// apart after the first half year.
	ChangePerYear *float64 `json:"changePerYear,omitempty"`
	// ChangeSinceLast is the change since the visit before, a year; within a year
	// it is the change itself. It is nil without two visits after the first half
	// year.
	ChangeSinceLast *float64 `json:"changeSinceLast,omitempty"`
}

// The answers about the course after donation.
const (
	FollowUpAsExpected = "within-limits"
	// FollowUpCannotTell: the estimate is so low that its trend decides, and the
	// visits do not tell it.
	FollowUpCannotTell = "cannot-tell"
	FollowUpToReview   = "review"
	FollowUpTooEarly   = "too-early"
)

// The warnings about the course.
const (
	// TrendNotKnown: the visits do not allow a slope.
	TrendNotKnown clinical.WarningCode = "trend-not-known"
	// CreatinineNotCompared: the baseline or the creatinine is missing.
	CreatinineNotCompared clinical.WarningCode = "creatinine-not-compared"
)

// Times after donation in days. Common practice, no published source: in the
// first week creatinine is not steady, and the slope begins at half a year, when
// the remaining kidney has adapted.
const (
	steadyDays, adaptedDays = 7, 182
	shortestTrendDays       = 365
	highestDays             = 36525
	mostVisits              = 200
	daysPerYear             = 365.25
)

// AfterDonationCourse reviews the estimated GFR and creatinine after donation
// against the limits of the programme. The newest visit is judged. A fall is
// looked for in the slope over the visits from half a year on, and since the
// visit before, so that old steady visits do not hide a new fall. A visit in the
// first week is not in steady state and is not judged.
//
// It returns a *clinical.Error for no visit or more than 200, visits that are not in order of
// time, a value that is missing or outside the limits of entry, and rules that
// are not positive. Common practice, no published source.
func AfterDonationCourse(in FollowUpInput, rules FollowUpRules) (FollowUp, error) {
	if len(in.Visits) == 0 {
		return FollowUp{}, &clinical.Error{Code: clinical.TooFew, Field: "visits", Message: "at least one visit is required", Accepted: []string{"1 or more"}}
	}
	if err := checkCount("visits", len(in.Visits), mostVisits); err != nil {
		return FollowUp{}, err
	}
	if err := rules.check(); err != nil {
		return FollowUp{}, err
	}
	f := FollowUp{Conclusion: clinical.Conclusion{
		Question: "is the course of the remaining kidney within the limits", Answer: FollowUpAsExpected,
		Rule: "gfr-course-after-donation", Source: "common practice, no published source; limits set by the programme",
	}}
	days, gfr, creatinine, err := f.read(in)
	if err != nil {
		return FollowUp{}, err
	}
	last := len(days) - 1
	if days[last] <= steadyDays {
		f.Answer = FollowUpTooEarly
		f.AddReason(clinical.Decides, "", "in the first week after donation creatinine is not in steady state")
		return f, nil
	}
	f.find(gfr[last] < rules.LowGFR, "estimated GFR of "+clinical.DisplayBeside(gfr[last], rules.LowGFR, 0), "below", rules.LowGFR)
	f.warnNear(gfr[last], rules.LowGFR)
	f.judgeTrend(days, gfr, rules)
	if baseline, compared, err := in.baseline(creatinine[last]); err != nil {
		return FollowUp{}, err
	} else if compared {
		ratio := creatinine[last] / baseline
		f.find(ratio > rules.CreatinineRatio, "creatinine over the baseline is "+clinical.DisplayBeside(ratio, rules.CreatinineRatio, 2), "above", rules.CreatinineRatio)
	} else {
		f.AddReason(clinical.NotKnown, "", "creatinine could not be compared with a baseline")
		f.Warn(CreatinineNotCompared, "the creatinine of the newest visit or the baseline was not given")
	}
	return f, nil
}

// read converts the visits. A creatinine that was not given is zero.
func (f *FollowUp) read(in FollowUpInput) (days, gfr, creatinine []float64, err error) {
	days, gfr, creatinine = make([]float64, len(in.Visits)), make([]float64, len(in.Visits)), make([]float64, len(in.Visits))
	for i, v := range in.Visits {
		field := fmt.Sprintf("visit %d", i+1)
		if days[i], err = v.Since.Within(field+" time", units.Duration, 0, highestDays, units.Day); err != nil {
			return nil, nil, nil, err
		}
		if i > 0 && days[i] <= days[i-1] {
			return nil, nil, nil, &clinical.Error{Code: clinical.WrongOrder, Field: field + " time", Message: "the visits must be in order of time"}
		}
		if gfr[i], err = v.GFR.Within(field+" GFR", units.NormalisedGFR, lowestGFR, highestGFR, units.MLPerMinPer173M2); err != nil {
			return nil, nil, nil, err
		}
		if v.Creatinine.Given() {
			if creatinine[i], err = creatinineOf(field+" creatinine", v.Creatinine); err != nil {
				return nil, nil, nil, err
			}
			f.AddInput(field+" creatinine", v.Creatinine)
		}
		f.AddInput(field+" time since donation", v.Since)
		f.AddInput(field+" estimated GFR", v.GFR)
	}
	return days, gfr, creatinine, nil
}

func (in FollowUpInput) baseline(newest float64) (mgPerDL float64, compared bool, err error) {
	if !in.Baseline.Given() {
		return mgPerDL, false, nil
	}
	mgPerDL, err = creatinineOf("baseline creatinine", in.Baseline)
	return mgPerDL, newest > 0, err
}

// find adds a reason, and asks for a review when the finding is there.
func (f *FollowUp) find(found bool, what, side string, limit float64) {
	if found {
		f.Answer = FollowUpToReview
		f.AddReason(clinical.Decides, "", fmt.Sprintf("%s: %s %g", what, side, limit))
		return
	}
	f.AddReason(clinical.Neutral, "", fmt.Sprintf("%s: not %s %g", what, side, limit))
}

func (f *FollowUp) warnNear(gfr, limit float64) {
	if clinical.NearThreshold(gfr, clinical.AtLeast, limit, 0) {
		f.Warn(clinical.NearThresholdWarning, "the estimate is shown as %s but is below the limit of %g", clinical.Display(gfr, 0), limit)
	}
}

func (f *FollowUp) judgeTrend(days, gfr []float64, rules FollowUpRules) {
	var adapted, values []float64
	for i := range days {
		if days[i] >= adaptedDays {
			adapted, values = append(adapted, days[i]), append(values, gfr[i])
		}
	}
	newest := gfr[len(gfr)-1]
	low := newest < rules.DecliningGFR
	n := len(adapted)
	if n > 0 && adapted[n-1]-adapted[0] >= shortestTrendDays {
		slope := slopeOf(adapted, values) * daysPerYear
		f.ChangePerYear = &slope
		f.findFall(low, newest, slope, "over all visits", rules)
	} else {
		f.AddReason(clinical.NotKnown, "", "the change a year is not known: two visits a year apart after the first half year are needed")
		f.Warn(TrendNotKnown, "two visits a year apart after the first half year are needed for a trend")
		if low && f.Answer == FollowUpAsExpected {
			f.Answer = FollowUpCannotTell
		}
	}
	if n > 1 {
		change := values[n-1] - values[n-2]
		if between := adapted[n-1] - adapted[n-2]; between > daysPerYear {
			change *= daysPerYear / between
		}
		f.ChangeSinceLast = &change
		f.findFall(low, newest, change, "since the visit before", rules)
	}
	f.warnNear(newest, rules.DecliningGFR)
}

func (f *FollowUp) findFall(low bool, gfr, change float64, span string, rules FollowUpRules) {
	f.find(low && change < -rules.Decline,
		fmt.Sprintf("estimated GFR of %s changing by %s a year %s", clinical.DisplayBeside(gfr, rules.DecliningGFR, 0), clinical.DisplayBeside(change, -rules.Decline, 1), span),
		fmt.Sprintf("under %g and falling by more than", rules.DecliningGFR), rules.Decline)
}

// slopeOf returns the slope of the least-squares line of y on x.
func slopeOf(x, y []float64) float64 {
	var meanX, meanY, xx, xy float64
	n := float64(len(x))
	for i := range x {
		meanX += x[i] / n
		meanY += y[i] / n
	}
	for i := range x {
		xx += (x[i] - meanX) * (x[i] - meanX)
		xy += (x[i] - meanX) * (y[i] - meanY)
	}
	return xy / xx
}
