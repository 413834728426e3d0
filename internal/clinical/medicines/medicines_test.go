package medicines

import (
	"errors"
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
		next      int // earliest minute for a further gram
		warnings  []clinical.WarningCode
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
		{"single doses and a plan", []Product{{ATC: "N02BE01", Strength: clinical.NewMeasurement(0.5, units.Gram), Doses: []Dose{{60, 1}}, Plan: &Plan{Start: 600, Every: 300, Times: 2, Count: 1}}}, 1.5, Window{60, 900}, WithinCap, 2.5, 1140, nil},
		{"other medicines do not count", []Product{tablets(500, 1, 0), {ATC: "M01AE01"}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, nil},
		{"no paracetamol", []Product{{ATC: "M01AE01"}}, 0, Window{}, WithinCap, 4, 0, nil},
		{"a strength without code counts", []Product{{Strength: mg(500), Doses: []Dose{{0, 1}}}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, nil},
		{"a strength with another code counts", []Product{{ATC: "M01AE01", Strength: mg(500), Doses: []Dose{{0, 1}}}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, []clinical.WarningCode{CodeDisagrees}},
		{"a cold remedy with its strength", []Product{{ATC: "R05XA01", Strength: mg(500), Doses: []Dose{{0, 1}}}}, 0.5, Window{0, 0}, WithinCap, 3.5, 240, nil},
		{"a cold remedy without", []Product{tablets(500, 1, 0), {ATC: "R05XA01"}}, 0.5, Window{0, 0}, CannotTell, 3.5, 240, []clinical.WarningCode{ContentNotKnown}},
		{"nothing known", []Product{{}}, 0, Window{}, CannotTell, 4, 0, []clinical.WarningCode{ContentNotKnown}},
		{"unknown beside too much", []Product{tablets(1000, 5, 0), {}}, 5, Window{0, 0}, Exceeds, 0, 1440, []clinical.WarningCode{ContentNotKnown}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := person(tt.products...)
			in.NextDose = mg(1000)
			p, err := Paracetamol(in, DefaultParacetamolRules())
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(p.Value.Value-tt.grams) > 1e-12 || p.Value.Unit != "g" || p.Window != tt.window || p.Cap != 4 {
				t.Errorf("got %v in %v, cap %g, want %g in %v", p.Value, p.Window, p.Cap, tt.grams, tt.window)
			}
			if p.Conclusion.Answer != tt.answer || math.Abs(p.Remaining-tt.remaining) > 1e-12 {
				t.Errorf("got %s and %g g left, want %s and %g", p.Conclusion.Answer, p.Remaining, tt.answer, tt.remaining)
			}
			if p.NextAllowed == nil || *p.NextAllowed != tt.next {
				t.Errorf("got the next dose at %v, want %d", p.NextAllowed, tt.next)
			}
			wantWarnings(t, p.Warnings, tt.warnings...)
			wantWarnings(t, p.Conclusion.Warnings, tt.warnings...)
		})
	}
}

// TestParacetamolNextDose asks for doses that are never or not asked for.
func TestParacetamolNextDose(t *testing.T) {
	in := person(tablets(1000, 1, 0))
	p, err := Paracetamol(in, DefaultParacetamolRules())
	if err != nil || p.NextAllowed != nil || len(p.Steps) != 1 {
		t.Errorf("got %+v, %v without a next dose", p, err)
	}
	rules := DefaultParacetamolRules()
	rules.Cap = 1
	in.NextDose = mg(1000)
	p, err = Paracetamol(in, rules)
	if err != nil || p.NextAllowed == nil || *p.NextAllowed != 1440 || p.Conclusion.Answer != AtCap {
		t.Errorf("got %+v, %v for a dose equal to the cap", p, err)
	}
	in.NextDose = mg(1000.5)
	p, err = Paracetamol(in, rules)
	if err != nil || p.NextAllowed != nil || !p.HasWarning(NextDoseAboveCap) {
		t.Errorf("got %+v, %v for a dose above the cap", p, err)
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
		{"weight not recorded", clinical.Measurement{}, clinical.No, 4, WithinCap, []clinical.WarningCode{LowerCapNotExcluded}},
		{"liver not recorded", kg(70), clinical.NotRecorded, 4, WithinCap, []clinical.WarningCode{LowerCapNotExcluded}},
		{"liver disease, weight not recorded", clinical.Measurement{}, clinical.Yes, 3, Exceeds, []clinical.WarningCode{LowerCapNotExcluded}},
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
			if p.Cap != tt.cap || p.Conclusion.Answer != tt.answer {
				t.Errorf("got %g and %s, want %g and %s", p.Cap, p.Conclusion.Answer, tt.cap, tt.answer)
			}
			wantWarnings(t, p.Warnings, tt.warnings...)
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
	reasons := func(rules ParacetamolRules) []clinical.Reason {
		p, err := Paracetamol(in, rules)
		if err != nil {
			t.Fatal(err)
		}
		return p.Conclusion.Reasons
	}
	want := []clinical.Reason{
		{Text: "the largest total of 24 h is 2.000 g, the cap 4.000 g", Weight: clinical.Neutral, Source: practice},
		{Text: "product 1: counted with the stated strength of paracetamol", Weight: clinical.Neutral, Source: whoATC},
		{Text: "product 2: neither a code nor a strength was recorded; it may hold paracetamol", Weight: clinical.NotKnown, Source: whoATC},
		{Text: "product 3: no paracetamol by its code", Weight: clinical.Neutral, Source: whoATC},
		{Text: "weight was not recorded; below 50 kg a lower cap holds", Weight: clinical.NotKnown, Source: practice},
		{Text: "no liver disease", Weight: clinical.Neutral, Source: practice},
		{Text: "1 interval(s) between intakes are shorter than 240 min", Weight: clinical.Neutral, Source: practice},
	}
	if got := reasons(DefaultParacetamolRules()); !slices.Equal(got, want) {
		t.Errorf("got %+v", got)
	}
	in.Products = in.Products[:1]
	want = []clinical.Reason{
		{Text: "the largest total of 24 h is 2.000 g, the cap 4.000 g", Weight: clinical.Decides, Source: practice},
		want[1], want[4], want[5],
		{Text: "1 interval(s) between intakes are shorter than 240 min", Weight: clinical.Opposes, Source: practice},
	}
	if got := reasons(DefaultParacetamolRules()); !slices.Equal(got, want) {
		t.Errorf("got %+v", got)
	}
	p, err := Paracetamol(in, DefaultParacetamolRules())
	if err != nil || len(p.Inputs) != 3 || p.Inputs[0].Measurement.Ref != "record-1" || len(p.Conclusion.Inputs) != 3 {
		t.Errorf("got the inputs %+v, %v", p.Inputs, err)
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
		{"plan after a month", plan(1, 44640, 2, 1), clinical.OutOfRange, "product 1 plan minute"},
		{"plan without count", plan(0, 360, 4, 0), clinical.NotPositive, "product 1 plan count"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Paracetamol(person(tt.products...), DefaultParacetamolRules())
			wantError(t, err, tt.code, tt.field)
		})
	}
	for _, products := range [][]Product{strength(10), strength(2000), dose(44640, 1), dose(600, 100), plan(0, 1, 500, 1), plan(0, 44640, 1, 1), plan(0, 44640, 2, 1), plan(0, 1, 1, 1)} {
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
		if p.NextAllowed == nil || *p.NextAllowed != next {
			t.Fatalf("got the next dose at %v, want %d", p.NextAllowed, next)
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
		if got := total(turned); got.Value != first.Value || got.Window != first.Window || got.Remaining != first.Remaining {
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
		{"gel", []Medicine{med("M02AA15")}, clinical.Yes, NoneFound, []NSAIDClass{TopicalNSAID}, []clinical.WarningCode{TopicalCaution}},
		{"capsaicin", []Medicine{med("M02AB01")}, clinical.Yes, NoneFound, []NSAIDClass{NotNSAID}, nil},
		{"low-dose aspirin", []Medicine{med("B01AC06")}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin}, nil},
		{"low-dose code with a high dose", []Medicine{aspirin("B01AC06", 300)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, nil},
		{"aspirin without dose", []Medicine{med("N02BA01")}, clinical.Yes, CannotTell, []NSAIDClass{ClassNotKnown}, nil},
		{"aspirin 100 mg", []Medicine{aspirin("N02BA01", 100)}, clinical.Yes, NoneFound, []NSAIDClass{LowDoseAspirin}, nil},
		{"aspirin above 100 mg", []Medicine{aspirin("N02BA01", 100.1)}, clinical.Yes, Avoid, []NSAIDClass{AspirinAboveLimit}, nil},
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
		{Text: "medicine 3: NSAID for local use; caution", Weight: clinical.Opposes, Source: whoATC},
		{Text: "medicine 4: no NSAID by its code", Weight: clinical.Neutral, Source: whoATC},
		{Text: "the list is confirmed as complete", Weight: clinical.Neutral, Source: practice},
	}
	if c.Answer != NoneFound || !slices.Equal(c.Reasons, want) {
		t.Errorf("got %s by %+v", c.Answer, c.Reasons)
	}
	wantWarnings(t, c.Warnings, AllowedCaution, TopicalCaution)
	if len(c.Inputs) != 6 || c.Inputs[0].Choice != "M01AB05" || c.Inputs[0].Measurement.Ref != "record-1" {
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
		rank := map[string]int{NoneFound: 0, CannotTell: 1, Avoid: 2}
		if a, b := answer(list[1:]), answer(list); rank[b] < rank[a] {
			t.Fatalf("%s became %s by one more medicine", a, b)
		}
	})
}
