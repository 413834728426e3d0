package fhir

import (
	"encoding/base64"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

const typeAuditEvent = "AuditEvent"

// Code systems of audit events.
const (
	systemAuditType      = "http://terminology.hl7.org/CodeSystem/audit-event-type"
	systemDICOM          = "http://dicom.nema.org/resources/ontology/DCM"
	systemInteraction    = "http://hl7.org/fhir/restful-interaction"
	systemAuditAction    = "http://hl7.org/fhir/audit-event-action"
	systemAuditOutcome   = "http://hl7.org/fhir/audit-event-outcome"
	systemAuditSource    = "http://terminology.hl7.org/CodeSystem/security-source-type"
	systemEntityType     = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
	systemEntityRole     = "http://terminology.hl7.org/CodeSystem/object-role"
	systemRequestID      = "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType"
	systemLook           = "https://candidacy.example/CodeSystem/look"
	systemRole           = "https://candidacy.example/CodeSystem/role"
	identifierOfActor    = "https://candidacy.example/identifier/actor"
	identifierOfRequest  = "https://candidacy.example/identifier/request"
	auditPatientRecord   = "110110"
	auditAuthentication  = "110114"
	auditLogin           = "110122"
	operationInteraction = "operation"
)

// restful are the interactions of FHIR with the action that each is.
// Source: IHE Basic Audit Log Patterns, RESTful activities: a query is E.
var restful = []struct {
	code   string
	action r4.AuditEventAction
}{
	{"read", r4.AuditEventActionR}, {"vread", r4.AuditEventActionR}, {"history-instance", r4.AuditEventActionR},
	{"create", r4.AuditEventActionC}, {"update", r4.AuditEventActionU}, {"patch", r4.AuditEventActionU}, {"delete", r4.AuditEventActionD},
	{"search-type", r4.AuditEventActionE}, {"search-system", r4.AuditEventActionE}, {"history-type", r4.AuditEventActionE},
	{"history-system", r4.AuditEventActionE}, {"transaction", r4.AuditEventActionE}, {"batch", r4.AuditEventActionE},
	{"capabilities", r4.AuditEventActionE},
}

// looks are the interactions of pages, of the JSON API and of the token endpoint, and
// signing in.
var looks = []struct {
	code   string
	typ    string
	action r4.AuditEventAction
}{
	{record.AccessView, auditPatientRecord, r4.AuditEventActionR},
	{record.AccessList, auditPatientRecord, r4.AuditEventActionE},
	{record.AccessCommand, auditPatientRecord, r4.AuditEventActionE},
	{record.AccessEmergency, auditPatientRecord, r4.AuditEventActionE},
	{record.AccessNotesRead, auditPatientRecord, r4.AuditEventActionR},
	{record.AccessNoteWritten, auditPatientRecord, r4.AuditEventActionC},
	{record.AccessToken, auditAuthentication, r4.AuditEventActionE},
	{record.AccessSignIn, auditAuthentication, r4.AuditEventActionE},
}

// auditKind is how an interaction appears in an audit event.
type auditKind struct {
	typ     r4.Coding
	subtype []r4.Coding
	action  r4.AuditEventAction
}

func coding(system, code, display string) r4.Coding {
	return r4.Coding{System: &system, Code: &code, Display: optional(display)}
}

func kindOfAccess(interaction string) auditKind {
	rest := coding(systemAuditType, "rest", "RESTful Operation")
	for _, each := range looks {
		if each.code != interaction {
			continue
		}
		if each.typ == auditAuthentication {
			return auditKind{
				coding(systemDICOM, auditAuthentication, "User Authentication"),
				[]r4.Coding{coding(systemDICOM, auditLogin, "Login"), coding(systemLook, each.code, "")}, each.action,
			}
		}
		return auditKind{coding(systemDICOM, auditPatientRecord, "Patient Record"), []r4.Coding{coding(systemLook, each.code, "")}, each.action}
	}
	for _, each := range restful {
		if each.code == interaction {
			return auditKind{rest, []r4.Coding{coding(systemInteraction, each.code, "")}, each.action}
		}
	}
	if strings.HasPrefix(interaction, "$") {
		return auditKind{rest, []r4.Coding{coding(systemInteraction, operationInteraction, "")}, r4.AuditEventActionE}
	}
	return auditKind{typ: rest, action: r4.AuditEventActionE}
}

// outcomes are the ranges of HTTP status that each outcome stands for. A major
// failure (12) would be one that keeps nothing on record, and so is never there.
var outcomes = []struct {
	outcome  r4.AuditEventOutcome
	statuses [2]int
}{
	{r4.AuditEventOutcome0, [2]int{0, 400}}, {r4.AuditEventOutcome4, [2]int{400, 500}}, {r4.AuditEventOutcome8, [2]int{500, 1000}},
}

// auditEvent makes the resource of a row of the access log.
func auditEvent(a record.Access) r4.AuditEvent {
	kind := kindOfAccess(a.Interaction)
	id, version := strconv.FormatInt(a.Seq, 10), "1"
	recorded := a.At.UTC().Format("2006-01-02T15:04:05.000Z")
	outcome := r4.AuditEventOutcome8
	for _, o := range outcomes {
		if a.Status >= o.statuses[0] && a.Status < o.statuses[1] {
			outcome = o.outcome
		}
	}
	described := strconv.Itoa(a.Status) + " " + http.StatusText(a.Status)
	action := kind.action
	return r4.AuditEvent{
		Id: &id, Meta: &r4.Meta{VersionId: &version, LastUpdated: &recorded},
		Type: kind.typ, Subtype: kind.subtype, Action: &action, Recorded: recorded, Outcome: &outcome, OutcomeDesc: &described,
		Agent: []r4.AuditEventAgent{auditAgent(a)},
		Source: r4.AuditEventSource{
			Observer: r4.Reference{Display: optional("Candidacy")}, Type: []r4.Coding{coding(systemAuditSource, "4", "Application Server")},
		},
		Entity: auditEntities(a),
	}
}

func auditAgent(a record.Access) r4.AuditEventAgent {
	agent := r4.AuditEventAgent{Requestor: true, AltId: optional(a.Credential)}
	if a.Actor != "" {
		system := identifierOfActor
		agent.Who = &r4.Reference{Identifier: &r4.Identifier{System: &system, Value: optional(a.Actor)}}
	} else {
		agent.Name = optional("not known")
	}
	if a.Role != "" {
		agent.Role = []r4.CodeableConcept{concept(systemRole, string(a.Role), "", "")}
	}
	if a.Address != "" {
		kind := r4.AuditEventAgentNetworkType1
		if _, err := netip.ParseAddr(a.Address); err == nil {
			kind = r4.AuditEventAgentNetworkType2
		}
		agent.Network = &r4.AuditEventAgentNetwork{Address: optional(a.Address), Type: &kind}
	}
	return agent
}

func auditEntities(a record.Access) []r4.AuditEventEntity {
	code := func(system, code, display string) *r4.Coding {
		c := coding(system, code, display)
		return &c
	}
	var list []r4.AuditEventEntity
	for _, candidate := range a.Candidates {
		what := reference(typePatient, candidate)
		list = append(list, r4.AuditEventEntity{
			What: &what, Type: code(systemEntityType, "1", "Person"), Role: code(systemEntityRole, "1", "Patient"),
		})
	}
	if a.Everybody {
		list = append(list, r4.AuditEventEntity{
			Name: optional("any patient"), Type: code(systemEntityType, "1", "Person"), Role: code(systemEntityRole, "1", "Patient"),
		})
	}
	if a.ID != "" && everyType()[a.Type] && !(a.Type == typePatient && slices.Contains(a.Candidates, a.ID)) {
		what := reference(a.Type, a.ID)
		list = append(list, r4.AuditEventEntity{
			What: &what, Type: code(systemEntityType, "2", "System Object"), Role: code(systemEntityRole, "4", "Domain Resource"),
		})
	}
	if query := auditQuery(a); query != "" {
		text := base64.StdEncoding.EncodeToString([]byte(query))
		list = append(list, r4.AuditEventEntity{
			Type: code(systemEntityType, "2", "System Object"), Role: code(systemEntityRole, "24", "Query"), Query: &text,
		})
	}
	if a.Request != "" {
		system := identifierOfRequest
		list = append(list, r4.AuditEventEntity{
			What: &r4.Reference{Identifier: &r4.Identifier{System: &system, Value: optional(a.Request)}},
			Type: code(systemRequestID, "XrequestId", ""),
		})
	}
	return list
}

// auditQuery is what was searched for: names of parameters and never their values.
func auditQuery(a record.Access) string {
	switch {
	case strings.HasPrefix(a.Interaction, "$"):
		path := a.Interaction
		if a.Type != "" {
			path = a.Type + "/" + path
		}
		return strings.TrimSuffix(path+"?"+strings.Join(a.Parameters, "&"), "?")
	case strings.HasPrefix(a.Interaction, "search-"), len(a.Parameters) > 0:
		return a.Type + "?" + strings.Join(a.Parameters, "&")
	default:
		return ""
	}
}
