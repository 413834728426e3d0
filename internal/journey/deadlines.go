package journey

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// DeadlineKind names what passes on a day.
type DeadlineKind string

// The deadlines. Each has a durable timer behind it, and its firing is an
// entry in the record.
const (
	RequirementExpires DeadlineKind = "requirement-expires"
	FirstReplyDue      DeadlineKind = "first-reply-due"
	ScreeningDue       DeadlineKind = "screening-due"
	EvaluationDue      DeadlineKind = "evaluation-due"
	CommitteeDue       DeadlineKind = "committee-due"
	HoldReviewDue      DeadlineKind = "hold-review-due"
	DeferralReviewDue  DeadlineKind = "deferral-review-due"
	ApprovalLapses     DeadlineKind = "approval-lapses"
	// NewDateDue follows a cancellation, and Readiness is a day before a planned
	// operation on which the record says what it still lacks; its subject is the
	// number of days.
	NewDateDue DeadlineKind = "new-date-due"
	// ConditionDue follows the last day of a condition of an approval that is not met.
	ConditionDue DeadlineKind = "condition-due"
	Readiness    DeadlineKind = "readiness"
	VisitOpens   DeadlineKind = "visit-opens"
	VisitCloses  DeadlineKind = "visit-closes"
	// ReportDue passes at an instant; its warnings have the kind of a reminder.
	ReportDue DeadlineKind = "report-due"
	// ContactDue is the day of a step of the ladder; its subject is visit/step.
	ContactDue DeadlineKind = "contact-due"
)

// Soon is the kind of a reminder of a deadline of this kind.
func (k DeadlineKind) Soon() DeadlineKind { return k + soon }

// Announces returns what a reminder is of, and whether it is one.
func (k DeadlineKind) Announces() (DeadlineKind, bool) {
	of, ok := strings.CutSuffix(string(k), soon)
	return DeadlineKind(of), ok
}

const soon = "-soon"

// looks reports whether the deadline changes nothing but the day up to which the
// record has looked ahead.
func (k DeadlineKind) looks() bool {
	_, reminds := k.Announces()
	return reminds || k == Readiness
}

// compare puts what only looks ahead before what falls due on a day.
func (k DeadlineKind) compare(other DeadlineKind) int {
	a, b := k.looks(), other.looks()
	switch {
	case a && !b:
		return -1
	case b && !a:
		return 1
	default:
		return cmp.Compare(k, other)
	}
}

// Remindable lists the deadlines that a reminder may announce.
var Remindable = []DeadlineKind{
	RequirementExpires, ScreeningDue, EvaluationDue, CommitteeDue, HoldReviewDue, DeferralReviewDue,
	ApprovalLapses, ConditionDue, VisitOpens, VisitCloses,
}

// Deadline is something that happens by itself: at the start of a day, or at an
// instant of that day.
type Deadline struct {
	Kind    DeadlineKind `json:"kind"`
	Subject string       `json:"subject,omitempty"`
	On      Date         `json:"on"`
	At      Instant      `json:"instant,omitempty"`
}

// compare puts what passes first before what passes later.
func (d Deadline) compare(other Deadline) int {
	return cmp.Or(
		cmp.Compare(d.On, other.On), cmp.Compare(d.At, other.At), d.Kind.compare(other.Kind), cmp.Compare(d.Subject, other.Subject),
	)
}

// AtInstant reports whether deadlines of the kind pass at an instant.
func (k DeadlineKind) AtInstant() bool { return k == ReportDue || k == ReportDue.Soon() }

// Upcoming is the earliest deadline of a candidate with the instant at which it
// passes, which only the programme's time zone can tell.
type Upcoming struct {
	Deadline
	At time.Time `json:"at"`
}

// NextReal returns the earliest deadline that is no reminder, nil when none
// stands.
func NextReal(rules Rules, s State) *Deadline {
	rules.Reminders, rules.Readiness = nil, nil
	for _, d := range Deadlines(rules, s) {
		// A clock has warnings of its own.
		if _, reminds := d.Kind.Announces(); !reminds {
			return &d
		}
	}
	return nil
}

// NextDue returns the earliest deadline, nil when none stands.
func NextDue(rules Rules, s State, zone *time.Location) *Upcoming {
	all := Deadlines(rules, s)
	if len(all) == 0 {
		return nil
	}
	next := slices.MinFunc(all, func(a, b Deadline) int { return a.Time(zone).Compare(b.Time(zone)) })
	return &Upcoming{Deadline: next, At: next.Time(zone)}
}

// Deadlines lists every deadline that stands, the earliest first.
func Deadlines(rules Rules, s State) []Deadline {
	var list []Deadline
	if s.Stage.Ended() {
		return nil
	}
	list = reportDeadlines(s)
	if s.Died != "" {
		// Nothing else is owed any more.
		slices.SortFunc(list, Deadline.compare)
		return list
	}
	if s.Stage.BeforeOperation() {
		for _, r := range s.Requirements {
			switch r.Status {
			case Resulted, NeedsReview, Met, NotMet, Waived:
				if r.ValidUntil != "" {
					list = append(list, Deadline{Kind: RequirementExpires, Subject: r.ID, On: r.ValidUntil.AddDays(1)})
				}
			}
		}
	}
	if kind, on := stageDeadline(rules, s); on != "" && !s.noticed(kind, on) {
		list = append(list, Deadline{Kind: kind, On: on})
	}
	if s.Decision != nil && s.Decision.Outcome == Approve && s.Stage.BeforeOperation() {
		list = append(list, Deadline{Kind: ApprovalLapses, On: s.Decision.Expires.AddDays(1)})
		list = append(list, conditionsDue(s)...)
	}
	for _, v := range s.Visits {
		switch v.Status {
		case VisitAhead:
			list = append(list, Deadline{Kind: VisitOpens, Subject: v.ID, On: v.Opens})
		case VisitOpen:
			list = append(list, Deadline{Kind: VisitCloses, Subject: v.ID, On: v.Closes.AddDays(1)})
		}
	}
	list = append(list, s.ladder(rules)...)
	list = append(list, reminders(rules, s, list)...)
	list = append(list, readiness(rules, s)...)
	slices.SortFunc(list, Deadline.compare)
	return list
}

// reminders announces deadlines. One whose day has passed before its deadline
// stood is not made up for: the deadline itself is shown by then.
func reminders(rules Rules, s State, deadlines []Deadline) []Deadline {
	if s.AsOf == "" {
		return nil
	}
	var list []Deadline
	for _, reminder := range rules.Reminders {
		for _, d := range deadlines {
			if d.Kind != reminder.Of {
				continue
			}
			for _, days := range reminder.Days {
				if on := d.On.AddDays(-days); s.AsOf.Before(on) {
					list = append(list, Deadline{Kind: d.Kind.Soon(), Subject: d.Subject, On: on})
				}
			}
		}
	}
	return list
}

// readiness lists the days before the planned operation that are still ahead.
func readiness(rules Rules, s State) []Deadline {
	if s.Stage != Scheduled || s.AsOf == "" {
		return nil
	}
	var list []Deadline
	for _, days := range rules.Readiness {
		if on := s.Planned.AddDays(-days); s.AsOf.Before(on) {
			list = append(list, Deadline{Kind: Readiness, Subject: strconv.Itoa(days), On: on})
		}
	}
	return list
}

// DueBy lists the deadlines that have passed by the moment, in the order in which
// they passed. One may bring about the next, as the opening of a visit's window
// does its closing: after all of them have fired none is left.
func DueBy(rules Rules, s State, by Moment) []Deadline {
	s = s.clone()
	var due []Deadline
	for {
		all := passed(rules, s, by)
		if len(all) == 0 {
			return due
		}
		if !all[0].Kind.looks() || all[0].At != "" {
			due = append(due, all[0])
			s.fire(rules, all[0])
			continue
		}
		// Those of a day go together: the first moves the day that they are
		// counted from.
		for _, d := range all {
			if d.Kind.looks() && d.At == "" && d.On == all[0].On {
				due = append(due, d)
				s.fire(rules, d)
			}
		}
	}
}

// passed lists the standing deadlines that have passed by the moment.
func passed(rules Rules, s State, by Moment) []Deadline {
	return slices.DeleteFunc(Deadlines(rules, s), func(d Deadline) bool { return !d.passed(by) })
}

// StageDue is the deadline of the stage as a whole, whether or not it has fired; nil
// where the stage has none.
func StageDue(rules Rules, s State) *Deadline {
	if s.Stage.Ended() || s.Died != "" {
		return nil
	}
	kind, on := stageDeadline(rules, s)
	if on == "" {
		return nil
	}
	return &Deadline{Kind: kind, On: on}
}

// stageDeadline returns the day on which a stage counts as overdue.
func stageDeadline(rules Rules, s State) (DeadlineKind, Date) {
	t := rules.Timers
	switch s.Stage {
	case Referral:
		return FirstReplyDue, workingDaysAfter(s.Since, t.FirstReplyDays).AddDays(1)
	case Screening:
		return ScreeningDue, s.Since.AddDays(t.ScreeningDays + 1)
	case Evaluation:
		return EvaluationDue, s.Since.AddDays(t.EvaluationDays + 1)
	case Committee:
		return CommitteeDue, s.Since.AddDays(t.CommitteeDays + 1)
	case OnHold:
		return HoldReviewDue, s.Since.AddDays(t.HoldDays + 1)
	case Approved:
		if s.Cancelled == "" || t.NewDateDays == 0 {
			return "", ""
		}
		return NewDateDue, workingDaysAfter(s.Cancelled, t.NewDateDays).AddDays(1)
	case Deferred:
		if s.Decision == nil {
			return "", ""
		}
		return DeferralReviewDue, s.Decision.Expires
	default:
		return "", ""
	}
}

// workingDaysAfter skips Saturdays and Sundays. Public holidays belong to the
// programme's calendar, which the protocol does not have yet.
func workingDaysAfter(from Date, days int) Date {
	d := from
	for days > 0 {
		d = d.AddDays(1)
		t, err := time.Parse(time.DateOnly, string(d))
		if err != nil {
			return ""
		}
		if day := t.Weekday(); day != time.Saturday && day != time.Sunday {
			days--
		}
	}
	return d
}

// noticed reports whether the stage's deadline of that day has fired. Its day
// counts from the entering of the stage: a stage that is entered again, were it
// on the day of a former notice, has a deadline of its own.
func (s State) noticed(kind DeadlineKind, on Date) bool {
	return slices.Contains(s.Notices, Notice{Deadline: kind, On: on})
}
