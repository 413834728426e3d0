package units_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"candidacy/internal/clinical/units"
	"candidacy/internal/conformance"
)

// molarMasses are what the other library needs to go between mass and moles, in
// g/mol. Those of standard atomic weights are written out here a second time.
// Creatinine, glucose, cholesterol and triglyceride have the mass that the
// project's factor implies, and the ratios that of a factor of 8.84.
var molarMasses = map[units.Analyte]float64{
	units.SerumCreatinine:        10000 / 88.42,
	units.UrineCreatinine:        10000 / 88.42,
	units.CreatinineExcretion:    10000 / 88.42,
	units.AlbuminCreatinineRatio: 1000 / 8.84,
	units.ProteinCreatinineRatio: 1000 / 8.84,
	units.Glucose:                180.16,
	units.Cholesterol:            386.7,
	units.Triglyceride:           885.7,
	units.Urea:                   60.056,
	units.UrineUrea:              60.056,
	units.UreaNitrogen:           2 * 14.007,
	units.Urate:                  168.11,
	units.UrateExcretion:         168.11,
	units.Calcium:                40.078,
	units.CalciumExcretion:       40.078,
	units.Phosphate:              30.974,
	units.Magnesium:              24.305,
	units.SodiumExcretion:        22.990,
	units.Bilirubin:              584.66,
	units.VitaminD:               400.64,
	units.CitrateExcretion:       189.10,
	units.OxalateExcretion:       88.02,
}

// charge is that of sodium, potassium, chloride and bicarbonate, without sign.
const charge = 1

type conversion struct {
	From      string  `json:"from"`
	To        string  `json:"to"`
	Value     float64 `json:"value"`
	MolarMass float64 `json:"molarMass,omitzero"`
	Charge    float64 `json:"charge,omitzero"`

	analyte  units.Analyte
	from, to string // the codes of the table
}

// TestAnotherUCUMLibraryAgrees converts one value between every two units of
// every analyte with an independent library, which has also to know each code.
func TestAnotherUCUMLibraryAgrees(t *testing.T) {
	// UCUM leaves the international unit arbitrary and a library must not convert
	// it. Here both units are of the same substance, so that an enzyme unit stands
	// for it and only prefixes and volumes are compared.
	arbitrary := strings.NewReplacer("[IU]", "U")
	const value = 7.25
	var list []conversion
	for _, a := range units.Analytes() {
		codes := units.Accepted(a)
		for _, from := range codes {
			// Each code as it stands, into itself.
			list = append(list, conversion{From: from, To: from, Value: value, analyte: a, from: from, to: from})
			for _, to := range codes {
				// UCUM knows nothing of the equation between the units of HbA1c.
				if from == to || a == units.HbA1c {
					continue
				}
				list = append(list, conversion{
					From: arbitrary.Replace(from), To: arbitrary.Replace(to), Value: value,
					MolarMass: molarMasses[a], Charge: charge, analyte: a, from: from, to: to,
				})
			}
		}
	}
	answers := json.NewDecoder(bytes.NewReader(conformance.Script(t, "convert.mjs", list)))
	for _, c := range list {
		var theirs struct {
			Value float64 `json:"value"`
			Error string  `json:"error"`
		}
		if err := answers.Decode(&theirs); err != nil {
			t.Fatal(err)
		}
		if theirs.Error != "" {
			if c.From == c.To && strings.Contains(c.From, "[IU]") && strings.Contains(theirs.Error, "arbitrary") {
				continue // A valid code that the library does not convert.
			}
			t.Errorf("%s from %s to %s: %s", c.analyte, c.from, c.to, theirs.Error)
			continue
		}
		ours, err := convertFactor(c)
		if err != nil {
			t.Errorf("%s from %s to %s: %v", c.analyte, c.from, c.to, err)
			continue
		}
		if math.Abs(ours/theirs.Value-1) > 1e-12 {
			t.Errorf("%s: %g %s is %.15g %s, the other library has %.15g", c.analyte, c.Value, c.from, ours, c.to, theirs.Value)
		}
	}
	if answers.More() {
		t.Error("there are more answers than conversions")
	}
}

// convertFactor converts with the table. A value that would be questioned as a
// wrong unit is scaled: every conversion that is compared is proportional.
func convertFactor(c conversion) (float64, error) {
	var last error
	for _, times := range []float64{1, 10, 100, 0.1, 0.01} {
		q, err := units.Convert(c.analyte, units.Quantity{Value: c.Value * times, Unit: c.from}, c.to)
		if err == nil {
			return q.Value / times, nil
		}
		last = err
	}
	return 0, last
}
