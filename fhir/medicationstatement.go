package fhir

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/medication"
	"candidacy/internal/record"
)

var medicationStatementType = resourceType{
	code: r4.ResourceTypeMedicationStatement,
	params: ofPatient("MedicationStatement-subject",
		tokenParam("status", "medications-status", systemMedicationStatus),
		tokenParam("code", "clinical-code", ""),
		dateParam("effective", "MedicationStatement-effective"),
	),
}

const (
	typeMedicationStatement = "MedicationStatement"
	systemMedicationStatus  = "http://hl7.org/fhir/CodeSystem/medication-statement-status"
	systemATC               = "http://www.whocc.no/atc"
)

// medicationStatement has what we publish of MedicationStatement: the model of
// the library always writes both forms of the medicine, which no reader accepts.
type medicationStatement struct {
	ResourceType string             `json:"resourceType"`
	ID           string             `json:"id"`
	Status       string             `json:"status"`
	Medication   r4.CodeableConcept `json:"medicationCodeableConcept"`
	Subject      r4.Reference       `json:"subject"`
	Effective    *r4.Period         `json:"effectivePeriod,omitempty"`
	Asserted     string             `json:"dateAsserted,omitempty"`
	Dosage       []r4.Dosage        `json:"dosage,omitempty"`
}

// medicines publishes every medicine that was ever on the list.
func medicines(s activities.Snapshot) ([]record.Resource, error) {
	var list []record.Resource
	for _, k := range append(append([]medication.Known{}, s.Medicines.Current...), s.Medicines.Former...) {
		status := "active"
		if k.Gone != "" {
			status = "stopped"
		}
		// The key may be long and holds more than an id may.
		sum := sha256.Sum256([]byte(k.Key()))
		m := medicationStatement{
			ResourceType: typeMedicationStatement, ID: resourceID(s.Candidate, "medicine-"+hex.EncodeToString(sum[:6])), Status: status,
			Medication: concept(systemATC, k.ATC, "", k.Name), Subject: reference(typePatient, s.Candidate),
			Asserted: string(k.Asserted), Dosage: dosage(k.Medicine),
		}
		if k.Since != "" || k.Gone != "" {
			m.Effective = &r4.Period{Start: optional(string(k.Since)), End: optional(string(k.Gone))}
		}

		var x index
		x.code("status", systemMedicationStatus, status)
		x.concepts("code", m.Medication)
		x.period("effective", m.Effective)
		r, err := publish(typeMedicationStatement, m.ID, "", m, x)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// dosage says the dose in words, with how often it is taken in a day.
func dosage(m command.Medicine) []r4.Dosage {
	if m.Dose == nil && !m.AsNeeded {
		return nil
	}
	var d r4.Dosage
	if m.AsNeeded {
		yes := true
		d.AsNeededBoolean = &yes
	}
	if m.Dose != nil {
		text := m.Dose.Count.String() + " at once, " + m.Dose.TimesADay.String() + " times a day"
		if m.AsNeeded {
			text = "as needed, at most " + text
		}
		for _, in := range m.Ingredients {
			text += "; " + in.Substance + " " + in.Strength.Value.String() + " " + in.Strength.Unit + " in each"
		}
		text = strings.TrimSpace(text)
		d.Text = &text
		system, unit, count := systemUCUM, "{dose}", m.Dose.Count
		d.DoseAndRate = []r4.DosageDoseAndRate{{DoseQuantity: &r4.Quantity{Value: &count, Unit: &unit, System: &system, Code: &unit}}}
	}
	return []r4.Dosage{d}
}
