package medication_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/result"
)

func tablets(name, atc, strength, count, times string) command.Medicine {
	return command.Medicine{
		Name: name, ATC: atc, Dose: &command.Dose{Count: json.Number(count), TimesADay: json.Number(times)},
		Ingredients: []command.Ingredient{{Substance: command.SubstanceParacetamol, Strength: result.Quantity{Value: json.Number(strength), Unit: "mg"}}},
	}
}

func aspirin(strength, times string) command.Medicine {
	return command.Medicine{
		Name: "Aspirin", ATC: "N02BA01", Dose: &command.Dose{Count: "1", TimesADay: json.Number(times)},
		Ingredients: []command.Ingredient{{Substance: command.SubstanceAspirin, Strength: result.Quantity{Value: json.Number(strength), Unit: "mg"}}},
	}
}

func weight(kg string) result.Result {
	return result.Result{ID: "w", Status: result.Final, Code: result.Coding{Code: "29463-7"}, Effective: "2028-02-01", CollectedOn: "2028-02-01",
		Value: result.Value{Quantity: &result.Quantity{Value: json.Number(kg), Unit: "kg"}}}
}

func liver(code string) result.Result {
	return result.Result{ID: "l", Status: result.Final, Code: result.Coding{Code: "history-liver-disease"}, Effective: "2028-02-01", CollectedOn: "2028-02-01",
		Value: result.Value{Coding: &result.Coding{System: "http://snomed.info/sct", Code: code}}}
}

const yes, no = "373066001", "373067005"

func list(complete string, medicines ...command.Medicine) medication.List {
	return medication.Of([]medication.Recorded{{On: "2028-03-01", RecordMedicines: command.RecordMedicines{Medicines: medicines, Complete: complete}}})
}

// TestAssess holds the totals of calculations.md, section 14: 2 x 500 mg four
// times a day is 4 g and allowed, five times is 5 g and not; three times 1 g and
// 500 mg once are 3.5 g. Below 50 kg and with liver disease the default protocol
// has 2 g.
func TestAssess(t *testing.T) {
	usual := []result.Result{weight("70"), liver(no)}
	p := protocol.Default()
	for _, tt := range []struct {
		name    string
		list    medication.List
		results []result.Result
		donated bool
		codes   []string
		words   []string
	}{
		{"nothing taken", list("yes"), usual, true, nil, nil},
		{"exactly at the most", list("yes", tablets("Alvedon", "N02BE01", "500", "2", "4")), usual, true, []string{"paracetamol-24h"}, []string{"at most 4 g in 24 hours by this list; the most is 4 g"}},
		{"five times", list("yes", tablets("Alvedon", "N02BE01", "500", "2", "5")), usual, true, []string{"paracetamol-above-cap!"}, []string{"5 g in 24 hours by this list, above the most of 4 g"}},
		{
			"over two products", list("yes", tablets("Alvedon", "N02BE01", "1000", "1", "3"), tablets("Panadol", "N02BE01", "500", "1", "1")), usual, true,
			[]string{"paracetamol-24h"}, []string{"3.5 g"},
		},
		{
			"two products together too much", list("yes", tablets("Alvedon", "N02BE01", "500", "2", "4"), tablets("Citodon", "N02AJ06", "500", "1", "1")), usual, true,
			[]string{"paracetamol-above-cap!"}, []string{"4.5 g"},
		},
		{"less than 50 kg", list("yes", tablets("Alvedon", "N02BE01", "500", "2", "3")), []result.Result{weight("49.9"), liver(no)}, true, []string{"paracetamol-above-cap!"}, []string{"3 g in 24 hours by this list, above the most of 2 g"}},
		{"50 kg", list("yes", tablets("Alvedon", "N02BE01", "500", "2", "3")), []result.Result{weight("50"), liver(no)}, true, []string{"paracetamol-24h"}, []string{"the most is 4 g"}},
		{"liver disease", list("yes", tablets("Alvedon", "N02BE01", "500", "1", "4")), []result.Result{weight("70"), liver(yes)}, true, []string{"paracetamol-24h"}, []string{"the most is 2 g"}},
		{
			"weight not known", list("yes", tablets("Alvedon", "N02BE01", "500", "2", "3")), []result.Result{liver(no)}, true,
			[]string{"paracetamol-cannot-tell!"}, []string{"weight was not recorded"},
		},
		{
			"nothing known, but little enough for everybody", list("yes", tablets("Alvedon", "N02BE01", "500", "1", "2")), nil, true,
			[]string{"paracetamol-24h"}, []string{"weight was not recorded", "liver disease was not recorded"},
		},
		{
			"a product without its strength", list("yes", command.Medicine{Name: "Alvedon", ATC: "N02BE01"}), usual, true,
			[]string{"paracetamol-cannot-tell!"}, []string{"Alvedon strength"},
		},
		{
			"too often", list("yes", tablets("Alvedon", "N02BE01", "250", "1", "8")), usual, true,
			[]string{"paracetamol-24h", "interval-too-short!"}, []string{"shorter than 240 min"},
		},
		{
			"an anti-inflammatory medicine of a donor", list("yes", command.Medicine{Name: "Ipren", ATC: "M01AE01"}), usual, true,
			[]string{"nsaid!"}, []string{"Ipren: an anti-inflammatory medicine; this donor avoids it for life"},
		},
		{
			"the same before the operation", list("yes", command.Medicine{Name: "Ipren", ATC: "M01AE01"}), usual, false,
			[]string{"nsaid!"}, []string{"to be stopped before the operation"},
		},
		{"low-dose aspirin", list("yes", aspirin("75", "1")), usual, true, nil, nil},
		{"aspirin against pain", list("yes", aspirin("500", "2")), usual, true, []string{"nsaid!"}, []string{"aspirin above 100 mg a day"}},
		{
			"a medicine without a code", list("yes", command.Medicine{Name: "Herbal drops"}), usual, true,
			[]string{"paracetamol-cannot-tell!", "nsaid-cannot-tell!"}, []string{"Herbal drops: no ATC code was recorded"},
		},
		{"not asked for everything", list("no", command.Medicine{Name: "Omeprazole", ATC: "A02BC01"}), usual, true, []string{"nsaid-cannot-tell"}, []string{"not confirmed as complete"}},
		{"gel on the skin", list("yes", command.Medicine{Name: "Voltaren gel", ATC: "M02AA15"}), usual, true, []string{"topical-nsaid!"}, []string{"Voltaren gel is an NSAID for local use"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var codes []string
			text := ""
			for _, n := range medication.Assess(p, tt.list, tt.results, tt.donated) {
				code := n.Code
				if n.Warning {
					code += "!"
				}
				if n.Source == "" {
					t.Errorf("%s has no source", n.Code)
				}
				codes, text = append(codes, code), text+n.Text+"\n"
			}
			if !slices.Equal(codes, tt.codes) {
				t.Errorf("got %v, want %v: %s", codes, tt.codes, text)
			}
			for _, word := range tt.words {
				if !strings.Contains(text, word) {
					t.Errorf("the notes lack %q: %s", word, text)
				}
			}
		})
	}
}

// TestNothingRecorded: no list is no clean list, and older protocols have the
// project's own limits.
func TestNothingRecorded(t *testing.T) {
	if notes := medication.Assess(protocol.Default(), medication.List{}, nil, true); notes != nil {
		t.Errorf("got %v", notes)
	}
	source, _, _ := strings.Cut(protocoltest.Brief().Source(), "\nmedicines:")
	_, rest, _ := strings.Cut(protocoltest.Brief().Source(), "\nobservations:")
	old, err := protocol.Parse([]byte(source + "\nobservations:" + rest))
	if err != nil {
		t.Fatal(err)
	}
	notes := medication.Assess(old, list("yes", command.Medicine{Name: "Ipren", ATC: "M01AE01"}, tablets("Alvedon", "N02BE01", "500", "2", "5")), []result.Result{weight("70")}, true)
	if len(notes) != 2 || notes[0].Code != medication.NoteParacetamolAbove || notes[1].Code != medication.NoteNSAID {
		t.Errorf("got %+v", notes)
	}
}

// TestOf follows medicines over three lists.
func TestOf(t *testing.T) {
	a, b := command.Medicine{Name: "A", ATC: "A02BC01"}, command.Medicine{Name: "B"}
	on := func(day journey.Date, medicines ...command.Medicine) medication.Recorded {
		return medication.Recorded{On: day, RecordMedicines: command.RecordMedicines{Medicines: medicines, Complete: "no"}}
	}
	l := medication.Of([]medication.Recorded{on("2028-01-01", a, b), on("2028-02-01", b), on("2028-03-01", command.Medicine{Name: " a", ATC: "A02BC01", AsNeeded: true})})
	if l.On != "2028-03-01" || l.Complete || len(l.Current) != 1 || len(l.Former) != 1 {
		t.Fatalf("got %+v", l)
	}
	if k := l.Current[0]; k.Listed != "2028-03-01" || k.Asserted != "2028-03-01" || !k.AsNeeded || k.Gone != "" {
		t.Errorf("A came back as %+v", k)
	}
	if k := l.Former[0]; k.Name != "B" || k.Listed != "2028-01-01" || k.Asserted != "2028-02-01" || k.Gone != "2028-03-01" {
		t.Errorf("B went as %+v", k)
	}
}
