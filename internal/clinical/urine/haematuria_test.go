package urine

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func cells(counts ...float64) []ErythrocyteSample {
	var list []ErythrocyteSample
	for _, n := range counts {
		list = append(list, ErythrocyteSample{
			Cells: clinical.NewMeasurement(n, "/[HPF]"), Menstruation: clinical.No, Exercise: clinical.No, Infection: clinical.No,
		})
	}
	return list
}

func TestHaematuria(t *testing.T) {
	const (
		supports = clinical.Supports
		opposes  = clinical.Opposes
		neutral  = clinical.Neutral
		decides  = clinical.Decides
	)
	tests := []struct {
		name    string
		samples []ErythrocyteSample
		answer  string
		weights []clinical.Weight
	}{
		{"no cells", cells(0), NotAboveLimit, []clinical.Weight{supports, decides}},
		{"at the limit", cells(2, 2, 2), NotAboveLimit, []clinical.Weight{supports, supports, supports, decides}},
		{"once above", cells(2.01), RepeatNeeded, []clinical.Weight{supports, decides}},
		{"above and then not", cells(5, 1), RepeatNeeded, []clinical.Weight{supports, opposes, decides}},
		{"one of three", cells(5, 1, 0), IsolatedOrTransient, []clinical.Weight{supports, opposes, opposes, decides}},
		{"the second of three", cells(0, 5, 1), IsolatedOrTransient, []clinical.Weight{opposes, supports, opposes, decides}},
		{"two of two", cells(5, 3), Persistent, []clinical.Weight{supports, supports, decides}},
		{"two of three", cells(5, 1, 3), Persistent, []clinical.Weight{supports, opposes, supports, decides}},
		{"two of the last three", cells(0, 5, 1, 3), Persistent, []clinical.Weight{neutral, supports, opposes, supports, decides}},
		{"two of four but not of three", cells(9, 0, 1, 9), IsolatedOrTransient, []clinical.Weight{neutral, opposes, opposes, supports, decides}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Haematuria(tt.samples, DefaultHaematuriaRule())
			if err != nil {
				t.Fatal(err)
			}
			var weights []clinical.Weight
			for _, r := range c.Reasons {
				weights = append(weights, r.Weight)
			}
			if c.Answer != tt.answer || !slices.Equal(weights, tt.weights) || len(c.Warnings) != 0 {
				t.Errorf("got %s by %v with %v, want %s by %v", c.Answer, c.Reasons, c.Warnings, tt.answer, tt.weights)
			}
			if c.Rule == "" || c.Source == "" || c.Question == "" || len(c.Inputs) != 4*len(tt.samples) {
				t.Errorf("incomplete: %+v", c)
			}
		})
	}
}

// TestHaematuriaRemembers: an earlier persistent series is told, though the last
// three samples decide.
func TestHaematuriaRemembers(t *testing.T) {
	for _, tt := range []struct {
		counts []float64
		answer string
		told   bool
	}{
		{[]float64{9, 9, 0, 1, 2}, IsolatedOrTransient, true}, {[]float64{20, 20, 20, 1, 1, 20, 1}, IsolatedOrTransient, true},
		{[]float64{9, 0, 9, 0, 0, 0}, IsolatedOrTransient, true}, {[]float64{9, 0, 0, 9, 0, 0}, IsolatedOrTransient, false}, {[]float64{9, 9, 9}, Persistent, false},
	} {
		c, err := Haematuria(cells(tt.counts...), DefaultHaematuriaRule())
		if err != nil || c.Answer != tt.answer || c.HasWarning(PersistentBefore) != tt.told {
			t.Errorf("%v: got %s, %v, %v", tt.counts, c.Answer, c.Warnings, err)
		}
	}
}

func TestHaematuriaTexts(t *testing.T) {
	c, err := Haematuria(cells(5, 1), DefaultHaematuriaRule())
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"sample 1 has more than 2 red cells", "sample 2 has at most 2 red cells",
		"1 of the last 2 samples that count are above the limit; persistent means 2 of 3; 1 more are needed",
	}
	for i, r := range c.Reasons {
		if r.Text != want[i] {
			t.Errorf("got %q, want %q", r.Text, want[i])
		}
	}
}

func TestHaematuriaCircumstances(t *testing.T) {
	answers := []struct {
		name string
		of   func(*ErythrocyteSample) *clinical.Answer
	}{
		{"menstruation", func(s *ErythrocyteSample) *clinical.Answer { return &s.Menstruation }},
		{"exercise", func(s *ErythrocyteSample) *clinical.Answer { return &s.Exercise }},
		{"infection", func(s *ErythrocyteSample) *clinical.Answer { return &s.Infection }},
	}
	for _, a := range answers {
		samples := cells(5, 9)
		*a.of(&samples[1]) = clinical.Yes
		c, err := Haematuria(samples, DefaultHaematuriaRule())
		if err != nil || c.Answer != RepeatNeeded || len(c.Warnings) != 1 || !c.HasWarning(SampleExcluded) {
			t.Errorf("%s: %+v, %v", a.name, c, err)
		} else if r := c.Reasons[0]; r.Weight != clinical.Neutral || r.Text != "sample 2 is not counted because of "+a.name {
			t.Errorf("%s: the reasons are %v", a.name, c.Reasons)
		}

		c, err = Haematuria(samples[1:], DefaultHaematuriaRule())
		if err != nil || c.Answer != RepeatNeeded || c.Reasons[1].Text != "no sample counts" {
			t.Errorf("%s alone: %+v, %v", a.name, c, err)
		}

		*a.of(&samples[1]) = clinical.NotRecorded
		c, err = Haematuria(samples, DefaultHaematuriaRule())
		if err != nil || c.Answer != Persistent || len(c.Warnings) != 1 || !c.HasWarning(CircumstanceNotRecorded) || c.Reasons[0].Weight != clinical.NotKnown {
			t.Errorf("%s not recorded: %+v, %v", a.name, c, err)
		}

		*a.of(&samples[1]) = "partly"
		_, err = Haematuria(samples, DefaultHaematuriaRule())
		wantError(t, err, clinical.UnknownChoice, "sample 2 "+a.name)
	}
}

func TestHaematuriaRefuses(t *testing.T) {
	other := cells(1)
	other[0].Cells.Unit = "/uL"
	tests := []struct {
		name    string
		samples []ErythrocyteSample
		limit   float64
		code    clinical.Code
		field   string
	}{
		{"nothing", nil, 2, clinical.Missing, "samples"},
		{"no count", []ErythrocyteSample{{}}, 2, clinical.Missing, "sample 1 red cells"},
		{"negative", cells(0, -1), 2, clinical.NotPositive, "sample 2 red cells"},
		{"NaN", cells(math.NaN()), 2, clinical.NotFinite, "sample 1 red cells"},
		{"other unit", other, 2, clinical.UnknownUnit, "sample 1 red cells"},
		{"negative limit", cells(1), -1, clinical.OutOfRange, "laboratory limit"},
		{"no limit", cells(1), math.NaN(), clinical.OutOfRange, "laboratory limit"},
		{"infinite limit", cells(1), math.Inf(1), clinical.OutOfRange, "laboratory limit"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Haematuria(tt.samples, HaematuriaRule{LaboratoryLimit: tt.limit})
			wantError(t, err, tt.code, tt.field)
		})
	}
	if c, err := Haematuria(cells(1), HaematuriaRule{}); err != nil || c.Answer != RepeatNeeded {
		t.Errorf("a limit of zero: %v, %v", c, err)
	}
}

// TestHaematuriaFollowsTheRule compares with the rule as it is written:
// count(last 3 where cells > limit) >= 2.
func TestHaematuriaFollowsTheRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.Float64Range(0, 6), 1, 7).Draw(t, "counts")
		c, err := Haematuria(cells(counts...), DefaultHaematuriaRule())
		if err != nil {
			t.Fatal(err)
		}
		above := 0
		for _, n := range counts[max(0, len(counts)-3):] {
			if n > 2 {
				above++
			}
		}
		if (c.Answer == Persistent) != (above >= 2) {
			t.Fatalf("%v is %s", counts, c.Answer)
		}
	})
}
