package pressure

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// TestSpread compares with gonum, which is another's code.
func TestSpread(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var list []AmbulatoryReading
		var systolic, diastolic []float64
		for range rapid.IntRange(2, 60).Draw(t, "readings") {
			s, d := rapid.Float64Range(90, 200).Draw(t, "systolic"), rapid.Float64Range(40, 89).Draw(t, "diastolic")
			period := rapid.SampledFrom([]Period{DayTime, NightTime}).Draw(t, "period")
			list = append(list, AmbulatoryReading{Reading: Reading{Systolic: mmHg(s), Diastolic: mmHg(d)}, Period: period})
			systolic, diastolic = append(systolic, s), append(diastolic, d)
		}
		// What is implausible does not count.
		list = append(list, AmbulatoryReading{Reading: Reading{Systolic: mmHg(80), Diastolic: mmHg(90)}, Period: DayTime})
		got, err := SpreadOf(list, "")
		if err != nil {
			t.Fatal(err)
		}
		if got.Readings != len(systolic) || math.Abs(got.SystolicSD-stat.StdDev(systolic, nil)) > 1e-9 || math.Abs(got.DiastolicSD-stat.StdDev(diastolic, nil)) > 1e-9 ||
			math.Abs(got.SystolicStdErr-stat.StdErr(got.SystolicSD, float64(len(systolic)))) > 1e-9 {
			t.Fatalf("%+v", got)
		}
		if list[len(list)-1].Plausible() == nil || list[0].Plausible() != nil {
			t.Fatal("what is plausible is mixed up")
		}
	})
	if _, err := SpreadOf(nil, DayTime); err == nil {
		t.Error("no readings have a spread")
	}
}
