package glycaemia

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

func fasting(value float64, unit string) FastingInput {
	return FastingInput{Glucose: clinical.NewMeasurement(value, unit), Fasting: clinical.Yes, Pregnancy: clinical.No}
}

func tolerance(value float64, unit string) ToleranceInput {
	return ToleranceInput{
		Glucose: clinical.NewMeasurement(value, unit), Dose: clinical.NewMeasurement(75, "g"),
		Time: clinical.NewMeasurement(120, "min"), Pregnancy: clinical.No,
	}
}

func hba1c(value float64, unit string) HbA1cInput {
	return HbA1cInput{
		HbA1c:   clinical.NewMeasurement(value, unit),
		Variant: clinical.No, Transfusion: clinical.No, Anaemia: clinical.No, Pregnancy: clinical.No,
	}
}

// limitCase is a value near a limit of the ADA tables, calculations 10. Near
// tells that it is shown on the other side.
type limitCase struct {
	value float64
	unit  string
	want  Class
	near  bool
}

var (
	fastingCases = []limitCase{
		{70, "mg/dL", Normal, false}, {99.4, "mg/dL", Normal, false}, {99.6, "mg/dL", Normal, true}, {100, "mg/dL", Prediabetes, false},
		{125.4, "mg/dL", Prediabetes, false}, {125.6, "mg/dL", Prediabetes, true}, {126, "mg/dL", Diabetes, false}, {300, "mg/dL", Diabetes, false},
		{5.5, "mmol/L", Normal, false}, {5.56, "mmol/L", Normal, true}, {5.6, "mmol/L", Prediabetes, false},
		{6.94, "mmol/L", Prediabetes, false}, {6.96, "mmol/L", Prediabetes, true}, {7, "mmol/L", Diabetes, false},
	}
	toleranceCases = []limitCase{
		{139.4, "mg/dL", Normal, false}, {139.6, "mg/dL", Normal, true}, {140, "mg/dL", Prediabetes, false},
		{199.4, "mg/dL", Prediabetes, false}, {199.6, "mg/dL", Prediabetes, true}, {200, "mg/dL", Diabetes, false},
		{7.74, "mmol/L", Normal, false}, {7.76, "mmol/L", Normal, true}, {7.8, "mmol/L", Prediabetes, false},
		{11.04, "mmol/L", Prediabetes, false}, {11.06, "mmol/L", Prediabetes, true}, {11.1, "mmol/L", Diabetes, false},
	}
	hba1cCases = []limitCase{
		{5.64, "%", Normal, false}, {5.66, "%", Normal, true}, {5.7, "%", Prediabetes, false},
		{6.44, "%", Prediabetes, false}, {6.46, "%", Prediabetes, true}, {6.5, "%", Diabetes, false},
		{38.4, "mmol/mol", Normal, false}, {38.6, "mmol/mol", Normal, true}, {39, "mmol/mol", Prediabetes, false},
		{47.4, "mmol/mol", Prediabetes, false}, {47.6, "mmol/mol", Prediabetes, true}, {48, "mmol/mol", Diabetes, false},
	}
)

func checkLimits(t *testing.T, cases []limitCase, classify func(limitCase) (clinical.Conclusion, error)) {
	t.Helper()
	for _, tt := range cases {
		c, err := classify(tt)
		if err != nil {
			t.Errorf("%g %s: %v", tt.value, tt.unit, err)
			continue
		}
		if c.Answer != string(tt.want) || c.HasWarning(clinical.NearThresholdWarning) != tt.near {
			t.Errorf("%g %s is %s with %v, want %s, near %t", tt.value, tt.unit, c.Answer, c.Warnings, tt.want, tt.near)
		}
		if len(c.Reasons) != 1 || c.Reasons[0].Weight != clinical.Decides || c.Reasons[0].Source == "" || !strings.Contains(c.Reasons[0].Text, tt.unit) {
			t.Errorf("%g %s: the reasons are %v", tt.value, tt.unit, c.Reasons)
		}
		if c.Rule == "" || c.Source == "" || c.Question == "" || len(c.Inputs) == 0 || c.Inputs[0].Measurement.Value != tt.value {
			t.Errorf("%g %s: incomplete: %+v", tt.value, tt.unit, c)
		}
	}
}

func TestClasses(t *testing.T) {
	checkLimits(t, fastingCases, func(l limitCase) (clinical.Conclusion, error) { return FastingGlucose(fasting(l.value, l.unit)) })
	checkLimits(t, toleranceCases, func(l limitCase) (clinical.Conclusion, error) { return ToleranceGlucose(tolerance(l.value, l.unit)) })
	checkLimits(t, hba1cCases, func(l limitCase) (clinical.Conclusion, error) { return HbA1cClass(hba1c(l.value, l.unit)) })
}

// TestReasonsNameTheLimits also pins the decimals: mg/dL and mmol/mol are whole.
func TestReasonsNameTheLimits(t *testing.T) {
	tests := []struct {
		in   FastingInput
		want string
	}{
		{fasting(99, "mg/dL"), "fasting glucose is below 100 mg/dL"},
		{fasting(110, "mg/dL"), "fasting glucose is at least 100 mg/dL and below 126 mg/dL"},
		{fasting(7.5, "mmol/L"), "fasting glucose is at least 7.0 mmol/L"},
	}
	for _, tt := range tests {
		c, err := FastingGlucose(tt.in)
		if err != nil || c.Reasons[0].Text != tt.want {
			t.Errorf("got %v, %v, want %q", c.Reasons, err, tt.want)
		}
	}
	c, err := HbA1cClass(hba1c(38.6, "mmol/mol"))
	if err != nil || len(c.Warnings) != 1 || c.Warnings[0].Message != "HbA1c is shown as 39 mmol/mol but is below that limit" {
		t.Errorf("got %v, %v", c.Warnings, err)
	}
}

func TestFastingGlucoseRefuses(t *testing.T) {
	with := func(change func(*FastingInput)) FastingInput {
		in := fasting(95, "mg/dL")
		change(&in)
		return in
	}
	tests := []struct {
		name  string
		in    FastingInput
		code  clinical.Code
		field string
	}{
		{"nothing", FastingInput{Fasting: clinical.Yes}, clinical.Missing, "fasting glucose"},
		{"not answered", with(func(in *FastingInput) { in.Fasting = "" }), clinical.Missing, "fasting"},
		{"unknown answer", with(func(in *FastingInput) { in.Fasting = "maybe" }), clinical.UnknownChoice, "fasting"},
		{"after a meal", with(func(in *FastingInput) { in.Fasting = clinical.No }), clinical.QualityRefused, "fasting"},
		{"pregnant", with(func(in *FastingInput) { in.Pregnancy = clinical.Yes }), clinical.NotValidInPregnancy, "pregnancy"},
		{"pregnancy misspelt", with(func(in *FastingInput) { in.Pregnancy = "perhaps" }), clinical.UnknownChoice, "pregnancy"},
		{"NaN", fasting(math.NaN(), "mg/dL"), clinical.NotFinite, "fasting glucose"},
		{"zero", fasting(0, "mg/dL"), clinical.NotPositive, "fasting glucose"},
		{"no unit", fasting(95, ""), clinical.UnknownUnit, "fasting glucose"},
		{"unit of HbA1c", fasting(5.5, "%"), clinical.UnknownUnit, "fasting glucose"},
		{"mmol/L typed as mg/dL", fasting(5.5, "mg/dL"), clinical.ProbableUnitError, "fasting glucose"},
		{"mg/dL typed as mmol/L", fasting(95, "mmol/L"), clinical.ProbableUnitError, "fasting glucose"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := FastingGlucose(tt.in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

func TestToleranceGlucose(t *testing.T) {
	with := func(change func(*ToleranceInput)) ToleranceInput {
		in := tolerance(130, "mg/dL")
		change(&in)
		return in
	}
	dose := func(value float64, unit string) ToleranceInput {
		return with(func(in *ToleranceInput) { in.Dose = clinical.NewMeasurement(value, unit) })
	}
	time := func(value float64, unit string) ToleranceInput {
		return with(func(in *ToleranceInput) { in.Time = clinical.NewMeasurement(value, unit) })
	}
	tests := []struct {
		name  string
		in    ToleranceInput
		code  clinical.Code
		field string
	}{
		{"as it should be", dose(75000, "mg"), "", ""},
		{"in hours", time(2, "h"), "", ""},
		{"earliest", time(115, "min"), "", ""},
		{"latest", time(125, "min"), "", ""},
		{"too early", time(114.99, "min"), clinical.OutOfRange, "time after the drink"},
		{"too late", time(125.01, "min"), clinical.OutOfRange, "time after the drink"},
		{"after 1 h", time(60, "min"), clinical.OutOfRange, "time after the drink"},
		{"no time", with(func(in *ToleranceInput) { in.Time = clinical.Measurement{} }), clinical.Missing, "time after the drink"},
		{"dose of the screening test", dose(50, "g"), clinical.OutOfRange, "glucose dose"},
		{"a little less", dose(74.9, "g"), clinical.OutOfRange, "glucose dose"},
		{"a little more", dose(75.1, "g"), clinical.OutOfRange, "glucose dose"},
		{"no dose", with(func(in *ToleranceInput) { in.Dose = clinical.Measurement{} }), clinical.Missing, "glucose dose"},
		{"no glucose", with(func(in *ToleranceInput) { in.Glucose = clinical.Measurement{} }), clinical.Missing, "glucose 2 h after 75 g"},
		{"pregnant", with(func(in *ToleranceInput) { in.Pregnancy = clinical.Yes }), clinical.NotValidInPregnancy, "pregnancy"},
		{"unknown answer", with(func(in *ToleranceInput) { in.Pregnancy = "perhaps" }), clinical.UnknownChoice, "pregnancy"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := ToleranceGlucose(tt.in)
			if tt.code != "" {
				wantError(t, err, tt.code, tt.field)
				return
			}
			if err != nil || c.Answer != string(Normal) || len(c.Warnings) != 0 {
				t.Errorf("got %v, %v", c, err)
			}
		})
	}
	c, err := ToleranceGlucose(with(func(in *ToleranceInput) { in.Pregnancy = clinical.NotRecorded }))
	if err != nil || !c.HasWarning(PregnancyNotRecorded) || c.Reasons[1].Weight != clinical.NotKnown {
		t.Errorf("got %v, %v", c, err)
	}
}

func TestHbA1cNeedsOrdinaryRedCells(t *testing.T) {
	answers := []struct {
		field string
		of    func(*HbA1cInput) *clinical.Answer
		code  clinical.Code
	}{
		{"haemoglobin variant", func(in *HbA1cInput) *clinical.Answer { return &in.Variant }, clinical.QualityRefused},
		{"recent transfusion", func(in *HbA1cInput) *clinical.Answer { return &in.Transfusion }, clinical.QualityRefused},
		{"anaemia", func(in *HbA1cInput) *clinical.Answer { return &in.Anaemia }, clinical.QualityRefused},
		{"pregnancy", func(in *HbA1cInput) *clinical.Answer { return &in.Pregnancy }, clinical.NotValidInPregnancy},
	}
	for _, a := range answers {
		in := hba1c(5.5, "%")
		*a.of(&in) = clinical.Yes
		_, err := HbA1cClass(in)
		wantError(t, err, a.code, a.field)

		*a.of(&in) = "sometimes"
		_, err = HbA1cClass(in)
		wantError(t, err, clinical.UnknownChoice, a.field)

		*a.of(&in) = clinical.NotRecorded
		c, err := HbA1cClass(in)
		if err != nil || c.Answer != string(Normal) || len(c.Warnings) != 1 || !c.HasWarning(ConditionNotRecorded) {
			t.Errorf("%s not recorded: %v, %v", a.field, c, err)
			continue
		}
		if r := c.Reasons[1]; r.Weight != clinical.NotKnown || !strings.HasPrefix(r.Text, a.field) {
			t.Errorf("%s not recorded: the reasons are %v", a.field, c.Reasons)
		}
	}
	_, err := HbA1cClass(hba1c(39, "%"))
	wantError(t, err, clinical.ProbableUnitError, "HbA1c")
}

// TestHbA1cConversions has the check values of calculations 10 and 17.
func TestHbA1cConversions(t *testing.T) {
	tests := []struct {
		convert  func(clinical.Measurement) (clinical.Result, error)
		value    float64
		from, to string
		want     float64
		within   float64
	}{
		{IFCC, 5.7, "%", "mmol/mol", 38.78443, 5e-6},
		{IFCC, 6.5, "%", "mmol/mol", 47.52951, 5e-6},
		{IFCC, 7.0, "%", "mmol/mol", 52.99519, 5e-6},
		{NGSP, 48, "mmol/mol", "%", 6.543040, 5e-7},
		{NGSP, 53, "mmol/mol", "%", 7.000440, 5e-7},
		{NGSP, 5.7, "%", "%", 5.7, 0},
	}
	for _, tt := range tests {
		r, err := tt.convert(clinical.NewMeasurement(tt.value, tt.from))
		if err != nil || math.Abs(r.Value.Value-tt.want) > tt.within || r.Value.Unit != tt.to || len(r.Inputs) != 1 {
			t.Errorf("%g %s: %v, %v, want %g %s", tt.value, tt.from, r, err, tt.want, tt.to)
		}
	}
	for _, convert := range []func(clinical.Measurement) (clinical.Result, error){NGSP, IFCC} {
		_, err := convert(clinical.Measurement{})
		wantError(t, err, clinical.Missing, "HbA1c")
	}
}

// open is an HbA1c of which one condition was not recorded.
func open(percent float64) HbA1cInput {
	in := hba1c(percent, "%")
	in.Variant = clinical.NotRecorded
	return in
}

// TestOneMeasurementCountsOnce: diabetes is not confirmed by a repetition.
func TestOneMeasurementCountsOnce(t *testing.T) {
	glucose := func(value float64, date, ref string) FastingInput {
		in := fasting(value, "mg/dL")
		in.Glucose.Date, in.Glucose.Ref = date, ref
		return in
	}
	a1c := func(percent float64, ref string, answer clinical.Answer) HbA1cInput {
		in := hba1c(percent, "%")
		in.HbA1c.Ref, in.Variant = ref, answer
		return in
	}
	drink := tolerance(11.5, "mmol/L")
	drink.Glucose.Ref = "a"
	const once = "; it has the reference, or the kind, date and value, of another result, so that both count once"
	for _, tt := range []struct {
		name   string
		in     OverallInput
		answer string
		again  string // the result that is not counted
		warn   bool   // about one reference with two values
	}{
		{"same date and value", OverallInput{Fasting: []FastingInput{glucose(130, "2026-01-02", ""), glucose(130, "2026-01-02", "")}}, DiabetesUnconfirmed, "fasting glucose 2: diabetes", false},
		{"no date", OverallInput{Fasting: []FastingInput{glucose(130, "", ""), glucose(130, "", "")}}, DiabetesUnconfirmed, "fasting glucose 2: diabetes", false},
		{"other date", OverallInput{Fasting: []FastingInput{glucose(130, "2026-01-02", ""), glucose(130, "2026-01-03", "")}}, DiabetesConfirmed, "", false},
		{"other value", OverallInput{Fasting: []FastingInput{glucose(130, "2026-01-02", ""), glucose(131, "2026-01-02", "")}}, DiabetesConfirmed, "", false},
		{"other references", OverallInput{Fasting: []FastingInput{glucose(130, "2026-01-02", "a"), glucose(130, "2026-01-02", "b")}}, DiabetesConfirmed, "", false},
		{"one without reference", OverallInput{Fasting: []FastingInput{glucose(130, "2026-01-02", "a"), glucose(130, "2026-01-02", "")}}, DiabetesConfirmed, "", false},
		{"same reference", OverallInput{Fasting: []FastingInput{glucose(130, "2026-01-02", "a"), glucose(130, "2026-01", "a")}}, DiabetesUnconfirmed, "fasting glucose 2: diabetes", false},
		{"same reference, other value", OverallInput{Fasting: []FastingInput{glucose(110, "", "a"), glucose(130, "", "a")}}, DiabetesUnconfirmed, "fasting glucose 1: prediabetes", true},
		{"same reference, other kind", OverallInput{Fasting: []FastingInput{glucose(130, "", "a")}, Tolerance: []ToleranceInput{drink}}, DiabetesUnconfirmed, "tolerance test 1: diabetes", true},
		{"with and without the conditions", OverallInput{HbA1c: []HbA1cInput{a1c(7, "a", ""), a1c(7, "a", clinical.No)}, Symptoms: clinical.Yes}, DiabetesConfirmed, "HbA1c 1: diabetes", false},
		{"without and with the conditions", OverallInput{HbA1c: []HbA1cInput{a1c(7, "a", clinical.No), a1c(7, "a", "")}, Symptoms: clinical.Yes}, DiabetesConfirmed, "HbA1c 2: diabetes", false},
		{"a repeated one that is normal", OverallInput{HbA1c: []HbA1cInput{a1c(5, "a", clinical.No), a1c(5, "a", clinical.No)}}, string(Normal), "HbA1c 2: normal", false},
		{"not valid", OverallInput{Fasting: []FastingInput{glucose(90, "", "b")}, HbA1c: []HbA1cInput{a1c(7, "b", clinical.Yes)}}, string(Normal), "", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Overall(tt.in)
			if err != nil {
				t.Fatal(err)
			}
			var again []string
			for _, r := range c.Reasons {
				if text, ok := strings.CutSuffix(r.Text, once); ok && r.Weight == clinical.Neutral {
					again = append(again, text)
				}
			}
			if c.Answer != tt.answer || strings.Join(again, ", ") != tt.again || c.HasWarning(SameReference) != tt.warn {
				t.Errorf("got %s, repeated %q, %v, want %s, repeated %q", c.Answer, again, c.Warnings, tt.answer, tt.again)
			}
		})
	}
	three := glucose(130, "2026-01-02", "")
	c, err := Overall(OverallInput{Fasting: []FastingInput{three, three, three}, Symptoms: clinical.No})
	if err != nil || c.Answer != DiabetesUnconfirmed || !strings.HasPrefix(c.Reasons[3].Text, "one result") {
		t.Errorf("got %+v, %v for one measurement given three times", c, err)
	}
}

// TestPregnancyRefusesTheWholeSet: one answer is about the person.
func TestPregnancyRefusesTheWholeSet(t *testing.T) {
	for field, change := range map[string]func(*OverallInput){
		"fasting 2 pregnancy":   func(in *OverallInput) { in.Fasting[1].Pregnancy = clinical.Yes },
		"tolerance 1 pregnancy": func(in *OverallInput) { in.Tolerance[0].Pregnancy = clinical.Yes },
		"hba1c 1 pregnancy":     func(in *OverallInput) { in.HbA1c[0].Pregnancy = clinical.Yes },
	} {
		in := OverallInput{
			Fasting: []FastingInput{fasting(90, "mg/dL"), fasting(91, "mg/dL")}, Tolerance: []ToleranceInput{tolerance(7, "mmol/L")}, HbA1c: []HbA1cInput{hba1c(5.2, "%")},
		}
		change(&in)
		_, err := Overall(in)
		wantError(t, err, clinical.NotValidInPregnancy, field)
	}
}

// TestWarningsNameTheirResult: two results with the same warning can be told
// apart.
func TestWarningsNameTheirResult(t *testing.T) {
	c, err := Overall(OverallInput{HbA1c: []HbA1cInput{open(6), open(6.1)}, Fasting: []FastingInput{fasting(99.6, "mg/dL")}})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, w := range c.Warnings {
		got = append(got, w.Message)
	}
	want := []string{
		"fasting glucose 1: fasting glucose is shown as 100 mg/dL but is below that limit",
		"HbA1c 1: haemoglobin variant was not recorded; HbA1c would not be valid with it",
		"HbA1c 2: haemoglobin variant was not recorded; HbA1c would not be valid with it",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
}

func TestOverall(t *testing.T) {
	anaemia, variant := hba1c(7, "%"), hba1c(7, "%")
	anaemia.Anaemia, variant.Variant = clinical.Yes, clinical.Yes
	tests := []struct {
		name    string
		in      OverallInput
		answer  string
		weights []clinical.Weight
		warn    clinical.WarningCode
	}{
		{"all normal", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL")}, HbA1c: []HbA1cInput{hba1c(5.2, "%")}},
			"normal", []clinical.Weight{clinical.Decides, clinical.Decides}, ""},
		{"the worst wins", OverallInput{
			Fasting: []FastingInput{fasting(90, "mg/dL")}, Tolerance: []ToleranceInput{tolerance(8, "mmol/L")}, HbA1c: []HbA1cInput{hba1c(5.2, "%")},
		}, "prediabetes", []clinical.Weight{clinical.Opposes, clinical.Decides, clinical.Opposes}, ""},
		{"prediabetes twice is prediabetes", OverallInput{Fasting: []FastingInput{fasting(110, "mg/dL"), fasting(112, "mg/dL")}},
			"prediabetes", []clinical.Weight{clinical.Decides, clinical.Decides}, ""},
		{"one result", OverallInput{Fasting: []FastingInput{fasting(130, "mg/dL"), fasting(99, "mg/dL")}, Symptoms: clinical.No},
			"diabetes-unconfirmed", []clinical.Weight{clinical.Decides, clinical.Opposes, clinical.Decides}, ""},
		{"one result, symptoms not recorded", OverallInput{HbA1c: []HbA1cInput{hba1c(48, "mmol/mol")}},
			"diabetes-unconfirmed", []clinical.Weight{clinical.Decides, clinical.Decides, clinical.NotKnown}, SymptomsNotRecorded},
		{"one result with symptoms", OverallInput{HbA1c: []HbA1cInput{hba1c(48, "mmol/mol")}, Symptoms: clinical.Yes},
			"diabetes-confirmed", []clinical.Weight{clinical.Decides, clinical.Decides}, ""},
		{"two results of two tests", OverallInput{Fasting: []FastingInput{fasting(130, "mg/dL")}, HbA1c: []HbA1cInput{hba1c(6.5, "%")}, Symptoms: clinical.No},
			"diabetes-confirmed", []clinical.Weight{clinical.Decides, clinical.Decides, clinical.Decides}, ""},
		{"three results", OverallInput{Fasting: []FastingInput{fasting(130, "mg/dL"), fasting(131, "mg/dL"), fasting(132, "mg/dL")}, Symptoms: clinical.No},
			"diabetes-confirmed", []clinical.Weight{clinical.Decides, clinical.Decides, clinical.Decides, clinical.Decides}, ""},
		{"after a meal", OverallInput{Fasting: []FastingInput{{Glucose: clinical.NewMeasurement(180, "mg/dL"), Fasting: clinical.No}}, HbA1c: []HbA1cInput{hba1c(5.2, "%")}},
			"normal", []clinical.Weight{clinical.Neutral, clinical.Decides}, ResultNotCounted},
		{"anaemia", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL")}, HbA1c: []HbA1cInput{anaemia, hba1c(5.2, "%")}},
			"normal", []clinical.Weight{clinical.Decides, clinical.Neutral, clinical.Decides}, ResultNotCounted},
		{"a variant in one HbA1c", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL")}, HbA1c: []HbA1cInput{hba1c(7, "%"), variant, hba1c(7.1, "%")}},
			"normal", []clinical.Weight{clinical.Decides, clinical.Neutral, clinical.Neutral, clinical.Neutral}, ResultNotCounted},
		{"pregnancy of a glucose not recorded", OverallInput{Fasting: []FastingInput{{Glucose: clinical.NewMeasurement(90, "mg/dL"), Fasting: clinical.Yes}}},
			"normal", []clinical.Weight{clinical.Decides, clinical.NotKnown}, PregnancyNotRecorded},
		{"a condition not recorded", OverallInput{HbA1c: []HbA1cInput{open(5.2)}},
			"cannot-tell", []clinical.Weight{clinical.Supports, clinical.NotKnown, clinical.Decides}, OnlyOpenResults},
		{"an open HbA1c beside a normal glucose", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL")}, HbA1c: []HbA1cInput{open(5.2)}},
			"normal", []clinical.Weight{clinical.Decides, clinical.Supports, clinical.NotKnown}, ConditionNotRecorded},
		{"an open HbA1c is worse", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL")}, HbA1c: []HbA1cInput{open(6)}},
			"prediabetes", []clinical.Weight{clinical.Opposes, clinical.Supports, clinical.NotKnown, clinical.Decides}, ConditionNotRecorded},
		{"an open HbA1c is better", OverallInput{Fasting: []FastingInput{fasting(110, "mg/dL")}, HbA1c: []HbA1cInput{open(5.2)}},
			"prediabetes", []clinical.Weight{clinical.Decides, clinical.Opposes, clinical.NotKnown}, ConditionNotRecorded},
		{"two open HbA1c do not confirm", OverallInput{HbA1c: []HbA1cInput{open(7), open(7.1)}, Symptoms: clinical.No},
			"diabetes-unconfirmed", []clinical.Weight{clinical.Supports, clinical.NotKnown, clinical.Supports, clinical.NotKnown, clinical.Decides}, OnlyOpenResults},
		{"an open HbA1c with symptoms does not confirm", OverallInput{HbA1c: []HbA1cInput{open(7)}, Symptoms: clinical.Yes},
			"diabetes-unconfirmed", []clinical.Weight{clinical.Supports, clinical.NotKnown, clinical.Decides}, OnlyOpenResults},
		{"an open HbA1c confirms a glucose", OverallInput{Fasting: []FastingInput{fasting(130, "mg/dL")}, HbA1c: []HbA1cInput{open(7)}, Symptoms: clinical.No},
			"diabetes-confirmed", []clinical.Weight{clinical.Decides, clinical.Supports, clinical.NotKnown, clinical.Decides}, ConditionNotRecorded},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Overall(tt.in)
			if err != nil {
				t.Fatal(err)
			}
			var weights []clinical.Weight
			for _, r := range c.Reasons {
				weights = append(weights, r.Weight)
			}
			if c.Answer != tt.answer || !slices.Equal(weights, tt.weights) {
				t.Errorf("got %s by %v, want %s by %v", c.Answer, c.Reasons, tt.answer, tt.weights)
			}
			if tt.warn == "" && len(c.Warnings) != 0 || tt.warn != "" && !c.HasWarning(tt.warn) {
				t.Errorf("the warnings are %v, want %q", c.Warnings, tt.warn)
			}
		})
	}
}

func TestOverallNamesEachResult(t *testing.T) {
	c, err := Overall(OverallInput{Fasting: []FastingInput{fasting(130, "mg/dL"), fasting(99, "mg/dL")}, Tolerance: []ToleranceInput{tolerance(130, "mg/dL")}, HbA1c: []HbA1cInput{hba1c(5.2, "%")}})
	if err != nil {
		t.Fatal(err)
	}
	var texts []string
	for _, r := range c.Reasons {
		texts = append(texts, r.Text)
	}
	want := []string{
		"fasting glucose 1: diabetes", "fasting glucose 2: normal", "tolerance test 1: normal", "HbA1c 1: normal",
		"one result is in the range of diabetes; without symptoms 2 are needed", "symptoms of diabetes were not recorded",
	}
	if !slices.Equal(texts, want) {
		t.Errorf("got %q, want %q", texts, want)
	}
}

func TestOverallRefuses(t *testing.T) {
	anaemia := hba1c(5.2, "%")
	anaemia.Anaemia = clinical.Yes
	perhaps := hba1c(5.2, "%")
	perhaps.Transfusion = "perhaps"
	tests := []struct {
		name  string
		in    OverallInput
		code  clinical.Code
		field string
	}{
		{"nothing", OverallInput{}, clinical.Missing, "results"},
		{"nothing valid", OverallInput{HbA1c: []HbA1cInput{anaemia}}, clinical.TooFew, "results"},
		{"a bad glucose", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL"), fasting(-1, "mg/dL")}}, clinical.NotPositive, "fasting 2 glucose"},
		{"a bad test", OverallInput{Tolerance: []ToleranceInput{{}}}, clinical.Missing, "tolerance 1 dose"},
		{"no glucose after the drink", OverallInput{Tolerance: []ToleranceInput{tolerance(130, "mg/dL"), {Dose: clinical.NewMeasurement(75, "g"), Time: clinical.NewMeasurement(2, "h")}}}, clinical.Missing, "tolerance 2 glucose"},
		{"no time", OverallInput{Tolerance: []ToleranceInput{{Dose: clinical.NewMeasurement(75, "g")}}}, clinical.Missing, "tolerance 1 time"},
		{"a bad HbA1c", OverallInput{HbA1c: []HbA1cInput{hba1c(5.2, "%"), {}}}, clinical.Missing, "hba1c 2 hba1c"},
		{"a bad condition", OverallInput{HbA1c: []HbA1cInput{perhaps}}, clinical.UnknownChoice, "hba1c 1 transfusion"},
		{"fasting not answered", OverallInput{Fasting: []FastingInput{{Glucose: clinical.NewMeasurement(90, "mg/dL")}}}, clinical.Missing, "fasting 1 fasting"},
		{"unknown answer", OverallInput{Fasting: []FastingInput{fasting(90, "mg/dL")}, Symptoms: "some"}, clinical.UnknownChoice, "symptoms"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Overall(tt.in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

// TestHigherGlucoseIsNoBetterClass: in one unit the class never falls as the
// value rises, and another result never makes the overall class better.
func TestHigherGlucoseIsNoBetterClass(t *testing.T) {
	rank := map[string]int{"normal": 0, "prediabetes": 1, "diabetes-unconfirmed": 2, "diabetes-confirmed": 3}
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(60, 400), 1, 4).Draw(t, "values")
		overall := func(values []float64) int {
			in := OverallInput{Symptoms: clinical.No}
			for i, v := range values {
				one := fasting(v, "mg/dL")
				one.Glucose.Ref = fmt.Sprint("result-", i) // equal values are two measurements
				in.Fasting = append(in.Fasting, one)
			}
			c, err := Overall(in)
			if err != nil {
				t.Fatal(err)
			}
			return rank[c.Answer]
		}
		before := overall(values)
		if more := overall(append(slices.Clone(values), rapid.Float64Range(60, 400).Draw(t, "another"))); more < before {
			t.Fatalf("another result made %v better", values)
		}
		raised := slices.Clone(values)
		raised[0] += rapid.Float64Range(0, 100).Draw(t, "rise")
		if overall(raised) < before {
			t.Fatalf("raising the first of %v made it better", values)
		}
	})
}
