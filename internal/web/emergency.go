package web

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// overriders are the roles that may open in an emergency what is kept from them: an
// advocate somebody else's candidate, and a coordinator what was told in confidence.
// Clinicians and the committee are kept from nothing that could be opened; auditors,
// administrators and systems have no emergencies. Nobody who cares for the recipient
// opens anything.
var overriders = []journey.Role{journey.Coordinator, journey.Advocate}

const (
	pathEmergency = "/emergency"
	// emergencyLife is how long a candidate stays open.
	emergencyLife = time.Hour
	// newsLife is how long the board and the page of accounts tell of it.
	newsLife = 7 * 24 * time.Hour
	// shortestReason and longestReason bound the reason in characters.
	shortestReason = 15
	longestReason  = 2000
	// openedWord stands in an address for what was just done.
	openedWord = "opened"
)

// emergencyModel is the model of the page.
type emergencyModel struct {
	Advocate bool
	Form     form
}

// emergencyRow is one emergency access as it is shown.
type emergencyRow struct {
	When, Until, Who, Reason string
	Name, Link               string
}

func emergencyForm() form {
	f := form{ID: "emergency", Action: pathEmergency, Button: "Open in an emergency", Grave: true, Key: newKey(), Fields: []field{
		{Name: "number", Label: "Hospital number of the candidate", Type: "text", Complete: "off"},
		{Name: "born", Label: "Date of birth", Type: "date", Complete: "off"},
		{Name: "reason", Label: "Why this can't wait", Type: "textarea", Hint: "Whoever looks after the candidate reads this. Say what happened and what you need to know."},
	}}
	f.fill(nil, nil)
	return f
}

func (s *server) emergencyPage(c echo.Context) error {
	account, _ := signedIn(c)
	return s.render(c, http.StatusOK, "emergency", page{Title: "Open in an emergency", Body: emergencyModel{account.Role == journey.Advocate, emergencyForm()}})
}

// openInEmergency opens a candidate for a while, once a reason is given. Whoever cares
// for the recipient is answered as if there were no such candidate.
func (s *server) openInEmergency(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	v := s.viewer(account)
	ctx, values := c.Request().Context(), c.Request().PostForm
	number, born, reason := strings.TrimSpace(values.Get("number")), strings.TrimSpace(values.Get("born")), strings.TrimSpace(values.Get("reason"))
	var problems []problem
	wrong := func(field, text string) { problems = append(problems, problem{Text: text, Field: field}) }
	if number == "" {
		wrong("number", "Enter the number.")
	}
	if _, err := time.Parse(time.DateOnly, born); err != nil {
		wrong("born", "Enter a day as year-month-day.")
	}
	if n := utf8.RuneCountInString(reason); n < shortestReason || n > longestReason {
		wrong("reason", "Say why in 15 to 2000 characters.")
	}
	status := http.StatusUnprocessableEntity
	key := "emergency " + account.ID
	if len(problems) == 0 {
		if wait, ok := s.limiter.take(key); !ok {
			status = http.StatusTooManyRequests
			retryAfter(c, wait)
			wrong("number", "Too many attempts; wait "+waitWord(wait)+".")
		}
	}
	if len(problems) == 0 {
		id, err := s.overridable(ctx, v, number, journey.Date(born))
		if err != nil {
			return err
		}
		if id != "" {
			s.limiter.release(key)
			return s.opens(c, account, id, reason)
		}
		wrong("number", "No candidate whom you could open has this number and date of birth.")
	}
	f := emergencyForm()
	f.fill(values, problems)
	return s.render(c, status, "emergency", page{
		Title: "Error: Open in an emergency", Body: emergencyModel{account.Role == journey.Advocate, f}, Errors: f.summary("Nothing was opened", problems),
	})
}

func (s *server) opens(c echo.Context, account record.Account, id, reason string) error {
	ctx := c.Request().Context()
	opened, err := s.Store.OpenInEmergency(ctx, record.Emergency{Candidate: id, Actor: account.ID, Role: account.Role, Reason: reason}, emergencyLife, s.emergencyNotices()...)
	if err != nil {
		return err
	}
	audit.Interaction(ctx, record.AccessEmergency)
	audit.Resource(ctx, "Patient", opened.Candidate)
	audit.About(ctx, opened.Candidate)
	return c.Redirect(http.StatusSeeOther, "/candidates/"+opened.Candidate+"?done="+openedWord)
}

// emergencyNotices are the messages that tell of it, as the programme's present protocol
// has them: whoever looks is no matter of the version that the candidate is pinned to.
func (s *server) emergencyNotices() []record.Notice {
	var list []record.Notice
	for _, n := range s.Current.Told(journey.Deadline{Kind: protocol.EmergencyOpened}) {
		for _, to := range n.To {
			list = append(list, record.Notice{Deadline: protocol.EmergencyOpened, Addressee: string(to), Protocol: s.Current.Version, Text: n.Text})
		}
	}
	return list
}

// overridable finds the candidate whom the viewer may open in an emergency.
func (s *server) overridable(ctx context.Context, v *viewer, number string, born journey.Date) (string, error) {
	ids, err := s.Store.KnownBy(ctx, number, born)
	if err != nil || len(ids) != 1 {
		return "", err
	}
	c, err := s.Store.Candidate(ctx, ids[0])
	if err != nil {
		return "", err
	}
	cares, err := s.caresForRecipient(ctx, v, c)
	if err != nil || cares {
		return "", err
	}
	return c.ID, nil
}

// opened reports until when the viewer has a candidate open.
func (s *server) opened(ctx context.Context, v *viewer, candidate string) (time.Time, bool, error) {
	if !slices.Contains(overriders, v.Role) {
		return time.Time{}, false, nil
	}
	if v.emergencies == nil {
		list, err := s.Store.Emergencies(ctx, record.EmergencyQuery{Actor: v.ID, OpenAt: v.now})
		if err != nil {
			return time.Time{}, false, err
		}
		v.emergencies = map[string]time.Time{}
		for _, e := range list {
			if e.Role == v.Role && e.Until.After(v.emergencies[e.Candidate]) {
				v.emergencies[e.Candidate] = e.Until
			}
		}
	}
	until, ok := v.emergencies[candidate]
	return until, ok, nil
}

// emergencyRows are emergency accesses as the viewer may read them.
func (s *server) emergencyRows(v *viewer, list []record.Emergency, names map[string]string) []emergencyRow {
	var rows []emergencyRow
	for _, e := range list {
		row := emergencyRow{When: s.clientTime(e.At), Until: e.Until.In(s.Current.Zone()).Format("15:04"), Who: s.whoWord(names, e.Actor, e.Role), Reason: e.Reason}
		if !v.reader().ReadsCare() {
			row.Reason = withheld
		}
		rows = append(rows, row)
	}
	return rows
}

// emergencyNews are the candidates of whom a coordinator is told that somebody opened
// them lately.
func (s *server) emergencyNews(ctx context.Context, v *viewer) ([]emergencyRow, error) {
	if v.Role != journey.Coordinator {
		return nil, nil
	}
	list, err := s.Store.Emergencies(ctx, record.EmergencyQuery{From: s.Now().Add(-newsLife)})
	if err != nil || len(list) == 0 {
		return nil, err
	}
	names, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	var rows []emergencyRow
	for _, e := range list {
		c, err := s.Store.Candidate(ctx, e.Candidate)
		if err != nil {
			return nil, err
		}
		sees, err := s.sees(ctx, v, c)
		if err != nil {
			return nil, err
		}
		if !sees { // they care for the recipient
			continue
		}
		audit.About(ctx, c.ID)
		row := s.emergencyRows(v, []record.Emergency{e}, names)[0]
		row.Name, row.Link = v.name(c), "/candidates/"+c.ID
		rows = append(rows, row)
	}
	return rows, nil
}

// emergencyCount says on the page of accounts that records were opened lately, and by
// whom; whose they are is not for administrators.
func (s *server) emergencyCount(ctx context.Context) ([]emergencyRow, error) {
	list, err := s.Store.Emergencies(ctx, record.EmergencyQuery{From: s.Now().Add(-newsLife)})
	if err != nil || len(list) == 0 {
		return nil, err
	}
	names, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	var rows []emergencyRow
	for _, e := range list {
		rows = append(rows, emergencyRow{When: s.clientTime(e.At), Who: s.whoWord(names, e.Actor, e.Role)})
	}
	return rows, nil
}

// addEmergencies puts on a candidate's page who opened it in an emergency.
func (s *server) addEmergencies(ctx context.Context, m *candidateModel, v *viewer, c record.Candidate) error {
	list, err := s.Store.Emergencies(ctx, record.EmergencyQuery{Candidate: c.ID})
	if err != nil || len(list) == 0 {
		return err
	}
	names, err := s.people(ctx)
	if err != nil {
		return err
	}
	m.Emergencies = s.emergencyRows(v, list, names)
	if !v.open.IsZero() {
		m.Open = v.open.In(s.Current.Zone()).Format("15:04")
	}
	return nil
}
