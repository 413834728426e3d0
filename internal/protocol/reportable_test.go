package protocol_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

// TestReportableEvents holds the default against the table of the reference
// (requirements 8.4 and 9.3): hours, years, and what starts a clock by itself.
func TestReportableEvents(t *testing.T) {
	want := map[string]string{
		"death": "2y [24 48] 72 death", "dialysis": "2y [24 48] 72", "kidney-failure": "2y [24 48] 72",
		"operation-stopped": "0y [24 48] 72 stopped-not-removed", "kidney-not-transplanted": "0y [24 48] 72 not-implanted",
		"unintended-recipient": "0y [24 48] 72 implanted-other", "donor-infection": "2y [24 144] 168", "donor-cancer": "2y [24 144] 168",
		"serious-adverse-event": "0y [] 0", "notifiable-disease": "0y [] 0",
	}
	p := protocol.Default()
	for _, r := range p.Rules().Reports {
		got := fmt.Sprintf("%dy %v %d", r.WithinYears, r.WarnHours, r.DueHours)
		if r.Death {
			got += " death"
		}
		if by := string(r.Operation) + string(r.Fate); by != "" {
			got += " " + by
		}
		if want[r.ID] != got {
			t.Errorf("%s: got %s, want %s", r.ID, got, want[r.ID])
		}
		if event, ok := p.Event(r.ID); !ok || event.Publish && (r.Fate != "" || strings.Contains(event.Title, "recipient")) {
			t.Errorf("%s tells of a recipient and is published", r.ID)
		}
		delete(want, r.ID)
	}
	if len(want) > 0 {
		t.Errorf("the default lacks %v", want)
	}
	// A target is a warning, whether or not it is listed as one.
	source := strings.Replace(protocoltest.Brief().Source(), "target_hours: 24, warn_hours: [24, 144]", "target_hours: 24", 1)
	brief, err := protocol.Parse([]byte(source))
	if err != nil {
		t.Fatal(err)
	}
	if r, _ := brief.Rules().Report("donor-infection"); !slices.Equal(r.WarnHours, []int{24}) {
		t.Errorf("a target warns at %v", r.WarnHours)
	}
	if _, ok := brief.Event("nothing"); ok {
		t.Error("an event that is none is found")
	}
}

func TestBrokenReportableEvents(t *testing.T) {
	for _, tt := range []struct{ old, with, want string }{
		{"{id: dialysis,", "{id: death,", "reportable.death: the id is not unique"},
		{"{id: dialysis,", "{id: On dialysis,", "reportable.On dialysis: the id"},
		{"title: Dialysis of the donor, ", "", "reportable.dialysis: title and source"},
		{"title: Dialysis of the donor, within_years: 2", "title: Dialysis of the donor, within_years: -2", "reportable.dialysis.within_years: accepted: 0 to 100"},
		{"warn_hours: [24, 48], due_hours: 72, death: true", "warn_hours: [24, 72], due_hours: 72, death: true", "reportable.death.warn_hours"},
		{"warn_hours: [24, 48], due_hours: 72, death: true", "warn_hours: [0], due_hours: 72, death: true", "reportable.death.warn_hours"},
		{"warn_hours: [24, 48], due_hours: 72, death: true", "warn_hours: [24], death: true", "reportable.death.warn_hours"},
		{"due_hours: 168", "due_hours: 16800", "reportable.donor-infection.due_hours: accepted: 0 to 1680"},
		{"target_hours: 24", "target_hours: 168", "reportable.donor-infection.target_hours"},
		{"title: Infection of the donor,", "title: Infection of the donor, death: true,", "reportable.donor-infection.death: only one"},
		{"started_by: {operation: stopped-not-removed}", "started_by: {}", "reportable.operation-stopped.started_by: needs either"},
		{"started_by: {operation: stopped-not-removed}", "started_by: {operation: removed}", "reportable.operation-stopped.started_by.operation: accepted: stopped-not-removed"},
		{"started_by: {fate: not-implanted}", "started_by: {fate: implanted}", "reportable.kidney-not-transplanted.started_by.fate: accepted: not-implanted, implanted-other"},
		{"started_by: {fate: not-implanted}", "publish: true, started_by: {fate: not-implanted}", "reportable.kidney-not-transplanted.publish"},
		{"due_hours: 72, death: true", "due_hours: 72, death: true, started_by: {operation: stopped-not-removed}", "reportable.death.started_by: a death"},
		{"due_hours: 168", "due_hour: 168", `unknown field "due_hour"`},
	} {
		source := protocoltest.Brief().Source()
		if !strings.Contains(source, tt.old) {
			t.Fatalf("the protocol does not hold %q", tt.old)
		}
		_, err := protocol.Parse([]byte(strings.Replace(source, tt.old, tt.with, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %s", tt.with, err, tt.want)
			continue
		}
		for _, fault := range protocol.Faults(err) {
			if line := strings.Split(strings.Replace(source, tt.old, tt.with, 1), "\n")[fault.Line-1]; !strings.Contains(line, "- {id:") {
				t.Errorf("%s: line %d is %q", tt.with, fault.Line, line)
			}
		}
	}
	// What has no started_by, and what has none of them, is left to people.
	if r, _ := protocol.Default().Rules().Report("dialysis"); r.Operation != "" || r.Fate != journey.Fate("") {
		t.Errorf("dialysis starts by itself: %+v", r)
	}
}
