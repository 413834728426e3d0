package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/notify"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// noticeReaders see which messages were sent. Coordinators see for whom;
// administrators look after the mail server, and are told nothing of anybody.
var noticeReaders = []journey.Role{journey.Coordinator, journey.Administrator}

const (
	// noticeRows bounds each list of the page.
	noticeRows = 100
	// stuckAfter is after how many attempts a message counts as not getting
	// through: common practice, some 5 minutes.
	stuckAfter = 3
)

// noticesModel is the model of the page of messages.
type noticesModel struct {
	Lists []noticeList
	// People says that the viewer may see whom a message is about.
	People bool
	// Failed says that there is something to try again, and MayChange that the
	// viewer may.
	Failed, MayChange bool
}

// noticeList is the messages in one state.
type noticeList struct {
	Title, Hint, Empty string
	Rows               []noticeModel
	// Full says that there may be more.
	Full bool
}

// noticeModel is one message.
type noticeModel struct {
	Link, Name string
	To         string
	Occasion   string
	Subject    string
	When       string
	Problem    string
}

var addresseeWords = map[string]string{
	string(protocol.ToCoordinator): "Coordinators", string(protocol.ToAdvocate): "The candidate's advocate",
	string(protocol.ToClinician): "Clinicians", string(protocol.ToCommittee): "Selection committee",
	string(protocol.ToAdministrator): "Administrators", string(protocol.ToAuditor): "Auditors", string(protocol.ToCandidate): "The candidate",
}

var classWords = map[string]string{
	notify.NoAddress: "nobody whom it is for has an e-mail address", notify.NoPermission: "the candidate has not agreed to e-mail",
	notify.NoAdvocate: "no advocate is assigned", notify.Settled: "the visit was settled before", notify.TooOld: "it had waited too long",
	notify.NoText: "the protocol does not have its text", record.DroppedEnded: "nothing is waited for any more", record.DroppedAside: "set aside",
	"unreachable": "the mail server can't be reached", "tls": "no protected connection to the mail server",
	"sign-in": "the mail server did not accept the sign-in", "connection-lost": "the connection to the mail server was lost",
	"address": "the e-mail address is not valid", "settings": "the settings of the mail server can't work",
}

// classWord says why a message was not sent.
func classWord(class string) string {
	if code, ok := strings.CutPrefix(class, "smtp-"); ok {
		return "the mail server answered " + code
	}
	return known(classWords, class)
}

var noticeStates = []struct {
	state       record.NoticeState
	title, hint string
	empty       string
}{
	{record.NoticeFailed, "Not sent", "The program has stopped trying.", "Nothing has failed."},
	{record.NoticeQueued, "Waiting", "They are sent at their time, and tried again after a pause.", "Nothing is waiting."},
	{record.NoticeSent, "Sent", "", "Nothing has been sent yet."},
	{record.NoticeDropped, "Not needed any more", "", "Nothing was dropped."},
}

// notices shows which messages wait, were sent or failed. No address is shown.
func (s *server) notices(c echo.Context) error {
	account, _ := signedIn(c)
	model, err := s.noticesModel(c.Request().Context(), s.viewer(account))
	if err != nil {
		return err
	}
	p := page{Title: "Messages", Body: model}
	switch c.QueryParam("done") {
	case "retried":
		p.Notice = "They are tried again within a minute, if a mail server is set."
	case "set-aside":
		p.Notice = "They are set aside."
	}
	return s.render(c, http.StatusOK, "notices", p)
}

func (s *server) noticesModel(ctx context.Context, v *viewer) (noticesModel, error) {
	people := v.Role == journey.Coordinator
	m := noticesModel{People: people, MayChange: people}
	for _, each := range noticeStates {
		list := noticeList{Title: each.title, Hint: each.hint, Empty: each.empty}
		rows, err := s.Store.Notices(ctx, each.state, noticeRows)
		if err != nil {
			return m, err
		}
		list.Full = len(rows) == noticeRows
		shown, err := s.aboutVisible(ctx, v, rows)
		if err != nil {
			return m, err
		}
		for _, n := range shown {
			row, err := s.noticeModel(ctx, v, people, n)
			if err != nil {
				return m, err
			}
			list.Rows = append(list.Rows, row)
		}
		m.Failed = m.Failed || each.state == record.NoticeFailed && len(list.Rows) > 0
		m.Lists = append(m.Lists, list)
	}
	return m, nil
}

// aboutOne is a notice with the candidate whom it is about.
type aboutOne struct {
	record.Notice
	candidate record.Candidate
}

// aboutVisible leaves out what is about a candidate whom the viewer may not see.
// Administrators are shown every row, and nobody in it.
func (s *server) aboutVisible(ctx context.Context, v *viewer, list []record.Notice) ([]aboutOne, error) {
	candidates := map[string]record.Candidate{}
	var shown []aboutOne
	for _, n := range list {
		if v.Role == journey.Administrator {
			shown = append(shown, aboutOne{Notice: n})
			continue
		}
		candidate, ok := candidates[n.Candidate]
		if !ok {
			var err error
			if candidate, err = s.Store.Candidate(ctx, n.Candidate); err != nil {
				return nil, err
			}
			candidates[n.Candidate] = candidate
		}
		sees, err := s.sees(ctx, v, candidate)
		if err != nil {
			return nil, err
		}
		if sees {
			audit.About(ctx, candidate.ID)
			shown = append(shown, aboutOne{n, candidate})
		}
	}
	return shown, nil
}

func (s *server) noticeModel(ctx context.Context, v *viewer, people bool, n aboutOne) (noticeModel, error) {
	p, err := s.Protocols.Get(ctx, n.Protocol)
	if err != nil {
		return noticeModel{}, err
	}
	when := func(t time.Time) string { return t.In(p.Zone()).Format("2 Jan 2006, 15:04") }
	row := noticeModel{To: known(addresseeWords, n.Addressee), Subject: n.Text, When: when(n.DueAt)}
	if text, ok := p.NoticeText(n.Text); ok {
		row.Subject = text.Subject
	}
	if !n.SettledAt.IsZero() {
		row.When = when(n.SettledAt)
	}
	if n.Error != "" {
		row.Problem = capital(classWord(n.Error))
		if n.Attempts > 0 {
			row.Problem += ", after " + plural(n.Attempts, "attempt")
		}
	}
	if people {
		row.Link, row.Name = "/candidates/"+n.Candidate, v.name(n.candidate)
		row.Occasion = deadlineWord(p, n.Deadline, n.Notice.Subject)
		if n.Notice.Subject == "" {
			row.Occasion = occasionWord(p, n.Deadline)
		}
	}
	return row, nil
}

// occasionWord names a kind of deadline without what it was about.
func occasionWord(p *protocol.Protocol, kind journey.DeadlineKind) string {
	of, reminds := kind.Announces()
	word, ok := map[journey.DeadlineKind]string{
		journey.RequirementExpires: "Results or reviews expire", journey.VisitOpens: "Visit opens", journey.VisitCloses: "Visit closes",
	}[of]
	if !ok {
		return deadlineWord(p, kind, "")
	}
	if reminds {
		return "Reminder: " + word
	}
	return word
}

// mailTrouble says on a coordinator's board that messages are not getting
// through.
func (s *server) mailTrouble(ctx context.Context, v *viewer) (string, error) {
	if v.Role != journey.Coordinator {
		return "", nil
	}
	list, err := s.Store.StuckNotices(ctx, stuckAfter, noticeRows)
	if err != nil {
		return "", err
	}
	shown, err := s.aboutVisible(ctx, v, list)
	if err != nil || len(shown) == 0 {
		return "", err
	}
	if len(shown) == 1 {
		return "1 message is not getting through.", nil
	}
	return plural(len(shown), "message") + " are not getting through.", nil
}

// changeNotices tries what failed again, or sets it aside.
func (s *server) changeNotices(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	change, done := s.Store.RetryNotices, "retried"
	switch c.Request().PostForm.Get("do") {
	case "retry":
	case "set-aside":
		change, done = s.Store.SetAsideNotices, "set-aside"
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done with the messages: try them again, or set them aside."}
	}
	list, err := s.Store.Notices(ctx, record.NoticeFailed, noticeRows)
	if err != nil {
		return err
	}
	shown, err := s.aboutVisible(ctx, v, list)
	if err != nil {
		return err
	}
	var ids []string
	for _, n := range shown {
		ids = append(ids, n.ID)
	}
	if _, err := change(ctx, ids); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, pathNotices+"?done="+done)
}
