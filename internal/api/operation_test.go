package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/walk"
)

// inRecovery plays an invented journey to the day of the operation, five days
// ago, on which the surgeon left the words walk.Secret.
func (f *fixture) inRecovery(t testing.TB) (candidate string, operated time.Time) {
	t.Helper()
	if _, err := f.store.Account(t.Context(), walk.Advocate); err != nil {
		if err := walk.Employ(t.Context(), f.store); err != nil {
			t.Fatal(err)
		}
	}
	begin := today.AddDate(0, 0, -walk.OperationDay-5)
	f.made++
	w := walk.New(900+f.made, begin).Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	candidate, err := walk.NewPlayer(f.dispatcher).Play(t.Context(), f.unique("operated"), w.Steps())
	if err != nil {
		t.Fatal(err)
	}
	return candidate, w.At(walk.OperationDay, 0)
}

// TestOperationThroughHTTP records, amends and reads an operation.
func TestOperationThroughHTTP(t *testing.T) {
	id, operated := fix.inRecovery(t)
	at := func(hours, minutes, seconds int) string {
		return operated.Add(time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute + time.Duration(seconds)*time.Second).Format(time.RFC3339)
	}
	shown := func(as string) obj {
		t.Helper()
		return fix.read(t, as, id)["operation"].(obj)
	}
	first := shown("clinician")
	seq := first["seq"].(float64)
	if missing := first["missing"].([]any); !slices.Contains(missing, any("times.artery_clamped")) || slices.Contains(missing, any("side")) {
		t.Errorf("missing are %v", missing)
	}
	record := obj{
		"outcome": "removed", "side": "left", "approach": "laparoscopic", "planned_approach": "laparoscopic",
		"times":          obj{"incision": at(1, 0, 0), "artery_clamped": at(2, 0, 0), "kidney_out": at(2, 3, 0), "flush": at(2, 4, 10), "closure": at(3, 0, 0)},
		"found":          obj{"arteries": 2},
		"artery_control": []string{"polymer-clip"}, "kidney": obj{"fate": "implanted-other"}, "note": "words on the clip",
	}
	amend := func(replaces any, record obj) obj {
		return obj{"record": record, "replaces": replaces, "reason": "words on the reason"}
	}
	refused := func(status int, field string, kind journey.Kind, body obj) {
		t.Helper()
		answer := fix.do(t, call{method: "POST", path: commandPath(id, kind), as: "clinician", key: fix.unique("key"), body: encoded(t, body)})
		if answer.Code != status || !strings.Contains(answer.Body.String(), `"field":"`+field+`"`) {
			t.Errorf("%s: got %d, want %d at %s: %s", kind, answer.Code, status, field, answer.Body)
		}
	}
	refused(http.StatusConflict, "replaces", journey.AmendOperation, amend(seq-1, record))
	refused(http.StatusUnprocessableEntity, "record.times.incision", journey.AmendOperation,
		amend(seq, obj{"outcome": "removed", "side": "left", "times": obj{"incision": operated.AddDate(0, 0, -20).Format(time.RFC3339)}}))
	fix.give(t, "clinician", id, journey.AmendOperation, amend(seq, record))
	refused(http.StatusConflict, "replaces", journey.AmendOperation, amend(seq, record))

	complication := obj{"complication": "bleeding", "on": operated.Format(time.DateOnly), "treatment": obj{"transfusion": "yes", "intervention": "none"}, "note": "words on bleeding"}
	refused(http.StatusUnprocessableEntity, "complication", journey.RecordComplication, obj{"complication": "hiccups", "on": operated.Format(time.DateOnly)})
	refused(http.StatusUnprocessableEntity, "on", journey.RecordComplication, obj{"complication": "other", "note": "x", "on": day(1)})
	refused(http.StatusUnprocessableEntity, "on", journey.RecordComplication, obj{"complication": "other", "note": "x", "on": operated.AddDate(0, 0, -1).Format(time.DateOnly)})
	refused(http.StatusConflict, "replaces", journey.RecordComplication, obj{"complication": "other", "note": "x", "on": day(0), "replaces": 3})
	// The brief protocol has no list of complications: all there is, is another one.
	complication["complication"] = "other"
	given := fix.give(t, "clinician", id, journey.RecordComplication, complication)
	complication["replaces"], complication["treatment"] = given["seq"], obj{
		"transfusion": "yes", "intervention": "none", "other_drugs": "no", "parenteral_nutrition": "no", "intensive_care": "no",
		"organ_failure": "none", "dialysis": "no", "death": "no", "disability_at_discharge": "no",
	}
	before := shown("clinician")["grade"].(obj)
	if before["answer"] != "cannot-tell" || before["lowest"] != "II" {
		t.Errorf("with open questions the grade is %v", before)
	}
	fix.give(t, "clinician", id, journey.RecordComplication, complication)

	o := shown("clinician")
	if computed := o["computed"].([]any); len(computed) != 2 || computed[0].(obj)["value"] != 250.0 || computed[0].(obj)["unit"] != "s" || computed[1].(obj)["value"] != 120.0 {
		t.Errorf("computed is %v", computed)
	}
	var alerts []string
	for _, a := range o["alerts"].([]any) {
		alerts = append(alerts, a.(obj)["id"].(string))
	}
	if !slices.Equal(alerts, []string{"polymer-clip-on-artery", "kidney-implanted-other"}) {
		t.Errorf("alerts are %v", alerts)
	}
	if line := o["comparison"].([]any)[0].(obj); line["id"] != "arteries" || line["found"] != "2" || line["verdict"] != "not-imaged" {
		t.Errorf("the arteries compare as %v", line)
	}
	if c := o["complications"].([]any); len(c) != 1 || c[0].(obj)["grade"].(obj)["answer"] != "II" || o["grade"].(obj)["answer"] != "II" {
		t.Errorf("complications are %v", c)
	}
	if n := len(o["amendments"].([]any)); n != 1 {
		t.Errorf("%d amendments", n)
	}
	// What was recorded first is still there, in its entry.
	var kinds []string
	for _, e := range fix.read(t, "clinician", id)["timeline"].([]any) {
		kinds = append(kinds, e.(obj)["kind"].(string))
	}
	if !slices.Contains(kinds, "record-operation") || !slices.Contains(kinds, "amend-operation") {
		t.Errorf("the record holds %v", kinds)
	}
	// Words are for the care team; quality work reads the codes.
	for as, care := range map[string]bool{"clinician": true, "coordinator": true, "committee": true, "auditor": false} {
		text := encoded(t, fix.read(t, as, id))
		for _, words := range []string{"words on the clip", "words on the reason", "words on bleeding", walk.Secret} {
			if strings.Contains(text, words) != care {
				t.Errorf("%s reads %q: %t", as, words, !care)
			}
		}
		if !strings.Contains(text, "polymer-clip") {
			t.Errorf("%s reads no codes", as)
		}
	}
	if text := fix.log.String(); strings.Contains(text, "words on") {
		t.Error("the log holds words")
	}
}

// TestOperationBeforeOne: there is none to read, and none to amend.
func TestOperationBeforeOne(t *testing.T) {
	id, _ := fix.evaluated(t)
	if o, is := fix.read(t, "clinician", id)["operation"]; is {
		t.Errorf("an operation before one: %v", o)
	}
	for _, kind := range []journey.Kind{journey.AmendOperation, journey.RecordComplication} {
		body := obj{"record": obj{"outcome": "removed", "side": "left"}, "replaces": 1, "reason": "x"}
		if kind == journey.RecordComplication {
			body = obj{"complication": "other", "on": day(0), "note": "x"}
		}
		for as, want := range map[string]int{"clinician": http.StatusConflict, "coordinator": http.StatusForbidden, "auditor": http.StatusForbidden} {
			answer := fix.do(t, call{method: "POST", path: commandPath(id, kind), as: as, key: fix.unique("key"), body: encoded(t, body)})
			if answer.Code != want {
				t.Errorf("%s by %s: got %d, want %d: %s", kind, as, answer.Code, want, answer.Body)
			}
		}
	}
}
