package protocol

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"candidacy/internal/journey"
)

// Notice says whom a deadline that has passed tells by e-mail, and in which
// words. The message says that something waits, and never what.
type Notice struct {
	Of Occasion    `yaml:"of" doc:"the deadline, or the reminder of one, whose passing is told, or what a candidate said by themselves"`
	To []Addressee `yaml:"to" doc:"who is told"`
	// Except are subjects of the deadline that are not told of.
	Except   []string `yaml:"except" doc:"requirements or visits whose deadline is not told"`
	Text     string   `yaml:"text" doc:"the notice text that is sent"`
	FromHour int      `yaml:"from_hour" doc:"hour of the day, in the programme's zone, before which it is not sent; 0: at once"`
	Source   string   `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// NoticeText is what a message says. It may lead to a page behind the sign-in,
// and has no place for anything about a person.
type NoticeText struct {
	ID      string `yaml:"id"`
	Subject string `yaml:"subject" doc:"one line"`
	Body    string `yaml:"body" doc:"plain text; {board} is the address of the candidates' list and {candidate} that of the candidate's page, both behind the sign-in"`
}

// Occasion is the kind of a deadline that may be told.
type Occasion journey.DeadlineKind

// Occasions lists the deadlines that may be told: all there are, and the
// reminders of those that have any.
var Occasions = occasions()

func occasions() []Occasion {
	kinds := []journey.DeadlineKind{
		journey.FirstReplyDue, journey.ScreeningDue, journey.EvaluationDue, journey.CommitteeDue, journey.HoldReviewDue,
		journey.DeferralReviewDue, journey.RequirementExpires, journey.ApprovalLapses, journey.VisitOpens, journey.VisitCloses,
		journey.Readiness, "contact-due", "report-due", "report-due-soon",
	}
	kinds = append(kinds, StopAsked, QuestionnaireAnswered, EmergencyOpened)
	for _, kind := range journey.Remindable {
		if soon := kind.Soon(); !slices.Contains(kinds, soon) {
			kinds = append(kinds, soon)
		}
	}
	var list []Occasion
	for _, kind := range kinds {
		list = append(list, Occasion(kind))
	}
	return list
}

// What candidates say by themselves is told like the passing of a deadline, and so is
// that somebody opened a candidate in an emergency.
const (
	StopAsked             journey.DeadlineKind = "stop-asked"
	QuestionnaireAnswered journey.DeadlineKind = "questionnaire-answered"
	EmergencyOpened       journey.DeadlineKind = "emergency-opened"
)

// Addressee is whom a notice goes to. Who that is, is found when it is sent.
type Addressee string

// The addressees. All but the advocate and the candidate are everybody with the
// role, but for whoever cares for the intended recipient.
const (
	ToCoordinator   Addressee = "coordinator"
	ToAdvocate      Addressee = "assigned-advocate"
	ToClinician     Addressee = "clinician"
	ToCommittee     Addressee = "committee"
	ToAdministrator Addressee = "administrator"
	ToAuditor       Addressee = "auditor"
	ToCandidate     Addressee = "candidate"
)

// Addressees lists whom a notice may go to.
var Addressees = []Addressee{ToCoordinator, ToAdvocate, ToClinician, ToCommittee, ToAdministrator, ToAuditor, ToCandidate}

// Role is the role whose accounts are meant, empty for the candidate and for one
// particular person.
func (a Addressee) Role() journey.Role {
	switch a {
	case ToCoordinator, ToClinician, ToCommittee, ToAdministrator, ToAuditor:
		return journey.Role(a)
	default:
		return ""
	}
}

// key tells the notices of one protocol apart: nobody is told twice of the same.
func (n Notice) key() string {
	to := make([]string, len(n.To))
	for i, each := range n.To {
		to[i] = string(each)
	}
	return string(n.Of) + " to " + strings.Join(to, ", ")
}

// The places of a text that are filled in.
const (
	boardPlace     = "{board}"
	candidatePlace = "{candidate}"
)

// Render fills in the addresses that the text leads to.
func (t NoticeText) Render(board, candidate string) (subject, body string) {
	return t.Subject, strings.NewReplacer(boardPlace, board, candidatePlace, candidate).Replace(t.Body)
}

// NoticeText returns the text with the id.
func (p *Protocol) NoticeText(id string) (NoticeText, bool) {
	i := slices.IndexFunc(p.NoticeTexts, func(t NoticeText) bool { return t.ID == id })
	if i < 0 {
		return NoticeText{}, false
	}
	return p.NoticeTexts[i], true
}

// Told lists the notices of a deadline.
func (p *Protocol) Told(d journey.Deadline) []Notice {
	var list []Notice
	for _, n := range p.Notices {
		subject, _, _ := strings.Cut(d.Subject, "/") // a step of a visit belongs to the visit
		if journey.DeadlineKind(n.Of) == d.Kind && !slices.Contains(n.Except, subject) {
			list = append(list, n)
		}
	}
	return list
}

// NotBefore is the first moment at which a notice of a day's deadline is sent.
func (n Notice) NotBefore(day journey.Date, zone *time.Location) time.Time {
	start := day.Start(zone)
	if n.FromHour == 0 {
		return start
	}
	y, m, d := start.Date()
	return time.Date(y, m, d, n.FromHour, 0, 0, 0, zone)
}

// placeholder finds whatever looks as if it were to be filled in.
var placeholder = regexp.MustCompile(`\{[^}]*\}?`)

const (
	// longestSubject keeps the header on one line: RFC 5322, 2.1.1.
	longestSubject = 78
	// longestBody is common practice: a message that says nothing needs no more.
	longestBody = 2000
)

func (p *Protocol) checkNotices(fail func(string, ...any)) {
	texts := map[string]NoticeText{}
	for _, t := range p.NoticeTexts {
		at := "notice_texts." + t.ID
		if _, twice := texts[t.ID]; twice || !identifier.MatchString(t.ID) {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		texts[t.ID] = t
		if strings.TrimSpace(t.Subject) == "" || len(t.Subject) > longestSubject || strings.ContainsFunc(t.Subject, unicode.IsControl) {
			fail("%s.subject: accepted: one line of 1 to %d bytes", at, longestSubject)
		}
		if strings.TrimSpace(t.Body) == "" || len(t.Body) > longestBody {
			fail("%s.body: accepted: 1 to %d bytes", at, longestBody)
		}
		if strings.ContainsAny(t.Subject, "{}") {
			fail("%s.subject: nothing is filled in here; accepted: no braces", at)
		}
		for _, place := range placeholder.FindAllString(t.Body, -1) {
			if place != boardPlace && place != candidatePlace {
				fail("%s.body: %q is nothing that can be filled in; accepted: %s, %s", at, place, boardPlace, candidatePlace)
			}
		}
	}
	told := map[string]bool{}
	for i, n := range p.Notices {
		at := func(field string) string { return fmt.Sprintf("notices[%d].%s", i, field) }
		if !slices.Contains(Occasions, n.Of) {
			fail("%s: accepted: %v", at("of"), Occasions)
		}
		text, ok := texts[n.Text]
		if !ok {
			fail("%s: there is no text %q in notice_texts", at("text"), n.Text)
		}
		if len(n.To) == 0 {
			fail("%s: missing; accepted: %v", at("to"), Addressees)
		}
		for _, to := range n.To {
			if !slices.Contains(Addressees, to) {
				fail("%s: accepted: %v", at("to"), Addressees)
			}
			if key := string(n.Of) + " " + string(to); told[key] {
				fail("%s: %s is told of %s twice", at("to"), to, n.Of)
			} else {
				told[key] = true
			}
			// They have no sign-in, or none that opens a candidate's page.
			if to == ToCandidate && strings.ContainsRune(text.Body, '{') || to == ToAdministrator && strings.Contains(text.Body, candidatePlace) {
				fail("%s: the text %q leads to a page that %s can't open", at("text"), n.Text, to)
			}
		}
		if n.FromHour < 0 || n.FromHour > 23 {
			fail("%s: accepted: 0 to 23", at("from_hour"))
		}
		for _, subject := range n.Except {
			_, known := p.Find(subject)
			if !known && !slices.ContainsFunc(p.Visits, func(v Visit) bool { return v.ID == subject }) {
				fail("%s: there is no requirement or visit %q", at("except"), subject)
			}
		}
		if n.Source == "" {
			fail("%s: missing", at("source"))
		}
	}
}
