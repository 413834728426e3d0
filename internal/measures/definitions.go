package measures

import (
	"slices"

	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
)

// person is what the measures read of a life.
type person struct {
	id string
	// The days of the first of each step.
	referred, screened, evaluated, presented, decided, approved, scheduled, operated, ended journey.Date
	// planned are operations that had a day, cancelled those given up.
	planned, cancelled int
	checked, mismatch  bool
	// lacking says that something was outstanding the day before the operation.
	eve, lacking bool
	expired      int
	life         Life
}

// read takes the first day of each step from the events.
func read(life Life) person {
	p := person{id: life.Candidate, life: life, operated: life.State.Operated}
	first := func(day *journey.Date, e journey.Event) {
		if *day == "" {
			*day = e.Today
		}
	}
	for _, e := range life.Events {
		switch e.Kind {
		case journey.Refer:
			first(&p.referred, e)
		case journey.BeginScreening:
			first(&p.screened, e)
		case journey.BeginEvaluation:
			first(&p.evaluated, e)
		case journey.PresentToCommittee:
			first(&p.presented, e)
		case journey.RecordDecision:
			first(&p.decided, e)
			if e.Outcome == journey.Approve {
				first(&p.approved, e)
			}
		case journey.Schedule:
			first(&p.scheduled, e)
			p.planned++
		case journey.CancelOperation:
			p.cancelled++
		case journey.ConfirmVerification, journey.ConfirmLastCheck:
			p.checked = true
			p.mismatch = p.mismatch || len(e.Mismatches) > 0
		case journey.Decline, journey.Withdraw, journey.RecordDeath:
			first(&p.ended, e)
		case journey.Elapse:
			p.elapse(e)
		}
	}
	return p
}

func (p *person) elapse(e journey.Event) {
	for _, d := range e.Fired {
		switch {
		case d.Kind == journey.RequirementExpires:
			p.expired++
		case d.Kind == journey.Readiness && d.Subject == "1":
			p.eve, p.lacking = true, len(e.Outstanding) > 0 // the last plan counts
		}
	}
}

// recorded reports whether the operation is on record with a kidney removed.
func (p person) recorded() bool {
	r := p.life.Operation.Record
	return r != nil && r.Outcome == journey.Removed
}

// within reports whether a day is no more than so many days after the operation.
func (p person) within(day journey.Date, days int) bool {
	return day != "" && !p.operated.AddDays(days).Before(day)
}

func (p person) complicated(is func(operation.Complication) bool) bool {
	return slices.ContainsFunc(p.life.Operation.Complications, func(c operation.Complication) bool { return !c.EnteredInError && is(c) })
}

// grave are the grades from III on: an intervention, an organ failure or death
// (Clavien-Dindo, Dindo, Ann Surg 2004;240:205).
var grave = []perioperative.Grade{
	perioperative.GradeIIIa, perioperative.GradeIIIb, perioperative.GradeIVa, perioperative.GradeIVb, perioperative.GradeV,
}

// definition is a measure with how it is computed.
type definition struct {
	Measure
	day   func(person) journey.Date
	of    func(person) bool
	is    func(person) bool
	value func(person) (float64, bool)
}

// days measures the days from one step to the next, for whoever made both.
func days(id string, group Group, title, between string, from, to func(person) journey.Date) definition {
	return definition{
		Measure: Measure{ID: id, Group: group, Title: title, Denominator: "everybody who made both steps", Numerator: between, Dated: "the later of the two days", Unit: "d"},
		day:     to,
		value: func(p person) (float64, bool) {
			a, b := from(p), to(p)
			if a == "" || b == "" || b.Before(a) {
				return 0, false
			}
			return float64(a.DaysUntil(b)), true
		},
	}
}

func share(id string, group Group, title, of, is, dated string, day func(person) journey.Date, denominator, numerator func(person) bool) definition {
	return definition{Measure: Measure{ID: id, Group: group, Title: title, Denominator: of, Numerator: is, Dated: dated}, day: day, of: denominator, is: numerator}
}

func referred(p person) journey.Date  { return p.referred }
func screened(p person) journey.Date  { return p.screened }
func evaluated(p person) journey.Date { return p.evaluated }
func presented(p person) journey.Date { return p.presented }
func decided(p person) journey.Date   { return p.decided }
func approved(p person) journey.Date  { return p.approved }
func operated(p person) journey.Date  { return p.operated }
func scheduled(p person) journey.Date { return p.scheduled }

func everybody(person) bool { return true }

func made(day func(person) journey.Date) func(person) bool {
	return func(p person) bool { return day(p) != "" }
}

// evaluationDays are the 18 weeks that an evaluation is to take at most, a
// published UK target.
const evaluationDays = 126

// definitions are the measures. They are the programme's own and common practice;
// those of follow-up forms are in package followup.
var definitions = []definition{
	share("screened", Flow, "Screened", "everybody who was referred", "screening began", "referral", referred, everybody, made(screened)),
	share("evaluated", Flow, "Evaluated", "everybody whose screening began", "the evaluation began", "referral", referred, made(screened), made(evaluated)),
	share("presented", Flow, "Presented", "everybody whose evaluation began", "the committee was asked", "referral", referred, made(evaluated), made(presented)),
	share("approved", Flow, "Approved", "everybody on whom the committee decided", "it approved", "referral", referred, made(decided), made(approved)),
	share("operated", Flow, "Operated", "everybody who was approved", "the operation began", "referral", referred, made(approved), made(operated)),
	share("donated", Flow, "Donated, of all referred", "everybody who was referred", "a kidney was removed", "referral", referred, everybody, person.recorded),

	days("days-to-screening", Waiting, "Referral to screening", "days from the referral to the beginning of screening", referred, screened),
	days("days-to-evaluation", Waiting, "Screening to evaluation", "days from the beginning of screening to that of the evaluation", screened, evaluated),
	days("days-to-committee", Waiting, "Evaluation to committee", "days from the beginning of the evaluation to the presentation", evaluated, presented),
	days("days-to-decision", Waiting, "Committee to decision", "days from the presentation to the first decision", presented, decided),
	days("days-to-operation", Waiting, "Approval to operation", "days from the approval to the operation", approved, operated),
	days("days-in-all", Waiting, "Referral to operation", "days from the referral to the operation", referred, operated),
	share("evaluated-in-time", Waiting, "Decided within 18 weeks of the evaluation", "everybody on whom the committee decided", "at most 126 days after the evaluation began", "the decision", decided,
		made(evaluated), func(p person) bool { return p.evaluated.DaysUntil(p.decided) <= evaluationDays }),
	share("expired", Waiting, "Something expired before the decision or the operation", "everybody whose evaluation began", "a result, a review or a consent expired", "the beginning of the evaluation", evaluated,
		everybody, func(p person) bool { return p.expired > 0 }),

	share("cancelled", Planning, "Operations cancelled", "everybody whose operation had a day", "it was cancelled at least once", "the first plan", scheduled, everybody, func(p person) bool { return p.cancelled > 0 }),
	share("moved", Planning, "Operations moved or planned again", "everybody whose operation had a day", "another day was set at least once", "the first plan", scheduled, everybody, func(p person) bool { return p.planned > 1 }),
	share("lacking", Planning, "Something lacking on the day before", "everybody whose planned operation was a day ahead", "a requirement was not in force for the day", "the first plan", scheduled,
		func(p person) bool { return p.eve }, func(p person) bool { return p.lacking }),
	share("mismatch", Planning, "A check before the operation stopped", "everybody with a reading of a check on record", "a line did not agree", "the first plan", scheduled,
		func(p person) bool { return p.checked }, func(p person) bool { return p.mismatch }),

	share("stopped", Operations, "Stopped without a kidney removed", "every operation that began and is on record", "it was stopped", "the operation", operated,
		func(p person) bool { return p.life.Operation.Record != nil }, func(p person) bool { return p.life.Operation.Record.Outcome == journey.StoppedNotRemoved }),
	share("converted", Operations, "Converted to another approach", "every removal", "the approach was changed after the incision", "the operation", operated, person.recorded,
		func(p person) bool {
			c := p.life.Operation.Record.Conversion
			return c != nil && c.Reason != "plan-changed"
		}),
	share("transfused", Operations, "Transfused", "every removal of which the transfusion is recorded", "one unit or more", "the operation", operated,
		func(p person) bool { return p.recorded() && p.life.Operation.Record.TransfusionUnits != nil },
		func(p person) bool { return *p.life.Operation.Record.TransfusionUnits > 0 }),
	share("imaging-differs", Operations, "Anatomy other than imaged", "every removal with vessels or ureters both imaged and recorded", "a number differs", "the operation", operated,
		func(p person) bool { return p.recorded() && p.anatomy(operation.Agrees, operation.Differs) },
		func(p person) bool { return p.anatomy(operation.Differs) }),
	share("complication-grave", Operations, "Complication of grade III or more", "every removal", "Clavien-Dindo III or more, at any time", "the operation", operated, person.recorded,
		func(p person) bool {
			return p.complicated(func(c operation.Complication) bool { return slices.Contains(grave, c.Grade.Lowest) })
		}),
	share("readmitted", Operations, "Readmitted within 30 days", "every removal", "in hospital again within 30 days of the operation, by a recorded complication", "the operation", operated, person.recorded,
		func(p person) bool {
			return p.complicated(func(c operation.Complication) bool { return p.within(c.ReadmittedOn, 30) })
		}),
	share("reoperated", Operations, "Operated again within 30 days", "every removal", "operated again within 30 days, by a recorded complication", "the operation", operated, person.recorded,
		func(p person) bool {
			return p.complicated(func(c operation.Complication) bool { return p.within(c.ReoperatedOn, 30) })
		}),
	{
		Measure: Measure{ID: "warm-ischaemia", Group: Operations, Title: "Warm ischaemia", Denominator: "every removal of which it is known", Numerator: "seconds from the clamp on the artery to the cold flush", Dated: "the operation", Unit: "s"},
		day:     operated,
		value: func(p person) (float64, bool) {
			if !p.recorded() {
				return 0, false
			}
			for _, t := range operation.Times(*p.life.Operation.Record) {
				if t.ID == operation.WarmIschaemia {
					return t.Value, true
				}
			}
			return 0, false
		},
	},
	days("stay", Operations, "Stay after the operation", "days from the operation to the discharge", operated, func(p person) journey.Date { return p.life.Stay.Days[protocol.AtDischarge] }),

	share("reported-in-time", Reports, "Events reported in time", "everybody with an event that had a limit and was reported or is past it", "all of them were reported by the limit", "the operation", operated,
		func(p person) bool { _, _, known := p.reports(); return known },
		func(p person) bool { in, late, _ := p.reports(); return in > 0 && late == 0 }),
}

// anatomy reports whether one of the verdicts stands for a line of the comparison
// with imaging.
func (p person) anatomy(verdicts ...operation.Verdict) bool {
	lines := operation.Compare(*p.life.Operation.Record, p.life.Results, p.operated)
	return slices.ContainsFunc(lines, func(c operation.Compared) bool { return slices.Contains(verdicts, c.Verdict) })
}

// reports counts the events reported in time and late. An open one past its limit
// is late.
func (p person) reports() (in, late int, known bool) {
	for _, r := range p.life.State.Reports {
		switch inTime, is := r.InTime(""); {
		case r.Passed && r.Reported == "" && !r.Retracted():
			late++
		case !is:
		case inTime:
			in++
		default:
			late++
		}
	}
	return in, late, in+late > 0
}
