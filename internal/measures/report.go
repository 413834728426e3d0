package measures

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
)

// Report is how the programme does in numbers that name nobody: a cohort by the day of
// the referral, with small numbers hidden.
type Report struct {
	// Referred is how many the cohort has.
	Referred Cell
	Tables   []Table
}

// Asked is what a report is made of and for whom.
type Asked struct {
	// From and Until bound the day of the referral, both included; Protocol is the
	// version that a candidate is on. What is empty does not.
	From, Until journey.Date
	Protocol    string
	// Smallest is the smallest number of people that is told.
	Smallest int
	// Apart shows withdrawals, declines and deaths apart, and Confidant what of the
	// reasons is kept between the clinicians.
	Apart, Confidant bool
	Today            journey.Date
	Now              journey.Instant
}

// In reports whether somebody is of the cohort.
func (a Asked) In(p *Person) bool {
	return p.referred != "" && !p.referred.Before(a.From) && (a.Until == "" || !a.Until.Before(p.referred)) && (a.Protocol == "" || a.Protocol == p.protocol)
}

// Table is one measure: a row for each of what it compares.
type Table struct {
	ID, Title string
	// Definition says who is counted, and how.
	Definition string
	// Of is what the rows are.
	Of      string
	Columns []Column
	Rows    []Row
}

// Column is one number of each row.
type Column struct {
	ID, Title string
	Kind      Kind
}

// Kind is what the numbers of a column are.
type Kind string

// The kinds: people or events, days, shares in percent, and words.
const (
	Counts   Kind = "people"
	Days     Kind = "days"
	Percents Kind = "percent"
	Words    Kind = "words"
)

// Row is one line of a table. Stage is set where it is a stage, whose title is the
// reader's.
type Row struct {
	ID, Title string
	Stage     journey.Stage
	Cells     []Cell
}

// Told is what is told of a number.
type Told string

// What may be told of a number: itself, nothing since there is none, that it is hidden,
// that it is that or more, or less, and that it is not reached yet.
const (
	ToldIt         Told = ""
	ToldNone       Told = "none"
	ToldHidden     Told = "hidden"
	ToldAtLeast    Told = "at least"
	ToldAtMost     Told = "at most"
	ToldNotReached Told = "not reached yet"
)

// Cell is one number or word. Text is the word, or how a number is written beside a
// threshold.
type Cell struct {
	Told   Told
	Number float64
	Text   string
}

// Known reports whether the number itself is told.
func (c Cell) Known() bool { return c.Told == ToldIt }

// Cell finds a cell by its column.
func (t Table) Cell(row Row, column string) Cell {
	i := slices.IndexFunc(t.Columns, func(c Column) bool { return c.ID == column })
	if i < 0 {
		return Cell{Told: ToldNone}
	}
	return row.Cells[i]
}

// Row finds a row.
func (t Table) Row(id string) (Row, bool) {
	i := slices.IndexFunc(t.Rows, func(r Row) bool { return r.ID == id })
	if i < 0 {
		return Row{}, false
	}
	return t.Rows[i], true
}

// Table finds a table.
func (r Report) Table(id string) (Table, bool) {
	i := slices.IndexFunc(r.Tables, func(t Table) bool { return t.ID == id })
	if i < 0 {
		return Table{}, false
	}
	return r.Tables[i], true
}

// TotalRow is the id of the row that adds up the others.
const TotalRow = "total"

// step is how far somebody came.
type step int

const (
	atReferral step = iota
	atScreening
	atEvaluation
	atCommittee
	atApproval
	atDonation
	steps
)

var stepNames = [steps]struct{ id, title string }{
	{"referral", "Referred"}, {"screening", "Screening"}, {"evaluation", "Evaluation"}, {"committee", "Committee"},
	{"approved", "Approved"}, {"donated", "Donated"},
}

// donated reports whether a kidney was removed.
func (p *Person) donated() bool { return p.outcome == journey.Removed }

// over reports whether the journey ended without a donation. A donor's goes on to
// follow-up, and its end is none of these.
func (p *Person) over() bool {
	return !p.donated() && (p.stage.Ended() || p.outcome == journey.StoppedNotRemoved)
}

func (p *Person) reached() step {
	switch {
	case p.donated():
		return atDonation
	case p.approved != "":
		return atApproval
	case p.presented != "":
		return atCommittee
	case p.evaluated != "":
		return atEvaluation
	case p.screened != "":
		return atScreening
	default:
		return atReferral
	}
}

// ending is how a journey ended without a donation.
type ending int

const (
	withdrew ending = iota
	declined
	declinedByCommittee
	died
	stoppedOperation
	otherwise
	endings
)

var endingNames = [endings]struct{ id, title string }{
	{"withdrew", "Withdrew"}, {"declined", "Declined by the programme"}, {"committee", "Declined by the committee"},
	{"died", "Died before"}, {"stopped", "Operation stopped"}, {"otherwise", "Otherwise"},
}

func (p *Person) ending() ending {
	switch {
	case p.stage == journey.Withdrawn:
		return withdrew
	case p.stage == journey.Declined && p.byCommittee:
		return declinedByCommittee
	case p.stage == journey.Declined:
		return declined
	case p.stage == journey.Deceased:
		return died
	case p.outcome == journey.StoppedNotRemoved:
		return stoppedOperation
	default:
		return otherwise
	}
}

// ReportOf makes the report of those of the people who are asked for. Visits is how
// complete the forms of the donors among them are.
func ReportOf(people []*Person, visits []followup.Measure, a Asked) Report {
	if a.Smallest < 1 {
		a.Smallest = SmallestCell
	}
	r := reporter{Asked: a, ledger: ledger{smallest: a.Smallest}}
	for _, p := range people {
		if a.In(p) {
			r.people = append(r.people, p)
		}
	}
	r.count()
	tables := []func() Table{r.flow(), r.overdue(), r.stops(), r.against(), r.followUp(visits), r.events()}
	r.ledger.hide()
	report := Report{Referred: r.told(r.step[atReferral])}
	list := map[string]Table{"stages": r.stages(), "approval": r.approval()}
	for _, make := range tables {
		if make != nil {
			t := make()
			list[t.ID] = t
		}
	}
	for _, id := range []string{"flow", "stages", "approval", "stops", "against", "overdue", "followup", "events"} {
		if t, ok := list[id]; ok {
			report.Tables = append(report.Tables, t)
		}
	}
	return report
}

// reporter makes a report. Its tables come in two steps, since what is hidden in one
// depends on what another tells.
type reporter struct {
	Asked
	people []*Person
	ledger ledger
	// How many came to a step, and of whom it was the last: on the way, or over.
	step, open, over [steps]number
	onTheWay, ended  number
	declined         number
}

func (r *reporter) tally(is func(*Person) bool) number {
	n := 0
	for _, p := range r.people {
		if is(p) {
			n++
		}
	}
	return r.ledger.add(n)
}

func (r *reporter) count() {
	for s := range steps {
		r.step[s] = r.tally(func(p *Person) bool { return p.reached() >= s })
		r.open[s] = r.tally(func(p *Person) bool { return p.reached() == s && !p.over() && s < atDonation })
		r.over[s] = r.tally(func(p *Person) bool { return p.reached() == s && p.over() })
	}
	r.onTheWay = r.tally(func(p *Person) bool { return !p.over() && !p.donated() })
	r.ended = r.tally((*Person).over)
	for s := range atDonation {
		r.ledger.adds(r.step[s], r.step[s+1], r.open[s], r.over[s])
	}
	r.ledger.adds(r.onTheWay, r.open[:]...)
	r.ledger.adds(r.ended, r.over[:]...)
}

// told is a number of people, if it is told.
func (r *reporter) told(n number) Cell {
	if r.ledger.hidden[n] {
		return Cell{Told: ToldHidden}
	}
	return Cell{Number: float64(r.ledger.values[n])}
}

// share is the one as a part of the other.
func (r *reporter) share(n, of number) Cell {
	switch a, b := r.told(n), r.told(of); {
	case !a.Known() || !b.Known():
		return Cell{Told: ToldHidden}
	case b.Number == 0:
		return Cell{Told: ToldNone}
	default:
		return Cell{Number: 100 * a.Number / b.Number}
	}
}

// roughly is a number that is in no sum of the report: it is told in steps of the
// smallest, so that nothing follows from it.
func (r *reporter) roughly(n int) Cell {
	switch {
	case n == 0 || r.Smallest <= 1:
		return Cell{Number: float64(n)}
	case n < r.Smallest:
		return Cell{Told: ToldHidden}
	}
	return Cell{Told: ToldAtLeast, Number: float64(n - n%r.Smallest)}
}

func (r *reporter) flow() func() Table {
	return func() Table {
		t := Table{
			ID: "flow", Title: "From referral to donation", Of: "Step",
			Definition: "Everybody of the cohort counts at each step that they came to, once, however often. Still here and ended here are those for whom it was the last. Donated means that a kidney was removed.",
			Columns: []Column{
				{"reached", "Came to it", Counts}, {"of-all", "Of all referred", Percents}, {"of-previous", "Of the step before", Percents},
				{"open", "Still here", Counts}, {"ended", "Ended here", Counts},
			},
		}
		for s := range steps {
			row := Row{ID: stepNames[s].id, Title: stepNames[s].title, Cells: []Cell{
				r.told(r.step[s]), r.share(r.step[s], r.step[atReferral]), {Told: ToldNone}, {Told: ToldNone}, {Told: ToldNone},
			}}
			if s > atReferral {
				row.Cells[2] = r.share(r.step[s], r.step[s-1])
			}
			if s < atDonation {
				row.Cells[3], row.Cells[4] = r.told(r.open[s]), r.told(r.over[s])
			}
			t.Rows = append(t.Rows, row)
		}
		return t
	}
}

// timed are the stages whose time is measured.
var timed = []journey.Stage{
	journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Deferred, journey.OnHold, journey.Approved,
	journey.Scheduled, journey.Recovery,
}

func (r *reporter) stages() Table {
	t := Table{
		ID: "stages", Title: "Time in each stage", Of: "Stage",
		Definition: "Days from the day that a stage was entered to the day that it was left, for whatever reason; each stay counts by itself. Who is still in the stage counts for as long as they have waited (Kaplan-Meier estimate), so that long waits are not left out because they are not over.",
		Columns: []Column{
			{"people", "People", Counts}, {"lower", "A quarter within", Days}, {"median", "Half within", Days}, {"upper", "Three quarters within", Days}, {"ninetieth", "Nine in ten within", Days},
		},
	}
	for _, stage := range timed {
		var times []Time
		people := 0
		for _, p := range r.people {
			n := len(times)
			for _, s := range p.stays {
				switch {
				case s.Stage != stage:
				case s.Until != "":
					times = append(times, Time{Days: s.Since.DaysUntil(s.Until)})
				default:
					times = append(times, Time{Days: max(s.Since.DaysUntil(r.Today), 0), Open: true})
				}
			}
			if len(times) > n {
				people++
			}
		}
		row := Row{ID: string(stage), Stage: stage, Cells: []Cell{r.roughly(people)}}
		curve := CurveOf(times)
		for _, p := range []float64{.25, .5, .75, .9} {
			cell := Cell{Told: ToldHidden}
			if people == 0 {
				cell.Told = ToldNone
			} else if people >= r.Smallest {
				days, known := curve.Quantile(p)
				if cell = (Cell{Number: days}); !known {
					cell = Cell{Told: ToldNotReached}
				}
			}
			row.Cells = append(row.Cells, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (r *reporter) approval() Table {
	t := Table{
		ID: "approval", Title: "From approval to operation", Of: "Approved in",
		Definition: "Days from the first approval to the operation, of those whose operation began, by the year of the approval. Quantiles are definition 7 of Hyndman and Fan. Who still waits is not among them, so that the newest year looks shorter than it will be.",
		Columns: []Column{
			{"people", "Operated", Counts}, {"lower", "A quarter within", Days}, {"median", "Half within", Days}, {"upper", "Three quarters within", Days}, {"ninetieth", "Nine in ten within", Days},
		},
	}
	years := map[string][]float64{}
	for _, p := range r.people {
		if p.approved == "" || p.operated == "" || p.operated.Before(p.approved) {
			continue
		}
		days := float64(p.approved.DaysUntil(p.operated))
		for _, year := range []string{string(p.approved[:4]), TotalRow} {
			years[year] = append(years[year], days)
		}
	}
	for _, year := range slices.Sorted(maps.Keys(years)) {
		row := Row{ID: year, Title: year}
		if year == TotalRow {
			row.Title = "All years"
		}
		row.Cells = []Cell{r.roughly(len(years[year]))}
		s := spreadOf(years[year])
		for _, days := range []float64{s.Lower, s.Median, s.Upper, s.Ninetieth} {
			cell := Cell{Number: days}
			if len(years[year]) < r.Smallest {
				cell = Cell{Told: ToldHidden}
			}
			row.Cells = append(row.Cells, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (r *reporter) stops() func() Table {
	var cells [steps][endings]number
	var totals [endings]number
	if r.Apart {
		for e := range endings {
			totals[e] = r.tally(func(p *Person) bool { return p.over() && p.ending() == e })
			var column []number
			for s := range atDonation {
				cells[s][e] = r.tally(func(p *Person) bool { return p.over() && p.ending() == e && p.reached() == s })
				column = append(column, cells[s][e])
			}
			r.ledger.adds(totals[e], column...)
		}
		for s := range atDonation {
			r.ledger.adds(r.over[s], cells[s][:]...)
		}
		r.ledger.adds(r.ended, totals[:]...)
		r.declined = r.tally(func(p *Person) bool { return p.stage == journey.Declined })
		r.ledger.adds(r.declined, totals[declined], totals[declinedByCommittee])
	}
	return func() Table {
		t := Table{
			ID: "stops", Title: "Where candidates stop", Of: "Last step",
			Definition: "Those whose journey ended without a donation, by the last step that they had come to.",
			Columns:    []Column{{"all", "Ended", Counts}},
		}
		for e := range endings {
			if r.Apart {
				t.Columns = append(t.Columns, Column{endingNames[e].id, endingNames[e].title, Counts})
			}
		}
		for s := range atDonation {
			row := Row{ID: stepNames[s].id, Title: stepNames[s].title, Cells: []Cell{r.told(r.over[s])}}
			for e := range endings {
				if r.Apart {
					row.Cells = append(row.Cells, r.told(cells[s][e]))
				}
			}
			t.Rows = append(t.Rows, row)
		}
		all := Row{ID: TotalRow, Title: "All", Cells: []Cell{r.told(r.ended)}}
		for e := range endings {
			if r.Apart {
				all.Cells = append(all.Cells, r.told(totals[e]))
			}
		}
		t.Rows = append(t.Rows, all)
		return t
	}
}

// against is what stood against those who were declined, for those who may know who was.
func (r *reporter) against() func() Table {
	if !r.Apart {
		return nil
	}
	domain := func(p *Person) string {
		if r.Confidant {
			return p.against
		}
		return p.shared
	}
	domains := map[string]number{"": r.ledger.add(0)}
	for _, p := range r.people {
		if p.stage != journey.Declined {
			continue
		}
		n, ok := domains[domain(p)]
		if !ok {
			n = r.ledger.add(0)
			domains[domain(p)] = n
		}
		r.ledger.values[n]++
	}
	r.ledger.adds(r.declined, slices.Collect(maps.Values(domains))...)
	return func() Table {
		t := Table{
			ID: "against", Title: "What stood against those who were declined", Of: "Area",
			Definition: "Of those who were declined, the area of the requirements that were not met or whose results exclude. The words of a decision are not read for it.",
			Columns:    []Column{{"people", "Declined", Counts}, {"share", "Of all declined", Percents}},
		}
		row := func(id, title string, n number) {
			t.Rows = append(t.Rows, Row{ID: id, Title: title, Cells: []Cell{r.told(n), r.share(n, r.declined)}})
		}
		for _, id := range slices.Sorted(maps.Keys(domains)) {
			if id != "" && id != SeveralDomains {
				row(id, "", domains[id])
			}
		}
		if n, ok := domains[SeveralDomains]; ok {
			row(SeveralDomains, "More than one area", n)
		}
		none := "No requirement"
		if !r.Confidant {
			none = "No requirement, or one that is kept between the clinicians"
		}
		row("none", none, domains[""])
		row(TotalRow, "All", r.declined)
		return t
	}
}

// waiting are the stages of those on the way to an operation.
var waiting = []journey.Stage{
	journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Deferred, journey.OnHold, journey.Approved, journey.Scheduled, journey.Operation,
}

func (r *reporter) overdue() func() Table {
	late := func(p *Person) bool { return p.due != "" && !r.Today.Before(p.due) }
	type line struct{ all, late number }
	lines := map[journey.Stage]line{}
	var all, overdue []number
	total := r.tally(func(p *Person) bool { return !p.over() && !p.donated() && late(p) })
	for _, stage := range waiting {
		at := func(p *Person) bool { return !p.over() && !p.donated() && p.stage == stage }
		l := line{r.tally(at), r.tally(func(p *Person) bool { return at(p) && late(p) })}
		lines[stage] = l
		r.ledger.adds(l.all, l.late, r.tally(func(p *Person) bool { return at(p) && !late(p) }))
		all, overdue = append(all, l.all), append(overdue, l.late)
	}
	r.ledger.adds(r.onTheWay, all...)
	r.ledger.adds(total, overdue...)
	r.ledger.adds(r.onTheWay, total, r.tally(func(p *Person) bool { return !p.over() && !p.donated() && !late(p) }))
	return func() Table {
		t := Table{
			ID: "overdue", Title: "On the way, and overdue", Of: "Stage",
			Definition: "Everybody of the cohort who is on the way to an operation today, by the stage that they are in, and those of them who have been in it for longer than the protocol allows.",
			Columns:    []Column{{"people", "On the way", Counts}, {"overdue", "Overdue", Counts}, {"share", "Overdue", Percents}},
		}
		for _, stage := range waiting {
			l := lines[stage]
			t.Rows = append(t.Rows, Row{ID: string(stage), Stage: stage, Cells: []Cell{r.told(l.all), r.told(l.late), r.share(l.late, l.all)}})
		}
		t.Rows = append(t.Rows, Row{ID: TotalRow, Title: "All", Cells: []Cell{r.told(r.onTheWay), r.told(total), r.share(total, r.onTheWay)}})
		return t
	}
}

var setTitles = map[followup.Set]string{followup.Clinical: "clinical form", followup.Laboratory: "laboratory form"}

func (r *reporter) followUp(visits []followup.Measure) func() Table {
	type line struct {
		followup.Measure
		closed, pending, complete, incomplete number
	}
	lines := make([]line, len(visits))
	for i, m := range visits {
		l := line{
			Measure: m, closed: r.ledger.add(m.Closed), pending: r.ledger.add(len(m.Pending)),
			complete: r.ledger.add(len(m.Complete)), incomplete: r.ledger.add(len(m.Incomplete)),
		}
		// Two forms of one visit have the same windows.
		if i > 0 && lines[i-1].Visit == m.Visit && lines[i-1].Cohort == m.Cohort && lines[i-1].Closed == m.Closed && len(lines[i-1].Pending) == len(m.Pending) {
			l.closed, l.pending = lines[i-1].closed, lines[i-1].pending
		}
		r.ledger.adds(l.closed, l.complete, l.incomplete)
		r.ledger.adds(r.step[atDonation], l.closed, l.pending)
		lines[i] = l
	}
	return func() Table {
		t := Table{
			ID: "followup", Title: "Follow-up that is complete", Of: "Visit and form",
			Definition: "Donors of the cohort whose window for the visit has closed. A form is complete with every item on record within the window; who is lost counts against it. The target is the protocol's for the year of the donation. Where the donors with, or without, a complete form are few, the share is told as a bound.",
			Columns: []Column{
				{"closed", "Window closed", Counts}, {"complete", "Complete", Counts}, {"share", "Complete", Percents}, {"target", "Target", Percents},
				{"reached", "Target reached", Words}, {"pending", "Window to close", Counts},
			},
		}
		cohorts := map[string]int{}
		for _, l := range lines {
			cohorts[l.Visit+string(l.Set)]++
		}
		for _, l := range lines {
			title := l.Title + ", " + setTitles[l.Set]
			if cohorts[l.Visit+string(l.Set)] > 1 {
				title += ", donated from " + string(l.Cohort.From)
			}
			share, reached := r.completeness(l.Measure, l.closed, l.complete, l.incomplete)
			t.Rows = append(t.Rows, Row{
				ID: fmt.Sprintf("%s-%s-%s", l.Visit, l.Set, l.Cohort.From), Title: title,
				Cells: []Cell{r.told(l.closed), r.told(l.complete), share, {Number: l.Threshold}, reached, r.told(l.pending)},
			})
		}
		return t
	}
}

// completeness is the share of complete forms and whether it reaches the target, or what
// can be said of both where the number with, or without, a complete form is hidden.
func (r *reporter) completeness(m followup.Measure, closed, complete, incomplete number) (share, reached Cell) {
	says := func(yes bool) Cell {
		if yes {
			return Cell{Text: "yes"}
		}
		return Cell{Text: "no"}
	}
	hidden := Cell{Told: ToldHidden}
	n := r.ledger.values[closed]
	bound := func(complete int, told Told) (Cell, Cell) {
		share := Cell{Told: told, Number: 100 * float64(complete) / float64(n)}
		met := m.WouldMeet(complete)
		if met != (told == ToldAtLeast) {
			return share, hidden // the number itself decides
		}
		return share, says(met)
	}
	few := r.Smallest - 1
	switch {
	case r.told(closed).Known() && n == 0:
		return Cell{Told: ToldNone}, Cell{Told: ToldNone}
	case r.told(closed).Known() && r.told(complete).Known():
		share := r.share(complete, closed)
		share.Text = clinical.DisplayBeside(share.Number, m.Threshold, 0)
		return share, says(m.Met())
	case !r.told(closed).Known() || n < 2*r.Smallest:
		return hidden, hidden
	case r.ledger.small(incomplete):
		return bound(n-few, ToldAtLeast)
	case r.ledger.small(complete):
		return bound(few, ToldAtMost)
	default:
		return hidden, hidden
	}
}

func (r *reporter) events() func() Table {
	var counts [5]int
	for _, p := range r.people {
		for _, e := range p.events {
			in, known := e.InTime(r.Now)
			switch {
			case e.NotOwed || e.Retracted():
			case e.Open() && known:
				counts[2]++
			case e.Open():
				counts[3]++
			case !known:
				counts[4]++
			case in:
				counts[0]++
			default:
				counts[1]++
			}
		}
	}
	var cells []number
	all := 0
	for _, n := range counts {
		cells = append(cells, r.ledger.add(n))
		all += n
	}
	total := r.ledger.add(all)
	due := r.ledger.add(counts[0] + counts[1] + counts[2])
	r.ledger.adds(total, cells...)
	r.ledger.adds(due, cells[:3]...)
	return func() Table {
		t := Table{
			ID: "events", Title: "Events reported in time", Of: "Report",
			Definition: "Events of donors of the cohort that have to be reported to an authority, each counted once. The limit, most often 72 hours, runs from when anybody in the hospital first knew.",
			Columns:    []Column{{"events", "Events", Counts}, {"share", "Of those due", Percents}},
		}
		for i, name := range []struct{ id, title string }{
			{"in-time", "Reported in time"}, {"late", "Reported late"}, {"overdue", "Not reported, past the limit"}, {"open", "Not reported, within the limit"}, {"unlimited", "Reported, without a limit"},
		} {
			share := Cell{Told: ToldNone}
			if i < 3 {
				share = r.share(cells[i], due)
			}
			t.Rows = append(t.Rows, Row{ID: name.id, Title: name.title, Cells: []Cell{r.told(cells[i]), share}})
		}
		t.Rows = append(t.Rows, Row{ID: TotalRow, Title: "All", Cells: []Cell{r.told(total), {Told: ToldNone}}})
		return t
	}
}

// Shown is a cell as text, with the unit of its column.
func (c Column) Shown(cell Cell) string {
	number := clinical.Display(cell.Number, 0)
	if c.Kind == Days && cell.Number != float64(int(cell.Number)) {
		number = clinical.Display(cell.Number, 1)
	}
	if c.Kind == Percents {
		number = cmp.Or(cell.Text, number) + " %"
	}
	switch cell.Told {
	case ToldIt:
		if c.Kind == Words {
			return cell.Text
		}
		return number
	case ToldNone:
		return ""
	case ToldAtLeast:
		if c.Kind == Counts {
			return number + " or more"
		}
		return string(ToldAtLeast) + " " + number
	case ToldAtMost:
		return string(ToldAtMost) + " " + number
	default:
		return string(cell.Told)
	}
}
