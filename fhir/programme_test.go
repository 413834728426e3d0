package fhir

import (
	"slices"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/protocol"
)

func TestTheProgrammeIsAsItsProtocolSays(t *testing.T) {
	list, err := ProgrammeResources(nil, "")
	if err != nil {
		t.Fatal(err)
	}
	o := decode[r4.Organization](t, find(t, list, typeOrganization, programmeID))
	if *o.Name != "Living kidney donor programme" || o.Identifier != nil || o.Telecom != nil {
		t.Errorf("without a word of the protocol: %+v", o)
	}
	of := protocol.Programme{Name: "Invented", Identifiers: []protocol.ProgrammeIdentifier{{System: "urn:oid:1.2.3", Value: "P-1"}}, Email: "donors@hospital.example"}
	if list, err = ProgrammeResources(&of, ""); err != nil {
		t.Fatal(err)
	}
	r := find(t, list, typeOrganization, programmeID)
	o = decode[r4.Organization](t, r)
	if *o.Name != "Invented" || len(o.Identifier) != 1 || *o.Identifier[0].System != "urn:oid:1.2.3" || *o.Identifier[0].Value != "P-1" ||
		len(o.Telecom) != 1 || *o.Telecom[0].System != r4.ContactPointSystemEmail || *o.Telecom[0].Value != "donors@hospital.example" {
		t.Errorf("as the protocol says: %s", r.Body)
	}
	if p, _ := organizationType.find("identifier"); !slices.Equal(rowsOf(r, p), []string{"urn:oid:1.2.3|P-1"}) {
		t.Errorf("it is found by %v", rowsOf(r, p))
	}
}
