package journey

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// Events that have to be reported to an authority within hours of the first
// awareness of anybody in the hospital. Each starts a clock with warnings; the
// protocol says which events and how many hours.

// ReportRule is an event that has to be reported.
type ReportRule struct {
	ID string `json:"id"`
	// WithinYears bounds the years after the operation in which the event has to
	// be reported; 0 means always.
	WithinYears int `json:"within_years,omitempty"`
	// WarnHours and DueHours count from the first awareness. Without DueHours the
	// report is owed and nothing warns.
	WarnHours []int `json:"warn_hours,omitempty"`
	DueHours  int   `json:"due_hours,omitempty"`
	// Death marks the donor's own death, after which nothing but the report is
	// owed.
	Death bool `json:"death,omitempty"`
	// Operation and Fate are ends of an operation that are such an event, so that
	// its record starts the clock.
	Operation Outcome `json:"operation,omitempty"`
	Fate      Fate    `json:"fate,omitempty"`
}

// Report finds the rule of an event.
func (r Rules) Report(event string) (ReportRule, bool) {
	i := slices.IndexFunc(r.Reports, func(rule ReportRule) bool { return rule.ID == event })
	if i < 0 {
		return ReportRule{}, false
	}
	return r.Reports[i], true
}

// Clock is what one event starts: when it was first known, and the moments at
// which something passes. Its days need the programme's zone, so that whoever
// commits a command adds it to the event; it stays as it was started.
type Clock struct {
	Event string  `json:"event"`
	Aware Instant `json:"aware"`
	// Limit is the instant by which the event has to be reported.
	Limit Instant `json:"limit,omitempty"`
	// Warn and Due are when warnings and the passing of the limit are recorded: at
	// once where a clock is started after them.
	Warn []Moment `json:"warn,omitempty"`
	Due  Moment   `json:"due,omitzero"`
	// NotOwed says that the event came after the years in which it is reported.
	NotOwed bool `json:"not_owed,omitempty"`
	// Death says that the event is the donor's death.
	Death bool `json:"death,omitempty"`
}

// Clocks returns the clocks that a command starts.
func Clocks(rules Rules, s State, c Command, zone *time.Location) []Clock {
	switch {
	case c.Kind == ReportEvent:
		if rule, ok := rules.Report(c.Event); ok {
			return []Clock{rule.clock(s, c, c.Moment, c.On, zone)}
		}
	case c.Kind == RecordVisit && c.ReasonCode == ReasonDied && !s.deathReported():
		for _, rule := range rules.Reports {
			if rule.Death {
				return []Clock{rule.clock(s, c, InstantOf(c.At), cmp.Or(c.On, c.Today), zone)}
			}
		}
	case c.Kind == RecordOperation || c.Kind == AmendOperation:
		return operationClocks(rules, s, c, zone)
	}
	return nil
}

// operationClocks are those that the end of an operation starts: whoever records
// it knows of it now.
func operationClocks(rules Rules, s State, c Command, zone *time.Location) []Clock {
	var list []Clock
	for _, rule := range rules.Reports {
		is := rule.Operation != "" && rule.Operation == c.Outcome || rule.Fate != "" && rule.Fate == c.Fate
		known := slices.ContainsFunc(s.Reports, func(r Report) bool { return r.Event == rule.ID && !r.Retracted() })
		if is && !known {
			list = append(list, rule.clock(s, c, InstantOf(c.At), s.Operated, zone))
		}
	}
	return list
}

func (rule ReportRule) clock(s State, c Command, aware Instant, happened Date, zone *time.Location) Clock {
	clock := Clock{Event: rule.ID, Aware: aware, Death: rule.Death}
	if rule.WithinYears > 0 && s.Operated.AddMonths(12*rule.WithinYears).Before(happened) {
		clock.NotOwed = true
		return clock
	}
	if rule.DueHours == 0 {
		return clock
	}
	clock.Limit = aware.AddHours(rule.DueHours)
	// The first moment that comes after the command.
	next := InstantOf(c.At.Add(time.Second))
	clock.Due = max(next, clock.Limit).In(zone)
	for _, hours := range slices.Sorted(slices.Values(rule.WarnHours)) {
		// Warnings that have passed already are given as one, or by the limit.
		at := max(next, aware.AddHours(hours)).In(zone)
		if !slices.Contains(clock.Warn, at) && at != clock.Due {
			clock.Warn = append(clock.Warn, at)
		}
	}
	return clock
}

// Report is one event that has to be reported, with its clock.
type Report struct {
	ID string `json:"id"`
	Clock
	// Happened is the day of the event, By the account that recorded it at Raised,
	// and KnownTo the account, or the part of the hospital, that knew of it first.
	Happened Date    `json:"happened,omitempty"`
	By       string  `json:"by"`
	Raised   Instant `json:"raised"`
	KnownTo  string  `json:"known_to"`
	// Passed says that the limit passed before the report was recorded.
	Passed bool `json:"passed,omitempty"`
	// Reported is when it was reported, recorded by Closer, and RetractedBy took
	// back what was a mistake.
	Reported    Instant `json:"reported,omitempty"`
	Closer      string  `json:"closer,omitempty"`
	RetractedBy string  `json:"retracted_by,omitempty"`
}

// Retracted reports whether the event was recorded by mistake.
func (r Report) Retracted() bool { return r.RetractedBy != "" }

// Open reports whether the event is still to be reported.
func (r Report) Open() bool { return !r.NotOwed && !r.Retracted() && r.Reported == "" }

// InTime reports whether it was reported no later than its limit. Nothing is
// known of it while it is open and the limit is ahead, nor without a limit.
func (r Report) InTime(now Instant) (in, known bool) {
	switch {
	case r.Limit == "" || r.Retracted():
		return false, false
	case r.Reported != "":
		return !r.Limit.Before(r.Reported), true
	default:
		return false, r.Limit.Before(now)
	}
}

// ReportTally counts the reports of many candidates.
type ReportTally struct {
	// Open are those still to be reported, Overdue those of them past their limit.
	Open    int `json:"open"`
	Overdue int `json:"overdue"`
	// InTime and Late are those that were reported, Unlimited those that had no
	// limit.
	InTime    int `json:"in_time"`
	Late      int `json:"late"`
	Unlimited int `json:"unlimited"`
}

// Add counts the reports of one candidate.
func (t *ReportTally) Add(s State, now Instant) {
	for _, r := range s.Reports {
		in, known := r.InTime(now)
		switch {
		case r.NotOwed || r.Retracted():
		case r.Open():
			t.Open++
			if known {
				t.Overdue++
			}
		case !known:
			t.Unlimited++
		case in:
			t.InTime++
		default:
			t.Late++
		}
	}
}

// OpenReports lists what is still to be reported, the nearest limit first and
// those without one last.
func (s State) OpenReports() []Report {
	var list []Report
	for _, r := range s.Reports {
		if r.Open() {
			list = append(list, r)
		}
	}
	slices.SortStableFunc(list, func(a, b Report) int {
		return cmp.Compare(cmp.Or(a.Limit, "~"), cmp.Or(b.Limit, "~"))
	})
	return list
}

// FindReport returns the report with the id.
func (s State) FindReport(id string) (Report, bool) {
	i := slices.IndexFunc(s.Reports, func(r Report) bool { return r.ID == id })
	if i < 0 {
		return Report{}, false
	}
	return s.Reports[i], true
}

func (s *State) report(id string) *Report {
	i := slices.IndexFunc(s.Reports, func(r Report) bool { return r.ID == id })
	if i < 0 {
		return nil
	}
	return &s.Reports[i]
}

// reportDeadlines are the next moment of each running clock.
func reportDeadlines(s State) []Deadline {
	var list []Deadline
	for _, r := range s.Reports {
		if !r.Open() {
			continue
		}
		for _, at := range r.Warn {
			list = append(list, Deadline{ReportDue.Soon(), r.ID, at.On, at.At})
		}
		if !r.Passed && r.Due.At != "" {
			list = append(list, Deadline{ReportDue, r.ID, r.Due.On, r.Due.At})
		}
	}
	return list
}

// warned lets a warning, or the limit, of a report pass.
func (s *State) warned(d Deadline) {
	r := s.report(d.Subject)
	switch {
	case r == nil:
	case d.Kind == ReportDue:
		r.Passed = true
	default:
		r.Warn = slices.DeleteFunc(slices.Clone(r.Warn), func(at Moment) bool { return at == d.moment() })
	}
}

// raise starts the clocks that came with an event.
func (s *State) raise(e Event) {
	for i, clock := range e.Clocks {
		r := Report{
			ID: fmt.Sprintf("report-%d", e.Seq), Clock: clock, Happened: e.On, By: e.Actor, KnownTo: e.Person, Raised: InstantOf(e.At),
		}
		switch e.Kind {
		case ReportEvent:
		case RecordVisit:
			r.Happened, r.KnownTo = cmp.Or(e.On, e.Today), e.Actor
		default:
			r.Happened, r.KnownTo = s.Operated, e.Actor
		}
		if i > 0 {
			r.ID = fmt.Sprintf("report-%d-%d", e.Seq, i+1)
		}
		s.Reports = append(s.Reports, r)
		if r.Death {
			s.die(r.Happened)
		}
	}
}

// die ends what is owed to a donor. What was settled before stays.
func (s *State) die(on Date) {
	s.Died = on
	for i := range s.Visits {
		if v := &s.Visits[i]; !v.Settled() {
			v.Status = VisitNotOwed
		}
	}
}

// deathReported reports whether the donor's death is among the events to report.
func (s State) deathReported() bool {
	return slices.ContainsFunc(s.Reports, func(r Report) bool { return r.Death && !r.Retracted() })
}

// conclude ends the journey of a donor who died, once the operation is on record
// and nothing is left to report.
func (s *State) conclude(e Event) {
	if s.deathReported() && (s.Stage == Recovery || s.Stage == FollowUp) && len(s.OpenReports()) == 0 {
		s.enter(Closed, e.Today)
	}
}

func (s *State) closeReport(e Event) {
	if r := s.report(e.Report); r != nil {
		r.Reported, r.Closer = e.Moment, e.Actor
	}
}

// retract takes an event back. Visits that a death had ended are owed again, as
// far as their windows allow.
func (s *State) retract(rules Rules, e Event) {
	r := s.report(e.Report)
	if r == nil {
		return
	}
	r.RetractedBy = e.Actor
	if !r.Death {
		return
	}
	s.revive(rules, e.Today)
	s.extend(rules, e.Today)
}

// statusOn is the status of a visit that nobody has recorded.
func (v Visit) statusOn(today Date) VisitStatus {
	switch {
	case v.Closes.Before(today):
		return VisitMissed
	case !today.Before(v.Opens):
		return VisitOpen
	default:
		return VisitAhead
	}
}

func checkReportEvent(rules Rules, s State, c Command) *Refusal {
	rule, ok := rules.Report(c.Event)
	if !ok {
		var accepted []string
		for _, rule := range rules.Reports {
			accepted = append(accepted, rule.ID)
		}
		return invalid("event", "no such event in the protocol", accepted...)
	}
	switch {
	case c.On == "":
		return invalid("happened_on", "name the day of the event")
	case c.Today.Before(c.On):
		return invalid("happened_on", "the day is in the future")
	case c.On.Before(s.Operated):
		return invalid("happened_on", fmt.Sprintf("the day is before the operation, %s", s.Operated))
	case c.Moment == "":
		return invalid("aware_at", "say when somebody in the hospital first knew")
	case InstantOf(c.At).Before(c.Moment):
		return invalid("aware_at", "the moment is in the future")
	case c.Person == "":
		return invalid("known_to", "say who in the hospital knew first")
	}
	for _, r := range s.Reports {
		if !r.Retracted() && r.Event == c.Event && (rule.Death || r.Happened == c.On) {
			return blocked(c.Kind, []Reason{{"reported-once", "", r.ID + " is of this event; retract it first if it is mistaken"}})
		}
	}
	return nil
}

func checkCloseReport(_ Rules, s State, c Command) *Refusal {
	r, refusal := findReport(s, c, Report.Open)
	switch {
	case refusal != nil:
		return refusal
	case c.Moment == "":
		return invalid("reported_at", "say when it was reported")
	case c.Moment.Before(r.Aware):
		return invalid("reported_at", "the moment is before anybody knew of the event")
	case InstantOf(c.At).Before(c.Moment):
		return invalid("reported_at", "the moment is in the future")
	}
	return nil
}

func checkRetractReport(_ Rules, s State, c Command) *Refusal {
	if _, refusal := findReport(s, c, func(r Report) bool { return !r.Retracted() }); refusal != nil {
		return refusal
	}
	if !c.Reasoned {
		return invalid("reason", "say what the mistake was")
	}
	return nil
}

// findReport returns the report that a command names, and refuses one that does
// not fit.
func findReport(s State, c Command, fits func(Report) bool) (Report, *Refusal) {
	r, ok := s.FindReport(c.Report)
	if ok && fits(r) {
		return r, nil
	}
	var accepted []string
	for _, r := range s.Reports {
		if fits(r) {
			accepted = append(accepted, r.ID)
		}
	}
	return r, invalid("report", "no such report for this command", accepted...)
}

// unreported lists the events that have to be reported before a journey ends.
func unreported(s State) []Reason {
	var reasons []Reason
	for _, r := range s.OpenReports() {
		reasons = append(reasons, Reason{"report-closed", "", r.ID + " is not reported"})
	}
	return reasons
}
