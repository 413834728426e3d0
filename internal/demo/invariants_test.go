package demo_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/conformance"
	"candidacy/internal/record"
)

// server is every resource of the demonstration, decoded, in the order of lines.
type server []map[string]any

func wholeServer(t *testing.T) server {
	t.Helper()
	var all server
	if err := loaded(t).Store.EachResource(t.Context(), func(p record.Published) error {
		var r map[string]any
		decoder := json.NewDecoder(bytes.NewReader(p.Body))
		decoder.UseNumber()
		all = append(all, r)
		return decoder.Decode(&all[len(all)-1])
	}); err != nil {
		t.Fatal(err)
	}
	return all
}

func (s server) ndjson(t *testing.T) []byte {
	t.Helper()
	var out bytes.Buffer
	encoder := json.NewEncoder(&out)
	encoder.SetEscapeHTML(false)
	for _, r := range s {
		if err := encoder.Encode(r); err != nil {
			t.Fatal(err)
		}
	}
	return out.Bytes()
}

// TestInvariantsHold checks the whole demonstration against another engine, and
// finds every computed value again with formulas that share nothing with those of
// the program.
func TestInvariantsHold(t *testing.T) {
	all := wholeServer(t)
	faults, equations := conformance.Invariants(t, all.ndjson(t))
	for _, f := range faults {
		t.Errorf("%v/%v: %s", all[f.Line-1]["resourceType"], all[f.Line-1]["id"], f.Message)
	}
	for _, equation := range []string{
		"bmi-quetelet-1972", "ckdepi-cr-2021", "creatinine-clearance-timed-urine", "iohexol-slope-intercept-brochner-mortensen-1972",
		"office-mean-acc-aha-2017", "ambulatory-mean-day-acc-aha-2017", "ambulatory-mean-night-acc-aha-2017", "ambulatory-mean-24h-acc-aha-2017",
	} {
		if equations[equation] < 3 {
			t.Errorf("%s was computed again %d times", equation, equations[equation])
		}
	}
}

type object = map[string]any

// in leads to a member by names and indices; nil where it leads nowhere.
func in(value any, path ...any) any {
	for _, step := range path {
		switch at := value.(type) {
		case object:
			name, _ := step.(string)
			value = at[name]
		case []any:
			i, ok := step.(int)
			if !ok || i >= len(at) {
				return nil
			}
			value = at[i]
		default:
			return nil
		}
	}
	return value
}

// by reports whether the Observation was computed by an equation and stands.
func by(equation string) func(object) bool {
	return func(r object) bool {
		return r["resourceType"] == "Observation" && in(r, "method", "text") == equation && r["status"] == "final" && r["device"] != nil
	}
}

func is(typ string, path ...any) func(object) bool {
	return func(r object) bool {
		value := any(r)
		if len(path) > 0 {
			value = in(r, path...)
		}
		return r["resourceType"] == typ && value != nil
	}
}

func reportedCode(code string) func(object) bool {
	return func(r object) bool {
		return r["resourceType"] == "Observation" && in(r, "code", "coding", 0, "code") == code && r["device"] == nil && in(r, "valueQuantity") != nil
	}
}

// nudge changes a number by a millionth of it.
func nudge(q any) {
	quantity := q.(object)
	value, err := quantity["value"].(json.Number).Float64()
	if err != nil {
		panic(err)
	}
	quantity["value"] = value * (1 + 1e-6)
}

// spoil is one fault and the invariant that has to find it.
type spoil struct {
	name  string
	found string
	pick  func(object) bool
	do    func(server, object)
}

func spoils(all server) []spoil {
	value := func(_ server, r object) { nudge(in(r, "valueQuantity")) }
	part := func(i int) func(server, object) {
		return func(_ server, r object) { nudge(in(r, "component", i, "valueQuantity")) }
	}
	local := "https://candidacy.example/CodeSystem/observation"
	coding := func(system, code string) func(server, object) {
		return func(_ server, r object) {
			in(r, "code", "coding", 0).(object)["system"], in(r, "code", "coding", 0).(object)["code"] = system, code
		}
	}
	put := func(name string, what any) func(server, object) {
		return func(_ server, r object) { r[name] = what }
	}
	usedInput := func(name string, change func(c object)) func(server, object) {
		return func(_ server, r object) {
			for _, c := range asList(r["component"]) {
				if in(c, "code", "text") == name {
					change(c.(object))
				}
			}
		}
	}
	status := func(typ, status string) func(object) bool {
		return func(r object) bool { return r["resourceType"] == typ && r["status"] == status }
	}
	return []spoil{
		{"a reference to nothing", "reference:", is("Observation", "specimen"), put("specimen", object{"reference": "Specimen/none"})},
		{"a reference to another patient's", "reference:", is("DiagnosticReport", "specimen"), func(all server, r object) {
			other := slices.IndexFunc(all, func(o map[string]any) bool {
				return o["resourceType"] == "Specimen" && in(o, "subject", "reference") != in(r, "subject", "reference")
			})
			r["specimen"] = []any{object{"reference": fmt.Sprint("Specimen/", all[other]["id"])}}
		}},
		{"a task that was not met, of which the plan says nothing", "plan:", func(r object) bool {
			return r["resourceType"] == "CarePlan" && completedTask(all, r) != nil
		}, func(_ server, r object) {
			completedTask(all, r)["businessStatus"] = object{"coding": []any{object{"code": "not-met"}}}
		}},
		{"an activity that was waived and is completed", "plan:", func(r object) bool {
			return r["resourceType"] == "CarePlan" && completedTask(all, r) != nil
		}, func(_ server, r object) {
			task := fmt.Sprint("Task/", completedTask(all, r)["id"])
			for _, a := range asList(r["activity"]) {
				if in(a, "reference", "reference") == task {
					a.(object)["outcomeCodeableConcept"] = []any{object{"coding": []any{object{"code": "waived"}}}}
				}
			}
		}},
		{"an activity at work in a plan that is on hold", "plan:", status("CarePlan", "active"), put("status", "on-hold")},
		{"a result of another request", "request:", func(r object) bool {
			return r["resourceType"] == "Observation" && in(r, "basedOn", 0, "reference") != nil
		}, func(_ server, r object) {
			i := slices.IndexFunc(all, func(o map[string]any) bool {
				return o["resourceType"] == "ServiceRequest" && in(o, "subject", "reference") == in(r, "subject", "reference") &&
					!slices.ContainsFunc(asList(r["basedOn"]), func(b any) bool { return in(b, "reference") == fmt.Sprint("ServiceRequest/", o["id"]) })
			})
			r["basedOn"] = []any{object{"reference": fmt.Sprint("ServiceRequest/", all[i]["id"])}}
		}},
		{"work that waits after the end", "episode:", func(r object) bool {
			return r["resourceType"] == "Task" && slices.ContainsFunc(all, func(o map[string]any) bool {
				return status("EpisodeOfCare", "finished")(o) && in(o, "patient", "reference") == in(r, "for", "reference")
			}) && slices.ContainsFunc(all, func(o map[string]any) bool {
				return status("CarePlan", "completed")(o) && in(r, "basedOn", 0, "reference") == fmt.Sprint("CarePlan/", o["id"])
			})
		}, put("status", "requested")},
		{"an open activity in a plan that is revoked", "plan:", func(r object) bool { return status("CarePlan", "active")(r) && in(r, "activity", 3) != nil }, put("status", "revoked")},
		{"body mass index", "computed:", by("bmi-quetelet-1972"), value},
		{"estimated GFR", "computed:", by("ckdepi-cr-2021"), value},
		{"measured GFR", "computed:", by("iohexol-slope-intercept-brochner-mortensen-1972"), value},
		{"clearance", "computed:", by("creatinine-clearance-timed-urine"), value},
		{"office mean, systolic", "computed:", by("office-mean-acc-aha-2017"), part(0)},
		{"office mean, diastolic", "computed:", by("office-mean-acc-aha-2017"), part(1)},
		{"day mean", "computed:", by("ambulatory-mean-day-acc-aha-2017"), part(0)},
		{"night mean", "computed:", by("ambulatory-mean-night-acc-aha-2017"), part(1)},
		{"24-hour mean", "computed:", by("ambulatory-mean-24h-acc-aha-2017"), part(0)},
		{"another equation", "computed:", by("ckdepi-cr-2021"), put("method", object{"text": "ckdepi-cr-2009"})},
		{"a value from nothing", "computed:", by("bmi-quetelet-1972"), func(_ server, r object) { delete(r, "derivedFrom") }},
		{"another age", "person:", by("ckdepi-cr-2021"), usedInput("age", func(c object) { in(c, "valueQuantity").(object)["value"] = 17 })},
		{"another sex", "person:", by("ckdepi-cr-2021"), usedInput("sex", func(c object) { in(c, "valueCodeableConcept").(object)["text"] = "other" })},
		{"a value and the reason why there is none", "obs-6:", reportedCode("718-7"), put("dataAbsentReason", object{"text": "none"})},
		{"a part with the code of the whole", "obs-7:", reportedCode("6690-2"), func(_ server, r object) {
			r["component"] = []any{object{"code": r["code"], "valueString": "x"}}
		}},
		{"a unit without its system", "qty-3:", reportedCode("777-3"), func(_ server, r object) { delete(in(r, "valueQuantity").(object), "system") }},
		{"a unit that is none", "ucum:", reportedCode("4548-4"), func(_ server, r object) { in(r, "valueQuantity").(object)["code"] = "percent" }},
		{"a LOINC number with a slip", "loinc:", reportedCode("718-7"), coding("http://loinc.org", "718-8")},
		{"a LOINC number of a local system", "loinc:", reportedCode("718-7"), coding(local, "718-7")},
		{"a local code nobody has looked up", "loinc:", reportedCode("718-7"), coding(local, "haemoglobin")},
		{"no code", "loinc:", reportedCode("718-7"), put("code", object{"text": "x"})},
		{"a banner without its reason", "banner:", status("Flag", "inactive"), put("status", "active")},
		{"a final report of a result to come", "report:", func(r object) bool {
			return status("DiagnosticReport", "final")(r) && platelets(all, r) != nil
		}, func(_ server, r object) { platelets(all, r)["status"] = "preliminary" }},
		{"an answer to nothing", "answer:", is("QuestionnaireResponse", "item"), func(_ server, r object) { in(r, "item", 0).(object)["linkId"] = "history-luck" }},
		{"an answer that is no choice", "answer:", is("QuestionnaireResponse", "item", 0, "answer", 0, "valueCoding"), func(_ server, r object) {
			in(r, "item", 0, "answer", 0, "valueCoding").(object)["code"] = "maybe"
		}},
		{"a form that is not published", "answer:", is("QuestionnaireResponse", "item"), put("questionnaire", "https://candidacy.example/none|1")},
	}
}

// completedTask is one that the plan points to, done and met, of which the plan may
// say what came of it.
func completedTask(all server, plan object) object {
	for _, a := range asList(plan["activity"]) {
		name := fmt.Sprint(in(a, "reference", "reference"))
		i := slices.IndexFunc(all, func(o map[string]any) bool { return "Task/"+fmt.Sprint(o["id"]) == name && o["resourceType"] == "Task" })
		if i >= 0 && all[i]["status"] == "completed" && in(a, "outcomeCodeableConcept") == nil && in(all[i], "meta", "security") == nil {
			return all[i]
		}
	}
	return nil
}

// platelets is the count among the results of a report, of which nothing is
// computed.
func platelets(all server, report object) object {
	for _, result := range asList(report["result"]) {
		i := slices.IndexFunc(all, func(o map[string]any) bool {
			return fmt.Sprint("Observation/", o["id"]) == in(result, "reference") && in(o, "code", "coding", 0, "code") == "777-3"
		})
		if i >= 0 {
			return all[i]
		}
	}
	return nil
}

// TestInvariantsFindFaults spoils a resource for each invariant and each equation;
// each must be found, and nothing else.
func TestInvariantsFindFaults(t *testing.T) {
	all := wholeServer(t)
	taken := map[int]spoil{}
	for _, s := range spoils(all) {
		i := -1
		for n, r := range all {
			if _, before := taken[n]; !before && s.pick(r) {
				i = n
				break
			}
		}
		if i < 0 {
			t.Fatalf("nothing can be spoilt by %s", s.name)
		}
		taken[i] = s
		s.do(all, all[i])
	}
	faults, _ := conformance.Invariants(t, all.ndjson(t))
	found := map[int][]string{}
	for _, f := range faults {
		found[f.Line-1] = append(found[f.Line-1], f.Message)
	}
	for i, s := range taken {
		if !slices.ContainsFunc(found[i], func(message string) bool { return strings.HasPrefix(message, s.found) }) {
			t.Errorf("%s is not found: %v", s.name, found[i])
		}
		for _, message := range found[i] {
			// What a wrong age or sex computes is wrong too.
			if !strings.HasPrefix(message, s.found) && !(s.found == "person:" && strings.HasPrefix(message, "computed:")) {
				t.Errorf("%s is found as %s too", s.name, message)
			}
		}
		delete(found, i)
	}
	for i, messages := range found {
		t.Errorf("%v/%v was not spoilt: %v", all[i]["resourceType"], all[i]["id"], messages)
	}
}

// TestInvariantsFollowTheInputs changes results, and finds what was computed from
// them.
func TestInvariantsFollowTheInputs(t *testing.T) {
	all := wholeServer(t)
	byName := map[string]object{}
	for _, r := range all {
		byName[fmt.Sprint(r["resourceType"], "/", r["id"])] = r
	}
	want := map[string]bool{}
	for _, equation := range []string{"bmi-quetelet-1972", "ckdepi-cr-2021", "creatinine-clearance-timed-urine", "iohexol-slope-intercept-brochner-mortensen-1972"} {
		i := slices.IndexFunc(all, func(r map[string]any) bool { return by(equation)(r) && !want[fmt.Sprint(r["id"])] })
		source := byName[fmt.Sprint(in(all[i], "derivedFrom", 0, "reference"))]
		nudge(in(source, "valueQuantity"))
		for _, r := range all {
			for _, reference := range asList(r["derivedFrom"]) {
				if in(reference, "reference") == fmt.Sprint("Observation/", source["id"]) && r["status"] == "final" {
					want[fmt.Sprint(r["id"])] = true
				}
			}
		}
	}
	// A result that doesn't count any more carries nothing.
	i := slices.IndexFunc(all, func(r map[string]any) bool { return by("office-mean-acc-aha-2017")(r) })
	byName[fmt.Sprint(in(all[i], "derivedFrom", 0, "reference"))]["status"] = "entered-in-error"
	want[fmt.Sprint(all[i]["id"])] = true
	faults, _ := conformance.Invariants(t, all.ndjson(t))
	got := map[string]bool{}
	for _, f := range faults {
		if strings.HasPrefix(f.Message, "computed:") {
			got[fmt.Sprint(all[f.Line-1]["id"])] = true
		}
	}
	for id := range want {
		if !got[id] {
			t.Errorf("%s stands on a result that changed, and is not found", id)
		}
	}
	if len(want) < 5 {
		t.Errorf("only %d values were looked for", len(want))
	}
}

func asList(v any) []any {
	list, _ := v.([]any)
	return list
}
