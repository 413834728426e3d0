package command_test

import (
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// whole is a complete record of a removal, with the changes given: a member at
// a path with points, nil to take it away.
func whole(changes map[string]any) string {
	record := map[string]any{
		"outcome": "removed", "side": "left", "planned_approach": "laparoscopic", "approach": "open",
		"conversion": map[string]any{"reason": "bleeding", "note": "behind the hilum"}, "extraction_site": "flank",
		"times": map[string]any{
			"in_theatre": "2026-12-01T07:50:00+01:00", "anaesthesia": "2026-12-01T08:05:00+01:00", "incision": "2026-12-01T08:40:00+01:00",
			"artery_clamped": "2026-12-01T10:31:00+01:00", "kidney_out": "2026-12-01T10:34:00+01:00", "flush": "2026-12-01T09:35:10Z",
			"closure": "2026-12-01T11:20:00+01:00", "out_of_theatre": "2026-12-01T11:45:00+01:00", "hand_over": "2026-12-01T10:55:00+01:00",
		},
		"found":          map[string]any{"arteries": 2, "veins": 1, "ureters": 1, "early_branching": false},
		"artery_control": []string{"stapler", "suture"}, "vein_control": []string{"stapler"},
		"blood_loss_ml": 250, "transfusion_units": 0, "heparin_iu": 3000, "mannitol_g": 12.5, "fluids_ml": 3200, "urine_ml": 400,
		"kidney":         map[string]any{"condition": "injured-repaired", "fate": "implanted", "flush": "clear", "bench": []string{"extra-artery"}},
		"counts_correct": true, "specimen_sent": false, "note": "dictated",
	}
	for _, path := range slices.Sorted(maps.Keys(changes)) { // "kidney" before "kidney.fate"
		value := changes[path]
		at, names := record, strings.Split(path, ".")
		for _, name := range names[:len(names)-1] {
			inner, ok := at[name].(map[string]any)
			if !ok {
				inner = map[string]any{}
				at[name] = inner
			}
			at = inner
		}
		if value == nil {
			delete(at, names[len(names)-1])
		} else {
			at[names[len(names)-1]] = value
		}
	}
	raw, err := json.Marshal(record)
	if err != nil {
		panic(err)
	}
	return string(raw)
}

// stopped takes away what a stopped operation can't have.
func stopped(changes map[string]any) string {
	all := map[string]any{
		"outcome": "stopped-not-removed", "kidney": nil, "times.kidney_out": nil, "times.flush": nil, "times.hand_over": nil, "times.artery_clamped": nil,
		"stop.at": "2026-12-01T09:30:00+01:00", "stop.reason": "donor-unstable", "stop.anaesthesia": true,
	}
	maps.Copy(all, changes)
	return whole(all)
}

// faults are the fields that an error names, each with what it says.
func faults(t *testing.T, err error) map[string]string {
	t.Helper()
	found := map[string]string{}
	var invalid *command.Invalid
	if err != nil && !errors.As(err, &invalid) {
		t.Fatal(err)
	}
	if invalid != nil {
		for _, f := range invalid.Faults {
			found[f.Field] += f.Problem
		}
	}
	return found
}

func TestOperationRecordIsAccepted(t *testing.T) {
	for name, raw := range map[string]string{
		"whole": whole(nil), "stopped": stopped(nil),
		"as before the record existed": `{"outcome":"removed","side":"right","approach":"robotic","note":"x"}`,
		"outcome alone":                `{"outcome":"stopped-not-removed"}`,
		"anaesthesia before theatre":   whole(map[string]any{"times.anaesthesia": "2026-12-01T07:30:00+01:00"}),
		"closed before the flush":      whole(map[string]any{"times.closure": "2026-12-01T10:35:00+01:00"}),
		"instants at once":             whole(map[string]any{"times.kidney_out": "2026-12-01T10:31:00+01:00"}),
		"over midnight":                whole(map[string]any{"times.out_of_theatre": "2026-12-02T00:10:00+01:00"}),
		"typed ischaemia":              whole(map[string]any{"times.flush": nil, "times.hand_over": nil, "warm_ischaemia_seconds": 240}),
		"shipped":                      whole(map[string]any{"times.hand_over": "2026-12-03T08:00:00+01:00"}),
		"planned as done":              whole(map[string]any{"approach": "laparoscopic", "conversion": nil}),
		"plan changed":                 whole(map[string]any{"conversion.reason": command.PlanChanged}),
	} {
		if _, err := command.Decode(journey.RecordOperation, []byte(raw)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestOperationRecordIsRefused: each mistake is named with its field, and both
// fields where two don't fit.
func TestOperationRecordIsRefused(t *testing.T) {
	for _, tt := range []struct {
		name, raw, field, says string
	}{
		{"no side", whole(map[string]any{"side": nil}), "side", "missing"},
		{"unknown approach", whole(map[string]any{"planned_approach": "by magic", "approach": nil, "conversion": nil}), "planned_approach", "not accepted"},
		{"a conversion without a reason", whole(map[string]any{"conversion": nil}), "conversion.reason", "approach differs from planned_approach"},
		{"a conversion of nothing", whole(map[string]any{"approach": "laparoscopic"}), "conversion.reason", "approach and planned_approach"},
		{"an unknown reason", whole(map[string]any{"conversion.reason": "fate"}), "conversion.reason", "not accepted"},
		{"a control character", whole(map[string]any{"conversion.note": "a\x00b"}), "conversion.note", "control character"},
		{"a date for an instant", whole(map[string]any{"times.incision": "2026-12-01"}), "times.incision", "not an instant"},
		{"no zone", whole(map[string]any{"times.incision": "2026-12-01T08:40:00"}), "times.incision", "not an instant"},
		{"a comma", whole(map[string]any{"times.incision": "2026-12-01T08:40:00,5+01:00"}), "times.incision", "not an instant"},
		{"incision before theatre", whole(map[string]any{"times.incision": "2026-12-01T07:40:00+01:00"}), "times.incision", "before times.in_theatre"},
		{"clamp before incision", whole(map[string]any{"times.artery_clamped": "2026-12-01T08:31:00+01:00"}), "times.artery_clamped", "before times.incision"},
		{"out before the clamp", whole(map[string]any{"times.kidney_out": "2026-12-01T10:30:00+01:00"}), "times.kidney_out", "before times.artery_clamped"},
		{"flush before the kidney is out", whole(map[string]any{"times.flush": "2026-12-01T10:33:59+01:00"}), "times.flush", "before times.kidney_out"},
		{"in another zone", whole(map[string]any{"times.flush": "2026-12-01T10:35:10Z"}), "times.hand_over", "before times.flush"},
		{"closed before the kidney is out", whole(map[string]any{"times.closure": "2026-12-01T10:20:00+01:00"}), "times.closure", "before times.kidney_out"},
		{"out of theatre before it is closed", whole(map[string]any{"times.out_of_theatre": "2026-12-01T11:00:00+01:00"}), "times.out_of_theatre", "before times.closure"},
		{"an order over a gap", whole(map[string]any{"times.incision": nil, "times.artery_clamped": nil, "times.kidney_out": nil, "times.closure": "2026-12-01T07:00:00+01:00"}), "times.closure", "before times.in_theatre"},
		{"more than an hour of warm ischaemia", whole(map[string]any{"times.artery_clamped": "2026-12-01T09:33:00+01:00"}), "times.kidney_out", "more than 1 hour after times.artery_clamped"},
		{"a flush hours later", whole(map[string]any{"times.flush": "2026-12-01T12:35:10+01:00", "times.hand_over": nil}), "times.flush", "more than 2 hours after times.kidney_out"},
		{"another day", whole(map[string]any{"times.closure": "2026-12-02T11:20:00+01:00", "times.out_of_theatre": nil}), "times.closure", "more than 24 hours after times.kidney_out"},
		{"a kidney on its way for four days", whole(map[string]any{"times.hand_over": "2026-12-05T10:55:00+01:00"}), "times.hand_over", "more than 72 hours after times.flush"},
		{"typed though computed", whole(map[string]any{"warm_ischaemia_seconds": 240}), "warm_ischaemia_seconds", "follows from times.artery_clamped and times.flush"},
		{"eleven arteries", whole(map[string]any{"found.arteries": 11}), "found.arteries", "not plausible"},
		{"minus one vein", whole(map[string]any{"found.veins": -1}), "found.veins", "not plausible"},
		{"litres for millilitres", whole(map[string]any{"blood_loss_ml": 250000}), "blood_loss_ml", "not plausible"},
		{"mannitol in mL", whole(map[string]any{"mannitol_g": 250}), "mannitol_g", "not plausible"},
		{"a method twice", whole(map[string]any{"artery_control": []string{"stapler", "stapler"}}), "artery_control[1]", "given twice"},
		{"an unknown method", whole(map[string]any{"vein_control": []string{"glue"}}), "vein_control[0]", "not accepted"},
		{"none and more", whole(map[string]any{"kidney.bench": []string{"none", "cyst"}}), "kidney.bench", "stands alone"},
		{"an unknown fate", whole(map[string]any{"kidney.fate": "lost"}), "kidney.fate", "not accepted"},
		{"discarded and implanted", whole(map[string]any{"kidney.condition": "injured-discarded"}), "kidney.fate", "kidney.condition"},
		{"removed and stopped", whole(map[string]any{"stop.reason": "anatomy"}), "stop", "outcome"},
		{"stopped with a kidney", stopped(map[string]any{"kidney.fate": "implanted"}), "kidney", "outcome"},
		{"stopped with the kidney out", stopped(map[string]any{"times.kidney_out": "2026-12-01T09:10:00+01:00"}), "times.kidney_out", "outcome"},
		{"stopped before it began", stopped(map[string]any{"stop.at": "2026-12-01T08:20:00+01:00"}), "stop.at", "before times.incision"},
		{"anaesthesia and none", stopped(map[string]any{"stop.anaesthesia": false}), "stop.anaesthesia", "times.anaesthesia"},
		{"an unknown stop", stopped(map[string]any{"stop.reason": "lunch"}), "stop.reason", "not accepted"},
	} {
		_, err := command.Decode(journey.RecordOperation, []byte(tt.raw))
		found := faults(t, err)
		if !strings.Contains(found[tt.field], tt.says) || tt.says == "" || len(found) != 1 {
			t.Errorf("%s: got %v, want %q at %s", tt.name, found, tt.says, tt.field)
		}
		// The same record in an amendment is refused at the same place.
		_, err = command.Decode(journey.AmendOperation, []byte(`{"replaces":7,"reason":"x","record":`+tt.raw+`}`))
		if found := faults(t, err); !strings.Contains(found["record."+tt.field], strings.Split(tt.says, " times.")[0]) {
			t.Errorf("%s, amended: got %v", tt.name, found)
		}
	}
	for raw, field := range map[string]string{
		`{"record":{"outcome":"removed","side":"left"},"reason":"x"}`:                "replaces",
		`{"record":{"outcome":"removed","side":"left"},"replaces":3,"reason":" "}`:   "reason",
		`{"replaces":3,"reason":"x"}`:                                                "record.outcome",
		`{"record":{"outcome":"removed","sides":"left"},"replaces":3,"reason":"x"}`:  "sides",
		`{"record":{"outcome":"removed","side":"left"},"replaces":"3","reason":"x"}`: "replaces",
	} {
		_, err := command.Decode(journey.AmendOperation, []byte(raw))
		if found := faults(t, err); found[field] == "" {
			t.Errorf("%s: got %v", raw, found)
		}
	}
}

func TestComplicationIsRefused(t *testing.T) {
	for raw, field := range map[string]string{
		`{"on":"2026-12-03"}`:                                                                                         "complication",
		`{"complication":"an infection","on":"2026-12-03"}`:                                                           "complication",
		`{"complication":"ileus"}`:                                                                                    "on",
		`{"complication":"ileus","on":"2026-12-32"}`:                                                                  "on",
		`{"complication":"ileus","on":"2026-12-03T08:00Z"}`:                                                           "on",
		`{"complication":"other","on":"2026-12-03"}`:                                                                  "note",
		`{"complication":"ileus","on":"2026-12-03","grade":"II"}`:                                                     "grade",
		`{"complication":"ileus","on":"2026-12-03","treatment":{"transfusion":"maybe"}}`:                              "treatment.transfusion",
		`{"complication":"ileus","on":"2026-12-03","treatment":{"intervention":"yes"}}`:                               "treatment.intervention",
		`{"complication":"ileus","on":"2026-12-03","treatment":{"organ_failure":"2"}}`:                                "treatment.organ_failure",
		`{"complication":"ileus","on":"2026-12-03","readmitted_on":"2026-12-02"}`:                                     "readmitted_on",
		`{"complication":"ileus","on":"2026-12-03","reoperated_on":"2026-12-04","treatment":{"intervention":"none"}}`: "reoperated_on",
		`{"complication":"ileus","on":"2026-12-03","entered_in_error":true,"note":"another person's"}`:                "replaces",
		`{"complication":"ileus","on":"2026-12-03","entered_in_error":true,"replaces":4}`:                             "note",
		`{"complication":"ileus","on":"2026-12-03","replaces":-4}`:                                                    "replaces",
	} {
		_, err := command.Decode(journey.RecordComplication, []byte(raw))
		if found := faults(t, err); found[field] == "" || len(found) != 1 {
			t.Errorf("%s: got %v, want a fault at %s", raw, found, field)
		}
	}
}

func TestDaysOfAnOperation(t *testing.T) {
	stockholm, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		operated, today journey.Date
		want            []string
	}{
		{"2026-12-01", "2026-12-01", nil}, {"2026-12-01", "2026-12-20", nil},
		{"2026-11-27", "2026-12-20", nil}, {"2026-12-02", "2026-12-20", nil},
		// 23:35 UTC is the next day where the programme is.
		{"2026-12-01", "2026-11-30", []string{
			"times.anaesthesia", "times.artery_clamped", "times.closure", "times.flush", "times.hand_over", "times.in_theatre", "times.incision", "times.kidney_out", "times.out_of_theatre",
		}},
	} {
		body, err := command.Decode(journey.RecordOperation, []byte(whole(nil)))
		if err != nil {
			t.Fatal(err)
		}
		var f command.Faults
		body.(*command.RecordOperation).Late(&f, "", tt.operated, tt.today, stockholm)
		if got := slices.Sorted(maps.Keys(faults(t, f.Err()))); !slices.Equal(got, tt.want) {
			t.Errorf("operated %s, today %s: %v", tt.operated, tt.today, got)
		}
	}
	near := &command.RecordOperation{Times: &command.OperationTimes{HandOver: "2026-12-01T23:35:00Z", Closure: "2026-11-29T08:00:00Z"}}
	var f command.Faults
	near.Late(&f, "record.", "2026-12-01", "2026-12-01", stockholm)
	found := faults(t, f.Err())
	if found["record.times.hand_over"] != "in the future" || found["record.times.closure"] != "not about the day of the operation" {
		t.Errorf("got %v", found)
	}
	late := &command.RecordComplication{Date: "2026-12-03", ReadmittedOn: "2026-12-04", ReoperatedOn: "2026-12-05"}
	f = command.Faults{}
	late.Late(&f, "2026-12-03")
	if found := faults(t, f.Err()); len(found) != 2 || found["on"] != "" {
		t.Errorf("got %v", found)
	}
}
