package incoming_test

import (
	"encoding/json"
	"maps"
	"strings"
	"testing"

	"candidacy/internal/incoming"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// TestMalformedWrites: each gets its exact status, and an OperationOutcome that
// names the element; nothing of it is written. What is wrong with the message is
// kept and shown to a person, what is wrong with the request is not.
// Status codes: HL7 FHIR R4, RESTful API; issue codes: the value set issue-type.
func TestMalformedWrites(t *testing.T) {
	p, other := candidate(t), candidate(t)
	taken := unique()
	if w := ask(t, server, "POST", "/Observation", observation(other, taken, nil)); w.Code != 201 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	final, erroneous := unique(), unique()
	for id, status := range map[string]string{final: "final", erroneous: "entered-in-error"} {
		if w := ask(t, server, "POST", "/Observation", observation(p, id, object{"status": status})); w.Code != 201 {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
	}
	ownID := result.IDOf(result.Identifier{System: lab, Value: final})
	const nowhere = "00000000-0000-4000-8000-000000000000"
	o := func(members object) string { return text(t, observation(p, unique(), members)) }
	good := o(nil)
	in := func(kind, url string, resource any, more object) string {
		return text(t, bundle(kind, entry("POST Observation", observation(p, unique(), nil), nil), entry(url, resource, more)))
	}
	second := func(members object) string {
		return in("transaction", "POST Observation", observation(p, unique(), members), nil)
	}
	value := func(members object) string {
		q := quantity("0.9")
		maps.Copy(q, members)
		maps.DeleteFunc(q, func(_ string, v any) bool { return v == nil })
		return o(object{"valueQuantity": q})
	}
	const at = "Bundle.entry[1].resource"
	const noMessage, keeps = false, true
	later := object{"issued": "2026-03-05T10:00:00+01:00"}
	with := func(members object) object {
		all := maps.Clone(later)
		maps.Copy(all, members)
		return all
	}
	for _, tt := range []struct {
		name, method, path, body string
		status                   int
		code, expression         string
		kept                     bool
		headers                  []string
	}{
		// What is no FHIR JSON.
		{"nothing", "POST", "/Observation", "", 400, "structure", "Observation", keeps, nil},
		{"no JSON", "POST", "/Observation", "MSH|^~\\&|LAB", 400, "structure", "Observation", keeps, nil},
		{"XML", "POST", "/Observation", "<Observation/>", 415, "not-supported", "http.Content-Type", noMessage, []string{"Content-Type", "application/fhir+xml"}},
		{"no type of body", "POST", "/Observation", good, 415, "not-supported", "http.Content-Type", noMessage, []string{"Content-Type", ""}},
		{"another charset", "POST", "/Observation", good, 415, "not-supported", "http.Content-Type", noMessage, []string{"Content-Type", "application/fhir+json; charset=latin1"}},
		{"another version of FHIR", "POST", "/Observation", good, 415, "not-supported", "http.Content-Type", noMessage, []string{"Content-Type", "application/fhir+json; fhirVersion=3.0"}},
		{"compressed", "POST", "/Observation", good, 415, "not-supported", "http.Content-Type", noMessage, []string{"Content-Encoding", "gzip"}},
		{"XML wanted", "POST", "/Observation", good, 406, "not-supported", "", noMessage, []string{"Accept", "application/fhir+xml"}},
		{"too large", "POST", "/Observation", `{"x":"` + strings.Repeat("x", incoming.MaxBytes) + `"}`, 413, "too-long", "", noMessage, nil},
		{"a cut message", "POST", "/Observation", good[:len(good)-3], 400, "structure", "Observation", keeps, nil},
		{"not UTF-8", "POST", "/Observation", strings.Replace(good, "Creatinine", "Cr\xe9", 1), 400, "structure", "Observation", keeps, nil},
		{"a member twice", "POST", "/Observation", strings.Replace(good, `"status":"final"`, `"status":"preliminary","status":"final"`, 1), 400, "structure", "Observation.status", keeps, nil},
		{"nested deeply", "POST", "/Observation", strings.Repeat(`{"x":[`, 40), 400, "structure", "Observation", keeps, nil},
		{"a list", "POST", "/Observation", "[" + good + "]", 400, "structure", "Observation", keeps, nil},
		{"a null", "POST", "/Observation", "null", 400, "structure", "Observation", keeps, nil},
		{"another type than the address", "POST", "/Observation", `{"resourceType":"DiagnosticReport"}`, 400, "structure", "Observation", keeps, nil},
		{"no type of resource", "POST", "/Observation", o(object{"resourceType": nil}), 400, "structure", "Observation", keeps, nil},
		{"a Bundle at a type", "POST", "/Observation", second(nil), 400, "structure", "Observation", keeps, nil},
		{"an Observation at the base", "POST", "", good, 400, "structure", "Bundle", keeps, nil},
		// Addresses and methods.
		{"a type that is not written", "POST", "/Patient", `{"resourceType":"Patient"}`, 405, "not-supported", "", noMessage, nil},
		{"a type that there is not", "POST", "/Potion", "{}", 404, "not-found", "", noMessage, nil},
		{"a deletion", "DELETE", "/Observation/" + ownID, "", 405, "not-supported", "", noMessage, nil},
		{"a patch", "PATCH", "/Observation/" + ownID, "{}", 405, "not-supported", "", noMessage, nil},
		{"parameters of a create", "POST", "/Observation?identifier=x", good, 400, "not-supported", "http.identifier", noMessage, nil},
		{"an id of the client's own", "PUT", "/Observation/my-id", o(object{"id": "my-id"}), 405, "not-supported", "", noMessage, []string{"If-Match", `W/"1"`}},
		{"an unknown id", "PUT", "/Observation/" + nowhere, o(object{"id": nowhere}), 405, "not-supported", "", noMessage, []string{"If-Match", `W/"1"`}},
		{"an unknown id without a version", "PUT", "/Observation/" + nowhere, o(object{"id": nowhere}), 405, "not-supported", "", noMessage, nil},
		{"an id that can be none", "PUT", "/Observation/a_b", o(object{"id": "a_b"}), 422, "value", "http.url", keeps, []string{"If-Match", `W/"1"`}},
		{"no id in the body", "PUT", "/Observation/" + ownID, o(nil), 400, "invalid", "Observation.id", keeps, []string{"If-Match", `W/"1"`}},
		{"another id in the body", "PUT", "/Observation/" + ownID, o(object{"id": "x"}), 400, "invalid", "Observation.id", keeps, []string{"If-Match", `W/"1"`}},
		{"another identifier", "PUT", "/Observation/" + ownID, o(object{"id": ownID}), 422, "business-rule", "Observation.identifier", keeps, []string{"If-Match", `W/"1"`}},
		{"no version", "PUT", "/Observation/" + ownID, o(object{"id": ownID}), 428, "required", "http.If-Match", noMessage, nil},
		{"another version", "PUT", "/Observation/" + ownID, text(t, observation(p, final, with(object{"id": ownID}))), 412, "conflict", "", noMessage, []string{"If-Match", `W/"9"`}},
		{"no version at all", "PUT", "/Observation/" + ownID, text(t, observation(p, final, with(object{"id": ownID}))), 412, "conflict", "http.If-Match", noMessage, []string{"If-Match", "*"}},
		{"an update of everything", "PUT", "/Observation", good, 422, "required", "http.url", keeps, nil},
		{"an update by another search", "PUT", "/Observation?code=2160-0", good, 422, "not-supported", "http.url", keeps, nil},
		{"an update of several", "PUT", "/Observation?identifier=" + lab + "%7Ca," + lab + "%7Cb", good, 412, "multiple-matches", "http.url", keeps, nil},
		{"an update by a value alone", "PUT", "/Observation?identifier=a", good, 412, "multiple-matches", "http.url", keeps, nil},
		{"an update of another result", "PUT", "/Observation?identifier=" + lab + "%7Cx", good, 422, "invariant", "Observation.identifier", keeps, nil},
		{"a create if another is not there", "POST", "/Observation", good, 422, "invariant", "Observation.identifier", keeps, []string{"If-None-Exist", "identifier=" + lab + "|x"}},
		{"a create by another search", "POST", "/Observation", good, 422, "not-supported", "http.If-None-Exist", keeps, []string{"If-None-Exist", "patient=1"}},
		{"a create by no search", "POST", "/Observation", good, 422, "value", "http.If-None-Exist", keeps, []string{"If-None-Exist", "identifier=%zz"}},
		// Elements.
		{"an element that there is not", "POST", "/Observation", o(object{"valueDecimal": 1}), 400, "structure", "Observation.valueDecimal", keeps, nil},
		{"an element in capitals", "POST", "/Observation", o(object{"Status": "final"}), 400, "structure", "Observation.status", keeps, nil},
		{"a list for one", "POST", "/Observation", o(object{"code": []any{}}), 400, "structure", "Observation.code", keeps, nil},
		{"one for a list", "POST", "/Observation", o(object{"identifier": object{"value": "1"}}), 400, "structure", "Observation.identifier", keeps, nil},
		{"an empty list", "POST", "/Observation", o(object{"category": []any{}}), 400, "structure", "Observation.category", keeps, nil},
		{"an empty text", "POST", "/Observation", o(object{"issued": " "}), 400, "structure", "Observation.issued", keeps, nil},
		{"an empty object", "POST", "/Observation", o(object{"bodySite": object{}}), 400, "structure", "Observation.bodySite", keeps, nil},
		{"a number in quotes", "POST", "/Observation", value(object{"value": "0.9"}), 400, "structure", "Observation.valueQuantity.value", keeps, nil},
		{"a yes for a number", "POST", "/Observation", value(object{"value": true}), 400, "structure", "Observation.valueQuantity.value", keeps, nil},
		{"a null in it", "POST", "/Observation", strings.Replace(good, `"category":`, `"note":null,"category":`, 1), 400, "structure", "Observation.note", keeps, nil},
		{"two values", "POST", "/Observation", o(object{"valueString": "x"}), 400, "structure", "Observation.value", keeps, nil},
		{"two times", "POST", "/Observation", o(object{"effectiveInstant": "2026-03-02T08:00:00Z"}), 400, "structure", "Observation.effective", keeps, nil},
		{"a code that is none", "POST", "/Observation", o(object{"status": "done"}), 422, "code-invalid", "Observation.status", keeps, nil},
		{"a comparator that is none", "POST", "/Observation", value(object{"comparator": "~"}), 422, "code-invalid", "Observation.valueQuantity.comparator", keeps, nil},
		{"no status", "POST", "/Observation", o(object{"status": nil}), 422, "required", "Observation.status", keeps, nil},
		{"no code", "POST", "/Observation", o(object{"code": nil}), 422, "required", "Observation.code", keeps, nil},
		{"a code in words", "POST", "/Observation", o(object{"code": object{"text": "Creatinine"}}), 422, "required", "Observation.code", keeps, nil},
		{"no value", "POST", "/Observation", o(object{"valueQuantity": nil}), 422, "required", "Observation.value", keeps, nil},
		{"a value of another kind", "POST", "/Observation", o(object{"valueQuantity": nil, "valueBoolean": true}), 422, "not-supported", "Observation.value", keeps, nil},
		{"a value and why there is none (obs-6)", "POST", "/Observation", o(object{"dataAbsentReason": object{"text": "haemolysed"}}), 422, "invariant", "Observation.dataAbsentReason", keeps, nil},
		{"no unit", "POST", "/Observation", value(object{"code": nil}), 422, "code-invalid", "Observation.valueQuantity.code", keeps, nil},
		{"a unit without its system", "POST", "/Observation", value(object{"system": nil}), 422, "code-invalid", "Observation.valueQuantity.code", keeps, nil},
		{"another unit than the protocol takes", "POST", "/Observation", value(object{"code": "umol/L"}), 422, "code-invalid", "Observation.valueQuantity.code", keeps, nil},
		{"a value of another unit", "POST", "/Observation", value(object{"value": json.Number("79.6")}), 422, "value", "Observation.valueQuantity.value", keeps, nil},
		{"a text for a number", "POST", "/Observation", o(object{"valueQuantity": nil, "valueString": "normal"}), 422, "value", "Observation.valueQuantity", keeps, nil},
		{"no time", "POST", "/Observation", o(object{"effectiveDateTime": nil}), 422, "required", "Observation.effective", keeps, nil},
		{"an impossible day", "POST", "/Observation", o(object{"effectiveDateTime": "2026-02-31"}), 422, "value", "Observation.effective", keeps, nil},
		{"a time without a zone", "POST", "/Observation", o(object{"effectiveDateTime": "2026-03-02T08:00:00"}), 422, "value", "Observation.effective", keeps, nil},
		{"a time to come", "POST", "/Observation", o(object{"effectiveDateTime": "2026-04-02"}), 422, "value", "Observation.effective", keeps, nil},
		{"an issue on a day", "POST", "/Observation", o(object{"issued": "2026-03-02"}), 422, "value", "Observation.issued", keeps, nil},
		{"no identifier", "POST", "/Observation", o(object{"identifier": nil}), 422, "required", "Observation.identifier", keeps, nil},
		{"an identifier without its system", "POST", "/Observation", o(object{"identifier": []any{object{"value": "1"}}}), 422, "required", "Observation.identifier", keeps, nil},
		{"no subject", "POST", "/Observation", o(object{"subject": nil}), 422, "required", "Observation.subject", keeps, nil},
		{"a subject by name", "POST", "/Observation", o(object{"subject": object{"display": "Bryn Testwick-Ode"}}), 422, "required", "Observation.subject.identifier", keeps, nil},
		{"a subject elsewhere", "POST", "/Observation", o(object{"subject": object{"reference": "https://ehr.example/Patient/1"}}), 422, "not-found", "Observation.subject", keeps, nil},
		{"a subject that is a group", "POST", "/Observation", o(object{"subject": object{"type": "Group", "identifier": object{"system": "s", "value": "v"}}}), 422, "business-rule", "Observation.subject", keeps, nil},
		{"about something else", "POST", "/Observation", o(object{"focus": []any{object{"display": "graft"}}}), 422, "business-rule", "Observation.focus", keeps, nil},
		{"a modifier", "POST", "/Observation", o(object{"modifierExtension": []any{object{"url": "urn:x", "valueBoolean": true}}}), 422, "extension", "Observation.modifierExtension", keeps, nil},
		{"a modifier inside", "POST", "/Observation", o(object{"referenceRange": []any{object{"text": "x", "modifierExtension": []any{object{"url": "urn:x"}}}}}), 422, "extension", "Observation.referenceRange[0].modifierExtension", keeps, nil},
		{"implicit rules", "POST", "/Observation", o(object{"implicitRules": "urn:x"}), 422, "not-supported", "Observation.implicitRules", keeps, nil},
		{"an interpretation that is none", "POST", "/Observation", o(object{"interpretation": []any{object{"coding": []any{object{"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "code": "VERY"}}}}}), 422, "value", "Observation.interpretation[0]", keeps, nil},
		// What is on record.
		{"another candidate's result", "POST", "/Observation", text(t, observation(p, taken, later)), 409, "conflict", "Observation.identifier", keeps, nil},
		{"a final result becomes preliminary", "POST", "/Observation", text(t, observation(p, final, with(object{"status": "preliminary"}))), 409, "conflict", "Observation.status", keeps, nil},
		{"a result comes back that was an error", "POST", "/Observation", text(t, observation(p, erroneous, later)), 409, "conflict", "Observation.status", keeps, nil},
		// Reports.
		{"a report of nothing", "POST", "/DiagnosticReport", text(t, object{"resourceType": "DiagnosticReport", "status": "final", "identifier": []any{object{"system": "s", "value": "v"}}, "code": object{"coding": []any{object{"system": loinc, "code": "24323-8"}}}, "subject": object{"reference": "Patient/" + p.id}, "effectiveDateTime": "2026-03-02"}), 422, "required", "DiagnosticReport.result", keeps, nil},
		{"a report of results elsewhere", "POST", "/DiagnosticReport", text(t, object{"resourceType": "DiagnosticReport", "status": "final", "identifier": []any{object{"system": "s", "value": "v"}}, "code": object{"text": "x"}, "subject": object{"reference": "Patient/" + p.id}, "result": []any{object{"reference": "Observation/" + ownID}}}), 422, "not-supported", "DiagnosticReport.result[0]", keeps, nil},
		{"a report without an identifier", "POST", "/DiagnosticReport", text(t, object{"resourceType": "DiagnosticReport", "status": "final", "code": object{"text": "x"}, "subject": object{"reference": "Patient/" + p.id}, "conclusion": "x"}), 422, "required", "DiagnosticReport.identifier", keeps, nil},
		{"a report of another status", "POST", "/DiagnosticReport", text(t, object{"resourceType": "DiagnosticReport", "status": "done", "code": object{"text": "x"}}), 422, "code-invalid", "DiagnosticReport.status", keeps, nil},
		// Bundles.
		{"another Bundle", "POST", "", text(t, bundle("collection", object{"resource": observation(p, unique(), nil)})), 422, "not-supported", "Bundle.type", keeps, nil},
		{"a Bundle of no type", "POST", "", text(t, object{"resourceType": "Bundle", "entry": []any{object{"resource": observation(p, unique(), nil)}}}), 422, "required", "Bundle.type", keeps, nil},
		{"an empty Bundle", "POST", "", text(t, object{"resourceType": "Bundle", "type": "transaction"}), 422, "required", "Bundle.entry", keeps, nil},
		{"no request", "POST", "", text(t, bundle("transaction", object{"resource": observation(p, unique(), nil)})), 422, "required", "Bundle.entry[0].request", keeps, nil},
		{"a fullUrl twice", "POST", "", text(t, bundle("transaction", entry("POST Observation", observation(p, unique(), nil), object{"fullUrl": "urn:uuid:1"}), entry("POST Observation", observation(p, unique(), nil), object{"fullUrl": "urn:uuid:1"}))), 422, "invariant", "Bundle.entry[1].fullUrl", keeps, nil},
		{"a verb that is none", "POST", "", in("transaction", "SEND Observation", observation(p, unique(), nil), nil), 422, "code-invalid", "Bundle.entry[1].request.method", keeps, nil},
		{"a deletion in it", "POST", "", in("transaction", "DELETE Observation/x", nil, nil), 422, "not-supported", "Bundle.entry[1].request.method", keeps, nil},
		{"a reading in it", "POST", "", in("transaction", "GET Observation/x", nil, nil), 422, "not-supported", "Bundle.entry[1].request.method", keeps, nil},
		{"an address elsewhere", "POST", "", in("transaction", "POST https://other.example/fhir/Observation", observation(p, unique(), nil), nil), 422, "not-supported", "Bundle.entry[1].request.url", keeps, nil},
		{"an entry of nothing", "POST", "", in("transaction", "POST Observation", nil, nil), 422, "required", at, keeps, nil},
		{"an entry of another type", "POST", "", in("transaction", "POST Observation", object{"resourceType": "Patient", "active": true}, nil), 400, "structure", at, keeps, nil},
		{"an entry that can't be stored", "POST", "", in("transaction", "POST Medication", object{"resourceType": "Medication"}, nil), 422, "not-supported", at, keeps, nil},
		{"a status in it", "POST", "", second(object{"status": "done"}), 422, "code-invalid", at + ".status", keeps, nil},
		{"an element in it", "POST", "", second(object{"valueDecimal": 1}), 400, "structure", at + ".valueDecimal", keeps, nil},
		{"another person in it", "POST", "", second(object{"subject": object{"identifier": object{"system": hospital, "value": other.mrn}}}), 422, "business-rule", at + ".subject", keeps, nil},
		{"an update in it without a version", "POST", "", in("transaction", "PUT Observation/"+ownID, observation(p, final, object{"id": ownID}), nil), 428, "required", "Bundle.entry[1].request.ifMatch", noMessage, nil},
		{"an update in it of another version", "POST", "", in("transaction", "PUT Observation/"+ownID, observation(p, final, with(object{"id": ownID})), object{"ifMatch": `W/"9"`}), 412, "conflict", "Bundle.entry[1].request.url", noMessage, nil},
		{"an update in it of nothing", "POST", "", in("transaction", "PUT Observation/"+nowhere, observation(p, unique(), object{"id": nowhere}), object{"ifMatch": `W/"1"`}), 422, "not-supported", "Bundle.entry[1].request.url", noMessage, nil},
		{"a result twice in it", "POST", "", text(t, bundle("transaction", entry("POST Observation", observation(p, "twice", nil), nil), entry("POST Observation", observation(p, "twice", nil), nil))), 422, "value", at + ".identifier", keeps, nil},
		{"a member that nobody knows", "POST", "", second(object{"valueQuantity": nil, "hasMember": []any{object{"reference": "urn:uuid:9"}}}), 422, "not-found", at + ".hasMember[0]", keeps, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before, mine, theirs := messages(t), entries(t, p), entries(t, other)
			w := ask(t, server, tt.method, tt.path, tt.body, tt.headers...)
			first := issues(t, w)[0]
			expression := strings.Join(first.Expression, " ")
			if w.Code != tt.status || first.Code != tt.code || expression != tt.expression || first.Severity != "error" {
				t.Errorf("answered %d %s %q (%s), want %d %s %q", w.Code, first.Code, expression, first.Diagnostics, tt.status, tt.code, tt.expression)
			}
			if w.Code == 405 && w.Header().Get("Allow") == "" {
				t.Error("nothing says what is allowed")
			}
			if strings.Contains(w.Body.String(), "Testwick") || strings.Contains(w.Body.String(), p.mrn) {
				t.Errorf("the answer names a person: %s", w.Body)
			}
			if entries(t, p) != mine || entries(t, other) != theirs {
				t.Error("something was recorded")
			}
			// What is kept is whole.
			after := messages(t)
			if (len(after) > len(before)) != tt.kept {
				t.Errorf("kept is %t, want %t", len(after) > len(before), tt.kept)
			}
			for id, m := range after {
				if _, known := before[id]; !known && (string(m.Raw) != tt.body || m.State != incoming.Refused) {
					t.Errorf("kept as %s: %s", m.State, m.Raw)
				}
			}
		})
	}
}

// messages are those that wait for a person, by their id.
func messages(t *testing.T) map[string]record.Incoming {
	t.Helper()
	list, err := sys.Store.Incomings(t.Context(), 10_000, record.IncomingStates...)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]record.Incoming{}
	for _, m := range list {
		found[m.ID] = m
	}
	return found
}
