package fhir

import (
	"net/http"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// capabilityDate is when the interface last changed. Change it together with
// the tables in types.go.
const capabilityDate = "2026-11-25"

func (s *server) capabilities(c echo.Context) error {
	if err := acceptable(c.Request(), c.QueryParam("_format")); err != nil {
		return err
	}
	body, err := encode(capabilityStatement(s.opts.BaseURL(c.Request()), s.opts.Version))
	if err != nil {
		return err
	}
	return write(c, http.StatusOK, body)
}

// capabilityStatement describes what the tables hold, so that it can't promise
// more.
func capabilityStatement(base, version string) r4.CapabilityStatement {
	security := "Bearer tokens only, issued by the programme."
	rest := r4.CapabilityStatementRest{
		Mode: r4.RestfulCapabilityModeServer,
		Security: &r4.CapabilityStatementRestSecurity{
			Service:     []r4.CodeableConcept{concept("", "", "", "Bearer token")},
			Description: &security,
		},
	}
	for _, name := range typeOrder {
		rest.Resource = append(rest.Resource, capabilityResource(types[name]))
	}
	return r4.CapabilityStatement{
		Status:      r4.PublicationStatusActive,
		Date:        capabilityDate,
		Kind:        r4.CapabilityStatementKindInstance,
		Software:    &r4.CapabilityStatementSoftware{Name: "Candidacy", Version: optional(version)},
		FhirVersion: r4.FHIRVersion4_0_1,
		Format:      []string{"application/fhir+json", "json"},
		Implementation: &r4.CapabilityStatementImplementation{
			Description: "Evaluation of living kidney donor candidates, read only", Url: &base,
		},
		Rest: []r4.CapabilityStatementRest{rest},
	}
}

func capabilityResource(t resourceType) r4.CapabilityStatementRestResource {
	versioning, conditional := r4.ResourceVersionPolicyVersioned, r4.ConditionalReadStatusFullSupport
	history := true
	r := r4.CapabilityStatementRestResource{
		Type: t.code, Versioning: &versioning, ReadHistory: &history, ConditionalRead: &conditional,
	}
	if t.profile != "" {
		r.SupportedProfile = []string{t.profile}
	}
	seen := map[r4.TypeRestfulInteraction]bool{}
	for _, route := range routes() {
		if route.code == nil || seen[*route.code] || !route.serves(t.code.Code()) {
			continue
		}
		seen[*route.code] = true
		r.Interaction = append(r.Interaction, r4.CapabilityStatementRestResourceInteraction{Code: *route.code})
	}
	for _, list := range [][]param{commonParams, t.params} {
		for _, p := range list {
			definition := canonicalParam + p.definition
			r.SearchParam = append(r.SearchParam, r4.CapabilityStatementRestResourceSearchParam{
				Name: p.name, Definition: &definition, Type: p.kind,
			})
		}
	}
	return r
}
