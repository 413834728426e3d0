package protocol_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/result"
)

func TestNormaliseBloodType(t *testing.T) {
	for text, want := range map[string]string{
		"O+": "O positive", "o pos": "O positive", "O-": "O negative", "A Rh(D) positive": "A positive", "AB Rh negative": "AB negative",
		"Blood group B RhD neg": "B negative", "blood type: A": "", "  ab   POSITIVE ": "AB positive", "A (positive)": "A positive",
		"A,positive": "A positive", "AB+": "AB positive", "B -": "B negative", "Positive O": "O positive",
		// Without Rh, with two groups, with a subtype or a weak antigen it is
		// no type that two samples could agree on.
		"": "", "O": "", "+": "", "positive": "", "O A positive": "", "O+-": "", "O + positive": "", "A1 positive": "", "A2+": "",
		"weak D positive A": "", "A positive?": "", "undetermined": "", "0+": "", "C positive": "", "ABO positive": "",
		"А positive":          "", // a Cyrillic letter
		"O positive negative": "", "not O positive": "",
	} {
		if got := protocol.NormaliseBloodType(text); got != want {
			t.Errorf("%q is read as %q, want %q", text, got, want)
		}
	}
}

// FuzzNormaliseBloodType: what is read is one of eight types, it is read again
// as itself, and its letters are in the text.
func FuzzNormaliseBloodType(f *testing.F) {
	for _, seed := range []string{"O+", "AB Rh(D) negative", "a pos", "blood group o NEG", "A1+", "++", "O\x00+", "ſ+"} {
		f.Add(seed)
	}
	var types []string
	for _, group := range []string{"O", "A", "B", "AB"} {
		types = append(types, group+" positive", group+" negative")
	}
	f.Fuzz(func(t *testing.T, text string) {
		got := protocol.NormaliseBloodType(text)
		if got == "" {
			return
		}
		group, _, _ := strings.Cut(got, " ")
		if !slices.Contains(types, got) || !strings.Contains(strings.ToUpper(text), group) {
			t.Errorf("%q is read as %q", text, got)
		}
		if again := protocol.NormaliseBloodType(got); again != got {
			t.Errorf("%q is read as %q, and that as %q", text, got, again)
		}
	})
}

// TestBloodTypes: two samples of separate draws, submitted separately, with the
// same result (OPTN policy 14.5.A, from memory); at least an hour between
// draws is common practice.
func TestBloodTypes(t *testing.T) {
	type sample struct{ at, specimen, code, text string }
	const positive = "278147001" // O Rh(D) positive
	for _, tt := range []struct {
		name    string
		samples []sample
		want    journey.Agreement
		second  bool
	}{
		{"none", nil, journey.Incomplete, false},
		{"one", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}}, journey.Incomplete, false},
		{"two that agree", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-02T08:00:00+01:00", "s2", "", "O pos"}}, journey.Agree, true},
		{"two of one day", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-01T09:00:00+01:00", "s2", "", "O+"}}, journey.Agree, true},
		{"two that disagree", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-02T08:00:00+01:00", "s2", "", "A positive"}}, journey.Disagree, true},
		{"another Rh", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-02T08:00:00+01:00", "s2", "", "O negative"}}, journey.Disagree, true},
		{"one draw", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-01T08:00:00+01:00", "s2", "", "O positive"}}, journey.Incomplete, false},
		{"one draw in two zones", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-01T07:00:00Z", "s2", "", "O positive"}}, journey.Incomplete, false},
		{"two tubes a minute apart", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-01T08:01:00+01:00", "s2", "", "O positive"}}, journey.Incomplete, false},
		{"two tubes of one draw that disagree", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-01T08:00:00+01:00", "s2", "", "B positive"}}, journey.Disagree, false},
		{"a draw without a time on that day", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-01", "s2", "", "O positive"}}, journey.Incomplete, false},
		{"two days without times", []sample{{"2026-03-01", "s1", "", "O positive"}, {"2026-03-02", "s2", "", "O positive"}}, journey.Agree, true},
		{"one specimen twice", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-02T08:00:00+01:00", "s1", "", "O positive"}}, journey.Incomplete, false},
		{"a specimen without a number", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-02T08:00:00+01:00", "", "", "O positive"}}, journey.Incomplete, false},
		{"code and text", []sample{{"2026-03-01T08:00:00+01:00", "s1", positive, "O positive"}, {"2026-03-02T08:00:00+01:00", "s2", positive, ""}}, journey.Agree, true},
		{"code and text that differ", []sample{{"2026-03-01T08:00:00+01:00", "s1", positive, "O negative"}, {"2026-03-02T08:00:00+01:00", "s2", positive, "O positive"}}, journey.Disagree, true},
		{"a text that can't be read", []sample{{"2026-03-01T08:00:00+01:00", "s1", positive, "see comment"}, {"2026-03-02T08:00:00+01:00", "s2", positive, "O positive"}}, journey.Disagree, true},
		{"an unknown code with a text", []sample{{"2026-03-01T08:00:00+01:00", "s1", "L-0P", "O positive"}, {"2026-03-02T08:00:00+01:00", "s2", "", "O positive"}}, journey.Agree, true},
		{"a subtype", []sample{{"2026-03-01T08:00:00+01:00", "s1", "", "A1 positive"}, {"2026-03-02T08:00:00+01:00", "s2", "", "A positive"}}, journey.Disagree, true},
		{"a third that disagrees", []sample{
			{"2026-03-01T08:00:00+01:00", "s1", "", "O positive"}, {"2026-03-02T08:00:00+01:00", "s2", "", "O positive"}, {"2026-03-03T08:00:00+01:00", "s3", "", "A positive"},
		}, journey.Disagree, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := newChart()
			for _, s := range tt.samples {
				c.coded("882-1", s.code, s.text, s.at).last().Specimen = s.specimen
			}
			for range 2 {
				if got := c.assess().BloodType; got != tt.want {
					t.Errorf("they are %s, want %s", got, tt.want)
				}
				if _, ok := c.finding("abo-first"); ok != (len(tt.samples) > 0) {
					t.Errorf("the first sample is found: %t", ok)
				}
				if _, ok := c.finding("abo-second"); ok != tt.second {
					t.Errorf("the second sample is found: %t", ok)
				}
				slices.Reverse(c.results)
			}
		})
	}
}

func TestBloodSamplesInOrder(t *testing.T) {
	c := newChart()
	c.coded("882-1", "", "O positive", "2026-03-02T08:00:00+01:00").last().Specimen = "late"
	c.coded("882-1", "", "O positive", "2026-03-01T08:00:00+01:00").last().Specimen = "early"
	c.add("882-1", "2026-03-03T08:00:00+01:00", func(r *result.Result) { r.Value.Text = "A positive" })
	samples := protocol.BloodTypes(c.results)
	if len(samples) != 3 || samples[0].Specimen != "early" || samples[1].Specimen != "late" {
		t.Fatalf("samples are %+v", samples)
	}
	// A type that is only a text is read, and may disagree.
	if samples[2].Type != "A positive" || c.assess().BloodType != journey.Disagree {
		t.Errorf("the text is read as %q, and all are %s", samples[2].Type, c.assess().BloodType)
	}
	for text, want := range map[string]bool{"O+": true, "O positive": true, "A+": false, "O": false, "": false} {
		if got := samples[0].Agrees(text); got != want {
			t.Errorf("%q agrees with O positive: %t", text, got)
		}
	}
	// What can't be told agrees with nothing, not even with nothing.
	if (protocol.BloodSample{}).Agrees("") {
		t.Error("nothing agrees with nothing")
	}
	f, _ := c.finding("abo-first")
	if f.Collected != "2026-03-01" {
		t.Errorf("the first sample is of %s", f.Collected)
	}
}

// TestCheckResults questions slips at entry. It converts nothing.
func TestCheckResults(t *testing.T) {
	quantity := func(code, value, unit string) command.Result {
		return command.Result{Status: result.Final, Code: result.Coding{Code: code}, Quantity: number(value, unit)}
	}
	coded := func(code string) command.Result {
		return command.Result{Status: result.Final, Code: result.Coding{Code: code}, Coded: &result.Coding{Code: "260385009"}}
	}
	panel := func(parts ...string) command.Result {
		r := command.Result{Status: result.Final, Code: result.Coding{Code: "85354-9"}}
		for i := 0; i < len(parts); i += 2 {
			r.Components = append(r.Components, result.Component{Code: result.Coding{Code: parts[i]}, Value: result.Value{Quantity: number(parts[i+1], "mm[Hg]")}})
		}
		return r
	}
	preliminary := quantity("2160-0", "70", "mmol/L")
	preliminary.Status = result.Preliminary
	kelvin := panel("8480-6", "120", "8462-4", "80")
	kelvin.Components[1].Value.Quantity.Unit = "kPa"
	empty := panel("8480-6", "120", "8462-4", "80")
	empty.Components[1].Value.Quantity = nil
	text := command.Result{Status: result.Final, Code: result.Coding{Code: "2160-0"}, Text: "0.7"}
	labelled := func(r command.Result, label result.Confidentiality) command.Result {
		r.Confidentiality = label
		return r
	}
	for _, tt := range []struct {
		name  string
		r     command.Result
		field string
	}{
		{"creatinine", quantity("2160-0", "0.70", "mg/dL"), ""},
		{"creatinine that its source restricts", labelled(quantity("2160-0", "0.70", "mg/dL"), result.Restricted), ""},
		{"creatinine that its source keeps very close", labelled(quantity("2160-0", "0.70", "mg/dL"), result.VeryRestricted), "results[0].confidentiality"},
		{"creatinine in the unit of the other code", quantity("2160-0", "70", "umol/L"), "results[0].quantity.unit"},
		{"creatinine that is too high", quantity("2160-0", "70", "mg/dL"), "results[0].quantity.value"},
		{"creatinine that is too low", quantity("2160-0", "0.1", "mg/dL"), "results[0].quantity.value"},
		{"the lowest plausible", quantity("2160-0", "0.2", "mg/dL"), ""},
		{"the highest plausible", quantity("2160-0", "15", "mg/dL"), ""},
		{"nothing at all", quantity("2160-0", "0", "mg/dL"), "results[0].quantity.value"},
		{"less than nothing", quantity("718-7", "-1", "g/L"), "results[0].quantity.value"},
		{"a limit", quantity("2160-0", "<0.1", "mg/dL"), ""},
		{"a height in metres", quantity("8302-2", "1.72", "m"), ""},
		{"a haemoglobin in another unit", quantity("718-7", "135", "g/L"), ""},
		{"a haemoglobin by the wrong unit", quantity("718-7", "13.5", "g/L"), "results[0].quantity.value"},
		{"a height in centimetres by the wrong unit", quantity("8302-2", "172", "m"), "results[0].quantity.value"},
		{"a height in inches", quantity("8302-2", "67.7", "[in_i]"), ""},
		{"a height in inches by the wrong unit", quantity("8302-2", "172", "[in_i]"), "results[0].quantity.value"},
		{"a weight in pounds", quantity("29463-7", "160", "[lb_av]"), ""},
		{"a weight in pounds by the wrong unit", quantity("29463-7", "60", "[lb_av]"), "results[0].quantity.value"},
		{"white cells in the other unit", quantity("6690-2", "6.1", "10*9/L"), ""},
		{"white cells by the wrong unit", quantity("6690-2", "6100", "10*9/L"), "results[0].quantity.value"},
		{"platelets by the wrong unit", quantity("777-3", "250000", "10*9/L"), "results[0].quantity.value"},
		{"urine creatinine, molar", quantity("2161-8", "8.8", "mmol/L"), ""},
		{"urine creatinine by the wrong unit", quantity("2161-8", "110", "mmol/L"), "results[0].quantity.value"},
		{"a urine volume in litres", quantity("3167-4", "1.8", "L"), ""},
		{"a urine volume by the wrong unit", quantity("3167-4", "1800", "L"), "results[0].quantity.value"},
		{"a ratio, molar", quantity("9318-7", "0.9", "mg/mmol{creat}"), ""},
		{"the highest ratio, molar", quantity("14959-1", "2262", "mg/mmol"), ""},
		{"a ratio that is too high, molar", quantity("14959-1", "2263", "mg/mmol"), "results[0].quantity.value"},
		{"an excretion by the minute", quantity("14956-7", "8", "ug/min"), ""},
		{"an excretion that is too high by the minute", quantity("14956-7", "13900", "ug/min"), "results[0].quantity.value"},
		{"the lowest urine albumin", quantity("14957-5", "0.01", "mg/dL"), ""},
		{"a urine albumin that is too low", quantity("14957-5", "0.009", "mg/dL"), "results[0].quantity.value"},
		{"iohexol in the other unit", quantity("iohexol-concentration", "0.4", "mg/L"), "results[0].quantity.value"},
		{"a limit in another unit", quantity("718-7", "<20", "g/L"), ""},
		{"a number beyond all numbers", quantity("2160-0", "1e999", "mg/dL"), "results[0].quantity.value"},
		{"a limit beyond all numbers", quantity("2160-0", ">1e999", "mg/dL"), "results[0].quantity.value"},
		{"a pressure beyond all numbers", panel("8480-6", "1e999", "8462-4", "80"), "results[0].components[0].value.quantity.value"},
		{"less than the least number", quantity("2160-0", "1e-999", "mg/dL"), "results[0].quantity.value"},
		{"a height in metres by the wrong unit", quantity("8302-2", "1.72", "cm"), "results[0].quantity.value"},
		{"a unit in capitals", quantity("2160-0", "0.7", "MG/DL"), "results[0].quantity.unit"},
		{"a number that is a text", text, "results[0].quantity"},
		{"a number that is a code", coded("2160-0"), "results[0].quantity"},
		{"a code that is a number", quantity("56888-1", "12", "1"), "results[0].coded"},
		{"a code", coded("56888-1"), ""},
		{"a pressure", panel("8480-6", "120", "8462-4", "80"), ""},
		{"half a pressure", panel("8480-6", "120"), "results[0].components"},
		{"a pressure with an empty half", empty, "results[0].components"},
		{"no pressure", command.Result{Status: result.Final, Code: result.Coding{Code: "85354-9"}}, "results[0].components"},
		{"a pressure that is none", panel("8480-6", "12", "8462-4", "80"), "results[0].components[0].value.quantity.value"},
		{"a pressure in another unit", kelvin, "results[0].components[1].value.quantity.unit"},
		{"something the protocol doesn't know", quantity("0000-0", "-5", "furlong"), ""},
		{"a preliminary result", preliminary, ""},
	} {
		var faults command.Faults
		protocoltest.Brief().CheckResults(&faults, []command.Result{tt.r})
		var fields []string
		var invalid *command.Invalid
		if err := faults.Err(); err != nil {
			errors.As(err, &invalid)
			for _, f := range invalid.Faults {
				fields = append(fields, f.Field)
			}
		}
		if tt.field == "" && len(fields) > 0 || tt.field != "" && !slices.Contains(fields, tt.field) {
			t.Errorf("%s is questioned at %v, want %q", tt.name, fields, tt.field)
		}
	}
}
