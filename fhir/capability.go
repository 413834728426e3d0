package fhir

import (
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// capabilityDate is when the interface last changed. Change it together with
// the tables in types.go.
const capabilityDate = "2026-11-30"

func (s *server) capabilities(c echo.Context) error {
	sh, err := s.shaped(c.Request(), "")
	if err != nil {
		return err
	}
	if !sh.whole() {
		return badParameter("_summary", "not-supported", "not supported here; nor is _elements")
	}
	base := s.opts.BaseURL(c.Request())
	security := tokensOnly()
	if s.opts.Security != nil {
		security = s.opts.Security(base)
	}
	statement := capabilityStatement(base, s.opts.Version, security)
	if s.opts.AccessLog != nil {
		statement.Rest[0].Resource = append(statement.Rest[0].Resource, auditCapability())
	}
	if s.opts.Subscriptions != nil {
		statement.Rest[0].Resource = append(statement.Rest[0].Resource, subscriptionCapability())
	}
	body, err := encode(statement)
	if err != nil {
		return err
	}
	return write(c, http.StatusOK, sh.print(body))
}

// tokensOnly is how clients show who they are where nothing more is set up.
func tokensOnly() *r4.CapabilityStatementRestSecurity {
	description := "Bearer tokens only, issued by the programme."
	return &r4.CapabilityStatementRestSecurity{
		Service: []r4.CodeableConcept{concept("", "", "", "Bearer token")}, Description: &description,
	}
}

// capabilityStatement describes what the tables hold, so that it can't promise
// more.
func capabilityStatement(base, version string, security *r4.CapabilityStatementRestSecurity) r4.CapabilityStatement {
	rest := r4.CapabilityStatementRest{Mode: r4.RestfulCapabilityModeServer, Security: security}
	for _, name := range typeOrder {
		rest.Resource = append(rest.Resource, capabilityResource(types[name]))
	}
	listed := map[string]bool{}
	for _, route := range routes() {
		if route.system != nil {
			rest.Interaction = append(rest.Interaction, r4.CapabilityStatementRestInteraction{Code: *route.system})
		}
		if op := route.operation; op != nil && op.types == nil && !listed[op.name] {
			listed[op.name] = true
			rest.Operation = append(rest.Operation, r4.CapabilityStatementRestResourceOperation{Name: op.name, Definition: op.definition})
		}
	}
	return r4.CapabilityStatement{
		Status:      r4.PublicationStatusActive,
		Date:        capabilityDate,
		Kind:        r4.CapabilityStatementKindInstance,
		Software:    &r4.CapabilityStatementSoftware{Name: "Candidacy", Version: optional(version)},
		FhirVersion: r4.FHIRVersion4_0_1,
		Format:      []string{"application/fhir+json", "json"},
		Implementation: &r4.CapabilityStatementImplementation{
			Description: "Evaluation of living kidney donor candidates", Url: &base,
		},
		Rest: []r4.CapabilityStatementRest{rest},
	}
}

func capabilityResource(t resourceType) r4.CapabilityStatementRestResource {
	versioning, conditional := r4.ResourceVersionPolicyVersioned, r4.ConditionalReadStatusFullSupport
	history := true
	r := r4.CapabilityStatementRestResource{
		Type: t.code, Versioning: &versioning, ReadHistory: &history, ConditionalRead: &conditional,
		SearchInclude: includesOf(t), SearchRevInclude: revincludesOf(t),
	}
	if t.unversioned {
		versioning, history = r4.ResourceVersionPolicyNoVersion, false
	}
	if t.profile != "" {
		r.SupportedProfile = []string{t.profile}
	}
	seen := map[r4.TypeRestfulInteraction]bool{}
	operations := map[string]bool{}
	for _, route := range routes() {
		if !route.serves(t.code.Code()) {
			continue
		}
		if route.code != nil && !seen[*route.code] {
			seen[*route.code] = true
			r.Interaction = append(r.Interaction, r4.CapabilityStatementRestResourceInteraction{Code: *route.code})
		}
		if op := route.operation; op != nil && slices.Contains(op.types, t.code.Code()) && !operations[op.name] {
			operations[op.name] = true
			r.Operation = append(r.Operation, r4.CapabilityStatementRestResourceOperation{Name: op.name, Definition: op.definition})
		}
		if route.declare != nil {
			route.declare(&r)
		}
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

// includesOf are the references that _include may follow from a type.
func includesOf(t resourceType) []string {
	var list []string
	for _, p := range t.params {
		if p.includable() {
			list = append(list, t.code.Code()+":"+p.name)
		}
	}
	return list
}

// revincludesOf are the references by which others point to a type.
func revincludesOf(t resourceType) []string {
	var list []string
	for _, name := range typeOrder {
		for _, p := range types[name].params {
			if name != typeGroup && p.includable() && slices.Contains(p.targets, t.code.Code()) {
				list = append(list, name+":"+p.name)
			}
		}
	}
	return list
}
