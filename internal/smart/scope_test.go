package smart

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/fhir"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Source: HL7 SMART App Launch 2.2, "Scopes for requesting FHIR Resources" and
// the table for scopes of version 1.
func TestParseScope(t *testing.T) {
	const laboratory = "category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory"
	for text, want := range map[string]string{
		"system/Patient.rs":                                 "system/Patient.rs",
		"system/Patient.r":                                  "system/Patient.r",
		"system/*.cruds":                                    "system/*.cruds",
		"system/Observation.c":                              "system/Observation.c",
		"system/Observation.cs":                             "system/Observation.cs",
		"system/Observation.read":                           "system/Observation.rs",
		"system/Observation.write":                          "system/Observation.cud",
		"system/Observation.*":                              "system/Observation.cruds",
		"system/*.*":                                        "system/*.cruds",
		"system/*.read":                                     "system/*.rs",
		"system/Observation.rs?" + laboratory:               "system/Observation.rs?" + laboratory,
		"system/Observation.rs?category=a&code=http://x|1":  "system/Observation.rs?category=a&code=http://x|1",
		"system/Patient.rs?birthdate=gt1990":                "system/Patient.rs?birthdate=gt1990",
		"system/AuditEvent.rs":                              "system/AuditEvent.rs",
		"system/Observation.rs?_security=a,b&code:not-in=x": "system/Observation.rs?_security=a,b&code:not-in=x",
		"system/*.rs?_security:not=a|R":                     "system/*.rs?_security:not=a|R",
	} {
		if s, err := ParseScope(text); err != nil || s.String() != want {
			t.Errorf("%s: %s, %v", text, s, err)
		}
	}
	for text, want := range map[string]string{
		"":                                       "not a scope",
		"system/Patient.r s":                     "not a scope",
		"system/Patient.rs\"":                    "not a scope",
		"system/Patient.r\\s":                    "not a scope",
		"system/Patient.rs\n":                    "not a scope",
		"system/Pätient.rs":                      "not a scope",
		"system/" + strings.Repeat("A", 1000):    "not a scope",
		"patient/Patient.rs":                     "only system",
		"user/*.read":                            "only system",
		"openid":                                 "only system",
		"launch/patient":                         "only system",
		"System/Patient.rs":                      "only system",
		"system":                                 "only system",
		"system/":                                "not a system scope",
		"system/Patient":                         "not a system scope",
		"system/patient.rs":                      "not a system scope",
		"system/Patient.":                        "not a system scope",
		"system/.rs":                             "not a system scope",
		"system/Patient/1.rs":                    "not a system scope",
		"system/Patient.rs.rs":                   "not a system scope",
		"system/Patient.cruudss":                 "not a system scope",
		"system/Patient.RS":                      "not a system scope",
		"system/Patient.sr":                      "in that order",
		"system/Patient.rr":                      "in that order",
		"system/Patient.x":                       "in that order",
		"system/Patient.r*":                      "in that order",
		"system/Patients.rs":                     "no resource type",
		"system/*.rs?code=a":                     "every type",
		"system/*.rs?_security:not=R&code=a":     "every type",
		"system/*.rs?_id=a":                      "every type",
		"system/Patient.read?name=a":             "version 1",
		"system/Patient.rs?":                     "narrows",
		"system/Patient.rs?name":                 "narrows",
		"system/Patient.rs?name=":                "narrows",
		"system/Patient.rs?=a":                   "narrows",
		"system/Patient.rs?name=a&&name=b":       "narrows",
		"system/Patient.rs?name=%zz":             "narrows",
		"system/Patient.rs?na me=a":              "not a scope",
		"system/Patient.rs?1=a":                  "narrows",
		"system/Patient.rs?name=a&given":         "narrows",
		"system/Patient.rs?general-practitioner": "narrows",
	} {
		if s, err := ParseScope(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, %v", text, s, err)
		}
	}
}

func TestGrants(t *testing.T) {
	for _, c := range []struct{ asked, registered, want string }{
		{"system/Patient.rs", "system/Patient.rs", "system/Patient.rs"},
		{"system/Patient.r", "system/Patient.rs", "system/Patient.r"},
		{"system/Patient.cruds", "system/Patient.rs", "system/Patient.rs"},
		{"system/Patient.rs", "system/*.rs", "system/Patient.rs"},
		{"system/*.rs", "system/Patient.rs system/Observation.rs", "system/Patient.rs system/Observation.rs"},
		{"system/*.cruds", "system/*.crus", "system/*.crus"},
		{"system/*.cruds", "system/*.cruds", "system/*.crus"},
		// What is granted as asked for keeps its wording.
		{"system/Patient.read", "system/*.rs", "system/Patient.read"},
		{"system/*.read", "system/*.rs", "system/*.read"},
		{"system/Observation.write", "system/Observation.crus", "system/Observation.cu"},
		{"system/Observation.*", "system/Observation.cruds", "system/Observation.crus"},
		// The audit trail is granted by name alone.
		{"system/*.rs", "system/*.rs system/AuditEvent.rs", "system/*.rs"},
		{"system/AuditEvent.rs", "system/*.rs system/AuditEvent.rs", "system/AuditEvent.rs"},
		{"system/AuditEvent.rs", "system/*.rs", ""},
		{"system/*.rs system/AuditEvent.rs", "system/AuditEvent.rs", "system/AuditEvent.rs"},
		// What narrows either narrows both.
		{"system/Observation.rs", "system/Observation.rs?category=a", "system/Observation.rs?category=a"},
		{"system/Observation.rs?category=a", "system/Observation.rs", "system/Observation.rs?category=a"},
		{"system/Observation.rs?category=a", "system/Observation.rs?category=a", "system/Observation.rs?category=a"},
		{"system/Observation.rs?category=a", "system/Observation.rs?category=b", "system/Observation.rs?category=a&category=b"},
		{"system/Observation.rs?category=a", "system/*.rs", "system/Observation.rs?category=a"},
		{"system/*.rs", "system/Observation.rs?category=a system/Patient.r", "system/Observation.rs?category=a system/Patient.r"},
		{"system/Observation.rs", "system/Observation.rs?category=a system/Observation.r?category=b", "system/Observation.rs?category=a system/Observation.r?category=b"},
		// Nothing in common, other kinds, and the same twice.
		{"system/Patient.rs", "system/Observation.rs", ""},
		{"system/Patient.d", "system/Patient.cruds", ""},
		{"openid launch patient/*.rs system/Patient.rs", "system/*.rs", "system/Patient.rs"},
		{"system/Patient.rs system/Patient.rs", "system/*.rs system/Patient.rs", "system/Patient.rs"},
		{"", "system/*.rs", ""},
	} {
		if got, err := Grants(c.asked, ParseScopes(c.registered)); err != nil || got != c.want {
			t.Errorf("%q of %q: %q, %v, want %q", c.asked, c.registered, got, err, c.want)
		}
	}
}

func TestCheckScopes(t *testing.T) {
	const narrowed = "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory"
	for _, good := range []string{"system/*.rs", "system/Patient.rs system/Observation.r", narrowed, "system/*.read", "system/AuditEvent.rs", "system/*.rs?_security:not=http://terminology.hl7.org/CodeSystem/v3-Confidentiality|R"} {
		if _, err := CheckScopes(good, record.ClientReader); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for _, good := range []string{"system/Observation.cu", "system/*.cruds", "system/DiagnosticReport.write system/Patient.rs"} {
		if _, err := CheckScopes(good, record.ClientLaboratory); err != nil {
			t.Errorf("%s: %v", good, err)
		}
		if _, err := CheckScopes(good, record.ClientReader); err == nil || !strings.Contains(err.Error(), "laboratory") {
			t.Errorf("%s for a reader: %v", good, err)
		}
	}
	for bad, want := range map[string]string{
		"": "at least one", " ": "at least one", "system/Patient.d": "delete", "openid": "only system", "system/Patient": "not a system scope",
		"system/Observation.rs?subject-of=1": "not supported", "system/Observation.rs?date=yesterday": "not a FHIR date",
		"system/Observation.rs?_id=1": "of the type, or by _security", "system/*.rs?_security:in=x": "not supported", "system/Encounter.rs?class=|": "token",
		"system/Medication.rs?code=a": "not searched", "system/AuditEvent.rs?patient=1": "not searched",
	} {
		if list, err := CheckScopes(bad, record.ClientLaboratory); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, %v", bad, list, err)
		}
	}
}

func TestGrantOfABearer(t *testing.T) {
	allows := func(b record.Bearer, typ string, p fhir.Permission) bool {
		_, ok := GrantOf(b).Allows(typ, p)
		return ok
	}
	const r, s, c, u, d = fhir.MayRead, fhir.MaySearch, fhir.MayCreate, fhir.MayUpdate, fhir.Permission('d')
	everything := []fhir.Permission{r, s, c, u, d}
	for name, row := range map[string]struct {
		bearer record.Bearer
		typ    string
		may    []fhir.Permission
	}{
		"a token by hand":                {record.Bearer{Role: journey.EHR}, "Patient", []fhir.Permission{r, s}},
		"a token by hand, the trail":     {record.Bearer{Role: journey.EHR}, "AuditEvent", nil},
		"an auditor":                     {record.Bearer{Role: journey.Auditor}, "Patient", nil},
		"an auditor, the trail":          {record.Bearer{Role: journey.Auditor}, "AuditEvent", []fhir.Permission{r, s}},
		"a coordinator":                  {record.Bearer{Role: journey.Coordinator}, "Patient", nil},
		"nobody":                         {record.Bearer{}, "Patient", nil},
		"scopes":                         {record.Bearer{Role: journey.EHR, Scopes: "system/Patient.r"}, "Patient", []fhir.Permission{r}},
		"scopes, another type":           {record.Bearer{Role: journey.EHR, Scopes: "system/Patient.r"}, "Observation", nil},
		"all scopes":                     {record.Bearer{Role: journey.EHR, Scopes: "system/*.cruds"}, "Patient", []fhir.Permission{r, s, c, u}},
		"all scopes, the trail":          {record.Bearer{Role: journey.EHR, Scopes: "system/*.cruds"}, "AuditEvent", nil},
		"the trail by name":              {record.Bearer{Role: journey.EHR, Scopes: "system/AuditEvent.rs"}, "AuditEvent", []fhir.Permission{r, s}},
		"scopes that nobody understands": {record.Bearer{Role: journey.EHR, Scopes: "system/Patient.everything"}, "Patient", nil},
		"scopes of an auditor":           {record.Bearer{Role: journey.Auditor, Scopes: "system/*.rs"}, "Patient", nil},
	} {
		for _, p := range everything {
			if got := allows(row.bearer, row.typ, p); got != slices.Contains(row.may, p) {
				t.Errorf("%s: %c is %t", name, p, got)
			}
		}
	}
	within, ok := ParseScopes("system/Observation.rs?category=a system/Observation.r?category=b system/Observation.rs?category=a").Allows("Observation", r)
	if !ok || !slices.Equal(within, []string{"category=a", "category=b"}) {
		t.Errorf("narrowed to %v", within)
	}
	if within, ok := ParseScopes("system/Observation.rs?category=a system/*.r").Allows("Observation", r); !ok || within != nil {
		t.Errorf("one that is not narrowed counts: %v, %t", within, ok)
	}
}

// drawnScope is any scope, in either version.
func drawnScope() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		typ := rapid.SampledFrom([]string{"*", "Patient", "Observation", "AuditEvent", "CarePlan"}).Draw(t, "type")
		letters := rapid.SampledFrom([]string{"read", "write", "*", ""}).Draw(t, "v1")
		if letters == "" {
			for _, letter := range "cruds" {
				if rapid.Bool().Draw(t, string(letter)) {
					letters += string(letter)
				}
			}
			if letters == "" {
				letters = "r"
			}
			if typ != "*" && rapid.Bool().Draw(t, "narrowed") {
				letters += "?category=" + rapid.SampledFrom([]string{"a", "b"}).Draw(t, "category")
			}
		}
		return "system/" + typ + "." + letters
	})
}

// What is granted is never more than was asked for, never more than the client is
// registered for, and nothing of what both have in common is left out.
func TestGrantsAreWhatBothHaveInCommon(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		asked := strings.Join(rapid.SliceOfN(drawnScope(), 1, 5).Draw(t, "asked"), " ")
		registered := strings.Join(rapid.SliceOfN(drawnScope(), 1, 5).Draw(t, "registered"), " ")
		text, err := Grants(asked, ParseScopes(registered))
		if err != nil {
			t.Fatal(err)
		}
		granted, a, r := ParseScopes(text), ParseScopes(asked), ParseScopes(registered)
		for _, typ := range []string{"Patient", "Observation", "AuditEvent", "CarePlan", "Flag"} {
			for _, p := range []fhir.Permission{'c', 'r', 'u', 'd', 's'} {
				ofAsked, byAsked := a.Allows(typ, p)
				ofRegistered, byRegistered := r.Allows(typ, p)
				of, ok := granted.Allows(typ, p)
				if ok != (byAsked && byRegistered && p != 'd') {
					t.Fatalf("%s of %s grants %s: %s %c is %t", asked, registered, text, typ, p, ok)
				}
				// A resource of one category: what admits it.
				for _, category := range []string{"a", "b", "c"} {
					admits := func(within []string, ok bool) bool {
						return ok && (within == nil || slices.ContainsFunc(within, func(query string) bool {
							return query == "category="+category
						}))
					}
					if got, want := admits(of, ok), admits(ofAsked, byAsked) && admits(ofRegistered, byRegistered) && p != 'd'; got != want {
						t.Fatalf("%s of %s grants %s: %s %c of category %s is %t", asked, registered, text, typ, p, category, got)
					}
				}
			}
		}
		// Granted scopes read back as themselves.
		if again := granted.String(); again != ParseScopes(again).String() {
			t.Fatalf("%s is read as %s", again, ParseScopes(again))
		}
	})
}

func FuzzParseScope(f *testing.F) {
	for _, seed := range []string{"system/Patient.rs", "system/*.*", "system/Observation.rs?category=a|b", "patient/*.read", "system/Patient.sr", "system/Observation.rs?code=%2"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ParseScope(text)
		if err != nil {
			return
		}
		again, err := ParseScope(s.String())
		if err != nil || again.Type != s.Type || again.Permissions != s.Permissions || again.Query != s.Query {
			t.Errorf("%q is written as %q, and read as %+v, %v", text, s, again, err)
		}
		if strings.ContainsAny(s.String(), " \"\\") {
			t.Errorf("%q holds characters that a scope may not", s)
		}
		// It grants no more than its letters, and nobody anything of another type.
		for _, p := range "cruds" {
			if _, ok := (Scopes{s}).Allows("Patient", fhir.Permission(p)); ok && (!strings.ContainsRune(s.Permissions, p) || s.Type != "Patient" && s.Type != "*" || p == 'd') {
				t.Errorf("%q grants %c of Patient", s, p)
			}
		}
		if _, ok := (Scopes{s}).Allows("AuditEvent", fhir.MayRead); ok && s.Type != "AuditEvent" {
			t.Errorf("%q grants the audit trail", s)
		}
	})
}
