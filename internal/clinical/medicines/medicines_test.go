package medicines

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

func wantWarnings(t *testing.T, got []clinical.Warning, want ...clinical.WarningCode) {
	t.Helper()
	var codes []clinical.WarningCode
	for _, w := range got {
		codes = append(codes, w.Code)
	}
	if !slices.Equal(codes, want) {
		t.Errorf("got the warnings %v, want %v", got, want)
	}
}

func mg(value float64) clinical.Measurement { return clinical.NewMeasurement(value, units.Mg) }

// tablets is paracetamol alone, one product taken at the given hours.
func tablets(strength, count float64, hours ...int) Product {
	p := Product{ATC: "N02BE01", Strength: mg(strength)}
	for _, h := range hours {
		p.Doses = append(p.Doses, Dose{Minute: h * 60, Count: count})
	}
	return p
}

// person is an input of which every fact is recorded and the usual cap holds.
func person(products ...Product) ParacetamolInput {
	return ParacetamolInput{Products: products, Weight: clinical.NewMeasurement(70, units.Kilogram), LiverDisease: clinical.No}
}

// TestParacetamol holds the worked values of calculations.md, section 14, and
// the edges of the rule.
func TestParacetamol(t *testing.T) {
	everySix := Product{ATC: "N02BE01", Strength: mg(500), Plan: &Plan{Start: 0, Every: 360, Times: 12, Count: 2}}
	tests := []struct {
		name      string
		products  []Product
		grams     float64
		window    Window
		answer    string
		remaining float64
		next      int                    // earliest minute for a further gram
		warnings  []clinical.WarningCode // of the total and of the conclusion
	}{
		{"2 x 500 mg every 6 h", []Product{everySix}, 4, Window{0, 1080}, AtCap, 0, 4320, nil},
		{"five doses", []Product{tablets(500, 2, 0, 5, 10, 15, 20)}, 5, Window{0, 1200}, Exceeds, 0, 1740, nil},
		{"three grams and 500 mg", []Product{tablets(1000, 1, 0, 6, 12), tablets(500, 1, 18)}, 3.5, Window{0, 1080}, WithinCap, 0.5, 1440, nil},
		{"every 4 h, four times", []Product{tablets(1000, 1, 0, 4, 8, 12)}, 4, Window{0, 720}, AtCap, 0, 1440, nil},
		{"every 4 h, five times", []Product{tablets(1000, 1, 0, 4, 8, 12, 16)}, 5, Window{0, 960}, Exceeds, 0, 1680, nil},
		{"the fifth after 24 h", []Product{tablets(1000, 1, 0, 4, 8, 12, 24)}, 4, Window{0, 720}, AtCap, 0, 1680, nil},
		{"one tablet", []Product{tablets(500, 1, 3)}, 0.5, Window{180, 180}, WithinCap, 3.5, 420, nil},
		{"half a tablet", []Product{tablets(500, 0.5, 3)}, 0.25, Window{180, 180}, WithinCap, 3.75, 420, nil},
		{"just above the cap", []Product{tablets(1000.2, 1, 0, 6, 12, 18)}, 4.0008, Window{0, 1080}, Exceeds, 0, 1800, nil},
		{"shown as the cap, above", []Product{tablets(1000.1, 1, 0, 6, 12, 18)}, 4.0004, Window{0, 1080}, Exceeds, 0, 1800, []clinical.WarningCode{clinical.NearThresholdWarning}},
		{"shown as the cap, below", []Product{tablets(999.9, 1, 0, 6, 12, 18)}, 3.9996, Window{0, 1080}, WithinCap, 0.0004, 1440, []clinical.WarningCode{clinical.NearThresholdWarning}},
		{"not shown as the cap", []Product{tablets(999, 1, 0, 6, 12, 18)}, 3.996, Window{0, 1080}, WithinCap, 0.004, 1440, nil},
		{"the largest of two days", []Product{tablets(1000, 1, 0, 30, 34, 38, 80)}, 3, Window{1800, 2280}, WithinCap, 3, 5040, nil},
		{"two products at once", []Product{tablets(500, 1, 0), {ATC: "N02AJ06", Strength: mg(500), Doses: []Dose{{0, 2}}}}, 1.5, Window{0, 0}, WithinCap, 2.5, 240, nil},
		{"3 h 59 min", []Product{{ATC: "N02BE01", Strength: mg(1000), Doses: []Dose{{0, 1}, {239, 1}}}}, 2, Window{0, 239}, WithinCap, 2, 479, []clinical.WarningCode{IntervalTooShort}},
		{"23 h 59 min", []Product{{ATC: "N02BE01", Strength: mg(1000), Doses: []Dose{{0, 1}, {1439, 1}}}}, 2, Window{0, 1439}, WithinCap, 2, 1679, nil},
		{"single doses and a plan", []Product{{ATC: "N02BE01", Strength: clinical.NewMeasurement(0.5, units.Gram), Doses: []Dose{{60, 1}}, Plan: &Plan{Start: 600, Every: 300, Times: 2, Count: 1}}}, 1.5, Window{60, 900}, WithinCap, 2.5, 1140, []clinical.WarningCode{PlanTooShort}},
		{"other medicines do not count", []Product{tablets(500, 1, 0), {ATC: "M01AE01"}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, nil},
		{"no paracetamol", []Product{{ATC: "M01AE01"}}, 0, Window{}, WithinCap, 4, 0, nil},
		{"a strength without code counts", []Product{{Strength: mg(500), Doses: []Dose{{0, 1}}}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, nil},
		{"a strength with another code counts", []Product{{ATC: "M01AE01", Strength: mg(500), Doses: []Dose{{0, 1}}}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, []clinical.WarningCode{CodeDisagrees}},
		{"a cold remedy with its strength", []Product{{ATC: "R05XA01", Strength: mg(500), Doses: []Dose{{0, 1}}}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, nil},
		{"a cold remedy without", []Product{tablets(500, 1, 0), {ATC: "R05XA01"}}, 0.5, Window{0, 0}, CannotTell, unknown, unknown, []clinical.WarningCode{ContentNotKnown}},
		{"nothing known", []Product{{}}, 0, Window{}, CannotTell, unknown, unknown, []clinical.WarningCode{ContentNotKnown}},
		{"unknown beside too much", []Product{tablets(1000, 5, 0), {}}, 5, Window{0, 0}, Exceeds, unknown, unknown, []clinical.WarningCode{ContentNotKnown}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := person(tt.products...)
			in.NextDose = mg(1000)
			p, err := Paracetamol(in, DefaultParacetamolRules())
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(p.Value.Value-tt.grams) > 1e-12 || p.Value.Unit != "g" || windowOf(p) != tt.window || p.Cap.Value.Value != 4 || !p.CapKnown {
				t.Errorf("got %v in %v, cap %v, want %g in %v", p.Value, p.Window, p.Cap.Value, tt.grams, tt.window)
			}
			if p.Conclusion.Answer != tt.answer || math.Abs(valueOf(p.Remaining)-tt.remaining) > 1e-12 {
				t.Errorf("got %s and %g g left, want %s and %g", p.Conclusion.Answer, valueOf(p.Remaining), tt.answer, tt.remaining)
			}
			if valueOf(p.NextAllowed) != float64(tt.next) {
				t.Errorf("got the next dose at %g, want %d", valueOf(p.NextAllowed), tt.next)
			}
			wantWarnings(t, slices.Concat(p.Warnings, p.Conclusion.Warnings), tt.warnings...)
		})
	}
}

// unknown stands for a result that there is none of.
const unknown = -1

func valueOf(r *clinical.Result) float64 {
	if r == nil {
		return unknown
	}
	return r.Value.Value
}

func windowOf(p ParacetamolTotal) Window {
	if p.Window == nil {
		return Window{}
	}
	return *p.Window
}

// TestParacetamolNextDose asks for doses that are never or not asked for.
func TestParacetamolNextDose(t *testing.T) {
	in := person(tablets(1000, 1, 0))
	p, err := Paracetamol(in, DefaultParacetamolRules())
	if err != nil || p.NextAllowed != nil || valueOf(p.Remaining) != 3 {
		t.Errorf("got %+v, %v without a next dose", p, err)
	}
	rules := DefaultParacetamolRules()
	rules.Cap = 1
	in.NextDose = mg(1000)
	p, err = Paracetamol(in, rules)
	if err != nil || valueOf(p.NextAllowed) != 1440 || p.NextAllowed.Value.Unit != "min" || p.Conclusion.Answer != AtCap || p.Conclusion.HasWarning(NextDoseAboveCap) {
		t.Errorf("got %+v, %v for a dose equal to the cap", p, err)
	}
	in.NextDose = mg(1000.5)
	p, err = Paracetamol(in, rules)
	if err != nil || p.NextAllowed != nil || !p.Conclusion.HasWarning(NextDoseAboveCap) {
		t.Errorf("got %+v, %v for a dose above the cap", p, err)
	}
}

// TestParacetamolAmountsFitAsWritten uses amounts that binary numbers do not
// hold.
func TestParacetamolAmountsFitAsWritten(t *testing.T) {
	for _, tt := range []struct {
		capG      float64
		strengths []float64 // one dose each, 6 h apart
		answer    string
		next      float64 // minute of one more dose of the first strength
	}{
		{1.001, []float64{500.5, 500.5}, AtCap, 1440},
		{1.001, []float64{500.5}, WithinCap, 240},
		{1.1, []float64{366.7, 366.7, 366.6}, AtCap, 1440},
		{2.3, []float64{766.7, 766.7}, WithinCap, 1440},
		{2.3, []float64{766.6, 766.7}, WithinCap, 600},
		// Nanograms count, and less than half of one does not.
		{1, []float64{500, 500.000001}, Exceeds, 1800},
		{1, []float64{500, 500.0000004}, AtCap, 1440},
	} {
		rules := DefaultParacetamolRules()
		rules.Cap = tt.capG
		in := person()
		for i, strength := range tt.strengths {
			in.Products = append(in.Products, tablets(strength, 1, 6*i))
		}
		in.NextDose = mg(tt.strengths[0])
		p, err := Paracetamol(in, rules)
		if err != nil || p.Conclusion.Answer != tt.answer || valueOf(p.NextAllowed) != tt.next || p.Cap.Value.Value != tt.capG {
			t.Errorf("%g and %v: got %s and %g, %v, want %s and %g", tt.capG, tt.strengths, p.Conclusion.Answer, valueOf(p.NextAllowed), err, tt.answer, tt.next)
		}
		if got, want := len(p.Conclusion.Warnings) > 0, tt.answer == Exceeds; got != want {
			t.Errorf("%g and %v: got the warnings %v", tt.capG, tt.strengths, p.Conclusion.Warnings)
		}
	}
}

// TestParacetamolWithoutTheFactsOfTheCap: where a lower cap may hold, only a
// total that no cap or every cap allows gets an answer.
func TestParacetamolWithoutTheFactsOfTheCap(t *testing.T) {
	open := []clinical.WarningCode{LowerCapNotExcluded}
	near := []clinical.WarningCode{clinical.NearThresholdWarning, LowerCapNotExcluded}
	for _, tt := range []struct {
		lowerCap float64
		mg       float64
		answer   string
		text     string
		warnings []clinical.WarningCode
	}{
		{0, 500, CannotTell, "the largest total of 24 h is 0.500 g, the cap 4.000 g, unless the lower cap holds", open},
		{0, 4000, CannotTell, "the largest total of 24 h is 4.000 g, the cap 4.000 g, unless the lower cap holds", open},
		{0, 4001, Exceeds, "the largest total of 24 h is 4.001 g, the cap 4.000 g, unless the lower cap holds", open},
		{3, 3000, WithinCap, "the largest total of 24 h is 3.000 g, the cap 4.000 g, unless the lower cap holds, 3.000 g", open},
		{3, 3001, CannotTell, "the largest total of 24 h is 3.001 g, the cap 4.000 g, unless the lower cap holds, 3.000 g", open},
		{3, 3000.4, CannotTell, "the largest total of 24 h is 3.000 g, the cap 4.000 g, unless the lower cap holds, 3.000 g", near},
		{3, 4000, CannotTell, "the largest total of 24 h is 4.000 g, the cap 4.000 g, unless the lower cap holds, 3.000 g", open},
		{3, 4004, Exceeds, "the largest total of 24 h is 4.004 g, the cap 4.000 g, unless the lower cap holds, 3.000 g", open},
	} {
		rules := DefaultParacetamolRules()
		rules.LowerCap = tt.lowerCap
		whole := person(tablets(tt.mg/4, 4, 0))
		for i, change := range []func(*ParacetamolInput){
			func(in *ParacetamolInput) { in.Weight = clinical.Measurement{} },
			func(in *ParacetamolInput) { in.LiverDisease = clinical.NotRecorded },
			func(in *ParacetamolInput) { in.Weight, in.LiverDisease = clinical.Measurement{}, clinical.NotRecorded },
		} {
			in := whole
			in.NextDose = mg(500)
			change(&in)
			p, err := Paracetamol(in, rules)
			if err != nil {
				t.Fatal(err)
			}
			if p.Conclusion.Answer != tt.answer || p.Conclusion.Reasons[0].Text != tt.text || p.CapKnown || p.Remaining != nil || p.NextAllowed != nil {
				t.Errorf("%d: got %s by %q, %v and %v left, want %s by %q", i, p.Conclusion.Answer, p.Conclusion.Reasons[0].Text, p.Remaining, p.NextAllowed, tt.answer, tt.text)
			}
			if decides := p.Conclusion.Reasons[0].Weight == clinical.Decides; decides != (tt.answer != CannotTell) {
				t.Errorf("%s is weighed as %s", tt.answer, p.Conclusion.Reasons[0].Weight)
			}
			wantWarnings(t, p.Conclusion.Warnings, tt.warnings...)
		}
	}
	in := ParacetamolInput{Products: []Product{{ATC: "M01AE01"}}}
	if p, err := Paracetamol(in, DefaultParacetamolRules()); err != nil || p.Conclusion.Answer != WithinCap {
		t.Errorf("got %s, %v without any paracetamol", p.Conclusion.Answer, err)
	}
}

// TestParacetamolShortPlans looks beside the 24 h.
func TestParacetamolShortPlans(t *testing.T) {
	for _, tt := range []struct {
		plan Plan
		want []clinical.WarningCode
	}{
		{Plan{Every: 360, Times: 4, Count: 1}, nil},
		{Plan{Every: 1439, Times: 1, Count: 1}, []clinical.WarningCode{PlanTooShort}},
		{Plan{Every: 1440, Times: 1, Count: 1}, nil},
		{Plan{Start: 5000, Every: 360, Times: 3, Count: 1}, []clinical.WarningCode{PlanTooShort}},
	} {
		p, err := Paracetamol(person(Product{ATC: "N02BE01", Strength: mg(500), Plan: &tt.plan}, Product{ATC: "M01AE01", Plan: &tt.plan}), DefaultParacetamolRules())
		if err != nil {
			t.Fatal(err)
		}
		wantWarnings(t, p.Warnings, tt.want...)
		wantWarnings(t, p.Conclusion.Warnings)
	}
}

// TestParacetamolListsWhatWasTaken checks the inputs of each result.
func TestParacetamolListsWhatWasTaken(t *testing.T) {
	in := person(Product{
		ATC: "N02BE01", Strength: mg(500), Ref: "record-1",
		Doses: []Dose{{60, 1}, {600, 0.5}}, Plan: &Plan{Start: 1440, Every: 480, Times: 3, Count: 2},
	})
	in.NextDose = mg(1000)
	rules := DefaultParacetamolRules()
	rules.LowerCap = 3
	p, err := Paracetamol(in, rules)
	if err != nil {
		t.Fatal(err)
	}
	list := func(inputs []clinical.Input) string {
		var texts []string
		for _, in := range inputs {
			texts = append(texts, strings.TrimSpace(fmt.Sprintf("%s %g %s %s", in.Name, in.Measurement.Value, in.Measurement.Unit, in.Choice)))
		}
		return strings.Join(texts, "; ")
	}
	const want = "product 1 0  N02BE01; product 1 strength 500 mg; " +
		"product 1 dose 1 minute 60 min; product 1 dose 1 count 1 {dose}; product 1 dose 2 minute 600 min; product 1 dose 2 count 0.5 {dose}; " +
		"product 1 plan start 1440 min; product 1 plan every 480 min; product 1 plan times 3 {intake}; product 1 plan count 2 {dose}; " +
		"weight 70 kg; liver disease 0  no; next dose 1000 mg"
	for _, inputs := range [][]clinical.Input{p.Inputs, p.Conclusion.Inputs, p.Remaining.Inputs, p.NextAllowed.Inputs} {
		if got := list(inputs); got != want {
			t.Errorf("got %s", got)
		}
	}
	if got := list(p.Cap.Inputs); got != "cap of the programme 4 g; lower cap of the programme 3 g; weight 70 kg; liver disease 0  no" {
		t.Errorf("got %s", got)
	}
	steps := []clinical.Step{
		{Text: "first intake of the largest total", Value: units.Quantity{Value: 1440, Unit: "min"}},
		{Text: "last intake of the largest total", Value: units.Quantity{Value: 2400, Unit: "min"}},
	}
	if !slices.Equal(p.Steps, steps) {
		t.Errorf("got the steps %+v", p.Steps)
	}
	if p, err = Paracetamol(person(Product{ATC: "M01AE01"}), rules); err != nil || p.Steps != nil || p.Window != nil {
		t.Errorf("got %+v, %v without an intake", p.Steps, err)
	}
}

// TestParacetamolCombinations: a combination whose code does not name its
// substances is never without paracetamol by its code.
func TestParacetamolCombinations(t *testing.T) {
	for _, code := range []string{
		"A03DB04", "A03DA02", "A03EA01", "M03BA51", "M03BA71", "M03BB53", "M03BB73", "M03BC51", "M03BX55", "R01BA52", "R05XA01", "R06AA54", "R06AB54",
		"N02BB51", "N02BB71", "N02BB54", "M01AB55", "M01AA51", "M01AC56", "M01AE51", "M01AG51", "M01AH51", "M01AX51", "M01AX68",
		"N02BA51", "N02BA65", "N02BA71", "N02BE05", "N02BE53", "N02BE73", "N02AJ03", "N02AJ09", "N02AJ15",
		"N02AA51", "N02AA58", "N02AA59", "N02AA79", "N02AB52", "N02AB72", "N02AC54", "N02AC74", "N02AD51", "N02AX52", "N02CA52", "N02CA72",
	} {
		p, err := Paracetamol(person(tablets(500, 1, 0), Product{ATC: code, Doses: []Dose{{0, 1}}}), DefaultParacetamolRules())
		if err != nil || p.Conclusion.Answer != CannotTell || p.Remaining != nil {
			t.Errorf("%s: got %s, %v", code, p.Conclusion.Answer, err)
		}
	}
	for _, code := range []string{"M01AE01", "M01AB05", "M01AX05", "M03BX01", "R01BA02", "N02AA01", "N02BA01", "N02BB02", "R06AX13", "N02CC01"} {
		p, err := Paracetamol(person(tablets(500, 1, 0), Product{ATC: code}), DefaultParacetamolRules())
		if err != nil || p.Conclusion.Answer != WithinCap {
			t.Errorf("%s: got %s, %v", code, p.Conclusion.Answer, err)
		}
	}
}

func TestParacetamolCapOfThePerson(t *testing.T) {
	stated := DefaultParacetamolRules()
	stated.LowerCap = 3
	kg := func(v float64) clinical.Measurement { return clinical.NewMeasurement(v, units.Kilogram) }
	tests := []struct {
		name     string
		weight   clinical.Measurement
		liver    clinical.Answer
		cap      float64
		answer   string
		warnings []clinical.WarningCode
	}{
		{"usual", kg(70), clinical.No, 4, WithinCap, nil},
		{"50 kg", kg(50), clinical.No, 4, WithinCap, nil},
		{"below 50 kg", kg(49.9), clinical.No, 3, Exceeds, nil},
		{"liver disease", kg(70), clinical.Yes, 3, Exceeds, nil},
		{"weight not recorded", clinical.Measurement{}, clinical.No, 4, CannotTell, []clinical.WarningCode{LowerCapNotExcluded}},
		{"liver not recorded", kg(70), clinical.NotRecorded, 4, CannotTell, []clinical.WarningCode{LowerCapNotExcluded}},
		{"liver disease, weight not recorded", clinical.Measurement{}, clinical.Yes, 3, Exceeds, nil},
		{"lowest weight", kg(30), clinical.No, 3, Exceeds, nil},
		{"highest weight", kg(250), clinical.No, 4, WithinCap, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := ParacetamolInput{Products: []Product{tablets(500, 7, 0)}, Weight: tt.weight, LiverDisease: tt.liver}
			p, err := Paracetamol(in, stated)
			if err != nil {
				t.Fatal(err)
			}
			if p.Cap.Value.Value != tt.cap || p.CapKnown != (tt.answer != CannotTell) || p.Conclusion.Answer != tt.answer {
				t.Errorf("got %v and %s, want %g and %s", p.Cap.Value, p.Conclusion.Answer, tt.cap, tt.answer)
			}
			wantWarnings(t, p.Conclusion.Warnings, tt.warnings...)
			if tt.cap == 3 {
				_, err = Paracetamol(in, DefaultParacetamolRules())
				wantError(t, err, clinical.Missing, "lower cap")
			}
		})
	}
}

func TestParacetamolReasons(t *testing.T) {
	in := person(
		Product{ATC: "N02BE01", Strength: mg(500), Doses: []Dose{{0, 2}, {100, 2}}, Ref: "record-1"},
		Product{}, Product{ATC: "M01AE01"},
	)
	in.Weight = clinical.Measurement{}
	stated := DefaultParacetamolRules()
	stated.LowerCap = 2.5
	reasons := func(rules ParacetamolRules) []clinical.Reason {
		p, err := Paracetamol(in, rules)
		if err != nil {
			t.Fatal(err)
		}
		return p.Conclusion.Reasons
	}
	want := []clinical.Reason{
		{Text: "the largest total of 24 h is 2.000 g, the cap 4.000 g, unless the lower cap holds, 2.500 g", Weight: clinical.Neutral, Source: practice},
		{Text: "product 1: counted with the stated strength of paracetamol", Weight: clinical.Neutral, Source: whoATC},
		{Text: "product 2: neither a code nor a strength was recorded; it may hold paracetamol", Weight: clinical.NotKnown, Source: whoATC},
		{Text: "product 3: no paracetamol by its code", Weight: clinical.Neutral, Source: whoATC},
		{Text: "weight was not recorded; below 50 kg a lower cap holds", Weight: clinical.NotKnown, Source: practice},
		{Text: "no liver disease", Weight: clinical.Neutral, Source: practice},
		{Text: "1 interval(s) between intakes are shorter than 240 min", Weight: clinical.Neutral, Source: practice},
	}
	if got := reasons(stated); !slices.Equal(got, want) {
		t.Errorf("got %+v", got)
	}
	in.Products = in.Products[:1]
	want = []clinical.Reason{
		{Text: "the largest total of 24 h is 2.000 g, the cap 4.000 g, unless the lower cap holds, 2.500 g", Weight: clinical.Decides, Source: practice},
		want[1], want[4], want[5],
		{Text: "1 interval(s) between intakes are shorter than 240 min", Weight: clinical.Opposes, Source: practice},
	}
	if got := reasons(stated); !slices.Equal(got, want) {
		t.Errorf("got %+v", got)
	}
	in = person(tablets(500, 1, 0), Product{})
	want = []clinical.Reason{
		{Text: "the largest total of 24 h is 0.500 g, the cap 4.000 g", Weight: clinical.Neutral, Source: practice},
		{Text: "product 1: counted with the stated strength of paracetamol", Weight: clinical.Neutral, Source: whoATC},
		{Text: "product 2: neither a code nor a strength was recorded; it may hold paracetamol", Weight: clinical.NotKnown, Source: whoATC},
		{Text: "weight not below 50 kg", Weight: clinical.Neutral, Source: practice},
		{Text: "no liver disease", Weight: clinical.Neutral, Source: practice},
		{Text: "no two counted intakes are closer than 240 min; those of products that may hold paracetamol were not looked at", Weight: clinical.NotKnown, Source: practice},
	}
	if got := reasons(stated); !slices.Equal(got, want) {
		t.Errorf("got %+v", got)
	}
	in.Products = in.Products[:1]
	if got := reasons(stated); got[4] != (clinical.Reason{Text: "no two intakes are closer than 240 min", Weight: clinical.Neutral, Source: practice}) {
		t.Errorf("got %+v", got[4])
	}
}

func TestParacetamolCodes(t *testing.T) {
	for _, code := range []string{"N02BE01", "N02BE51", "N02BE71", "N02AJ01", "N02AJ06", "N02AJ13", "N02AJ17", "N02AJ22"} {
		_, err := Paracetamol(person(tablets(500, 1, 0), Product{ATC: code, Doses: []Dose{{0, 1}}}), DefaultParacetamolRules())
		wantError(t, err, clinical.Missing, "product 2 strength")
		if err != nil && strings.Contains(err.Error(), code) {
			t.Errorf("the error repeats the code: %v", err)
		}
	}
}

func TestParacetamolRefuses(t *testing.T) {
	dose := func(minute int, count float64) []Product {
		return []Product{{ATC: "N02BE01", Strength: mg(500), Doses: []Dose{{0, 1}, {minute, count}}}}
	}
	plan := func(start, every, times int, count float64) []Product {
		return []Product{{ATC: "N02BE01", Strength: mg(500), Plan: &Plan{start, every, times, count}}}
	}
	strength := func(v float64) []Product { return []Product{tablets(v, 1, 0)} }
	tests := []struct {
		name     string
		products []Product
		code     clinical.Code
		field    string
	}{
		{"no product", nil, clinical.Missing, "products"},
		{"no intake", []Product{tablets(500, 1)}, clinical.Missing, "product 1 doses"},
		{"code too short", []Product{{ATC: "N02BE"}}, clinical.UnknownChoice, "product 1 ATC code"},
		{"code in small letters", []Product{{ATC: "n02be01"}}, clinical.UnknownChoice, "product 1 ATC code"},
		{"strength too low", strength(9.99), clinical.OutOfRange, "product 1 strength"},
		{"strength too high", strength(2000.1), clinical.OutOfRange, "product 1 strength"},
		{"strength NaN", strength(math.NaN()), clinical.NotFinite, "product 1 strength"},
		{"strength in tablets", []Product{{ATC: "N02BE01", Strength: clinical.NewMeasurement(500, "{tbl}")}}, clinical.UnknownUnit, "product 1 strength"},
		{"before the start", dose(-1, 1), clinical.OutOfRange, "product 1 dose 2 minute"},
		{"after a month", dose(44641, 1), clinical.OutOfRange, "product 1 dose 2 minute"},
		{"no count", dose(600, 0), clinical.NotPositive, "product 1 dose 2 count"},
		{"negative count", dose(600, -1), clinical.NotPositive, "product 1 dose 2 count"},
		{"count NaN", dose(600, math.NaN()), clinical.NotFinite, "product 1 dose 2 count"},
		{"count infinite", dose(600, math.Inf(1)), clinical.NotFinite, "product 1 dose 2 count"},
		{"count minus infinite", dose(600, math.Inf(-1)), clinical.NotFinite, "product 1 dose 2 count"},
		{"count too high", dose(600, 100.1), clinical.OutOfRange, "product 1 dose 2 count"},
		{"plan without times", plan(0, 360, 0, 1), clinical.OutOfRange, "product 1 plan times"},
		{"plan too long", plan(0, 1, 501, 1), clinical.OutOfRange, "product 1 plan times"},
		{"plan without interval", plan(0, 0, 4, 1), clinical.OutOfRange, "product 1 plan every"},
		{"plan with a huge interval", plan(0, 44641, 1, 1), clinical.OutOfRange, "product 1 plan every"},
		{"plan after a month", plan(1, 44640, 2, 1), clinical.OutOfRange, "product 1 plan times"},
		{"plan a minute too long", plan(44141, 1, 501, 1), clinical.OutOfRange, "product 1 plan times"},
		{"plan with a start that is too late", plan(44641, 1, 1, 1), clinical.OutOfRange, "product 1 plan start"},
		{"plan before the start", plan(-1, 1, 1, 1), clinical.OutOfRange, "product 1 plan start"},
		{"plan without count", plan(0, 360, 4, 0), clinical.NotPositive, "product 1 plan count"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Paracetamol(person(tt.products...), DefaultParacetamolRules())
			wantError(t, err, tt.code, tt.field)
		})
	}
	for _, products := range [][]Product{strength(10), strength(2000), dose(44640, 1), dose(600, 100), plan(0, 1, 500, 1), plan(0, 44640, 1, 1), plan(0, 44640, 2, 1), plan(0, 1, 1, 1), plan(44640, 1, 1, 1), plan(44141, 1, 500, 1)} {
		if _, err := Paracetamol(person(products...), DefaultParacetamolRules()); err != nil {
			t.Errorf("%+v: %v", products, err)
		}
	}
}

func TestParacetamolRefusesThePerson(t *testing.T) {
	for _, tt := range []struct {
		change func(*ParacetamolInput)
		code   clinical.Code
		field  string
	}{
		{func(in *ParacetamolInput) { in.Weight = clinical.NewMeasurement(29.9, units.Kilogram) }, clinical.OutOfRange, "weight"},
		{func(in *ParacetamolInput) { in.Weight = clinical.NewMeasurement(250.1, units.Kilogram) }, clinical.OutOfRange, "weight"},
		{func(in *ParacetamolInput) { in.LiverDisease = "some" }, clinical.UnknownChoice, "liver disease"},
		{func(in *ParacetamolInput) { in.NextDose = mg(5) }, clinical.OutOfRange, "next dose"},
	} {
		in := person(tablets(500, 1, 0))
		tt.change(&in)
		_, err := Paracetamol(in, DefaultParacetamolRules())
		wantError(t, err, tt.code, tt.field)
	}
}

func TestParacetamolRules(t *testing.T) {
	check := func(change func(*ParacetamolRules)) error {
		rules := DefaultParacetamolRules()
		change(&rules)
		_, err := Paracetamol(person(tablets(500, 1, 0)), rules)
		return err
	}
	for _, tt := range []struct {
		change func(*ParacetamolRules)
		code   clinical.Code
		field  string
	}{
		{func(r *ParacetamolRules) { r.Cap = 0.499 }, clinical.OutOfRange, "cap"},
		{func(r *ParacetamolRules) { r.Cap = 4.001 }, clinical.OutOfRange, "cap"},
		{func(r *ParacetamolRules) { r.Cap = math.NaN() }, clinical.OutOfRange, "cap"},
		{func(r *ParacetamolRules) { r.Cap, r.LowerCap = 2, 3 }, clinical.OutOfRange, "lower cap"},
		{func(r *ParacetamolRules) { r.LowerCap = 0.4 }, clinical.OutOfRange, "lower cap"},
		{func(r *ParacetamolRules) { r.LowWeight = 0 }, clinical.OutOfRange, "low weight"},
		{func(r *ParacetamolRules) { r.ShortestMinutes = 0 }, clinical.OutOfRange, "shortest time between doses"},
		{func(r *ParacetamolRules) { r.ShortestMinutes = 1441 }, clinical.OutOfRange, "shortest time between doses"},
		{func(r *ParacetamolRules) { r.Contains = nil }, clinical.Missing, "paracetamol codes"},
		{func(r *ParacetamolRules) { r.Contains = []string{"N02BE01", "N"} }, clinical.UnknownChoice, "paracetamol codes 2"},
		{func(r *ParacetamolRules) { r.MayContain = []string{""} }, clinical.UnknownChoice, "may-contain codes 1"},
	} {
		wantError(t, check(tt.change), tt.code, tt.field)
	}
	for i, change := range []func(*ParacetamolRules){
		func(r *ParacetamolRules) { r.Cap = 0.5 },
		func(r *ParacetamolRules) { r.LowerCap = 4 },
		func(r *ParacetamolRules) { r.ShortestMinutes = 1 },
		func(r *ParacetamolRules) { r.ShortestMinutes = 1440 },
		func(r *ParacetamolRules) { r.Contains = []string{"N02"} },
	} {
		if err := check(change); err != nil {
			t.Errorf("rules %d: %v", i, err)
		}
	}
}

func drawProducts(t *rapid.T) []Product {
	var list []Product
	for range rapid.IntRange(1, 4).Draw(t, "products") {
		p := Product{ATC: "N02BE01", Strength: mg(rapid.SampledFrom([]float64{120, 325, 500, 650, 1000}).Draw(t, "strength"))}
		for range rapid.IntRange(1, 6).Draw(t, "doses") {
			p.Doses = append(p.Doses, Dose{
				Minute: rapid.IntRange(0, 4000).Draw(t, "minute"),
				Count:  rapid.SampledFrom([]float64{0.5, 0.75, 1, 2}).Draw(t, "count"),
			})
		}
		list = append(list, p)
	}
	return list
}

// TestParacetamolAgreesWithEveryMinute adds up the 24 h before each minute.
func TestParacetamolAgreesWithEveryMinute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		products := drawProducts(t)
		in := person(products...)
		size := rapid.SampledFrom([]float64{500, 1000, 2000}).Draw(t, "next")
		in.NextDose = mg(size)
		p, err := Paracetamol(in, DefaultParacetamolRules())
		if err != nil {
			t.Fatal(err)
		}
		before := func(minute int) float64 {
			var sum float64
			for _, product := range products {
				for _, d := range product.Doses {
					if d.Minute <= minute && d.Minute > minute-24*60 {
						sum += d.Count * product.Strength.Quantity.Value
					}
				}
			}
			return sum
		}
		var most float64
		last := 0
		for minute := range 4001 {
			most = math.Max(most, before(minute))
		}
		for _, product := range products {
			for _, d := range product.Doses {
				last = max(last, d.Minute)
			}
		}
		if math.Abs(p.Value.Value-most/1000) > 1e-9 {
			t.Fatalf("got %v, want %g mg", p.Value, most)
		}
		next := last + 4*60
		for before(next)+size > 4000+1e-9 {
			next++
		}
		if valueOf(p.NextAllowed) != float64(next) {
			t.Fatalf("got the next dose at %g, want %d", valueOf(p.NextAllowed), next)
		}
	})
}

// TestParacetamolProperties turns the products round, shifts time and adds a
// dose.
func TestParacetamolProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		products := drawProducts(t)
		total := func(products []Product) ParacetamolTotal {
			p, err := Paracetamol(person(products...), DefaultParacetamolRules())
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		first := total(products)
		turned := slices.Clone(products)
		slices.Reverse(turned)
		if got := total(turned); got.Value != first.Value || *got.Window != *first.Window || got.Remaining.Value != first.Remaining.Value {
			t.Fatalf("%v in one order, %v in the other", first.Value, got.Value)
		}
		shift := rapid.IntRange(0, 1000).Draw(t, "shift")
		var shifted []Product
		for _, p := range products {
			p.Doses = slices.Clone(p.Doses)
			for i := range p.Doses {
				p.Doses[i].Minute += shift
			}
			shifted = append(shifted, p)
		}
		if got := total(shifted); got.Value != first.Value || got.Window.First != first.Window.First+shift || got.Conclusion.Answer != first.Conclusion.Answer {
			t.Fatalf("%v became %v by a shift", first.Value, got.Value)
		}
		more := append(slices.Clone(products), tablets(500, 1, rapid.IntRange(0, 60).Draw(t, "hour")))
		if got := total(more); got.Value.Value < first.Value.Value-1e-12 {
			t.Fatalf("%v became %v by one more dose", first.Value, got.Value)
		}
	})
}

func TestFindNSAID(t *testing.T) {
	med := func(code string) Medicine { return Medicine{ATC: code} }
	aspirin := func(code string, dose float64) Medicine { return Medicine{ATC: code, DailyDose: mg(dose)} }
	tests := []struct {
		name     string
		list     []Medicine
		complete clinical.Answer
		answer   string
		classes  []NSAIDClass
		warnings []clinical.WarningCode
	}{
		{"ibuprofen", []Medicine{med("M01AE01")}, clinical.Yes, Avoid, []NSAIDClass{SystemicNSAID}, nil},
		{"paracetamol", []Medicine{med("N02BE01")}, clinical.Yes, NoneFound, []NSAIDClass{NotNSAID}, nil},
		{"no medicine", nil, clinical.Yes, NoneFound, nil, nil},
		{"no medicine, list not confirmed", nil, clinical.NotRecorded, CannotTell, nil, nil},
		{"list not complete", []Medicine{med("N02BE01")}, clinical.No, CannotTell, []NSAIDClass{NotNSAID}, nil},
		{"no code", []Medicine{{}}, clinical.Yes, CannotTell, []NSAIDClass{ClassNotKnown}, nil},
		{"no code beside an NSAID", []Medicine{{}, med("M01AB05")}, clinical.No, Avoid, []NSAIDClass{ClassNotKnown, SystemicNSAID}, nil},
		{"an NSAID before no code", []Medicine{med("M01AB05"), {}}, clinical.Yes, Avoid, []NSAIDClass{SystemicNSAID, ClassNotKnown}, nil},
		{"glucosamine", []Medicine{med("M01AX05")}, clinical.Yes, NoneFound, []NSAIDClass{NotNSAID}, nil},
		{"nabumetone", []Medicine{med("M01AX01")}, clinical.Yes, Avoid, []NSAIDClass{SystemicNSAID}, nil},
		{"other antirheumatic", []Medicine{med("M01CB01")}, clinical.Yes, NoneFound, []NSAIDClass{NotNSAID}, nil},
		{"codeine with ibuprofen", []Medicine{med("N02AJ08")}, clinical.Yes, Avoid, []NSAIDClass{SystemicNSAID}, nil},
		{"codeine with another analgesic", []Medicine{med("N02AJ09")}, clinical.Yes, CannotTell, []NSAIDClass{ClassNotKnown}, nil},
		{"gel", []Medicine{med("M02AA15")}, clinical.Yes, TopicalOnly, []NSAIDClass{TopicalNSAID}, []clinical.WarningCode{TopicalCaution}},
		{"capsaicin", []Medicine{med("M02AB01")}, clinical.Yes, NoneFound, []NSAIDClass{NotNSAID}, nil},
		{"gel and no code", []Medicine{med("M02AA15"), {}}, clinical.Yes, CannotTell, []NSAIDClass{TopicalNSAID, ClassNotKnown}, []clinical.WarningCode{TopicalCaution}},
		{"gel and ibuprofen", []Medicine{med("M02AA15"), med("M01AE01")}, clinical.No, Avoid, []NSAIDClass{TopicalNSAID, SystemicNSAID}, []clinical.WarningCode{TopicalCaution}},
		{"low-dose aspirin", []Medicine{med("B01AC06")}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin}, []clinical.WarningCode{AspirinDoseNotRecorded}},
		{"low-dose aspirin with its dose", []Medicine{aspirin("B01AC06", 100)}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin}, nil},
		{"two low-dose codes without dose", []Medicine{med("B01AC06"), med("C10BX01")}, clinical.Yes, CannotTell, []NSAIDClass{ClassNotKnown, ClassNotKnown}, nil},
		{"two doses up to the limit", []Medicine{aspirin("B01AC06", 75), aspirin("N02BA01", 25)}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin, LowDoseAspirin}, nil},
		{"two doses above the limit", []Medicine{aspirin("B01AC06", 75), aspirin("N02BA01", 75)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit, AspirinAboveLimit}, nil},
		{"two doses that binary numbers do not hold", []Medicine{aspirin("B01AC06", 33.3), aspirin("N02BA01", 66.7)}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin, LowDoseAspirin}, nil},
		{"a nanogram above", []Medicine{aspirin("B01AC06", 50), aspirin("N02BA01", 50.000001)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit, AspirinAboveLimit}, []clinical.WarningCode{clinical.NearThresholdWarning}},
		{"a dose and none", []Medicine{aspirin("B01AC06", 75), med("N02BA01")}, clinical.Yes, CannotTell, []NSAIDClass{LowDoseAspirin, ClassNotKnown}, nil},
		{"a dose and a low-dose code without", []Medicine{med("B01AC06"), aspirin("N02BA01", 75)}, clinical.Yes, CannotTell, []NSAIDClass{ClassNotKnown, LowDoseAspirin}, nil},
		{"a high dose and none", []Medicine{med("B01AC06"), aspirin("N02BA01", 500)}, clinical.Yes, Avoid, []NSAIDClass{ClassNotKnown, AspirinAboveLimit}, nil},
		{"low-dose code with a high dose", []Medicine{aspirin("B01AC06", 300)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, nil},
		{"aspirin without dose", []Medicine{med("N02BA01")}, clinical.Yes, CannotTell, []NSAIDClass{ClassNotKnown}, nil},
		{"aspirin 100 mg", []Medicine{aspirin("N02BA01", 100)}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin}, nil},
		{"aspirin above 100 mg", []Medicine{aspirin("N02BA01", 100.1)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, []clinical.WarningCode{clinical.NearThresholdWarning}},
		{"aspirin 101 mg", []Medicine{aspirin("N02BA01", 101)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, nil},
		{"aspirin in g", []Medicine{{ATC: "N02BA01", DailyDose: clinical.NewMeasurement(0.5, units.Gram)}}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, nil},
		{"lowest dose", []Medicine{aspirin("N02BA01", 10)}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin}, nil},
		{"highest dose", []Medicine{aspirin("N02BA01", 10000)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := FindNSAID(NSAIDInput{Medicines: tt.list, ListComplete: tt.complete}, DefaultNSAIDRules())
			if err != nil {
				t.Fatal(err)
			}
			if c.Answer != tt.answer {
				t.Errorf("got %s, want %s", c.Answer, tt.answer)
			}
			var classes []NSAIDClass
			for i, f := range c.Findings {
				if f.Medicine != i+1 {
					t.Errorf("finding %d is about medicine %d", i, f.Medicine)
				}
				classes = append(classes, f.Class)
			}
			if !slices.Equal(classes, tt.classes) {
				t.Errorf("got the classes %v, want %v", classes, tt.classes)
			}
			if len(c.Reasons) != len(tt.list)+1 {
				t.Errorf("got the reasons %v", c.Reasons)
			}
			wantWarnings(t, c.Warnings, tt.warnings...)
		})
	}
}

func TestNSAIDReasons(t *testing.T) {
	rules := DefaultNSAIDRules()
	rules.Allowed = []string{"M01AB"}
	in := NSAIDInput{Medicines: []Medicine{
		{ATC: "M01AB05", Ref: "record-1"}, {ATC: "N02BA01", DailyDose: mg(75)}, {ATC: "M02AA15"}, {ATC: "A10BA02"},
	}, ListComplete: clinical.Yes}
	c, err := FindNSAID(in, rules)
	if err != nil {
		t.Fatal(err)
	}
	want := []clinical.Reason{
		{Text: "medicine 1: allowed by the programme's protocol", Weight: clinical.Neutral, Source: "protocol of the programme"},
		{Text: "medicine 2: aspirin up to 100 mg a day", Weight: clinical.Neutral, Source: practice},
		{Text: "medicine 3: NSAID for local use; caution", Weight: clinical.Decides, Source: whoATC},
		{Text: "medicine 4: no NSAID by its code", Weight: clinical.Neutral, Source: whoATC},
		{Text: "the list is confirmed as complete", Weight: clinical.Neutral, Source: practice},
	}
	if c.Answer != TopicalOnly || !slices.Equal(c.Reasons, want) {
		t.Errorf("got %s by %+v", c.Answer, c.Reasons)
	}
	wantWarnings(t, c.Warnings, AllowedCaution, TopicalCaution)
	if len(c.Inputs) != 6 || c.Inputs[0].Choice != "M01AB05" || c.Inputs[0].Measurement.Ref != "record-1" || c.Inputs[2].Name != "medicine 2 daily dose" {
		t.Errorf("got the inputs %+v", c.Inputs)
	}
	in.Medicines = []Medicine{{ATC: "M01AE01"}, {}, {ATC: "M02AA15"}}
	if c, err = FindNSAID(in, rules); err != nil {
		t.Fatal(err)
	}
	for i, weight := range []clinical.Weight{clinical.Decides, clinical.NotKnown, clinical.Neutral} {
		if c.Reasons[i].Weight != weight {
			t.Errorf("reason %d is %s, want %s", i, c.Reasons[i].Weight, weight)
		}
	}
}

// TestAspirinIsAddedUp checks the texts and the sum.
func TestAspirinIsAddedUp(t *testing.T) {
	low := Medicine{ATC: "B01AC06"}
	dose := func(code string, v float64) Medicine { return Medicine{ATC: code, DailyDose: mg(v)} }
	const unrecorded = "aspirin of which the dose a day was not recorded; above 100 mg a day donors avoid it"
	for _, tt := range []struct {
		list    []Medicine
		texts   []string
		weights []clinical.Weight
		sum     float64
	}{
		{[]Medicine{low}, []string{"aspirin with a code of low dose; its dose was not recorded"}, []clinical.Weight{clinical.NotKnown}, unknown},
		{[]Medicine{dose("B01AC06", 75)}, []string{"aspirin up to 100 mg a day"}, []clinical.Weight{clinical.Neutral}, 75},
		{[]Medicine{dose("N02BA01", 500)}, []string{"aspirin above 100 mg a day; donors avoid it for life"}, []clinical.Weight{clinical.Decides}, 500},
		{
			[]Medicine{dose("B01AC06", 75), dose("N02BA01", 25.4)},
			[]string{"aspirin, with the other aspirin 100 mg a day, above 100 mg a day; donors avoid it for life", "aspirin, with the other aspirin 100 mg a day, above 100 mg a day; donors avoid it for life"},
			[]clinical.Weight{clinical.Decides, clinical.Decides}, 100.4,
		},
		{
			[]Medicine{dose("B01AC06", 30), dose("N02BA01", 20)},
			[]string{"aspirin, with the other aspirin 50 mg a day, up to 100 mg a day", "aspirin, with the other aspirin 50 mg a day, up to 100 mg a day"},
			[]clinical.Weight{clinical.Neutral, clinical.Neutral}, 50,
		},
		{[]Medicine{low, dose("N02BA01", 50)}, []string{unrecorded, "aspirin up to 100 mg a day"}, []clinical.Weight{clinical.NotKnown, clinical.Neutral}, unknown},
		{[]Medicine{{ATC: "A10BA02", DailyDose: mg(500)}}, []string{"no NSAID by its code"}, []clinical.Weight{clinical.Neutral}, unknown},
	} {
		c, err := FindNSAID(NSAIDInput{Medicines: tt.list, ListComplete: clinical.Yes}, DefaultNSAIDRules())
		if err != nil {
			t.Fatal(err)
		}
		for i, text := range tt.texts {
			if r := c.Reasons[i]; r.Text != fmt.Sprintf("medicine %d: %s", i+1, text) || r.Weight != tt.weights[i] {
				t.Errorf("got %+v, want %q", r, text)
			}
		}
		if got := valueOf(c.Aspirin); got != tt.sum || c.Aspirin != nil && (c.Aspirin.Value.Unit != "mg" || len(c.Aspirin.Inputs) != len(tt.list)) {
			t.Errorf("got the sum %+v, want %g", c.Aspirin, tt.sum)
		}
	}
}

// TestNSAIDOutsideTheirGroup: none of these gives none-found without a word.
func TestNSAIDOutsideTheirGroup(t *testing.T) {
	for want, codes := range map[string][]string{
		Avoid: {
			"M01AE01", "M01BA01", "N02BA06", "N02BA11", "N02BG03", "N02BG04", "L01XX33", "C01EB03", "C01EB16", "C08CA51", "N02CC51",
			"N02AJ08", "N02AJ14", "N02AJ16", "N02AJ19", "N02AJ23",
		},
		TopicalOnly: {
			"M02AA15", "M02AC01", "S01BC03", "S01CC01", "S02DA03", "S02DA30", "A01AD02", "G02CC01", "R02AX01", "R02AX02", "R02AX03", "D11AX18",
		},
		CannotTell: {
			"N02BA01", "N02BA02", "N02BA03", "N02BA04", "N02BA05", "N02BA15", "N02BA51", "N02BA55", "N02BA65", "N02BA71", "N02BA77",
			"N02BB01", "N02BB02", "N02BB52", "N02BB74", "N02BE51", "N02BE53", "N02BE71", "N02AJ02", "N02AJ03", "N02AJ07", "N02AJ09", "N02AJ15", "N02AJ18",
			"B01AC10", "B01AC15", "B01AC18", "B01AC30", "C07FX03", "C10BX07", "C10BX20", "R01BA51", "R01BA52", "R01BA53", "R05XA01", "N02CC59",
			"A03DB04", "A03EA01", "M03BA51", "M03BA71", "M03BB53", "M03BB73", "M03BC51", "M03BX55", "R06AA54", "R06AB54",
			"N02AA51", "N02AA58", "N02AA59", "N02AA79", "N02AB52", "N02AB72", "N02AC54", "N02AC74", "N02AD51", "N02AX52", "N02CA52", "N02CA72",
		},
		NoneFound: {
			"N02BE01", "N02AJ01", "N02AJ06", "N02AJ13", "N02AJ17", "N02AJ22", "C10BX03", "C10BX09", "C10AA05", "N02CC01", "M01AX05", "M01AX12", "M01AX21", "M01AX25", "M01AX26",
		},
	} {
		for _, code := range codes {
			c, err := FindNSAID(NSAIDInput{Medicines: []Medicine{{ATC: code}}, ListComplete: clinical.Yes}, DefaultNSAIDRules())
			if err != nil || c.Answer != want {
				t.Errorf("%s: got %s, %v, want %s", code, c.Answer, err, want)
			}
		}
	}
	// With a code of low dose aspirin passes, but not without a word.
	for _, code := range []string{"B01AC06", "B01AC08", "B01AC56", "C10BX01", "C10BX02", "C10BX04", "C10BX05", "C10BX06", "C10BX08", "C10BX12"} {
		c, err := FindNSAID(NSAIDInput{Medicines: []Medicine{{ATC: code}}, ListComplete: clinical.Yes}, DefaultNSAIDRules())
		if err != nil || !c.HasWarning(AspirinDoseNotRecorded) || c.Reasons[0].Weight != clinical.NotKnown {
			t.Errorf("%s: got %+v, %v", code, c.Conclusion, err)
		}
	}
}

func TestFindNSAIDRefuses(t *testing.T) {
	for _, code := range []string{"M01A", "M01AE1", "M01AE011", "m01ae01", "M01AE0X", "M01 AE01", "ÄÖ01AE1"} {
		_, err := FindNSAID(NSAIDInput{Medicines: []Medicine{{ATC: "N02BE01"}, {ATC: code}}}, DefaultNSAIDRules())
		wantError(t, err, clinical.UnknownChoice, "medicine 2 ATC code")
		if err != nil && strings.Contains(err.Error(), code) {
			t.Errorf("the error repeats the code: %v", err)
		}
	}
	for _, tt := range []struct {
		dose clinical.Measurement
		code clinical.Code
	}{
		{mg(9.9), clinical.OutOfRange}, {mg(10000.1), clinical.OutOfRange}, {mg(-1), clinical.NotPositive},
		{mg(math.Inf(1)), clinical.NotFinite}, {clinical.NewMeasurement(100, "{tbl}"), clinical.UnknownUnit},
	} {
		_, err := FindNSAID(NSAIDInput{Medicines: []Medicine{{ATC: "N02BA01", DailyDose: tt.dose}}}, DefaultNSAIDRules())
		wantError(t, err, tt.code, "medicine 1 daily dose")
	}
	_, err := FindNSAID(NSAIDInput{ListComplete: "perhaps"}, DefaultNSAIDRules())
	wantError(t, err, clinical.UnknownChoice, "list complete")

	rules := DefaultNSAIDRules()
	rules.NSAID = nil
	_, err = FindNSAID(NSAIDInput{}, rules)
	wantError(t, err, clinical.Missing, "NSAID codes")
	rules = DefaultNSAIDRules()
	rules.HighestAspirin = 0
	_, err = FindNSAID(NSAIDInput{}, rules)
	wantError(t, err, clinical.OutOfRange, "highest aspirin")
	rules = DefaultNSAIDRules()
	rules.Allowed = []string{"M01AE01", "M01 AE"}
	_, err = FindNSAID(NSAIDInput{}, rules)
	wantError(t, err, clinical.UnknownChoice, "allowed codes 2")
}

// TestNSAIDDoesNotDependOnOrder turns the list round and adds a medicine, which
// never takes away that something is to be avoided.
func TestNSAIDDoesNotDependOnOrder(t *testing.T) {
	codes := []string{"", "M01AE01", "M01AX05", "N02BE01", "N02BE51", "M02AA15", "B01AC06", "N02BA01", "C07AB02"}
	rapid.Check(t, func(t *rapid.T) {
		var list []Medicine
		for _, code := range rapid.SliceOfN(rapid.SampledFrom(codes), 1, 6).Draw(t, "codes") {
			list = append(list, Medicine{ATC: code})
		}
		answer := func(list []Medicine) string {
			c, err := FindNSAID(NSAIDInput{Medicines: list, ListComplete: clinical.Yes}, DefaultNSAIDRules())
			if err != nil {
				t.Fatal(err)
			}
			return c.Answer
		}
		turned := slices.Clone(list)
		slices.Reverse(turned)
		if a, b := answer(list), answer(turned); a != b {
			t.Fatalf("%s in one order, %s in the other", a, b)
		}
		rank := map[string]int{NoneFound: 0, TopicalOnly: 1, CannotTell: 2, Avoid: 3}
		if a, b := answer(list[1:]), answer(list); rank[b] < rank[a] {
			t.Fatalf("%s became %s by one more medicine", a, b)
		}
	})
}
