package renal

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func method(name string, kind MethodKind, gfr, uncertainty float64) MethodResult {
	m := MethodResult{Name: name, Kind: kind, GFR: estimated(gfr)}
	if uncertainty > 0 {
		m.StandardUncertainty = estimated(uncertainty)
	}
	return m
}

func TestAgree(t *testing.T) {
	yes, no := true, false
	tests := []struct {
		name        string
		first       MethodResult
		second      MethodResult
		answer      string
		absolute    float64
		fraction    float64
		significant *bool
	}{
		{"estimates", method("cr", Estimated, 100, 0), method("cys", Estimated, 85, 0), MethodsAgree, -15, -15 / 92.5, nil},
		{"estimates apart", method("cr", Estimated, 100, 0), method("cys", Estimated, 84.9, 0), MethodsDisagree, -15.1, -15.1 / 92.45, nil},
		{"clearance and estimate", method("cr", Estimated, 90, 0), method("urine", UrineMeasured, 105.1, 4), MethodsDisagree, -15.1, -15.1 / 105.1, nil},
		// The plasma clearance is the reference, whichever comes first.
		{"plasma", method("cr", Estimated, 104, 0), method("iohexol", PlasmaMeasured, 80, 2), MethodsAgree, 24, 0.30, nil},
		{"plasma apart", method("iohexol", PlasmaMeasured, 80, 2), method("cr", Estimated, 104.1, 0), MethodsDisagree, 24.1, 24.1 / 80, nil},
		{"two plasma", method("a", PlasmaMeasured, 90, 3), method("b", PlasmaMeasured, 99.9, 4), MethodsAgree, 9.9, 9.9 / 94.95, &yes},
		// 1.96 x root of 9 + 16 is 9.8.
		{"two plasma near", method("a", PlasmaMeasured, 90, 3), method("b", PlasmaMeasured, 99.7, 4), MethodsAgree, 9.7, 9.7 / 94.85, &no},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a, err := Agree([]MethodResult{tt.first, tt.second}, DefaultAgreementRules())
			if err != nil {
				t.Fatal(err)
			}
			d := a.Differences[0]
			if a.Answer != tt.answer || math.Abs(d.Absolute-tt.absolute) > 1e-9 || math.Abs(d.Fraction-tt.fraction) > 1e-9 || d.Agree != (tt.answer == MethodsAgree) {
				t.Errorf("got %s, %+v", a.Answer, d)
			}
			if (d.Significant == nil) != (tt.significant == nil) || d.Significant != nil && *d.Significant != *tt.significant {
				t.Errorf("got the significance %v", d.Significant)
			}
			if len(a.Reasons) != 1 || a.Reasons[0].Text == "" || len(a.Inputs) != 2 {
				t.Errorf("got %+v", a.Conclusion)
			}
		})
	}
}

func TestAgreeRefuses(t *testing.T) {
	good := method("a", Estimated, 90, 0)
	tests := []struct {
		name  string
		list  []MethodResult
		rules AgreementRules
		code  clinical.Code
		field string
	}{
		{"one", []MethodResult{good}, DefaultAgreementRules(), clinical.TooFew, "methods"},
		{"no name", []MethodResult{good, method("", Estimated, 90, 0)}, DefaultAgreementRules(), clinical.Missing, "method 2 name"},
		{"no kind", []MethodResult{good, method("b", "", 90, 0)}, DefaultAgreementRules(), clinical.UnknownChoice, "method 2 kind"},
		{"GFR too low", []MethodResult{good, method("b", Estimated, 4.96, 0)}, DefaultAgreementRules(), clinical.OutOfRange, "method 2 GFR"},
		{"GFR too high", []MethodResult{good, method("b", Estimated, 251, 0)}, DefaultAgreementRules(), clinical.OutOfRange, "method 2 GFR"},
		{"GFR NaN", []MethodResult{method("a", Estimated, math.NaN(), 0), good}, DefaultAgreementRules(), clinical.NotFinite, "method 1 GFR"},
		{"no rules", []MethodResult{good, good}, AgreementRules{}, clinical.OutOfRange, "agreement rules"},
		{"percent", []MethodResult{good, good}, AgreementRules{15, 30}, clinical.OutOfRange, "agreement rules"},
		{"all", []MethodResult{good, good}, AgreementRules{15, 1}, clinical.OutOfRange, "agreement rules"},
		{"infinite", []MethodResult{good, good}, AgreementRules{math.Inf(1), 0.3}, clinical.OutOfRange, "agreement rules"},
		{"NaN", []MethodResult{good, good}, AgreementRules{15, math.NaN()}, clinical.OutOfRange, "agreement rules"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Agree(tt.list, tt.rules)
			wantError(t, err, tt.code, tt.field)
		})
	}
	if _, err := Agree([]MethodResult{method("a", Estimated, 5, 0), method("b", Estimated, 250, 0)}, AgreementRules{15, 0.995}); err != nil {
		t.Error(err)
	}
}

// TestAgreeHasNoOrder: the order of the methods changes neither the answer nor
// the size of a difference.
func TestAgreeHasNoOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) MethodResult {
			return method(name, rapid.SampledFrom(MethodKinds()).Draw(t, "kind"), rapid.Float64Range(40, 140).Draw(t, "gfr"), rapid.Float64Range(0, 5).Draw(t, "u"))
		}
		a, b := draw("a"), draw("b")
		first, err := Agree([]MethodResult{a, b}, DefaultAgreementRules())
		if err != nil {
			t.Fatal(err)
		}
		second, err := Agree([]MethodResult{b, a}, DefaultAgreementRules())
		if err != nil {
			t.Fatal(err)
		}
		if first.Answer != second.Answer || math.Abs(first.Differences[0].Absolute) != math.Abs(second.Differences[0].Absolute) ||
			math.Abs(first.Differences[0].Fraction) != math.Abs(second.Differences[0].Fraction) {
			t.Fatalf("%+v and %+v", first, second)
		}
	})
}

// TestThirtyPercentOfDecimals: what is 30 % in decimals agrees, whatever binary
// makes of it.
func TestThirtyPercentOfDecimals(t *testing.T) {
	for plasma, estimate := range map[float64]float64{52: 36.4, 54: 37.8, 57: 39.9, 59: 41.3, 62: 43.4} {
		a, err := Agree([]MethodResult{method("a", PlasmaMeasured, plasma, 0), method("b", Estimated, estimate, 0)}, DefaultAgreementRules())
		if err != nil || a.Answer != MethodsAgree {
			t.Errorf("%g and %g: got %+v, %v", plasma, estimate, a.Differences, err)
		}
	}
	many := make([]MethodResult, 21)
	for i := range many {
		many[i] = method("a", Estimated, 90, 0)
	}
	_, err := Agree(many, DefaultAgreementRules())
	wantError(t, err, clinical.OutOfRange, "methods")
	if _, err := Agree(many[:20], DefaultAgreementRules()); err != nil {
		t.Error(err)
	}
}

func TestAgreeComparesEachPair(t *testing.T) {
	a, err := Agree([]MethodResult{
		method("a", Estimated, 90, 0), method("b", Estimated, 92, 0), method("c", UrineMeasured, 100, 0), method("d", PlasmaMeasured, 95, 0),
	}, DefaultAgreementRules())
	if err != nil || len(a.Differences) != 6 || a.Answer != MethodsAgree {
		t.Errorf("got %+v, %v", a, err)
	}
}

func TestReasonOfADifference(t *testing.T) {
	yes, no := true, false
	for significant, want := range map[*bool]string{
		nil:  "cr differs from iohexol by -12.5 mL/min/1.73 m2 (-13.9 %); an uncertainty was not stated",
		&yes: "cr differs from iohexol by -12.5 mL/min/1.73 m2 (-13.9 %); more than their uncertainties explain",
		&no:  "cr differs from iohexol by -12.5 mL/min/1.73 m2 (-13.9 %); within their uncertainties",
	} {
		d := Difference{Method: "cr", Reference: "iohexol", Absolute: -12.5, Fraction: -0.1389, Significant: significant}
		if got := d.text(15); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
