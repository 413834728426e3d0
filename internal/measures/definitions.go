package measures

import (
	"slices"

	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
)

// grave are the grades from III on: an intervention, an organ failure or death
// (Clavien-Dindo, Dindo, Ann Surg 2004;240:205).
var grave = []perioperative.Grade{
	perioperative.GradeIIIa, perioperative.GradeIIIb, perioperative.GradeIVa, perioperative.GradeIVb, perioperative.GradeV,
}

// definition is a measure with how it is computed.
type definition struct {
	Measure
	day   func(*Person) journey.Date
	of    func(*Person) bool
	is    func(*Person) bool
	value func(*Person) (float64, bool)
}

// days measures the days from one step to the next, for whoever made both.
func days(id string, group Group, title, between string, from, to func(*Person) journey.Date) definition {
	return definition{
		Measure: Measure{ID: id, Group: group, Title: title, Denominator: "everybody who made both steps", Numerator: between, Dated: "the later of the two days", Unit: "d"},
		day:     to,
		value: func(p *Person) (float64, bool) {
			a, b := from(p), to(p)
			if a == "" || b == "" || b.Before(a) {
				return 0, false
			}
			return float64(a.DaysUntil(b)), true
		},
	}
}

func share(id string, group Group, title, of, is, dated string, day func(*Person) journey.Date, denominator, numerator func(*Person) bool) definition {
	return definition{Measure: Measure{ID: id, Group: group, Title: title, Denominator: of, Numerator: is, Dated: dated}, day: day, of: denominator, is: numerator}
}

func referred(p *Person) journey.Date  { return p.referred }
func screened(p *Person) journey.Date  { return p.screened }
func evaluated(p *Person) journey.Date { return p.evaluated }
func presented(p *Person) journey.Date { return p.presented }
func decided(p *Person) journey.Date   { return p.decided }
func approved(p *Person) journey.Date  { return p.approved }
func operated(p *Person) journey.Date  { return p.operated }
func scheduled(p *Person) journey.Date { return p.scheduled }

func everybody(*Person) bool { return true }

func made(day func(*Person) journey.Date) func(*Person) bool {
	return func(p *Person) bool { return day(p) != "" }
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
	share("donated", Flow, "Donated, of all referred", "everybody who was referred", "a kidney was removed", "referral", referred, everybody, (*Person).recorded),

	days("days-to-screening", Waiting, "Referral to screening", "days from the referral to the beginning of screening", referred, screened),
	days("days-to-evaluation", Waiting, "Screening to evaluation", "days from the beginning of screening to that of the evaluation", screened, evaluated),
	days("days-to-committee", Waiting, "Evaluation to committee", "days from the beginning of the evaluation to the presentation", evaluated, presented),
	days("days-to-decision", Waiting, "Committee to decision", "days from the presentation to the first decision", presented, decided),
	days("days-to-operation", Waiting, "Approval to operation", "days from the approval to the operation", approved, operated),
	days("days-in-all", Waiting, "Referral to operation", "days from the referral to the operation", referred, operated),
	share("evaluated-in-time", Waiting, "Decided within 18 weeks of the evaluation", "everybody on whom the committee decided", "at most 126 days after the evaluation began", "the decision", decided,
		made(evaluated), func(p *Person) bool { return p.evaluated.DaysUntil(p.decided) <= evaluationDays }),
	share("expired", Waiting, "Something expired before the decision or the operation", "everybody whose evaluation began", "a result, a review or a consent expired", "the beginning of the evaluation", evaluated,
		everybody, func(p *Person) bool { return p.expired > 0 }),

	share("cancelled", Planning, "Operations cancelled", "everybody whose operation had a day", "it was cancelled at least once", "the first plan", scheduled, everybody, func(p *Person) bool { return p.cancelled > 0 }),
	share("moved", Planning, "Operations moved or planned again", "everybody whose operation had a day", "another day was set at least once", "the first plan", scheduled, everybody, func(p *Person) bool { return p.planned > 1 }),
	share("lacking", Planning, "Something lacking on the day before", "everybody whose planned operation was a day ahead", "a requirement was not in force for the day", "the first plan", scheduled,
		func(p *Person) bool { return p.eve }, func(p *Person) bool { return p.lacking }),
	share("mismatch", Planning, "A check before the operation stopped", "everybody with a reading of a check on record", "a line did not agree", "the first plan", scheduled,
		func(p *Person) bool { return p.checked }, func(p *Person) bool { return p.mismatch }),

	share("stopped", Operations, "Stopped without a kidney removed", "every operation that began and is on record", "it was stopped", "the operation", operated,
		func(p *Person) bool { return p.operation.Record != nil }, func(p *Person) bool { return p.operation.Record.Outcome == journey.StoppedNotRemoved }),
	share("converted", Operations, "Converted to another approach", "every removal", "the approach was changed after the incision", "the operation", operated, (*Person).recorded,
		func(p *Person) bool {
			c := p.operation.Record.Conversion
			return c != nil && c.Reason != "plan-changed"
		}),
	share("transfused", Operations, "Transfused", "every removal of which the transfusion is recorded", "one unit or more", "the operation", operated,
		func(p *Person) bool { return p.recorded() && p.operation.Record.TransfusionUnits != nil },
		func(p *Person) bool { return *p.operation.Record.TransfusionUnits > 0 }),
	share("imaging-differs", Operations, "Anatomy other than imaged", "every removal with vessels or ureters both imaged and recorded", "a number differs", "the operation", operated,
		func(p *Person) bool { return p.recorded() && p.imaged },
		func(p *Person) bool { return p.differs }),
	share("complication-grave", Operations, "Complication of grade III or more", "every removal", "Clavien-Dindo III or more, at any time", "the operation", operated, (*Person).recorded,
		func(p *Person) bool {
			return p.complicated(func(c operation.Complication) bool { return slices.Contains(grave, c.Grade.Lowest) })
		}),
	share("readmitted", Operations, "Readmitted within 30 days", "every removal", "in hospital again within 30 days of the operation, by a recorded complication", "the operation", operated, (*Person).recorded,
		func(p *Person) bool {
			return p.complicated(func(c operation.Complication) bool { return p.within(c.ReadmittedOn, 30) })
		}),
	share("reoperated", Operations, "Operated again within 30 days", "every removal", "operated again within 30 days, by a recorded complication", "the operation", operated, (*Person).recorded,
		func(p *Person) bool {
			return p.complicated(func(c operation.Complication) bool { return p.within(c.ReoperatedOn, 30) })
		}),
	{
		Measure: Measure{ID: "warm-ischaemia", Group: Operations, Title: "Warm ischaemia", Denominator: "every removal of which it is known", Numerator: "seconds from the clamp on the artery to the cold flush", Dated: "the operation", Unit: "s"},
		day:     operated,
		value: func(p *Person) (float64, bool) {
			if !p.recorded() {
				return 0, false
			}
			for _, t := range operation.Times(*p.operation.Record) {
				if t.ID == operation.WarmIschaemia {
					return t.Value, true
				}
			}
			return 0, false
		},
	},
	days("stay", Operations, "Stay after the operation", "days from the operation to the discharge", operated, func(p *Person) journey.Date { return p.discharged }),

	share("reported-in-time", Reports, "Events reported in time", "everybody with an event that had a limit and was reported or is past it", "all of them were reported by the limit", "the operation", operated,
		func(p *Person) bool { _, _, known := p.reports(); return known },
		func(p *Person) bool { in, late, _ := p.reports(); return in > 0 && late == 0 }),
}
