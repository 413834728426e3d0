package web

import (
	"errors"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
)

// minutesModel is what was recorded of a meeting, for paper. Nothing of it was
// typed for the minutes but their free part.
type minutesModel struct {
	Title, Back string
	Facts       []fact
	Present     []fact
	Items       []minuteItem
	Text        string
	Signed      string
	Digest      string
	// Altered says that what was signed is not what stands.
	Altered    bool
	Amendments []answerShown
}

type minuteItem struct {
	Number     int
	Name       string
	Identifier string
	Hidden     bool
	Conflict   string
	Counts     string
	Ballots    []ballotModel
	Decision   *decisionModel
	Standing   string
	// Packet is the digest of the protocol that the decision stood on.
	Packet string
}

// minutes shows the minutes of a meeting.
func (s *server) minutes(c echo.Context) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	zone := s.Current.Zone()
	model := minutesModel{
		Title: "Minutes of the meeting on " + dayWord(m.Plan.On), Back: meetingLink(m.ID), Digest: m.Digest,
		Facts: []fact{{"When", meetingDay(m)}, {"Where", or(m.Plan.Place, "Not said")}, {"Chair", personWord(people, m.Plan.Chair)}},
	}
	for _, a := range m.Attendance {
		seat := capital(roleWord(a.Role))
		if a.Seat != "" {
			seat = seatTitle(s.Current, a.Seat)
		}
		model.Present = append(model.Present, fact{personWord(people, a.Account), seat})
	}
	for n, candidate := range m.Agenda {
		i, _ := m.Item(candidate)
		row := minuteItem{Number: n + 1, Name: "A candidate who is not shown to you", Standing: itemWord(i)}
		found, err := s.find(ctx, v, candidate)
		if errors.Is(err, errNotFound) {
			row.Hidden = true
			model.Items = append(model.Items, row)
			continue
		}
		if err != nil {
			return err
		}
		sc, err := s.scene(ctx, v, found, "")
		if err != nil {
			return err
		}
		rules, err := s.votingRules(ctx, found)
		if err != nil {
			return err
		}
		row.Name, row.Identifier, row.Conflict = v.name(found), v.identifier(found), conflictNames(m, i, people)
		if i.ClosedBy != "" {
			count := meeting.CountOf(m, i, rules)
			row.Ballots = ballots(v.reader(), m, i, rules, people)
			row.Counts = "Quorum: " + plural(len(count.Members), "member") + " without a conflict of interest, " + seatsWord(sc, count.Seats) +
				". Vote closed by " + personWord(people, i.ClosedBy) + ", " + clockWord(i.ClosedAt, zone) + "."
		}
		for _, e := range sc.entries {
			if i.Entry > 0 && e.Seq == i.Entry && e.Kind == journey.RecordDecision {
				d := decided(sc, e)
				d.When += ", recorded by " + personWord(people, e.Actor)
				row.Decision = &d
				var body activities.Decision
				read(e, &body)
				row.Packet = "Protocol " + body.Basis.Protocol + ", " + body.Basis.Digest
			}
		}
		model.Items = append(model.Items, row)
	}
	if m.Minutes != nil {
		model.Text, model.Signed = m.Minutes.Text, personWord(people, m.Minutes.By)+", "+clockWord(m.Minutes.At, zone)
		if model.Altered, err = s.altered(c, m); err != nil {
			return err
		}
	}
	for _, a := range m.Amendments {
		model.Amendments = append(model.Amendments, answerShown{a.Text, personWord(people, a.By) + ", " + clockWord(a.At, zone)})
	}
	p := page{Title: model.Title, Body: model}
	if done := c.QueryParam("done"); done != "" {
		p.Notice = "Recorded."
	}
	return s.render(c, http.StatusOK, "minutes", p)
}

// altered folds the meeting up to its signature again, and compares the digest.
func (s *server) altered(c echo.Context, m meeting.Meeting) (bool, error) {
	entries, err := s.Store.MeetingEntries(c.Request().Context(), m.ID)
	if err != nil {
		return false, err
	}
	n := slices.IndexFunc(entries, func(e meeting.Entry) bool { return e.Kind == meeting.Signed })
	if n < 0 {
		return true, nil
	}
	var before meeting.Meeting
	for _, e := range entries[:n] {
		before = meeting.Apply(before, e)
	}
	digest, err := meeting.Digest(before, m.Minutes.Text)
	return digest != m.Digest, err
}
