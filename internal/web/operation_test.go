package web

import (
	"encoding/json"
	"net/url"
	"reflect"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// amendments goes on from an operation of which little was recorded.
func amendments(t *testing.T, w *world, id string, post func(string, int, journey.Kind, ...string) answer) {
	t.Helper()
	page := w.as("clem").get("/candidates/" + id)
	page.has(t, `href="#operation"`, "Missing from the record:", "artery clamped", `href="#amend-operation"`, "No complication is on record.", "Not imaged")
	form := formOf(t, page.body, "/amend-operation")
	seq := valueOf(t, form, "replaces")
	// The form holds what stands.
	if !strings.Contains(form, `name="outcome" value="removed" checked`) || !strings.Contains(form, `<option value="robotic" selected`) {
		t.Errorf("the form does not hold the record: %.600s", form)
	}
	whole := []string{
		"outcome", "removed", "side", "left", "planned_approach", "robotic", "approach", "robotic", "extraction_site", "pfannenstiel",
		"times.artery_clamped", "2026-10-02T10:31", "times.kidney_out", "2026-10-02T10:34:00", "times.flush", "2026-10-02T10:35:10",
		"times.incision", "2026-10-02T08:40", "times.closure", "2026-10-02T11:20", "found.arteries", "02", "found.early_branching", "no",
		"artery_control", "stapler", "artery_control", "polymer-clip", "mannitol_g", "12.5", "blood_loss_ml", "250",
		"counts_correct", "yes", "kidney.condition", "good", "kidney.fate", "implanted", "note", "Adhesions at the upper pole.",
	}
	with := func(more ...string) []string { return append(append([]string{}, whole...), more...) }
	post("clem", 422, journey.AmendOperation, with("replaces", seq)...).has(t, `href="#amend-operation-reason"`, "Adhesions at the upper pole.", `value="2026-10-02T10:35:10"`)
	post("clem", 422, journey.AmendOperation, with("replaces", seq, "reason", "x", "times.out_of_theatre", "2026-10-02T09:00")...).
		has(t, `href="#amend-operation-times.out_of_theatre"`, "Out of theatre: before closure.")
	post("clem", 422, journey.AmendOperation, with("replaces", seq, "reason", "x", "transfusion_units", "two")...).
		has(t, `href="#amend-operation-transfusion_units"`, "Not a whole number")
	post("clem", 303, journey.AmendOperation, with("replaces", seq, "reason", "The whole record, dictated.")...)
	// Another who still has the older form open undoes nothing.
	post("cleo", 409, journey.AmendOperation, with("replaces", seq, "reason", "x")...).has(t, "look at it again")

	post("clem", 422, journey.AmendOperation, with("replaces", seq, "reason", "x", "times.hand_over", "2027-01-02T09:00")...).has(t, "Kidney handed over: more than 72 hours after cold flush began")
	day := []string{"complication", "other", "on", "2026-10-02", "treatment.transfusion", "yes", "treatment.intervention", "none"}
	post("clem", 422, journey.RecordComplication, day...).has(t, `href="#record-complication-note"`)
	post("clem", 303, journey.RecordComplication, append(day, "note", "Oozed from a port.")...)
	page = w.as("clem").get("/candidates/" + id)
	page.has(t, "4 min 10 s", "2 h 40 min", "A polymer locking clip is on the donor", "FDA and HRSA joint communication, May 2011",
		"Implanted in the intended recipient", "Adhesions at the upper pole.", "not decided, at least II (Clavien-Dindo)", "Oozed from a port.",
		"Operation record amended", "The whole record, dictated.", "Complication recorded", "amended 1 time")
	entry := optionOf(t, formOf(t, page.body, "/record-complication"), "Correct: ")
	// What is left empty in a correction stays as it was.
	post("clem", 303, journey.RecordComplication, "replaces", entry, "treatment.other_drugs", "no", "treatment.parenteral_nutrition", "no",
		"treatment.organ_failure", "none", "treatment.intensive_care", "no", "treatment.dialysis", "no", "treatment.death", "no",
		"treatment.disability_at_discharge", "no", "note", "All that is known now.")
	w.as("clem").get("/candidates/"+id).has(t, "Highest grade: II (Clavien-Dindo)", "2 Oct 2026, day 0", "Blood transfusion", "Corrects")
	// Quality work reads the codes and no words.
	auditor := w.as("audi").get("/candidates/" + id)
	auditor.has(t, "A polymer locking clip is on the donor", "Highest grade: II (Clavien-Dindo)", "4 min 10 s")
	auditor.lacks(t, "Adhesions at the upper pole.")
	auditor.lacks(t, "Oozed from a port.")
	auditor.lacks(t, "All that is known now.")
	auditor.lacks(t, "The whole record, dictated.")
	post("clem", 303, journey.RecordComplication, "replaces", entryAfter(t, w, id), "entered_in_error", "yes", "note", "Another person's.")
	w.as("clem").get("/candidates/"+id).has(t, "No complication is on record.", "Entered in error")
}

// formOf cuts the form that is sent to a path out of a page.
func formOf(t *testing.T, page, path string) string {
	t.Helper()
	_, rest, ok := strings.Cut(page, path+`" novalidate`)
	form, _, whole := strings.Cut(rest, "</form>")
	if !ok || !whole {
		t.Fatalf("there is no form for %s", path)
	}
	return form
}

func valueOf(t *testing.T, form, name string) string {
	t.Helper()
	_, rest, ok := strings.Cut(form, `name="`+name+`" value="`)
	value, _, whole := strings.Cut(rest, `"`)
	if !ok || !whole {
		t.Fatalf("the form has no %s", name)
	}
	return value
}

// optionOf is the value of the option whose label begins so.
func optionOf(t *testing.T, form, label string) string {
	t.Helper()
	before, _, ok := strings.Cut(form, `">`+label)
	if !ok {
		t.Fatalf("the form has no choice %s", label)
	}
	return before[strings.LastIndex(before, `"`)+1:]
}

func entryAfter(t *testing.T, w *world, id string) string {
	t.Helper()
	return optionOf(t, formOf(t, w.as("clem").get("/candidates/"+id).body, "/record-complication"), "Correct: ")
}

// TestFormHoldsTheRecord: a record that goes into the form of an amendment comes
// out of it as it was.
func TestFormHoldsTheRecord(t *testing.T) {
	zone := protocoltest.Brief().Zone()
	for _, raw := range []string{
		`{"outcome":"removed","side":"left","approach":"open","planned_approach":"laparoscopic","conversion":{"reason":"bleeding","note":"behind"},
		"extraction_site":"flank","times":{"in_theatre":"2026-12-01T07:50:00+01:00","artery_clamped":"2026-12-01T10:31:00+01:00","flush":"2026-12-01T10:35:10+01:00"},
		"found":{"arteries":0,"veins":1,"ureters":10,"early_branching":false},"artery_control":["stapler","suture"],"vein_control":["other"],
		"blood_loss_ml":0,"transfusion_units":2,"heparin_iu":3000,"mannitol_g":12.5,"fluids_ml":1200,"urine_ml":400,
		"kidney":{"condition":"good","fate":"unknown","flush":"clear","bench":["cyst","atheroma"]},"counts_correct":true,"specimen_sent":false,"note":"a\nb"}`,
		`{"outcome":"stopped-not-removed","warm_ischaemia_seconds":9,"stop":{"anaesthesia":false,"at":"2026-07-01T08:00:30+02:00","reason":"anatomy","note":"n"}}`,
	} {
		var want, got command.RecordOperation
		must(t, json.Unmarshal([]byte(raw), &want))
		fields := recordFields()
		prefill(fields, want, zone)
		values := url.Values{}
		for _, f := range fields {
			if f.Value != "" {
				values.Set(f.Name, f.Value)
			}
			for _, each := range f.Checked {
				values.Add(f.Name, each)
			}
		}
		if problems := fillBody(recordFields(), values, zone, &got); problems != nil {
			t.Errorf("refused: %v", problems)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("came out as %s", encoded(t, got))
		}
	}
}

func encoded(t *testing.T, v any) string {
	t.Helper()
	raw, err := json.Marshal(v)
	must(t, err)
	return string(raw)
}

// TestFormOfTheOperationAsksForAll: each member of a record has its question.
func TestFormOfTheOperationAsksForAll(t *testing.T) {
	asked := map[string]bool{}
	for _, f := range recordFields() {
		if asked[f.Name] || f.Label == "" {
			t.Errorf("%s is asked twice or has no label", f.Name)
		}
		asked[f.Name] = true
	}
	var look func(prefix string, of reflect.Type)
	look = func(prefix string, of reflect.Type) {
		for i := range of.NumField() {
			field := of.Field(i)
			name, _, _ := strings.Cut(field.Tag.Get("json"), ",")
			inner := field.Type
			if inner.Kind() == reflect.Pointer {
				inner = inner.Elem()
			}
			switch {
			case inner.Kind() == reflect.Struct:
				look(prefix+name+".", inner)
			case !asked[prefix+name]:
				t.Errorf("nothing asks for %s", prefix+name)
			}
		}
	}
	look("", reflect.TypeFor[command.RecordOperation]())
	for _, name := range operation.Missing(command.RecordOperation{}) {
		if !asked[name] {
			t.Errorf("%s may be missing and nothing asks for it", name)
		}
	}
}

func TestFormRefusesSlips(t *testing.T) {
	zone := protocoltest.Brief().Zone()
	for name, wrong := range map[string][]string{
		"found.arteries": {"two", "1.5", "-1", "1e2", "99999999"}, "mannitol_g": {"12,5", "NaN", ".7", "1e1", "12.5555"},
		"times.incision": {"08:40", "2026-10-02", "2026-03-29T02:30", "2026-02-30T08:00", "yesterday"},
	} {
		for _, text := range wrong {
			var body command.RecordOperation
			if problems := fillBody(recordFields(), url.Values{name: {text}}, zone, &body); len(problems) != 1 || problems[0].Field != name || strings.Contains(problems[0].Text, text) {
				t.Errorf("%s %q: %v", name, text, problems)
			}
		}
	}
	for text, want := range map[string]string{
		"2026-07-01T08:15": "2026-07-01T08:15:00+02:00", "2026-12-01T08:15:30": "2026-12-01T08:15:30+01:00", "2026-12-01 08:15": "2026-12-01T08:15:00+01:00",
	} {
		if got, ok := localInstant(text, zone); !ok || got != want {
			t.Errorf("%s is read as %s", text, got)
		}
	}
}

func TestLengthsInWords(t *testing.T) {
	for want, c := range map[string]operation.Computed{
		"4 min 10 s": {Value: 250, Unit: "s"}, "4 min 11 s": {Value: 250.5, Unit: "s"}, "45 s": {Value: 45, Unit: "s"},
		"2 h 40 min": {Value: 160, Unit: "min"}, "3 h": {Value: 180, Unit: "min"}, "10 min": {Value: 10, Unit: "min"}, "10 min 30 s": {Value: 10.5, Unit: "min"}, "0 s": {},
	} {
		if c.Unit == "" {
			c.Unit = "s"
		}
		if got := lengthWord(c); got != want {
			t.Errorf("%v %s is %q, want %q", c.Value, c.Unit, got, want)
		}
	}
}

// TestSectionOfAStop shows an operation that removed nothing.
func TestSectionOfAStop(t *testing.T) {
	p := protocoltest.Brief()
	sc := scene{protocol: p, viewer: &viewer{Account: record.Account{ID: "clem", Role: journey.Clinician}}, today: "2026-12-02"}
	if m, err := operationSection(sc, nil, nil); err != nil || m != nil {
		t.Errorf("before an operation: %+v, %v", m, err)
	}
	sc.course = operation.Course{Seq: 4, Record: &command.RecordOperation{Outcome: journey.StoppedNotRemoved, Stop: &command.Stop{Reason: "donor-unstable"}}}
	m, err := operationSection(sc, nil, nil)
	if err != nil || len(m.Alerts) != 1 || len(m.Comparison) != 0 || len(m.Parts) != 2 || m.Parts[1].Facts[0] != (fact{"Why it was stopped", "The donor was unstable"}) {
		t.Errorf("got %+v, %v", m, err)
	}
}
