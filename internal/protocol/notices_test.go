package protocol_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

const mail = `
notices:
  - {of: visit-opens, to: [candidate], except: [week-1], text: call, from_hour: 9, source: test}
  - {of: screening-due, to: [coordinator, administrator], text: waits, source: test}
notice_texts:
  - {id: call, subject: We would like to hear from you, body: Please call.}
  - {id: waits, subject: Something waits, body: "Look at {board}"}
  - {id: person, subject: Something waits, body: "Look at {candidate}"}
`

func withNotices(t *testing.T) *protocol.Protocol {
	t.Helper()
	p, err := protocol.Parse([]byte(protocoltest.Brief().Source() + mail))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestWhoIsTold(t *testing.T) {
	p := withNotices(t)
	for _, tt := range []struct {
		deadline journey.Deadline
		want     int
	}{
		{journey.Deadline{Kind: journey.VisitOpens, Subject: "month-6"}, 1},
		{journey.Deadline{Kind: journey.VisitOpens, Subject: "week-1"}, 0},
		{journey.Deadline{Kind: journey.VisitOpens, Subject: "week-1/call"}, 0},
		{journey.Deadline{Kind: journey.VisitOpens.Soon(), Subject: "month-6"}, 0},
		{journey.Deadline{Kind: journey.ScreeningDue}, 1},
	} {
		if got := p.Told(tt.deadline); len(got) != tt.want {
			t.Errorf("%+v tells %+v", tt.deadline, got)
		}
	}
	text, _ := p.NoticeText("waits")
	if subject, body := text.Render("https://a.example/", "https://a.example/candidates/1"); subject != "Something waits" || body != "Look at https://a.example/" {
		t.Errorf("rendered %q, %q", subject, body)
	}
	if _, ok := p.NoticeText("gone"); ok {
		t.Error("a text that is not there was found")
	}
}

// TestHourOfANotice on the days when the clocks change: compared with the offsets
// of Europe/Stockholm in the IANA data, +01:00 in winter and +02:00 in summer.
func TestHourOfANotice(t *testing.T) {
	p := withNotices(t)
	for day, want := range map[journey.Date]string{
		"2026-01-15": "2026-01-15T08:00:00Z", "2026-07-15": "2026-07-15T07:00:00Z",
		"2026-03-29": "2026-03-29T07:00:00Z", "2026-10-25": "2026-10-25T08:00:00Z", "2028-02-29": "2028-02-29T08:00:00Z",
	} {
		if got := p.Notices[0].NotBefore(day, p.Zone()).UTC().Format(time.RFC3339); got != want {
			t.Errorf("on %s not before %s, want %s", day, got, want)
		}
		if got := p.Notices[1].NotBefore(day, p.Zone()); !got.Equal(day.Start(p.Zone())) {
			t.Errorf("at once on %s is %s", day, got)
		}
	}
}

func TestBrokenNotices(t *testing.T) {
	source := protocoltest.Brief().Source() + mail
	for _, tt := range []struct{ old, with, want string }{
		{"of: visit-opens", "of: visit-open", "notices[0].of: accepted: [first-reply-due"},
		{"to: [candidate]", "to: []", "notices[0].to: missing"},
		{"to: [candidate]", "to: [nurse]", "notices[0].to: accepted: [coordinator assigned-advocate"},
		{"of: screening-due, to: [coordinator, administrator]", "of: visit-opens, to: [candidate]", "notices[1].to: candidate is told of visit-opens twice"},
		{"to: [coordinator, administrator]", "to: [coordinator, coordinator]", "notices[1].to: coordinator is told of screening-due twice"},
		{"text: call", "text: gone", `notices[0].text: there is no text "gone"`},
		{"text: call", "text: waits", "notices[0].text: the text \"waits\" leads to a page that candidate can't open"},
		{"text: waits", "text: person", "notices[1].text: the text \"person\" leads to a page that administrator can't open"},
		{"from_hour: 9", "from_hour: 24", "notices[0].from_hour: accepted: 0 to 23"},
		{"from_hour: 9", "from_hour: -1", "notices[0].from_hour: accepted: 0 to 23"},
		{"except: [week-1]", "except: [week-one]", `notices[0].except: there is no requirement or visit "week-one"`},
		{"text: waits, source: test", "text: waits", "notices[1].source: missing"},
		{"subject: We would like to hear from you", "subject: ''", "notice_texts.call.subject: accepted: one line of 1 to 78 bytes"},
		{"subject: We would like to hear from you", `subject: "a\nBcc: b"`, "notice_texts.call.subject: accepted: one line"},
		{"subject: We would like to hear from you", "subject: " + strings.Repeat("x", 79), "notice_texts.call.subject: accepted: one line"},
		{"subject: We would like to hear from you", `subject: "About {candidate}"`, "notice_texts.call.subject: nothing is filled in here"},
		{"body: Please call.", "body: ''", "notice_texts.call.body: accepted: 1 to 2000 bytes"},
		{"body: Please call.", `body: "Dear {name}"`, `notice_texts.call.body: "{name}" is nothing that can be filled in; accepted: {board}, {candidate}`},
		{"id: waits", "id: call", "notice_texts.call: the id is not unique"},
	} {
		if !strings.Contains(source, tt.old) {
			t.Fatalf("the text lacks %q", tt.old)
		}
		_, err := protocol.Parse([]byte(strings.Replace(source, tt.old, tt.with, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q for %q: %v, want %q", tt.with, tt.old, err, tt.want)
			continue
		}
		i := slices.IndexFunc(protocol.Faults(err), func(f *protocol.Fault) bool { return strings.Contains(f.Error(), tt.want) })
		before, _, _ := strings.Cut(source, tt.old)
		line := strings.Count(before, "\n") + 1
		if fault := protocol.Faults(err)[i]; fault.Line != line && !strings.Contains(tt.want, "unique") {
			t.Errorf("%q is on line %d, reported on %d", tt.with, line, fault.Line)
		}
	}
}

// TestDefaultTextsSayNothing: no word of the clinic, of the process or of
// donation, no number, and no name of a rule of the protocol.
func TestDefaultTextsSayNothing(t *testing.T) {
	p := protocol.Default()
	if len(p.Notices) == 0 || len(p.NoticeTexts) == 0 {
		t.Fatal("the default tells nobody")
	}
	words := []string{
		"donor", "donat", "kidney", "renal", "transplant", "recipient", "patient", "candidate ", "surg", "operation", "hospital", "clinic",
		"blood", "result", "test", "laborator", "visit", "appointment", "follow-up", "approv", "declin", "withdr", "defer", "expire", "committee",
		"evaluation", "screening", "recovery", "consent", "advocate", "health", "medic", "disease", "report", "death", "dear",
	}
	for _, stage := range journey.Stages {
		words = append(words, string(stage))
	}
	for _, o := range p.Observations {
		words = append(words, strings.ToLower(o.Title))
	}
	for _, r := range p.Requirements {
		words = append(words, strings.ToLower(r.Title))
	}
	for _, text := range p.NoticeTexts {
		said := strings.ToLower(text.Subject + "\n" + text.Body)
		said = strings.NewReplacer("{board}", "", "{candidate}", "").Replace(said)
		for _, word := range words {
			if strings.Contains(said, word) {
				t.Errorf("%s says %q", text.ID, word)
			}
		}
		if strings.ContainsAny(said, "0123456789{}") {
			t.Errorf("%s holds a number or a place to be filled in", text.ID)
		}
	}
	// A candidate is asked to call, whatever it is about.
	for _, n := range p.Notices {
		if slices.Contains(n.To, protocol.ToCandidate) && n.Text != "please-call" {
			t.Errorf("%s tells the candidate %s", n.Of, n.Text)
		}
	}
}

func TestNoticesDiffer(t *testing.T) {
	from := withNotices(t)
	to, err := protocol.Parse([]byte(strings.NewReplacer("from_hour: 9", "from_hour: 10", "body: Please call.", "body: Please ring.",
		"to: [coordinator, administrator]", "to: [clinician]").Replace(from.Source())))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range protocol.Diff(from, to) {
		got = append(got, c.Part+" "+c.ID+" "+c.Kind)
	}
	want := []string{
		"notices visit-opens to candidate changed", "notices screening-due to clinician added",
		"notices screening-due to coordinator, administrator removed", "notice_texts call changed",
	}
	if !slices.Equal(got, want) {
		t.Errorf("the difference is %q, want %q", got, want)
	}
}
