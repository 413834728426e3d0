package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// donor puts a donor on record to whom events happened that have to be reported.
func donor(t *testing.T, reports ...journey.Report) string {
	t.Helper()
	id, _ := fix.screened(t)
	at := now()
	found, err := fix.store.Candidate(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	c := journey.Command{ID: fix.unique("cmd"), Candidate: id, Kind: journey.Hold, Actor: "acc-coordinator", Role: journey.Coordinator, At: at, Today: journey.Date(day(0))}
	_, err = fix.store.Append(t.Context(), id, c.ID, func(*record.Tx) (record.Draft, error) {
		s := found.State
		s.Seq++
		s.Stage, s.Operated, s.Outcome, s.Reports = journey.FollowUp, journey.Date(day(-30)), journey.Removed, reports
		return record.Draft{Event: journey.Event{Command: c, Seq: s.Seq}, State: s}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// TestReports lists what has to be reported, to those who may see the donor.
func TestReports(t *testing.T) {
	hours := func(n int) journey.Instant { return journey.InstantOf(now().Add(time.Duration(n) * time.Hour)) }
	event := func(id string, aware int, change func(*journey.Report)) journey.Report {
		r := journey.Report{
			ID: id, Clock: journey.Clock{Event: "dialysis", Aware: hours(aware), Limit: hours(aware + 72)},
			Happened: journey.Date(day(-10)), By: "acc-coordinator", Raised: hours(aware + 1), KnownTo: "ward",
		}
		if change != nil {
			change(&r)
		}
		return r
	}
	before := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/reports", as: "coordinator"})
	id := donor(t,
		event("report-1", -10, nil),
		event("report-2", -73, nil),
		event("report-3", -99, func(r *journey.Report) { r.Reported, r.Closer = hours(-40), "acc-clinician" }),
		event("report-4", -98, func(r *journey.Report) { r.Reported, r.Closer = hours(-20), "acc-clinician" }),
		event("report-5", -97, func(r *journey.Report) { r.RetractedBy = "acc-clinician" }),
		event("report-6", -96, func(r *journey.Report) { r.Limit, r.NotOwed = "", true }),
	)
	got := fix.must(t, http.StatusOK, call{method: "GET", path: "/api/reports", as: "coordinator"})
	var seen []string
	for _, part := range []string{"open", "settled"} {
		for _, each := range got[part].([]any) {
			if r := each.(obj); r["candidate"] == id {
				line := part + " " + r["id"].(string) + " " + r["status"].(string)
				if in, ok := r["in_time"]; ok {
					line += map[bool]string{true: " in time", false: " late"}[in.(bool)]
				}
				seen = append(seen, line)
				if r["name"] == nil || r["title"] != "Dialysis of the donor" || r["known_to"] != "ward" {
					t.Errorf("a line lacks something: %v", r)
				}
			}
		}
	}
	want := []string{
		"open report-2 overdue late", "open report-1 open", "settled report-6 not-owed", "settled report-5 retracted",
		"settled report-4 closed late", "settled report-3 closed in time",
	}
	if !slices.Equal(seen, want) {
		t.Errorf("listed %v\nwant   %v", seen, want)
	}
	for key, more := range map[string]float64{"open": 2, "overdue": 1, "in_time": 1, "late": 1, "unlimited": 0} {
		was, is := before["tally"].(obj)[key].(float64), got["tally"].(obj)[key].(float64)
		if is-was != more {
			t.Errorf("%s went from %v to %v, want %v more", key, was, is, more)
		}
	}
	state := fix.read(t, "clinician", id)["state"].(obj)
	if list := state["reports"].([]any); len(list) != 6 {
		t.Errorf("the candidate shows %v", list)
	}
	for _, as := range []string{"advocate", "auditor"} {
		if text := fix.do(t, call{method: "GET", path: "/api/reports", as: as}).Body.String(); !strings.Contains(text, id) || (strings.Contains(text, `"name"`) == (as == "auditor")) {
			t.Errorf("%s sees %s", as, text)
		}
	}
	recipient := fix.read(t, "coordinator", id)["recipient"].(string)
	if err := fix.store.AddToRecipientTeam(t.Context(), recipient, "acc-recipient-clinician"); err != nil {
		t.Fatal(err)
	}
	for _, as := range []string{"recipient-clinician", "other-advocate"} {
		if text := fix.do(t, call{method: "GET", path: "/api/reports", as: as}).Body.String(); strings.Contains(text, id) {
			t.Errorf("%s sees %s", as, text)
		}
	}
	if answer := fix.do(t, call{method: "GET", path: "/api/reports?stage=closed", as: "coordinator"}); answer.Code != http.StatusBadRequest {
		t.Errorf("a parameter is answered %d", answer.Code)
	}
}

// TestBadReports names the field, and sends nothing to the engine.
func TestBadReports(t *testing.T) {
	id := donor(t)
	entries, staged := fix.rows(t)
	aware := now().Add(-time.Hour).Format(time.RFC3339)
	for _, tt := range []struct {
		kind  journey.Kind
		body  obj
		field string
	}{
		{journey.ReportEvent, obj{"event": "dialysis", "happened_on": day(-1), "aware_at": day(-1), "known_to": "ward"}, "aware_at"},
		{journey.ReportEvent, obj{"event": "dialysis", "happened_on": day(-1), "aware_at": "2031-03-01T08:00:00", "known_to": "ward"}, "aware_at"},
		{journey.ReportEvent, obj{"event": "dialysis", "happened_on": day(1), "aware_at": aware, "known_to": "ward"}, "aware_at"},
		{journey.ReportEvent, obj{"event": "dialysis", "happened_on": "yesterday", "aware_at": aware, "known_to": "ward"}, "happened_on"},
		{journey.ReportEvent, obj{"event": "dialysis", "happened_on": day(-1), "aware_at": aware, "known_to": "Wallingford"}, "known_to"},
		{journey.ReportEvent, obj{"event": "dialysis", "happened_on": day(-1), "aware_at": aware, "known_to": "Dr Wallingford"}, "known_to"},
		{journey.CloseReport, obj{"report": "report-1", "reported_at": aware, "reference": "told Dr Wallingford"}, "reference"},
		{journey.CloseReport, obj{"report": "report-1"}, "reported_at"},
		{journey.RetractReport, obj{"report": "report-1"}, "reason"},
		{journey.RecordDeath, obj{"died_on": "2031-02-30"}, "died_on"},
	} {
		got := fix.must(t, http.StatusUnprocessableEntity, call{
			method: "POST", path: commandPath(id, tt.kind), as: "coordinator", key: fix.unique("key"), body: encoded(t, tt.body),
		})
		if list := fields(got); len(list) != 1 || list[0] != tt.field {
			t.Errorf("%v: the problem names %v, want %s", tt.body, list, tt.field)
		}
		if strings.Contains(encoded(t, got)+fix.log.String(), "Wallingford") {
			t.Errorf("a name is told: %v", got)
		}
	}
	if e, s := fix.rows(t); e != entries || s != staged {
		t.Errorf("%d entries and %d staged rows were added", e-entries, s-staged)
	}
}
