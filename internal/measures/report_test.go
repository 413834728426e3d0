package measures_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

// journeys are invented people by how far they came, all referred on one day: so many
// who came to a step and stopped there in a way.
func journeys(n int, steps int, stage journey.Stage, o journey.Outcome, last ...journey.Event) []measures.Life {
	var list []measures.Life
	for i := range n {
		days := []int{5, 10, 100, 110}[:min(steps, 4)]
		life := way(fmt.Sprintf("%s-%d-%s-%d", stage, steps, o, i), "2026-01-01", days...)
		life.Events = append(life.Events, last...)
		life.State = journey.State{Stage: stage, Outcome: o}
		life.Stays, _ = journey.Stays(life.Events, life.State)
		life.Protocol = protocoltest.Brief()
		if o != "" {
			life.State.Operated = "2026-06-01"
			life.Operation.Record = &command.RecordOperation{Outcome: o, Side: journey.Left}
		}
		list = append(list, life)
	}
	return list
}

func table(t *testing.T, r measures.Report, id string) measures.Table {
	t.Helper()
	found, ok := r.Table(id)
	if !ok {
		t.Fatalf("there is no table %s", id)
	}
	return found
}

// shown is a row as a reader sees it.
func shown(t *testing.T, of measures.Table, id string) string {
	t.Helper()
	row, ok := of.Row(id)
	if !ok {
		t.Fatalf("%s has no row %s", of.ID, id)
	}
	var cells []string
	for i, c := range of.Columns {
		cells = append(cells, c.Shown(row.Cells[i]))
	}
	return strings.Join(cells, "|")
}

// TestReport is worked out by hand. Of 100 referred 10 are in screening and 8 of the
// screened withdrew; 12 of those before the committee were declined by it and 6 by the
// programme in the evaluation; 14 are in the evaluation, 20 are approved and 30 donated.
func TestReport(t *testing.T) {
	withdraw := event(journey.Withdraw, "2026-02-01")
	no := event(journey.RecordDecision, "2026-05-01", outcome(journey.DeclineCandidate))
	early := event(journey.Decline, "2026-01-20", func(e *journey.Event) { e.Role = journey.Coordinator })
	lives := slices.Concat(
		journeys(10, 1, journey.Screening, ""), journeys(8, 1, journey.Withdrawn, "", withdraw), journeys(6, 1, journey.Declined, "", early),
		journeys(14, 2, journey.Evaluation, ""), journeys(12, 3, journey.Declined, "", no),
		journeys(20, 4, journey.Approved, ""), journeys(30, 4, journey.FollowUp, journey.Removed),
	)
	asked := measures.Asked{Apart: true, Today: "2026-12-31"}
	r := measures.ReportOf(read(lives), nil, asked)
	flow := table(t, r, "flow")
	for id, want := range map[string]string{
		"referral": "100|100 %||0|0", "screening": "100|100 %|100 %|10|14", "evaluation": "76|76 %|76 %|14|0", "committee": "62|62 %|82 %|0|12",
		"approved": "50|50 %|81 %|20|0", "donated": "30|30 %|60 %||",
	} {
		if got := shown(t, flow, id); got != want {
			t.Errorf("%s: %s, want %s", id, got, want)
		}
	}
	stops := table(t, r, "stops")
	for id, want := range map[string]string{
		"screening": "14|8|6|0|0|0|0", "committee": "12|0|0|12|0|0|0", "approved": "0|0|0|0|0|0|0", measures.TotalRow: "26|8|6|12|0|0|0",
	} {
		if got := shown(t, stops, id); got != want {
			t.Errorf("%s: %s, want %s", id, got, want)
		}
	}
	// Whoever may not know how each ended is told that they did.
	asked.Apart = false
	r = measures.ReportOf(read(lives), nil, asked)
	if got := table(t, r, "stops"); len(got.Columns) != 1 || shown(t, got, "screening") != "14" {
		t.Errorf("got %+v", got)
	}
	if _, ok := r.Table("against"); ok {
		t.Error("what stood against those who were declined is told")
	}
}

// TestReportHidesFew: one who withdrew, among nine who were declined at the same step and
// ten elsewhere, can't be found by subtraction.
func TestReportHidesFew(t *testing.T) {
	withdraw := event(journey.Withdraw, "2026-02-01")
	early := event(journey.Decline, "2026-01-20", func(e *journey.Event) { e.Role = journey.Coordinator })
	lives := slices.Concat(
		journeys(40, 2, journey.Evaluation, ""), journeys(1, 1, journey.Withdrawn, "", withdraw), journeys(9, 1, journey.Declined, "", early),
		journeys(10, 2, journey.Declined, "", early), journeys(12, 2, journey.Withdrawn, "", withdraw),
	)
	stops := table(t, measures.ReportOf(read(lives), nil, measures.Asked{Apart: true, Today: "2026-12-31"}), "stops")
	for id, want := range map[string]string{
		"screening": "10|hidden|hidden|0|0|0|0", "evaluation": "22|hidden|hidden|0|0|0|0", measures.TotalRow: "32|13|19|0|0|0|0",
	} {
		if got := shown(t, stops, id); got != want {
			t.Errorf("%s: %s, want %s", id, got, want)
		}
	}
	// A smaller limit tells more.
	all := table(t, measures.ReportOf(read(lives), nil, measures.Asked{Apart: true, Today: "2026-12-31", Smallest: 1}), "stops")
	if got := shown(t, all, "screening"); got != "10|1|9|0|0|0|0" {
		t.Errorf("got %s", got)
	}
	// Three people make no report at all.
	few := measures.ReportOf(read(lives[:3]), nil, measures.Asked{Apart: true, Today: "2026-12-31"})
	for _, each := range few.Tables {
		for _, row := range each.Rows {
			for i, c := range row.Cells {
				if c.Known() && c.Number != 0 && each.Columns[i].ID != "target" {
					t.Errorf("%s, %s tells %v of three", each.ID, row.ID, c)
				}
			}
		}
	}
}

// TestCohort: the day of the referral and the protocol decide who counts.
func TestCohort(t *testing.T) {
	lives := slices.Concat(journeys(6, 1, journey.Screening, ""))
	for i := range 5 {
		later := way(fmt.Sprint("later", i), "2026-03-01", 4)
		later.State.Stage = journey.Screening
		other := *protocoltest.Brief()
		other.Version = "other"
		later.Protocol = &other
		lives = append(lives, later)
	}
	for _, tt := range []struct {
		from, until journey.Date
		protocol    string
		want        float64
	}{
		{"", "", "", 11}, {"2026-01-01", "2026-01-01", "", 6}, {"2026-01-02", "", "", 5}, {"", "2026-03-01", "", 11}, {"", "", "other", 5}, {"2026-04-01", "", "", 0},
	} {
		r := measures.ReportOf(read(lives), nil, measures.Asked{From: tt.from, Until: tt.until, Protocol: tt.protocol, Today: "2026-12-31"})
		if r.Referred != (measures.Cell{Number: tt.want}) {
			t.Errorf("%+v: %+v", tt, r.Referred)
		}
	}
}

// TestTimeInStages: five in the evaluation, worked out by hand. Two left after 10 and 30
// days, three are still there after 20, 40 and 50. The estimate falls to 0.8 at 10 and,
// with three left, to 0.533 at 30.
func TestTimeInStages(t *testing.T) {
	var lives []measures.Life
	for i, days := range []int{10, 30, -20, -40, -50} {
		since := journey.Date("2026-12-31").AddDays(-max(days, -days))
		life := way(fmt.Sprint(i), since.AddDays(-7), 3, 7)
		life.State = journey.State{Stage: journey.Evaluation, Since: since}
		if days > 0 {
			life.Events = append(life.Events, event(journey.PresentToCommittee, since.AddDays(days)))
			life.State = journey.State{Stage: journey.Committee, Since: since.AddDays(days)}
		}
		var ok bool
		if life.Stays, ok = journey.Stays(life.Events, life.State); !ok {
			t.Fatal("the stays are not told")
		}
		lives = append(lives, life)
	}
	stages := table(t, measures.ReportOf(read(lives), nil, measures.Asked{Today: "2026-12-31"}), "stages")
	if got, want := shown(t, stages, "evaluation"), "5 or more|30|not reached yet|not reached yet|not reached yet"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got, want := shown(t, stages, "screening"), "5 or more|4|4|4|4"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := shown(t, stages, "committee"); got != "hidden|hidden|hidden|hidden|hidden" {
		t.Errorf("two in the committee: %s", got)
	}
	// Where nothing is hidden, a number is told as it is.
	stages = table(t, measures.ReportOf(read(lives), nil, measures.Asked{Today: "2026-12-31", Smallest: 1}), "stages")
	if got := shown(t, stages, "committee"); !strings.HasPrefix(got, "2|") {
		t.Errorf("with nothing hidden, two in the committee: %s", got)
	}
}

// TestEvents: in time is what was reported by the limit, and an open one past it is late.
func TestEvents(t *testing.T) {
	const limit = journey.Instant("2026-07-04T10:00:00Z")
	report := func(reported journey.Instant) journey.Report {
		return journey.Report{Clock: journey.Clock{Event: "death", Limit: limit}, Reported: reported}
	}
	lives := journeys(20, 4, journey.FollowUp, journey.Removed)
	for i := range lives {
		reported := limit
		if i >= 12 {
			reported = "2026-07-04T10:00:01Z"
		}
		lives[i].State.Reports = []journey.Report{report(reported)}
	}
	lives[0].State.Reports = append(lives[0].State.Reports, report(""), journey.Report{Clock: journey.Clock{Limit: limit}, RetractedBy: "x"})
	events := table(t, measures.ReportOf(read(lives), nil, measures.Asked{Today: "2026-12-31", Now: "2026-07-05T00:00:00Z", Smallest: 1}), "events")
	for id, want := range map[string]string{"in-time": "12|57 %", "late": "8|38 %", "overdue": "1|5 %", measures.TotalRow: "21|"} {
		if got := shown(t, events, id); got != want {
			t.Errorf("%s: %s, want %s", id, got, want)
		}
	}
}

// TestCompleteness: with two incomplete of 50, their number is hidden, and the share is
// told as a bound that four of them, the most that is hidden, would make.
func TestCompleteness(t *testing.T) {
	people := func(n int) []string { return make([]string, n) }
	measure := func(complete, incomplete int, threshold float64) followup.Measure {
		return followup.Measure{
			Visit: "month-6", Title: "6 months", Set: followup.Clinical, Cohort: protocol.Cohort{From: "2015-01-01"}, Threshold: threshold,
			Closed: complete + incomplete, Complete: people(complete), Incomplete: people(incomplete),
		}
	}
	for _, tt := range []struct {
		measure followup.Measure
		want    string
	}{
		{measure(40, 10, 80), "50|40|80 %|80 %|yes|0"},
		{measure(39, 10, 80), "49|39|79.6 %|80 %|no|0"},
		{measure(48, 2, 80), "50|hidden|at least 92 %|80 %|yes|0"},
		{measure(48, 2, 95), "50|hidden|at least 92 %|95 %|hidden|0"},
		{measure(3, 47, 80), "50|hidden|at most 8 %|80 %|no|0"},
		{measure(5, 1, 80), "6|hidden|hidden|80 %|hidden|0"},
		{measure(30, 0, 80), "30|30|100 %|80 %|yes|0"},
		{measure(0, 0, 80), "0|0||80 %||0"},
	} {
		followUp := table(t, measures.ReportOf(nil, []followup.Measure{tt.measure}, measures.Asked{Today: "2026-12-31"}), "followup")
		if got := shown(t, followUp, "month-6-clinical-2015-01-01"); got != tt.want {
			t.Errorf("%d and %d: %s, want %s", len(tt.measure.Complete), len(tt.measure.Incomplete), got, tt.want)
		}
	}
}
