package web

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// clockModel is one event that is still to be reported.
type clockModel struct {
	Text string
	Late bool

	limit journey.Instant
}

// reportModel is one event that has to be reported, with who knew of it and when.
type reportModel struct {
	ID       string
	Link     string
	Who      string
	Title    string
	Happened string
	Known    string
	Recorded string
	Limit    string
	Status   string
	Late     bool

	limit, aware journey.Instant
}

// awareWords are the parts of a hospital that may be the first to know.
var awareWords = map[string]string{
	"transplant-team": "the transplant team", "ward": "the ward", "emergency": "the emergency department",
	"intensive-care": "intensive care", "operating-theatre": "the operating theatre", "clinic": "the outpatient clinic",
	"laboratory": "the laboratory", "other-staff": "other staff of the hospital",
}

func eventTitle(p *protocol.Protocol, event string) string {
	r, _ := p.Event(event)
	return cmp.Or(r.Title, event)
}

// reportTitle is the event that a report is about.
func reportTitle(p *protocol.Protocol, s journey.State, id string) string {
	r, ok := s.FindReport(id)
	if !ok {
		return id
	}
	return eventTitle(p, r.Event)
}

// deadlineText is deadlineWord with the event of a report.
func deadlineText(p *protocol.Protocol, s journey.State, d journey.Deadline) string {
	text := deadlineWord(p, d.Kind, d.Subject)
	if r, ok := s.FindReport(d.Subject); ok && d.Kind.AtInstant() {
		text += ": " + eventTitle(p, r.Event) + ", by " + instantWord(r.Limit, p.Zone())
	}
	return text
}

func instantWord(at journey.Instant, zone *time.Location) string {
	if at == "" {
		return ""
	}
	return at.Time().In(zone).Format("2 Jan 2006, 15:04")
}

// hoursWord says how long a time is, in whole hours or, below one, in minutes.
func hoursWord(d time.Duration) string {
	if d < time.Hour {
		return plural(int(d/time.Minute), "minute")
	}
	return plural(int(d/time.Hour), "hour")
}

// leftToReport says how long there is to report an event.
func leftToReport(r journey.Report, now time.Time) (text string, late bool) {
	if r.Limit == "" {
		return "no limit of hours", false
	}
	left := r.Limit.Time().Sub(now)
	if left < 0 {
		return "overdue for " + hoursWord(-left), true
	}
	return hoursWord(left) + " left", false
}

// clocks lists what is still to be reported, the nearest limit first.
func clocks(p *protocol.Protocol, v *viewer, s journey.State) []clockModel {
	var list []clockModel
	for _, r := range s.OpenReports() {
		left, late := leftToReport(r, v.now)
		text := eventTitle(p, r.Event) + ", " + left
		if r.Limit != "" {
			text += ", until " + instantWord(r.Limit, p.Zone())
		}
		list = append(list, clockModel{Text: text, Late: late, limit: cmp.Or(r.Limit, "~")})
	}
	return list
}

// reports says of a need that it is to report an event.
func reports(n need) bool { return n.Kind == journey.CloseReport }

func reportNeeds(p *protocol.Protocol, v *viewer, s journey.State, add adder) {
	for _, r := range s.OpenReports() {
		left, _ := leftToReport(r, v.now)
		add(journey.CloseReport, "Report it: %s, %s", eventTitle(p, r.Event), left)
	}
}

func reportOf(p *protocol.Protocol, v *viewer, r journey.Report, people map[string]string) reportModel {
	m := reportModel{
		ID: r.ID, Title: eventTitle(p, r.Event), Happened: dayWord(r.Happened),
		Known:    capital(knownTo(people, r.KnownTo)) + ", " + instantWord(r.Aware, p.Zone()),
		Recorded: personWord(people, r.By) + ", " + instantWord(r.Raised, p.Zone()),
		Limit:    instantWord(r.Limit, p.Zone()), limit: cmp.Or(r.Limit, "~"), aware: r.Aware,
	}
	in, judged := r.InTime(journey.InstantOf(v.now))
	switch {
	case r.Retracted():
		m.Status = "Retracted by " + personWord(people, r.RetractedBy)
	case r.NotOwed:
		m.Status = "Not to be reported, too long after the operation"
	case r.Open():
		left, late := leftToReport(r, v.now)
		m.Status, m.Late = "Open, "+left, late
	default:
		m.Status = "Reported " + instantWord(r.Reported, p.Zone()) + ", recorded by " + personWord(people, r.Closer)
		if judged && in {
			m.Status += ", in time"
		} else if judged {
			m.Status, m.Late = m.Status+", "+hoursWord(r.Reported.Time().Sub(r.Limit.Time()))+" late", true
		}
	}
	return m
}

func knownTo(people map[string]string, id string) string {
	if word, ok := awareWords[id]; ok {
		return word
	}
	return personWord(people, id)
}

func reportModels(sc scene, people map[string]string) []reportModel {
	var list []reportModel
	for _, r := range sc.candidate.State.Reports {
		list = append(list, reportOf(sc.protocol, sc.viewer, r, people))
	}
	return list
}

// reportsModel is the model of the programme's list.
type reportsModel struct {
	Tally   journey.ReportTally
	Open    []reportModel
	Settled []reportModel
}

// reportStages are those in which a donor may have a report.
var reportStages = []journey.Stage{journey.Operation, journey.Recovery, journey.FollowUp, journey.Closed}

// reports lists what the programme has to report, and has reported.
func (s *server) reports(c echo.Context) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	var m reportsModel
	for _, stage := range reportStages {
		list, err := s.visible(ctx, v, record.Filter{Stage: stage})
		if err != nil {
			return err
		}
		for _, found := range list {
			p, err := s.Protocols.Get(ctx, found.Protocol)
			if err != nil {
				return err
			}
			m.Tally.Add(found.State, journey.InstantOf(v.now))
			for _, r := range found.State.Reports {
				row := reportOf(p, v, r, people)
				row.Who, row.Link = v.name(found), "/candidates/"+found.ID
				if r.Open() {
					m.Open = append(m.Open, row)
				} else {
					m.Settled = append(m.Settled, row)
				}
			}
		}
	}
	slices.SortStableFunc(m.Open, func(a, b reportModel) int { return cmp.Compare(a.limit, b.limit) })
	slices.SortStableFunc(m.Settled, func(a, b reportModel) int { return cmp.Compare(b.aware, a.aware) })
	return s.render(c, http.StatusOK, "reports", page{Title: "Reportable events", Body: m})
}

// momentFields ask for a moment in the programme's zone.
func momentFields(s scene, name, label, hint string) []field {
	return []field{
		{Name: name + "_date", Label: label + ": day", Type: "date", Hint: hint},
		{Name: name + "_time", Label: label + ": time", Type: "time", Hint: "In the programme's time zone, " + s.protocol.Zone().String() + "."},
	}
}

// momentOf reads such a moment.
func momentOf(s scene, v url.Values, name string) (string, []problem) {
	date, clock := v.Get(name+"_date"), v.Get(name+"_time")
	switch {
	case !journeyDate(date):
		return "", []problem{{Text: "This is missing or not a calendar date.", Field: name + "_date"}}
	case clock == "":
		return "", []problem{{Text: "This is missing.", Field: name + "_time"}}
	}
	text, ok := instant(date, clock, s.protocol.Zone())
	if !ok {
		return "", []problem{{Text: "There is no such time on that day.", Field: name + "_time"}}
	}
	return text, nil
}

// momentField is the question that a fault of a moment is shown at.
func momentField(name string) string {
	switch name {
	case "aware_at":
		return "aware_date"
	case "reported_at":
		return "reported_date"
	default:
		return name
	}
}

func reportEventFields(s scene) []field {
	event := field{Name: "event", Label: "What happened", Type: "radio"}
	for _, r := range s.protocol.Reportable {
		title := r.Title
		if r.DueHours > 0 {
			title += " (report within " + plural(r.DueHours, "hour")
			if r.TargetHours > 0 {
				title += ", better within " + plural(r.TargetHours, "hour")
			}
			title += ")"
		}
		event.Options = append(event.Options, option{r.ID, title})
	}
	who := field{Name: "known_to", Label: "Who knew first", Type: "select", Hint: "Anybody in the hospital; the clock starts with them."}
	for _, id := range command.Awares {
		who.Options = append(who.Options, option{id, capital(awareWords[id])})
	}
	for _, a := range s.accounts {
		who.Options = append(who.Options, option{a.ID, a.Name})
	}
	fields := []field{event, {Name: "happened_on", Label: "Day of the event", Type: "date"}}
	fields = append(fields, momentFields(s, "aware", "First known", "When anybody in the hospital first knew, whether or not they told the programme.")...)
	return append(fields, who, noteField())
}

func reportOptions(s scene, fits func(journey.Report) bool) []option {
	var options []option
	for _, r := range s.candidate.State.Reports {
		if fits(r) {
			options = append(options, option{r.ID, eventTitle(s.protocol, r.Event) + ", " + dayWord(r.Happened)})
		}
	}
	return options
}

func unretracted(r journey.Report) bool { return !r.Retracted() }

var reportEventAction = action{
	Title: "Report an event", Button: "Start the clock", Done: "The event is recorded. See the top of the page for the time that is left.",
	Hint:   "Something happened that has to be reported to an authority. The hours count from when anybody in the hospital first knew.",
	Fields: reportEventFields,
	Empty: func(s scene) string {
		if len(s.protocol.Reportable) == 0 {
			return "The protocol names no event that has to be reported."
		}
		return ""
	},
	Body: func(s scene, v url.Values, _ string) (command.Body, []problem) {
		at, problems := momentOf(s, v, "aware")
		return &command.ReportEvent{
			Event: v.Get("event"), HappenedOn: journey.Date(v.Get("happened_on")), AwareAt: at, KnownTo: v.Get("known_to"), Note: v.Get("note"),
		}, problems
	},
}

var closeReportAction = action{
	Title: "Record that it was reported", Button: "Stop the clock", Done: "The report is recorded and its clock has stopped.",
	Fields: func(s scene) []field {
		fields := []field{{Name: "report", Label: "Event", Type: "select", Options: reportOptions(s, journey.Report.Open)}}
		fields = append(fields, momentFields(s, "reported", "Reported", "When the authority was told.")...)
		return append(fields,
			field{Name: "reference", Label: "Reference", Type: "text", Optional: true, Complete: "off", Hint: "The number that the authority gave: letters, digits, dots and hyphens."},
			noteField())
	},
	Empty: func(s scene) string {
		if len(s.candidate.State.OpenReports()) == 0 {
			return "Nothing is waiting to be reported."
		}
		return ""
	},
	Body: func(s scene, v url.Values, _ string) (command.Body, []problem) {
		at, problems := momentOf(s, v, "reported")
		return &command.CloseReport{Report: v.Get("report"), ReportedAt: at, Reference: strings.TrimSpace(v.Get("reference")), Note: v.Get("note")}, problems
	},
}

var retractReportAction = action{
	Title: "Retract an event", Button: "Retract", Done: "The event is retracted. Its entry stays on record.", Grave: true,
	Hint: "Only where the event was recorded by mistake. No clock runs for it any more.",
	Fields: func(s scene) []field {
		return []field{
			{Name: "report", Label: "Event", Type: "select", Options: reportOptions(s, unretracted)},
			reasonField("What the mistake was", "Kept with your name."),
		}
	},
	Empty: func(s scene) string {
		if len(reportOptions(s, unretracted)) == 0 {
			return "No event is recorded."
		}
		return ""
	},
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		return &command.RetractReport{Report: v.Get("report"), Reason: v.Get("reason")}, nil
	},
}

var recordDeathAction = action{
	Title: "Record that the candidate died", Button: "Record the death", Done: doneEnded, Grave: true,
	Hint:   "The journey ends and can't be reopened. Outside this programme it looks the same as a decline or a withdrawal.",
	Fields: fixed(field{Name: "died_on", Label: "Day of the death", Type: "date"}, noteField()),
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		return &command.RecordDeath{DiedOn: journey.Date(v.Get("died_on")), Note: v.Get("note")}, nil
	},
}
