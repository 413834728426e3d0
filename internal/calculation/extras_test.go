package calculation

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestErrorsNameTheItem: of several items the path leads to the one that was
// refused.
func TestErrorsNameTheItem(t *testing.T) {
	for _, tt := range []struct{ id, input, path string }{
		{"paracetamol-total", `{"products": [{"atc": "N02BE01", "strength": "500 mg", "plan": {"start": 1, "every": 44640, "times": 2, "count": 1}}]}`, "products[0].plan.times"},
		{"paracetamol-total", `{"products": [{"atc": "M01AE01"}, {"atc": "N02BE01", "strength": "500 mg", "plan": {"start": -1, "every": 60, "times": 2, "count": 1}}]}`, "products[1].plan.start"},
		{"glycaemia-overall", `{"fasting": [{"glucose": "90 mg/dL", "fasting": "yes"}, {"glucose": "-1 mg/dL", "fasting": "yes"}]}`, "fasting[1].glucose"},
		{"glycaemia-overall", `{"fasting": [{"glucose": "90 mg/dL", "fasting": "yes"}, {"glucose": "90 mg/dL"}]}`, "fasting[1].fasting"},
		{"glycaemia-overall", `{"fasting": [{"glucose": "90 mg/dL", "fasting": "yes", "pregnancy": "yes"}]}`, "fasting[0].pregnancy"},
		{"glycaemia-overall", `{"tolerance": [{"glucose": "7 mmol/L", "dose": "75 g", "time": "2 h"}, {"dose": "75 g", "time": "2 h"}]}`, "tolerance[1].glucose"},
		{"glycaemia-overall", `{"tolerance": [{"glucose": "7 mmol/L", "dose": "50 g", "time": "2 h"}]}`, "tolerance[0].dose"},
		{"glycaemia-overall", `{"tolerance": [{"glucose": "7 mmol/L", "dose": "75 g", "time": "1 h"}]}`, "tolerance[0].time"},
		{"glycaemia-overall", `{"hba1c": [{"hba1c": "5.2 %"}, {"hba1c": "48 %"}]}`, "hba1c[1].hba1c"},
		{"glycaemia-overall", `{"hba1c": [{"hba1c": "5.2 %"}, {"hba1c": "5.2 %", "pregnancy": "yes"}]}`, "hba1c[1].pregnancy"},
	} {
		c, _ := Find(tt.id)
		_, err := c.Run([]byte(tt.input))
		if e := wantError(t, err); e.Field != tt.path {
			t.Errorf("%s %s: got %v, want %s", tt.id, tt.input, e, tt.path)
		}
	}
}

// TestMedicineValues: what a reader needs is among the values, and no warning is
// there twice.
func TestMedicineValues(t *testing.T) {
	for _, tt := range []struct{ id, input, want string }{
		{"paracetamol-total", `{"products": [{"atc": "N02BE01", "strength": "500 mg", "doses": [{"minute": 0, "count": 2}, {"minute": 60, "count": 2}]}], "weight": "70 kg", "liverDisease": "no", "nextDose": "500 mg"}`,
			"largest amount in 24 h 2.0 g; cap 4.000 g; remaining after the last intake 2.000 g; earliest time of the further dose after the common start 300 min"},
		{"paracetamol-total", `{"products": [{"atc": "N02BE01", "strength": "500 mg", "doses": [{"minute": 0, "count": 2}]}, {}], "nextDose": "500 mg"}`,
			"largest amount in 24 h 1.0 g; cap, unless the lower cap holds 4.000 g"},
		{"nsaid-check", `{"medicines": [{"atc": "B01AC06", "dailyDose": "75 mg"}, {"atc": "N02BA01", "dailyDose": "0.1 g"}]}`, "aspirin of all medicines a day 175 mg"},
		{"nsaid-check", `{"medicines": [{"atc": "B01AC06"}]}`, ""},
		{"laterality", `{"left": {"split": "51 %"}, "right": {"split": "49 %"}}`, "share of the left kidney, as used 51.0 %"},
	} {
		c, _ := Find(tt.id)
		o := mustRun(t, c, []byte(tt.input))
		var values []string
		warned := map[string]bool{}
		see := func(message string) {
			if warned[message] {
				t.Errorf("the warning %q is there twice", message)
			}
			warned[message] = true
		}
		for _, v := range o.Values {
			values = append(values, v.Name+" "+v.Shown+" "+v.Result.Value.Unit)
			for _, w := range v.Result.Warnings {
				see(w.Message)
			}
		}
		for _, conclusion := range o.Conclusions {
			for _, w := range conclusion.Warnings {
				see(w.Message)
			}
		}
		if got := strings.Join(values, "; "); got != tt.want {
			t.Errorf("%s: got %s, want %s", tt.id, got, tt.want)
		}
		if _, err := json.Marshal(o); err != nil {
			t.Error(err)
		}
	}
}
