package operation_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

var began = time.Date(2026, 12, 1, 11, 0, 0, 0, time.UTC)

func entry(t *testing.T, seq int64, kind journey.Kind, body any) record.Entry {
	t.Helper()
	raw, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	return record.Entry{Seq: seq, Kind: kind, Actor: fmt.Sprintf("actor-%d", seq), OccurredAt: began.AddDate(0, 0, int(seq)), Body: raw}
}

func of(t *testing.T, entries ...record.Entry) operation.Course {
	t.Helper()
	c, err := operation.Of(entries)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func pointer[T any](v T) *T { return &v }

// graded is a treatment with everything answered in the negative, and a change.
func graded(change func(*command.Treatment)) command.Treatment {
	t := command.Treatment{
		OtherDrugs: "no", Transfusion: "no", ParenteralNutrition: "no", Intervention: "none", IntensiveCare: "no",
		OrganFailure: "none", Dialysis: "no", Death: "no", DisabilityAtDischarge: "no",
	}
	change(&t)
	return t
}

func TestTheNewestAmendmentStands(t *testing.T) {
	first := command.RecordOperation{Outcome: journey.Removed, Side: journey.Left, Note: "dictated"}
	second, third := first, first
	second.BloodLossML, third.BloodLossML = pointer(300), pointer(350)
	c := of(t,
		entry(t, 1, journey.Refer, map[string]string{"path": "direct"}),
		entry(t, 30, journey.RecordOperation, first),
		entry(t, 33, journey.AmendOperation, command.AmendOperation{Record: second, Replaces: 30, Reason: "weighed"}),
		entry(t, 34, journey.RecordVisit, map[string]string{"visit": "week-1"}),
		entry(t, 35, journey.AmendOperation, command.AmendOperation{Record: third, Replaces: 33, Reason: "weighed again"}),
	)
	if c.Seq != 35 || *c.Record.BloodLossML != 350 || c.By != "actor-35" || !c.Any() || len(c.Complications) != 0 {
		t.Errorf("got %+v", c)
	}
	var reasons []string
	for _, a := range c.Amendments {
		reasons = append(reasons, a.Reason)
	}
	if !slices.Equal(reasons, []string{"weighed", "weighed again"}) {
		t.Errorf("amended because of %v", reasons)
	}
	if none := of(t); none.Any() || none.Record != nil {
		t.Errorf("of nothing comes %+v", none)
	}
	if _, err := operation.Of([]record.Entry{{Seq: 30, Kind: journey.RecordOperation, Body: json.RawMessage(`{"outcome":7}`)}}); err == nil || !strings.Contains(err.Error(), "entry 30") {
		t.Errorf("half an operation is taken for one: %v", err)
	}
	if _, err := operation.Of([]record.Entry{entry(t, 4, journey.RecordComplication, map[string]any{"treatment": map[string]string{"dialysis": "perhaps"}})}); err == nil || strings.Contains(err.Error(), "perhaps") {
		t.Errorf("an answer that is none is graded: %v", err)
	}
}

// TestComplicationsAreGraded holds grades against the definitions of Dindo, Ann
// Surg 2004, as calculations.md, section 14, has them.
func TestComplicationsAreGraded(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*command.Treatment)
		want   string
	}{
		{"pain", func(*command.Treatment) {}, "I"},
		{"antibiotics", func(t *command.Treatment) { t.OtherDrugs = "yes" }, "II"},
		{"blood", func(t *command.Treatment) { t.Transfusion = "yes" }, "II"},
		{"a drain under local anaesthesia", func(t *command.Treatment) { t.Intervention = "without-general-anaesthesia" }, "IIIa"},
		{"operated again", func(t *command.Treatment) { t.Intervention = "with-general-anaesthesia" }, "IIIb"},
		{"dialysis", func(t *command.Treatment) { t.Dialysis = "yes" }, "IVa"},
		{"several organs", func(t *command.Treatment) { t.OrganFailure, t.IntensiveCare = "multiple", "yes" }, "IVb"},
		{"death", func(t *command.Treatment) { t.Death = "yes" }, "V"},
		{"disabled at discharge", func(t *command.Treatment) { t.Transfusion, t.DisabilityAtDischarge = "yes", "yes" }, "IId"},
		{"not all is known", func(t *command.Treatment) { t.Transfusion, t.Dialysis = "yes", "" }, "cannot-tell"},
	} {
		c := of(t, entry(t, 40, journey.RecordComplication, command.RecordComplication{Complication: "bleeding", Date: "2026-12-02", Treatment: graded(tt.change)}))
		if got := c.Complications[0].Grade.Answer; got != tt.want {
			t.Errorf("%s is %s, want %s", tt.name, got, tt.want)
		}
	}
}

func TestComplicationsAreCorrected(t *testing.T) {
	drained := graded(func(t *command.Treatment) { t.Intervention = "without-general-anaesthesia" })
	body := func(what string, treatment command.Treatment, replaces int64, void bool) command.RecordComplication {
		return command.RecordComplication{Complication: what, Date: "2026-12-02", Treatment: treatment, Replaces: replaces, EnteredInError: void}
	}
	nothing := graded(func(*command.Treatment) {})
	c := of(t,
		entry(t, 40, journey.RecordComplication, body("seroma", nothing, 0, false)),
		entry(t, 41, journey.RecordComplication, body("hernia", drained, 0, false)),
		entry(t, 42, journey.RecordComplication, body("seroma", drained, 40, false)),
		entry(t, 43, journey.RecordComplication, body("hernia", drained, 41, true)),
	)
	if len(c.Complications) != 2 || c.Complications[0].First != 40 || c.Complications[0].Seq != 42 || c.Complications[0].Grade.Answer != "IIIa" {
		t.Errorf("got %+v", c.Complications)
	}
	if standing := c.Standing(); len(standing) != 1 || standing[0].Complication != "seroma" {
		t.Errorf("standing are %+v", standing)
	}
	if grade, any, err := c.Grade(); err != nil || !any || grade.Answer != "IIIa" {
		t.Errorf("the course is %s %t: %v", grade.Answer, any, err)
	}
	// A course without complications has no grade, not a low one.
	if _, any, err := of(t, entry(t, 1, journey.RecordOperation, command.RecordOperation{Outcome: journey.Removed})).Grade(); err != nil || any {
		t.Errorf("a course without complications is graded: %v", err)
	}
	utc := time.UTC
	for replaces, ok := range map[int64]bool{0: true, 42: true, 40: false, 43: true, 7: false} {
		next := body("seroma", drained, replaces, false)
		err := c.Refuse(&next, "2026-12-01", "2026-12-10", utc)
		var refusal *journey.Refusal
		if (err == nil) != ok || !ok && (!errors.As(err, &refusal) || refusal.Code != journey.Conflict) {
			t.Errorf("replacing entry %d: %v", replaces, err)
		}
	}
}

func TestAmendmentsDoNotUndoEachOther(t *testing.T) {
	c := of(t, entry(t, 30, journey.RecordOperation, command.RecordOperation{Outcome: journey.Removed, Side: journey.Left}))
	for replaces, ok := range map[int64]bool{30: true, 29: false, 31: false} {
		err := c.Refuse(&command.AmendOperation{Replaces: replaces}, "2026-12-01", "2026-12-10", time.UTC)
		var refusal *journey.Refusal
		if (err == nil) != ok || !ok && (!errors.As(err, &refusal) || refusal.Field != "replaces" || !strings.Contains(refusal.Message, "entry 30")) {
			t.Errorf("replacing entry %d: %v", replaces, err)
		}
	}
	far := &command.RecordOperation{Times: &command.OperationTimes{Incision: "2027-01-01T08:00:00Z"}}
	if err := c.Refuse(far, "2026-12-01", "2027-02-01", time.UTC); err == nil || !strings.Contains(err.Error(), "times.incision") {
		t.Errorf("an incision a month later: %v", err)
	}
	if err := c.Refuse(nil, "2026-12-01", "2026-12-10", time.UTC); err != nil {
		t.Error(err)
	}
}

func TestTimesFollowFromInstants(t *testing.T) {
	r := command.RecordOperation{Times: &command.OperationTimes{
		InTheatre: "2026-12-01T07:50:00+01:00", Incision: "2026-12-01T08:40:00+01:00", ArteryClamped: "2026-12-01T10:31:00+01:00",
		// In another zone and with a fraction: 4 min 10.5 s after the clamp.
		Flush: "2026-12-01T09:35:10.5Z", Closure: "2026-12-01T11:20:30+01:00", OutOfTheatre: "2026-12-02T00:05:00+01:00",
	}}
	want := map[string]float64{operation.WarmIschaemia: 250.5, "operative-time": 160.5, "theatre-time": 975}
	for _, c := range operation.Times(r) {
		if want[c.ID] != c.Value || len(c.From) != 2 {
			t.Errorf("%s is %v %s of %v, want %v", c.ID, c.Value, c.Unit, c.From, want[c.ID])
		}
		delete(want, c.ID)
	}
	if len(want) > 0 {
		t.Errorf("not computed: %v", want)
	}
	r.Times.Flush, r.Times.Closure = "", ""
	if got := operation.Times(r); len(got) != 1 || got[0].ID != "theatre-time" {
		t.Errorf("without the flush and the closure: %+v", got)
	}
	r.WarmIschaemiaSeconds = pointer(200)
	if got := operation.Times(r); got[0].Value != 200 || !slices.Equal(got[0].From, []string{"warm_ischaemia_seconds"}) {
		t.Errorf("as typed: %+v", got)
	}
	if got := operation.Times(command.RecordOperation{}); got != nil {
		t.Errorf("of nothing: %+v", got)
	}
}

// imaged is a result of imaging.
func imaged(code, value string, change func(*result.Result)) result.Result {
	r := result.Result{
		ID: code + "-1", Status: result.Final, Code: result.Coding{Code: code}, Effective: "2026-09-01T10:00:00Z", CollectedOn: "2026-09-01",
		Value: result.Value{Quantity: &result.Quantity{Value: json.Number(value), Unit: "1"}},
	}
	if change != nil {
		change(&r)
	}
	return r
}

func TestComparisonWithImaging(t *testing.T) {
	yes := func(code string) func(*result.Result) {
		return func(r *result.Result) {
			r.Value = result.Value{Coding: &result.Coding{Code: code, Display: "as coded"}}
		}
	}
	found := command.RecordOperation{Side: journey.Left, Found: &command.Anatomy{Arteries: pointer(2), Veins: pointer(1), EarlyBranching: pointer(true)}}
	for _, tt := range []struct {
		name    string
		results []result.Result
		line    int
		verdict operation.Verdict
		imaged  string
	}{
		{"the same", []result.Result{imaged("arteries-left", "2", nil)}, 0, operation.Agrees, "2"},
		{"the same, written with decimals", []result.Result{imaged("arteries-left", "2.0", nil)}, 0, operation.Agrees, "2"},
		{"one more", []result.Result{imaged("arteries-left", "1", nil)}, 0, operation.Differs, "1"},
		{"the other side only", []result.Result{imaged("arteries-right", "2", nil)}, 0, operation.NotImaged, ""},
		{"nothing", nil, 0, operation.NotImaged, ""},
		{"preliminary", []result.Result{imaged("arteries-left", "2", func(r *result.Result) { r.Status = result.Preliminary })}, 0, operation.NotImaged, ""},
		{"taken back", []result.Result{imaged("arteries-left", "2", func(r *result.Result) { r.Status = result.EnteredInError })}, 0, operation.NotImaged, ""},
		{"after the operation", []result.Result{imaged("arteries-left", "2", func(r *result.Result) { r.Effective, r.CollectedOn = "2027-01-01", "2027-01-01" })}, 0, operation.NotImaged, ""},
		{"the newest", []result.Result{
			imaged("arteries-left", "1", nil),
			imaged("arteries-left", "2", func(r *result.Result) { r.ID, r.Effective, r.CollectedOn = "newer", "2026-10-01", "2026-10-01" }),
		}, 0, operation.Agrees, "2"},
		{"a limit", []result.Result{imaged("arteries-left", "1", func(r *result.Result) { r.Value.Quantity.Comparator = ">" })}, 0, operation.CannotCompare, ">1"},
		{"a fraction", []result.Result{imaged("arteries-left", "1.5", nil)}, 0, operation.CannotCompare, "1.5"},
		{"another unit", []result.Result{imaged("arteries-left", "2", func(r *result.Result) { r.Value.Quantity.Unit = "mm" })}, 0, operation.CannotCompare, "2"},
		{"words", []result.Result{imaged("arteries-left", "2", func(r *result.Result) { r.Value = result.Value{Text: "two"} })}, 0, operation.CannotCompare, "two"},
		{"veins agree", []result.Result{imaged("veins-left", "1", nil)}, 1, operation.Agrees, "1"},
		{"ureters were not recorded", []result.Result{imaged("ureters-left", "1", nil)}, 2, operation.NotRecorded, "1"},
		// SNOMED CT 373066001 is yes and 373067005 no.
		{"early branching", []result.Result{imaged("artery-early-branching-left", "", yes("373066001"))}, 3, operation.Agrees, "yes"},
		{"no early branching", []result.Result{imaged("artery-early-branching-left", "", yes("373067005"))}, 3, operation.Differs, "no"},
		{"not an answer", []result.Result{imaged("artery-early-branching-left", "", yes("10828004"))}, 3, operation.CannotCompare, "as coded"},
	} {
		lines := operation.Compare(found, tt.results, "2026-12-01")
		if len(lines) != 4 || lines[tt.line].Verdict != tt.verdict || lines[tt.line].Imaged != tt.imaged {
			t.Errorf("%s: got %+v, want %s of %q", tt.name, lines[tt.line], tt.verdict, tt.imaged)
		}
		if has := lines[tt.line].Result != ""; has != (tt.verdict != operation.NotImaged) {
			t.Errorf("%s: the result is %q", tt.name, lines[tt.line].Result)
		}
	}
	if lines := operation.Compare(command.RecordOperation{}, nil, "2026-12-01"); lines != nil {
		t.Errorf("without a side: %+v", lines)
	}
	if lines := operation.Compare(command.RecordOperation{Side: journey.Right}, []result.Result{imaged("arteries-right", "1", nil)}, "2026-12-01"); lines[0].Verdict != operation.NotRecorded {
		t.Errorf("with nothing found: %+v", lines)
	}
}

func TestAlerts(t *testing.T) {
	no, yes := pointer(false), pointer(true)
	for _, tt := range []struct {
		name string
		r    command.RecordOperation
		want []string
	}{
		{"nothing", command.RecordOperation{Outcome: journey.Removed, Side: journey.Left, ArteryControl: []string{"stapler"}, VeinControl: []string{command.PolymerClip}, CountsCorrect: yes}, nil},
		{"a clip", command.RecordOperation{Outcome: journey.Removed, ArteryControl: []string{"suture", command.PolymerClip}}, []string{"polymer-clip-on-artery"}},
		{"the other side", command.RecordOperation{Outcome: journey.Removed, Side: journey.Right}, []string{"side-differs"}},
		{"counts", command.RecordOperation{Outcome: journey.Removed, CountsCorrect: no}, []string{"counts-not-correct"}},
		{"discarded", command.RecordOperation{Outcome: journey.Removed, Kidney: &command.KidneyState{Condition: command.KidneyDiscarded}}, []string{"kidney-not-implanted"}},
		{"not implanted", command.RecordOperation{Outcome: journey.Removed, Kidney: &command.KidneyState{Fate: journey.FateNotImplanted}}, []string{"kidney-not-implanted"}},
		{"in another", command.RecordOperation{Outcome: journey.Removed, Kidney: &command.KidneyState{Fate: journey.FateImplantedOther}}, []string{"kidney-implanted-other"}},
		{"stopped", command.RecordOperation{Outcome: journey.StoppedNotRemoved, Stop: &command.Stop{Anaesthesia: yes}}, []string{"stopped-after-anaesthesia"}},
		{"stopped, nobody says when", command.RecordOperation{Outcome: journey.StoppedNotRemoved}, []string{"stopped-after-anaesthesia"}},
		{"stopped before anaesthesia", command.RecordOperation{Outcome: journey.StoppedNotRemoved, Stop: &command.Stop{Anaesthesia: no}}, nil},
	} {
		var got []string
		for _, a := range operation.Alerts(tt.r, journey.Left) {
			got = append(got, a.ID)
			if a.Text == "" || a.Source == "" {
				t.Errorf("%s has no text or no source", a.ID)
			}
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestMissing(t *testing.T) {
	if got := operation.Missing(command.RecordOperation{Outcome: journey.StoppedNotRemoved, Side: journey.Left}); !slices.Equal(got, []string{
		"planned_approach", "times.in_theatre", "times.out_of_theatre", "stop.anaesthesia", "stop.at", "stop.reason",
	}) {
		t.Errorf("of a stop: %v", got)
	}
	bare := operation.Missing(command.RecordOperation{Outcome: journey.Removed, Side: journey.Left})
	for _, want := range []string{"times.artery_clamped", "times.flush", "artery_control", "kidney.fate", "counts_correct", "found.early_branching"} {
		if !slices.Contains(bare, want) {
			t.Errorf("%s is not missed", want)
		}
	}
	typed := operation.Missing(command.RecordOperation{
		Outcome: journey.Removed, Side: journey.Left, WarmIschaemiaSeconds: pointer(240), Kidney: &command.KidneyState{Fate: journey.FateUnknown},
	})
	if slices.Contains(typed, "times.flush") || !slices.Contains(typed, "kidney.fate") {
		t.Errorf("with a typed ischaemia and an unknown fate: %v", typed)
	}
}

// TestWithoutWords: nothing that somebody wrote is left, and what was given is
// not changed.
func TestWithoutWords(t *testing.T) {
	const told = "told in confidence"
	c := of(t,
		entry(t, 30, journey.RecordOperation, command.RecordOperation{Outcome: journey.Removed}),
		entry(t, 31, journey.AmendOperation, command.AmendOperation{Replaces: 30, Reason: told, Record: command.RecordOperation{
			Outcome: journey.Removed, Note: told, Conversion: &command.Conversion{Reason: "bleeding", Note: told}, Stop: &command.Stop{Note: told, Reason: "anatomy"},
		}}),
		entry(t, 32, journey.RecordComplication, command.RecordComplication{Complication: "ileus", Date: "2026-12-03", Note: told}),
	)
	bare, err := json.Marshal(c.WithoutWords())
	if err != nil || strings.Contains(string(bare), told) || !strings.Contains(string(bare), "bleeding") || !strings.Contains(string(bare), "ileus") {
		t.Errorf("%v: %s", err, bare)
	}
	if c.Record.Note != told || c.Record.Conversion.Note != told || c.Complications[0].Note != told || c.Amendments[0].Reason != told {
		t.Errorf("the course has lost its words: %+v", c)
	}
}

// TestTreatmentsAreTheGradedFacts holds the answers of the command against those
// of the grading, and the members one by one.
func TestTreatmentsAreTheGradedFacts(t *testing.T) {
	same := func(name string, ours []string, theirs ...string) {
		if !slices.Equal(ours, theirs) {
			t.Errorf("%s: %v and %v", name, ours, theirs)
		}
	}
	var interventions, failures []string
	for _, i := range perioperative.Interventions() {
		interventions = append(interventions, string(i))
	}
	for _, f := range perioperative.OrganFailures() {
		failures = append(failures, string(f))
	}
	same("interventions", command.Interventions, interventions...)
	same("organ failures", command.OrganFailures, failures...)
	same("answers", command.YesNo, string(clinical.Yes), string(clinical.No))
	fields := func(of reflect.Type) (names []string) {
		for i := range of.NumField() {
			if name := of.Field(i).Name; name != "Ref" {
				names = append(names, name)
			}
		}
		slices.Sort(names)
		return names
	}
	same("facts", fields(reflect.TypeFor[command.Treatment]()), fields(reflect.TypeFor[perioperative.Event]())...)
}
