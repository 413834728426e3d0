package journey_test

import (
	"fmt"
	"slices"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/walk"
)

// The reckoning keeps by hand, from day to day, what the policy says of one
// candidate, with none of the code under test: a validity ends after the day of
// collection plus its days, a visit's window reaches a number of days before and
// after its target, and what passes on a day passes in its first moment in the
// programme's zone. The numbers are those of smallRules, written down again.

// passing is one thing that should pass by itself at a time.
type passing struct {
	what string
	at   time.Time
}

func (p passing) String() string { return p.what + " " + p.at.UTC().Format(time.RFC3339) }

type reckoning struct {
	where *time.Location
	// day is today: everything up to its first moment has been reckoned.
	day    string
	passes []passing
	// over says that the journey has ended, after which nothing passes.
	over bool

	// ends are the days on which results and signatures are no longer valid, and
	// lapse is that of the approval. They matter until anaesthesia begins.
	ends  map[string]string
	lapse string
	// plan is the day of the operation and made that on which it was planned.
	plan, made string
	// newDate, review and evaluation are days on which somebody has waited for too
	// long: for a new day of the operation, on hold, and in an evaluation.
	newDate, review, evaluation string
	held, lapsed                bool

	operated string
	visits   []*owed
	heard    []word
	// died is the day of death, while it is thought to be true.
	died   string
	clocks []*expectation
}

// owed is one visit with the days of its window. Visits that repeat have a number
// of months.
type owed struct {
	id                  string
	months              int
	opens, target, last string
	status              journey.VisitStatus
	reason              journey.VisitReason
	// ladder are the steps by their days, and climbed is the day up to which they
	// were looked at.
	ladder  map[string]string
	climbed string
}

// word is what a donor said of being seen, on a day: in an attempt to reach them,
// or with the record of a visit.
type word struct {
	day    string
	visit  *owed
	no     bool
	record bool
}

// policyVisits are the visits of five years after an operation.
func policyVisits(operated string) []*owed {
	visit := func(id string, months, days, before, after int) *owed {
		target := walk.Plus(walk.Plus(operated, months, 0), 0, days)
		v := &owed{id: id, opens: walk.Plus(target, 0, -before), target: target, last: walk.Plus(target, 0, after), status: journey.VisitAhead}
		v.ladder = map[string]string{}
		for step, n := range map[string]int{"letter": -60, "call": 0, "doctor": 30, "after-the-window": 61} {
			// Recovery has no ladder, and a window that has closed is missed.
			if on := walk.Plus(target, 0, n); id != "week-1" && on <= v.last {
				v.ladder[on] = step
			}
		}
		return v
	}
	list := []*owed{visit("week-1", 0, 7, 3, 7), visit("month-6", 6, 0, 60, 60), visit("year-1", 12, 0, 60, 60)}
	for months := 24; months <= 72; months += 12 {
		v := visit(fmt.Sprintf("yearly-m%d", months), months, 0, 91, 91)
		v.months = months
		list = append(list, v)
	}
	return list
}

// approvedOn is a candidate whose evaluation and approval are of one day.
func approvedOn(day string, zone *time.Location) *reckoning {
	r := &reckoning{where: zone, day: day, ends: map[string]string{}, lapse: walk.Plus(walk.Plus(day, 3, 0), 0, 1)}
	for id, days := range map[string]int{
		"creatinine": 100, "acr": 365, "hiv": 28, "history": 365, "psychosocial": 365, "advocate-final": 183, "consent-evaluation": 365,
	} {
		r.ends[id] = walk.Plus(day, 0, days+1)
	}
	return r
}

// pass notes what passes with the beginning of today.
func (r *reckoning) pass(what string) {
	r.passes = append(r.passes, passing{what, walk.Midnight(r.day, r.where)})
}

// reckon goes through the days up to a moment.
func (r *reckoning) reckon(now time.Time) {
	for today := now.In(r.where).Format(time.DateOnly); r.day < today; {
		r.day = walk.Plus(r.day, 0, 1)
		switch {
		case r.over || r.died != "":
		case r.operated != "":
			r.dawnAfter()
		default:
			r.dawnBefore()
		}
	}
}

// dawnBefore is the beginning of a day before the operation.
func (r *reckoning) dawnBefore() {
	for id, end := range r.ends {
		if end == r.day {
			r.pass("requirement-expires " + id)
		}
	}
	for _, days := range []int{28, 7, 1, 0} {
		if r.plan != "" && r.made < r.day && walk.Plus(r.plan, 0, -days) == r.day {
			r.pass(fmt.Sprintf("readiness %d", days))
		}
	}
	if r.lapse == r.day {
		r.pass("approval-lapses")
		r.lapsed, r.plan, r.newDate = true, "", ""
		if !r.held {
			r.evaluate()
		}
	}
	for what, on := range map[string]string{"new-date-due": r.newDate, "hold-review-due": r.review, "evaluation-due": r.evaluation} {
		if on == r.day {
			r.pass(what)
		}
	}
}

// evaluate begins the evaluation again, which has 60 days.
func (r *reckoning) evaluate() { r.evaluation = walk.Plus(r.day, 0, 61) }

func (r *reckoning) planFor(day string) { r.plan, r.made, r.newDate = day, r.day, "" }

// cancel gives five working days to find another day, or to hold.
func (r *reckoning) cancel() {
	r.plan, r.newDate = "", r.day
	for left := 5; left > 0; {
		r.newDate = walk.Plus(r.newDate, 0, 1)
		if t, _ := time.Parse(time.DateOnly, r.newDate); t.Weekday() != time.Saturday && t.Weekday() != time.Sunday {
			left--
		}
	}
	r.newDate = walk.Plus(r.newDate, 0, 1)
}

// hold waits for 90 days. It is what a cancellation may lead to, so that nothing
// is waited for any more after one.
func (r *reckoning) hold() {
	r.held, r.plan, r.newDate, r.evaluation, r.review = true, "", "", "", walk.Plus(r.day, 0, 91)
}

func (r *reckoning) resume() {
	if r.held, r.review = false, ""; r.lapsed {
		r.evaluate()
	}
}

// begin is the anaesthesia.
func (r *reckoning) begin() { r.operated = r.day }

// owe begins the follow-up of a donor. Visits that repeat come one by one.
func (r *reckoning) owe() {
	for _, v := range policyVisits(r.operated) {
		if v.months == 0 {
			r.visits = append(r.visits, v)
		}
	}
}

// dawnAfter is the beginning of a day of follow-up.
func (r *reckoning) dawnAfter() {
	for _, v := range r.visits {
		r.climb(v)
		switch {
		case v.status == journey.VisitAhead && v.opens == r.day:
			v.status = journey.VisitOpen
			r.pass("visit-opens " + v.id)
		case v.status == journey.VisitOpen && v.last < r.day:
			v.status = journey.VisitMissed
			r.pass("visit-closes " + v.id)
		}
	}
	r.extend()
}

// awaited reports whether a visit is still to come.
func (v *owed) awaited() bool { return v.status == journey.VisitAhead || v.status == journey.VisitOpen }

// climb takes the step of today, once: none for a visit that was refused, and only
// the first after a refusal.
func (r *reckoning) climb(v *owed) {
	step, is := v.ladder[r.day]
	if is && v.climbed < r.day && v.awaited() && !r.refused(v) && (step == "letter" || !r.refused(nil)) {
		r.pass("contact-due " + v.id + "/" + step)
	}
	v.climbed = r.day
}

// refused reports whether the last word was no, of one visit or, without one, of
// all.
func (r *reckoning) refused(v *owed) bool {
	var last word
	for _, w := range r.heard {
		if (v == nil || w.visit == v && !w.record) && w.day >= last.day {
			last = w
		}
	}
	return last.no
}

// spoken reports whether the order of words would hang on more than their days: two
// of one day, but for somebody who is then seen.
func (r *reckoning) spoken(day string, seen *owed) bool {
	return slices.ContainsFunc(r.heard, func(w word) bool { return w.day == day && w.visit != seen })
}

// extend brings the next of the repeated visits when no other is to come. One whose
// window has closed by then is left out, and one whose window has opened is open.
func (r *reckoning) extend() {
	if r.over || r.died != "" || slices.ContainsFunc(r.visits, (*owed).awaited) {
		return
	}
	for _, v := range policyVisits(r.operated) {
		if v.months == 0 || v.last < r.day || r.find(v.id) != nil {
			continue
		}
		if v.opens <= r.day {
			v.status = journey.VisitOpen
		}
		r.visits = append(r.visits, v)
		r.climb(v)
		return
	}
}

func (r *reckoning) find(id string) *owed {
	i := slices.IndexFunc(r.visits, func(v *owed) bool { return v.id == id })
	if i < 0 {
		return nil
	}
	return r.visits[i]
}

// nextVisit is the first that is still to come.
func (r *reckoning) nextVisit() *owed {
	i := slices.IndexFunc(r.visits, (*owed).awaited)
	if i < 0 {
		return nil
	}
	return r.visits[i]
}

// recordable reports whether a visit may be recorded so on a day: nobody is seen
// twice, before the window, or after their death, and what was missed is missed
// until there is a reason.
func (r *reckoning) recordable(id string, outcome journey.Outcome, reason journey.VisitReason, day string) bool {
	v := r.find(id)
	switch {
	case r.over || v == nil || v.status == journey.VisitDone || v.status == journey.VisitNotOwed:
		return false
	case reason == journey.ReasonDied:
		return true
	case outcome == journey.Seen:
		return v.opens <= day && (r.died == "" || day <= r.died)
	default:
		return v.opens <= day && (v.status != journey.VisitMissed || reason != "")
	}
}

// note takes a visit, late or not, as settled.
func (r *reckoning) note(v *owed, outcome journey.Outcome, reason journey.VisitReason) {
	v.reason = reason
	switch {
	case outcome == journey.Seen:
		v.status = journey.VisitDone
	case v.status != journey.VisitMissed:
		v.status = journey.VisitNotReached
	}
	r.heard = slices.DeleteFunc(r.heard, func(w word) bool { return w.visit == v && w.record })
}

func (r *reckoning) recorded(id string, outcome journey.Outcome, reason journey.VisitReason, day string) {
	v := r.find(id)
	r.note(v, outcome, reason)
	if outcome == journey.Seen || reason == journey.ReasonRefused {
		r.heard = append(r.heard, word{day, v, outcome != journey.Seen, true})
	}
	r.extend()
}

// recordedDeath is a death that was learned of with a visit. It starts the clock of
// the report, unless there is one, or the death is of more than two years after.
func (r *reckoning) recordedDeath(id, day string, clock *expectation) {
	r.note(r.find(id), journey.NotReached, journey.ReasonDied)
	if r.died != "" {
		return // the day that is known stands until it is taken back
	}
	if day <= walk.Plus(r.operated, 24, 0) {
		r.clocks = append(r.clocks, clock)
	}
	r.die(day)
	r.conclude()
}

// contactable reports whether somebody may be contacted about a visit: not one at
// which they were seen, nor a later one than the next.
func (r *reckoning) contactable(v *owed) bool {
	return !r.over && v.status != journey.VisitDone && (v.status != journey.VisitAhead || v == r.nextVisit())
}

func (r *reckoning) contacted(v *owed, outcome journey.Outcome, day string) {
	if outcome == journey.ContactRefused || outcome == journey.Reached {
		r.heard = append(r.heard, word{day, v, outcome == journey.ContactRefused, false})
	}
}

// die ends what is owed to a donor but the report of the death.
func (r *reckoning) die(day string) {
	r.died = day
	for _, v := range r.visits {
		if v.awaited() {
			v.status = journey.VisitNotOwed
		}
	}
}

// revive takes a mistaken death back: the visits that it ended are where they would
// be without it.
func (r *reckoning) revive() {
	r.died = ""
	for _, v := range r.visits {
		if v.status != journey.VisitNotOwed && v.reason != journey.ReasonDied {
			continue
		}
		v.reason = ""
		switch {
		case v.last < r.day:
			v.status = journey.VisitMissed
		case v.opens <= r.day:
			v.status = journey.VisitOpen
		default:
			v.status = journey.VisitAhead
		}
		r.climb(v)
	}
	r.extend()
}

// running reports whether a report is still waited for.
func (r *reckoning) running(x *expectation) bool {
	return !r.over && slices.Contains(r.clocks, x) && x.ended.IsZero()
}

func (r *reckoning) reported() bool {
	return !slices.ContainsFunc(r.clocks, func(x *expectation) bool { return x.ended.IsZero() })
}

// conclude ends the journey of a donor who died when all is reported.
func (r *reckoning) conclude() { r.over = r.over || r.died != "" && r.reported() }

// closable reports whether follow-up may end: nothing is to be reported, and no
// visit is to come but one that repeats.
func (r *reckoning) closable() bool {
	return !r.over && r.reported() && !slices.ContainsFunc(r.visits, func(v *owed) bool { return v.months == 0 && v.awaited() })
}
