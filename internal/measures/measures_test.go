package measures_test

import (
	"encoding/json"
	"slices"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

func event(kind journey.Kind, day journey.Date, change ...func(*journey.Event)) journey.Event {
	e := journey.Event{Command: journey.Command{Kind: kind, Today: day}}
	for _, f := range change {
		f(&e)
	}
	return e
}

func outcome(o journey.Outcome) func(*journey.Event) {
	return func(e *journey.Event) { e.Outcome = o }
}

// way is the way of somebody to a decision, days after the referral.
func way(id string, referred journey.Date, days ...int) measures.Life {
	kinds := []journey.Kind{journey.BeginScreening, journey.BeginEvaluation, journey.PresentToCommittee, journey.RecordDecision}
	life := measures.Life{Candidate: id, Events: []journey.Event{event(journey.Refer, referred)}}
	for i, n := range days {
		life.Events = append(life.Events, event(kinds[i], referred.AddDays(n), outcome(journey.Approve)))
	}
	return life
}

func read(lives []measures.Life) []*measures.Person {
	var people []*measures.Person
	for _, life := range lives {
		people = append(people, measures.Read(life))
	}
	return people
}

func find(t *testing.T, list []measures.Measure, id string) measures.Measure {
	t.Helper()
	i := slices.IndexFunc(list, func(m measures.Measure) bool { return m.ID == id })
	if i < 0 {
		t.Fatalf("there is no measure %s", id)
	}
	return list[i]
}

func holds(t *testing.T, list []measures.Measure, id string, of, are []string) {
	t.Helper()
	m := find(t, list, id)
	if !slices.Equal(m.Of, of) || !slices.Equal(m.Are, are) {
		t.Errorf("%s: %v of %v, want %v of %v", id, m.Are, m.Of, are, of)
	}
}

// TestFlow: four people, worked out by hand. Only the first three were referred
// in 2026.
func TestFlow(t *testing.T) {
	lives := []measures.Life{
		way("a", "2026-01-01", 3, 10, 100, 110),
		way("b", "2026-02-01", 7, 20, 160),
		way("c", "2026-12-31", 2),
		way("d", "2027-01-01", 1, 2, 3, 4),
	}
	lives[0].Events = append(lives[0].Events, event(journey.Schedule, "2026-05-01"), event(journey.CancelOperation, "2026-05-10"),
		event(journey.Schedule, "2026-05-20"), event(journey.ConfirmLastCheck, "2026-06-10", func(e *journey.Event) { e.Mismatches = []string{"side"} }))
	all := measures.Of(read(lives), "2026-01-01", "2026-12-31")
	holds(t, all, "screened", []string{"a", "b", "c"}, []string{"a", "b", "c"})
	holds(t, all, "evaluated", []string{"a", "b", "c"}, []string{"a", "b"})
	holds(t, all, "presented", []string{"a", "b"}, []string{"a", "b"})
	holds(t, all, "approved", []string{"a"}, []string{"a"})
	holds(t, all, "operated", []string{"a"}, nil)
	holds(t, all, "evaluated-in-time", []string{"a"}, []string{"a"})
	holds(t, all, "cancelled", []string{"a"}, []string{"a"})
	holds(t, all, "moved", []string{"a"}, []string{"a"})
	holds(t, all, "mismatch", []string{"a"}, []string{"a"})
	if share, ok := find(t, all, "evaluated").Percent(); !ok || share != 100*2.0/3 {
		t.Errorf("the share is %v, %t", share, ok)
	}
	if _, ok := find(t, all, "stopped").Percent(); ok {
		t.Error("nobody is counted, and there is a share")
	}
	// By the later day: that of c, 2 January 2027, lies outside.
	if m := find(t, all, "days-to-screening"); !slices.Equal(m.Of, []string{"a", "b"}) || !slices.Equal(m.Spread.Values, []float64{3, 7}) {
		t.Errorf("got %v %+v", m.Of, m.Spread)
	}
	if m := find(t, all, "days-to-operation"); m.Spread != nil || len(m.Of) > 0 {
		t.Errorf("got %v %+v", m.Of, m.Spread)
	}
	holds(t, measures.Of(read(lives), "", ""), "screened", []string{"a", "b", "c", "d"}, []string{"a", "b", "c", "d"})
}

// TestEighteenWeeks: 126 days after the evaluation began is in time, 127 is not.
func TestEighteenWeeks(t *testing.T) {
	lives := []measures.Life{way("a", "2026-01-01", 0, 10, 100, 136), way("b", "2026-01-01", 0, 10, 100, 137)}
	holds(t, measures.Of(read(lives), "", ""), "evaluated-in-time", []string{"a", "b"}, []string{"a"})
}

// TestSpread holds quantiles against R 4.2.2, quantile(x, c(.25, .5, .75, .9)),
// whose default is type 7.
func TestSpread(t *testing.T) {
	for _, tt := range []struct {
		days                            []int
		lower, median, upper, ninetieth float64
	}{
		{[]int{10, 1, 3, 2, 4}, 2, 3, 4, 7.6},
		{[]int{4, 3, 2, 1}, 1.75, 2.5, 3.25, 3.7},
		{[]int{5}, 5, 5, 5, 5},
	} {
		var lives []measures.Life
		for _, n := range tt.days {
			lives = append(lives, way("x", "2026-01-01", n))
		}
		s := find(t, measures.Of(read(lives), "", ""), "days-to-screening").Spread
		if s.Lower != tt.lower || s.Median != tt.median || s.Upper != tt.upper || s.Ninetieth < tt.ninetieth-1e-9 || s.Ninetieth > tt.ninetieth+1e-9 {
			t.Errorf("%v: got %+v", tt.days, *s)
		}
	}
}

func number(n int) *int { return &n }

// TestOperations: what became of three operations, by hand.
func TestOperations(t *testing.T) {
	arteries := result.Result{
		ID: "r", Status: result.Final, Code: result.Coding{Code: "arteries-left"}, CollectedOn: "2026-01-01",
		Value: result.Value{Quantity: &result.Quantity{Value: json.Number("1"), Unit: "1"}},
	}
	removed := func(id string, record command.RecordOperation, complications ...operation.Complication) measures.Life {
		record.Side = journey.Left
		if record.Outcome == "" {
			record.Outcome = journey.Removed
		}
		return measures.Life{
			Candidate: id, State: journey.State{Operated: "2026-03-01"}, Results: []result.Result{arteries},
			Operation: operation.Course{Record: &record, Complications: complications},
			Stay:      recovery.Stay{Days: map[protocol.Anchor]journey.Date{protocol.AtDischarge: "2026-03-04"}},
		}
	}
	graded := func(grade string, change func(*operation.Complication)) operation.Complication {
		var c operation.Complication
		c.Grade.Lowest = "II"
		if grade != "" {
			if err := json.Unmarshal([]byte(`"`+grade+`"`), &c.Grade.Lowest); err != nil {
				t.Fatal(err)
			}
		}
		if change != nil {
			change(&c)
		}
		return c
	}
	lives := []measures.Life{
		removed("a", command.RecordOperation{
			TransfusionUnits: number(0), Found: &command.Anatomy{Arteries: number(2)}, Conversion: &command.Conversion{Reason: "bleeding"},
			Times: &command.OperationTimes{ArteryClamped: "2026-03-01T10:00:00Z", Flush: "2026-03-01T10:04:00Z"},
		}, graded("II", func(c *operation.Complication) { c.ReadmittedOn = "2026-03-31" })),
		removed("b", command.RecordOperation{TransfusionUnits: number(2), Found: &command.Anatomy{Arteries: number(1)}, Conversion: &command.Conversion{Reason: "plan-changed"}},
			graded("IIIb", func(c *operation.Complication) { c.ReadmittedOn, c.ReoperatedOn = "2026-04-01", "2026-03-20" }),
			graded("V", func(c *operation.Complication) { c.EnteredInError = true })),
		removed("c", command.RecordOperation{Outcome: journey.StoppedNotRemoved}),
		{Candidate: "d", State: journey.State{Operated: "2026-03-01"}},
	}
	lives[0].State.Reports = []journey.Report{{Clock: journey.Clock{Event: "e", Limit: "2026-03-04T10:00:00Z"}, Reported: "2026-03-04T10:00:00Z"}}
	lives[1].State.Reports = []journey.Report{{Clock: journey.Clock{Event: "e", Limit: "2026-03-04T10:00:00Z"}, Reported: "2026-03-04T10:00:01Z"}}
	lives[2].State.Reports = []journey.Report{{Clock: journey.Clock{Event: "e", Limit: "2026-03-04T10:00:00Z"}}}
	all := measures.Of(read(lives), "2026-03-01", "2026-03-01")
	holds(t, all, "stopped", []string{"a", "b", "c"}, []string{"c"})
	holds(t, all, "converted", []string{"a", "b"}, []string{"a"})
	holds(t, all, "transfused", []string{"a", "b"}, []string{"b"})
	holds(t, all, "imaging-differs", []string{"a", "b"}, []string{"a"})
	holds(t, all, "complication-grave", []string{"a", "b"}, []string{"b"})
	holds(t, all, "readmitted", []string{"a", "b"}, []string{"a"})
	holds(t, all, "reoperated", []string{"a", "b"}, []string{"b"})
	holds(t, all, "reported-in-time", []string{"a", "b"}, []string{"a"})
	if m := find(t, all, "warm-ischaemia"); !slices.Equal(m.Of, []string{"a"}) || m.Spread.Median != 240 {
		t.Errorf("warm ischaemia: %v %+v", m.Of, m.Spread)
	}
	// The stay is dated by the discharge.
	if m := find(t, measures.Of(read(lives), "2026-03-04", ""), "stay"); len(m.Of) != 3 || m.Spread.Median != 3 {
		t.Errorf("stay: %v %+v", m.Of, m.Spread)
	}
	for _, m := range measures.Of(read(lives), "2026-03-02", "") {
		if m.ID != "stay" && len(m.Of) > 0 {
			t.Errorf("%s counts operations of the day before the period", m.ID)
		}
	}
}

// TestEveryMeasureIsDefined: a number without its definition tells nothing.
func TestEveryMeasureIsDefined(t *testing.T) {
	seen := map[string]bool{}
	for _, m := range measures.Of(nil, "", "") {
		if m.ID == "" || m.Title == "" || m.Numerator == "" || m.Denominator == "" || m.Dated == "" || seen[m.ID] || !slices.Contains(measures.Groups, m.Group) {
			t.Errorf("%+v", m)
		}
		seen[m.ID] = true
	}
}
