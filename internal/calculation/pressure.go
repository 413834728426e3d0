package calculation

import (
	"encoding/json"
	"fmt"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/pressure"
)

type officeInput struct {
	Sittings []pressure.Sitting `json:"sittings" jsonschema:"the occasions, each with its readings in order of time, in mm[Hg]"`
}

type ambulatoryInput struct {
	Readings  []pressure.AmbulatoryReading `json:"readings" jsonschema:"the readings of the monitor, in mm[Hg]"`
	Attempted int                          `json:"attempted" jsonschema:"the number of readings the monitor tried to take, failed ones included"`
	Target    *pressure.Target             `json:"target,omitempty" jsonschema:"office pressure to which the thresholds correspond; that of the project when left out"`
}

type patternInput struct {
	pressure.PatternInput
	Target *pressure.Target `json:"target,omitempty" jsonschema:"office pressure to which the thresholds correspond; that of the project when left out"`
}

func pressureCalculations() []Calculation {
	return []Calculation{
		define(Calculation{
			ID: "office-pressure", Topic: Pressure, Title: "Mean office blood pressure with its class",
			Source: "ACC/AHA guideline 2017",
			Example: json.RawMessage(`{"sittings": [
				{"readings": [{"systolic": "128 mm[Hg]", "diastolic": "76 mm[Hg]"}, {"systolic": "132 mm[Hg]", "diastolic": "78 mm[Hg]"}]},
				{"readings": [{"systolic": "126 mm[Hg]", "diastolic": "74 mm[Hg]"}, {"systolic": "130 mm[Hg]", "diastolic": "76 mm[Hg]"}]}
			]}`),
		}, officePressure),
		define(Calculation{
			ID: "ambulatory-pressure", Topic: Pressure, Title: "Ambulatory blood pressure by day, by night and over 24 hours",
			Source:  "thresholds of the ACC/AHA guideline 2017; completeness by the ESH position paper (from memory)",
			Example: ambulatoryExample(),
			names:   map[string]string{"attempted readings": "attempted"},
		}, ambulatoryPressure),
		define(Calculation{
			ID: "pressure-pattern", Topic: Pressure, Title: "Pattern of office and ambulatory blood pressure",
			Source: "ACC/AHA guideline 2017",
			Example: json.RawMessage(`{
				"office": {"systolic": "136 mm[Hg]", "diastolic": "78 mm[Hg]"}, "day": {"systolic": "124 mm[Hg]", "diastolic": "74 mm[Hg]"},
				"treated": "no"
			}`),
			names: map[string]string{
				"office mean systolic": "office.systolic", "office mean diastolic": "office.diastolic",
				"day mean systolic": "day.systolic", "day mean diastolic": "day.diastolic",
			},
		}, func(in patternInput) (Outcome, error) {
			c, err := pressure.Pattern(in.PatternInput, orDefault(in.Target, pressure.DefaultTarget))
			return conclusions(err, c)
		}),
	}
}

func officePressure(in officeInput) (Outcome, error) {
	office, err := pressure.OfficeMean(in.Sittings)
	if err != nil {
		return Outcome{}, err
	}
	weight := clinical.Decides
	if office.Class == pressure.Unclassified {
		weight = clinical.Neutral
	}
	return Outcome{
		Values: meanValues("", office.Mean),
		Conclusions: []clinical.Conclusion{{
			Question: "class of office blood pressure", Answer: string(office.Class),
			Reasons: meanReasons("", office.Mean, weight),
			Rule:    office.Systolic.Equation, Source: office.Systolic.Source, Warnings: office.Systolic.Warnings,
		}},
	}, nil
}

func ambulatoryPressure(in ambulatoryInput) (Outcome, error) {
	a, err := pressure.AmbulatoryMeansFor(orDefault(in.Target, pressure.DefaultTarget), in.Readings, in.Attempted)
	if err != nil {
		return Outcome{}, err
	}
	var o Outcome
	var reasons []clinical.Reason
	for _, period := range []struct {
		name string
		mean pressure.Mean
	}{{"24 h ", a.Whole}, {"day ", a.Day}, {"night ", a.Night}} {
		o.Values = append(o.Values, meanValues(period.name, period.mean)...)
		reasons = append(reasons, meanReasons(period.name, period.mean, clinical.Decides)...)
	}
	o.Conclusions = []clinical.Conclusion{{
		Question: "ambulatory means against their thresholds", Answer: string(a.Finding), Reasons: reasons,
		Rule: a.Whole.Systolic.Equation, Source: a.Whole.Systolic.Source,
	}}
	return o, nil
}

func meanValues(period string, m pressure.Mean) []Value {
	return []Value{number(period+"systolic mean", m.Systolic, 0), number(period+"diastolic mean", m.Diastolic, 0)}
}

// meanReasons are the two means, which are looked at one by one: the higher
// class counts.
func meanReasons(period string, m pressure.Mean, weight clinical.Weight) []clinical.Reason {
	var reasons []clinical.Reason
	for _, v := range meanValues(period, m) {
		reasons = append(reasons, clinical.Reason{
			Text:   fmt.Sprintf("%s of %s %s, unrounded", v.Name, significant(v.Result.Value.Value, unroundedDigits), v.Result.Value.Unit),
			Weight: weight, Source: v.Result.Source,
		})
	}
	return reasons
}

// ambulatoryExample is a day of readings at steady pressures.
func ambulatoryExample() json.RawMessage {
	var list []string
	for range 20 {
		list = append(list, `{"systolic": "128 mm[Hg]", "diastolic": "76 mm[Hg]", "period": "day"}`)
	}
	for range 8 {
		list = append(list, `{"systolic": "108 mm[Hg]", "diastolic": "62 mm[Hg]", "period": "night"}`)
	}
	return json.RawMessage(`{"readings": [` + strings.Join(list, ", ") + `], "attempted": 30}`)
}
