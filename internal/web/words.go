package web

import (
	"fmt"
	"html"
	"html/template"
	"regexp"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

var stageWords = map[journey.Stage]string{
	journey.Referral: "Referral", journey.Screening: "Screening", journey.Evaluation: "Evaluation",
	journey.Committee: "Committee", journey.Approved: "Approved", journey.Scheduled: "Scheduled",
	journey.Operation: "Operation", journey.Recovery: "Recovery", journey.FollowUp: "Follow-up",
	journey.Closed: "Closed", journey.Declined: "Declined", journey.Withdrawn: "Withdrawn",
	journey.OnHold: "On hold", journey.Deferred: "Deferred", journey.Deceased: "Deceased",
}

func stageWord(s journey.Stage) string { return known(stageWords, s) }

var roleWords = map[journey.Role]string{
	journey.Coordinator: "coordinator", journey.Clinician: "clinician", journey.Advocate: "advocate",
	journey.CommitteeRole: "selection committee", journey.Auditor: "auditor", journey.EHR: "EHR interface",
	journey.Administrator: "administrator", journey.Laboratory: "laboratory", journey.System: "programme",
}

func roleWord(r journey.Role) string { return known(roleWords, r) }

var bandWords = map[journey.Band]string{
	journey.Meets: "Meets", journey.Discussion: "Needs discussion",
	journey.Excludes: "Excludes", journey.CannotDecide: "Cannot decide",
}

func bandWord(b journey.Band) string { return known(bandWords, b) }

var statusWords = map[journey.Status]string{
	journey.NotDue: "Not yet due", journey.Due: "Due", journey.Resulted: "To be signed",
	journey.NeedsReview: "Needs review", journey.Met: "Met", journey.NotMet: "Not met",
	journey.Expired: "Expired", journey.Waived: "Waived", journey.NotApplicable: "Does not apply",
}

var visitWords = map[journey.VisitStatus]string{
	journey.VisitAhead: "Ahead", journey.VisitOpen: "Open now", journey.VisitDone: "Done",
	journey.VisitDoneLate: "Done late", journey.VisitNotReached: "Not reached", journey.VisitMissed: "Missed",
	journey.VisitNotOwed: "Not owed",
}

var positionWords = map[journey.Position]string{
	journey.Supports: "supports", journey.Concerns: "has concerns", journey.Objects: "objects",
}

var outcomeWords = map[journey.Outcome]string{
	journey.Approve: "Approved", journey.Defer: "Deferred", journey.DeclineCandidate: "Declined",
	journey.Removed: "Kidney removed", journey.StoppedNotRemoved: "Stopped, no kidney removed",
	journey.Seen: "Seen", journey.NotReached: "Not reached",
}

var gateWords = map[journey.Gate]string{
	journey.ForEvaluation: "Before the evaluation begins", journey.ForCommittee: "Before the committee",
	journey.ForScheduling: "Before a date is set", journey.ForOperation: "Before the operation",
}

// known looks a word up and falls back on the code, so that nothing is silent.
func known[K ~string](words map[K]string, key K) string {
	if word, ok := words[key]; ok {
		return word
	}
	return strings.ReplaceAll(string(key), "-", " ")
}

// units maps UCUM to what people write. What is not in it is shown as it is.
var units = map[string]string{
	"mm[Hg]": "mmHg", "mL/min/{1.73_m2}": "mL/min/1.73 m²", "mL/min": "mL/min", "kg/m2": "kg/m²", "m2": "m²",
	"mg/(24.h)": "mg/24 h", "mg/d": "mg/day", "10*3/uL": "10³/µL", "10*9/L": "10⁹/L", "umol/L": "µmol/L",
	"[in_i]": "in", "[lb_av]": "lb", "mg/g{creat}": "mg/g creatinine", "mg/mmol{creat}": "mg/mmol creatinine",
	"ug/min": "µg/min", "ug/mL": "µg/mL", "1": "", "a": "years", followup.PerYear: "mL/min/1.73 m² a year",
}

func unitWord(ucum string) string {
	if word, ok := units[ucum]; ok {
		return word
	}
	return ucum
}

// dayWord writes a calendar day so that no reader takes the month for the day.
func dayWord(d journey.Date) string {
	t, err := time.Parse(time.DateOnly, string(d))
	if err != nil {
		return ""
	}
	return t.Format("2 Jan 2006")
}

// whenWord writes the time of a result as precisely as it was reported.
func whenWord(text string, zone *time.Location) string {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.In(zone).Format("2 Jan 2006, 15:04")
	}
	return dayWord(journey.Date(text))
}

// spanWord is a period; a day that it begins and ends on stands once.
func spanWord(from, to string, zone *time.Location) string {
	a, b := whenWord(from, zone), whenWord(to, zone)
	if to == "" {
		return a
	}
	day, _, timed := strings.Cut(a, ", ")
	if hour, same := strings.CutPrefix(b, day+", "); timed && same {
		b = hour
	}
	return a + " to " + b
}

// component is one component of a value.
type component struct{ Code, Title, Value, Unit string }

// partsWord are the components of a value; the two of a blood pressure are written as
// everybody writes them.
func partsWord(parts []component) string {
	if len(parts) == 2 && parts[0].Code == systolicCode && parts[1].Code == diastolicCode && parts[0].Unit == parts[1].Unit {
		return parts[0].Value + "/" + parts[1].Value + " " + parts[0].Unit
	}
	var words []string
	for _, p := range parts {
		words = append(words, strings.TrimSpace(p.Title+" "+p.Value+" "+p.Unit))
	}
	return strings.Join(words, ", ")
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}

// deadlineWord says what passes, in the words of the protocol.
func deadlineWord(p *protocol.Protocol, kind journey.DeadlineKind, subject string) string {
	if of, reminds := kind.Announces(); reminds {
		return "Reminder: " + deadlineWord(p, of, subject)
	}
	switch kind {
	case protocol.StopAsked:
		return "A candidate has something to tell"
	case protocol.EmergencyOpened:
		return "A record was opened in an emergency"
	case protocol.QuestionnaireAnswered:
		return "A questionnaire was answered"
	case journey.RequirementExpires:
		return titleOf(p, subject) + " expires"
	case journey.FirstReplyDue:
		return "First reply is due"
	case journey.ScreeningDue:
		return "Screening is due to end"
	case journey.EvaluationDue:
		return "Evaluation is due to end"
	case journey.CommitteeDue:
		return "Committee decision is due"
	case journey.HoldReviewDue:
		return "Hold is due for review"
	case journey.DeferralReviewDue:
		return "Re-review is due"
	case journey.ApprovalLapses:
		return "Approval lapses"
	case journey.ConditionDue:
		return "Condition is due: " + titleOf(p, subject)
	case journey.NewDateDue:
		return "A new day of operation, or a hold, is due"
	case journey.Readiness:
		if subject == "0" {
			return "Readiness on the day of the operation"
		}
		return "Readiness " + subject + " days before the operation"
	case journey.VisitOpens:
		return "Visit opens: " + visitTitle(p, subject)
	case journey.ContactDue:
		visit, step, _ := p.Step(subject)
		return step.Title + ": " + visitTitle(p, visit)
	case journey.VisitCloses:
		return "Visit closes: " + visitTitle(p, subject)
	case journey.ReportDue:
		return "Report is due"
	default:
		return strings.ReplaceAll(string(kind), "-", " ")
	}
}

// lastDay is the day that people know a deadline by. Most deadlines pass at the
// start of the day after.
func lastDay(d journey.Deadline) journey.Date {
	if _, reminds := d.Kind.Announces(); reminds {
		return d.On
	}
	switch d.Kind {
	case journey.DeferralReviewDue, journey.VisitOpens, journey.Readiness, journey.ReportDue, journey.ContactDue:
		return d.On
	default:
		return d.On.AddDays(-1)
	}
}

// titleOf is the title of a requirement or of a line of a checklist.
func titleOf(p *protocol.Protocol, id string) string {
	if r, ok := p.Find(id); ok {
		return r.Title
	}
	if item, ok := p.Item(id); ok {
		return item.Title
	}
	return id
}

func titlesOf(p *protocol.Protocol, ids []string) string {
	titles := make([]string, len(ids))
	for i, id := range ids {
		titles[i] = titleOf(p, id)
	}
	return strings.Join(titles, "; ")
}

func visitTitle(p *protocol.Protocol, id string) string {
	return p.VisitTitle(id)
}

func seatTitle(p *protocol.Protocol, id string) string {
	for _, seat := range p.Quorum {
		if seat.ID == id {
			return seat.Title
		}
	}
	return id
}

func flagRule(p *protocol.Protocol, id string) (protocol.FlagRule, bool) {
	for _, rule := range p.Flags {
		if rule.ID == id {
			return rule, true
		}
	}
	return protocol.FlagRule{}, false
}

// plainDate is a date as the process writes it.
var plainDate = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`)

// reasonWord replaces the ids in a reason by the words of the protocol.
func reasonWord(p *protocol.Protocol, r journey.Reason) string {
	text := plainDate.ReplaceAllStringFunc(r.Message, func(day string) string { return dayWord(journey.Date(day)) })
	if id, rest, ok := strings.Cut(text, " "); ok {
		if rule, found := flagRule(p, id); found && strings.HasPrefix(r.Rule, "flag") || found && r.Rule == "absolute-exclusion" && id != r.Requirement {
			return rule.Title + " " + rest
		}
		if id == r.Requirement {
			return titleOf(p, id) + " " + strings.ReplaceAll(rest, "-", " ")
		}
		if title := visitTitle(p, id); title != id {
			return title + " " + rest
		}
		if item, found := p.Item(id); found && r.Rule == "item-confirmed" {
			return "Not ticked as confirmed: " + lower(item.Title)
		}
	}
	if seat, ok := strings.CutPrefix(text, "no quorum: "); ok {
		id, rest, _ := strings.Cut(seat, " ")
		return "No quorum: " + seatTitle(p, id) + " " + rest
	}
	return capital(text)
}

func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// shapes are drawn in a box of 12 by 12. A reader who sees no colour tells the
// bands apart by them, and every shape has its word beside it.
var shapes = map[string]string{
	"disc":     `<circle cx="6" cy="6" r="5"/>`,
	"ring":     `<circle class="hollow" cx="6" cy="6" r="4.25"/>`,
	"triangle": `<path d="M6 .8 11.6 11.2H.4Z"/>`,
	"square":   `<path d="M1 1h10v10H1Z"/>`,
	"diamond":  `<path class="hollow" d="M6 1.2 10.8 6 6 10.8 1.2 6Z"/>`,
	"tick":     `<path class="hollow" d="M1.5 6.5 4.8 9.8 10.5 2.5"/>`,
	"cross":    `<path class="hollow" d="M2 2l8 8M10 2l-8 8"/>`,
	"half":     `<circle class="hollow" cx="6" cy="6" r="4.25"/><path d="M6 1.75a4.25 4.25 0 0 1 0 8.5Z"/>`,
	"bar":      `<path class="hollow" d="M2 6h8"/>`,
	"glass":    `<path d="M2 1h8L2 11h8Z"/>`,
}

var bandShapes = map[journey.Band]string{
	journey.Meets: "disc", journey.Discussion: "triangle", journey.Excludes: "square", journey.CannotDecide: "diamond",
}

var statusShapes = map[journey.Status]string{
	journey.NotDue: "bar", journey.Due: "ring", journey.Resulted: "half", journey.NeedsReview: "triangle",
	journey.Met: "tick", journey.NotMet: "cross", journey.Expired: "glass", journey.Waived: "bar", journey.NotApplicable: "bar",
}

func mark(class, shape, word string) template.HTML {
	return template.HTML(fmt.Sprintf( //nolint:gosec // every part is escaped or one of ours
		`<span class="mark %s"><svg class="shape" viewBox="0 0 12 12" aria-hidden="true" focusable="false">%s</svg>%s</span>`,
		html.EscapeString(class), shapes[shape], html.EscapeString(word)))
}

// agreementMark shows whether a line of a check agrees.
func agreementMark(agrees bool) template.HTML {
	if agrees {
		return mark("band-meets", "tick", "Agrees")
	}
	return mark("band-excludes", "cross", "Does not agree")
}

// bandMark shows a band as a shape and a word.
func bandMark(b journey.Band, absolute bool) template.HTML {
	word := bandWord(b)
	if absolute {
		word += ", absolute"
	}
	return mark("band-"+string(b), bandShapes[b], word)
}

// statusMark shows the state of a requirement as a shape and a word.
func statusMark(s journey.Status) template.HTML {
	return mark("status-"+string(s), statusShapes[s], known(statusWords, s))
}
