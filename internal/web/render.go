package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

//go:embed templates
var templateFiles embed.FS

// page is the model of the layout around every page.
type page struct {
	Title   string
	Account *record.Account
	Demo    bool
	Notice  string
	Errors  *summary
	Body    any
	Path    string
}

// summary lists what is wrong with a form, at the top of its page.
type summary struct {
	Title string
	Items []problem
}

// problem is one thing that is wrong, with the field it is about.
type problem struct {
	Text  string
	Field string
}

// valueTable is a table of values with its caption.
type valueTable struct {
	Caption string
	Rows    []valueModel
}

// visitTable and donorTable are such tables of visits and of donors.
type visitTable struct {
	Caption string
	Rows    []visitModel
}

// messageTable is such a table of messages.
type messageTable struct {
	Caption string
	Rows    []messageRow
}

type donorTable struct {
	Caption string
	Rows    []donorRow
}

// reviewTable is such a table of reviews.
type reviewTable struct {
	Caption string
	Rows    []reviewModel
}

// meetingTable is such a table of meetings.
type meetingTable struct {
	Caption string
	Rows    []meetingRow
}

// pages are the parsed templates by name, each with the layout.
type pages map[string]*template.Template

var pageNames = []string{"sign-in", "board", "evaluation", "today", "referral", "candidate", "protocols", "clients", "check", "reports", "followup", "notices", "incoming", "message", "measures", "measured", "committee", "meeting", "meeting-item", "minutes", "summary", "letters", "letter", "error", "recovery-plan", "donor-link", "my", "questions", "questionnaire-link", "accounts", "account", "password", "second-factor", "recovery-codes", "code", "audit", "emergency", "visits", "day-plan", "all-visits", "plasma", "ambulatory", "review", "results", "documents", "advocate", "room", "own-notes", "witness", "statement"}

func loadPages(a assets) (pages, error) {
	functions := template.FuncMap{
		"asset": a.path, "capital": capital, "further": further, "htmx": func() string { return htmxConfig }, "home": home, "band": bandMark, "status": statusMark, "stage": stageWord, "role": roleWord,
		"day": dayWord, "unit": unitWord, "bar": stageBar, "reading": readingWord, "agreement": agreementMark, "table": func(caption string, rows []valueModel) valueTable { return valueTable{caption, rows} },
		"visits":   func(caption string, rows []visitModel) visitTable { return visitTable{caption, rows} },
		"rows":     func(caption string, rows []messageRow) messageTable { return messageTable{caption, rows} },
		"reviews":  func(caption string, rows []reviewModel) reviewTable { return reviewTable{caption, rows} },
		"meetings": func(caption string, rows []meetingRow) meetingTable { return meetingTable{caption, rows} },
		"booked":   func(caption string, rows []bookedModel) bookedTable { return bookedTable{caption, rows} },
		"coming":   func(caption, link string, rows []comingModel) comingTable { return comingTable{caption, link, rows} },
		"ask":      func(m questionsModel, q askModel) askedModel { return askedModel{m, q} },
		"donors":   func(caption string, rows []donorRow) donorTable { return donorTable{caption, rows} },
	}
	layout, err := template.New("layout").Option("missingkey=error").Funcs(functions).ParseFS(templateFiles,
		"templates/layout.html", "templates/form.html", "templates/operation.html", "templates/recovery.html", "templates/risks.html", "templates/followup-part.html",
		"templates/self.html", "templates/committee-part.html", "templates/summary-part.html", "templates/sessions.html", "templates/emergency-part.html", "templates/alike-part.html", "templates/stop-part.html")
	if err != nil {
		return nil, fmt.Errorf("read the templates: %w", err)
	}
	all := pages{}
	for _, name := range pageNames {
		t, err := layout.Clone()
		if err == nil {
			t, err = t.ParseFS(templateFiles, "templates/"+name+".html")
		}
		if err != nil {
			return nil, fmt.Errorf("read the template %s: %w", name, err)
		}
		all[name] = t
	}
	return all, nil
}

// render executes a template in full before the first byte is sent, so that a
// fault is an error page and never half a page.
func (s *server) render(c echo.Context, status int, name string, p page) error {
	if account, ok := signedIn(c); ok {
		p.Account = &account
	}
	p.Demo, p.Path = s.Demo, c.Request().URL.Path
	var out bytes.Buffer
	if err := s.pages[name].ExecuteTemplate(&out, "layout", p); err != nil {
		return fmt.Errorf("render %s: %w", name, err)
	}
	return s.send(c, status, out.Bytes())
}

// renderPart executes one template of a page, for a part that is put in place of
// what it was.
func (s *server) renderPart(c echo.Context, name, part string, model any) error {
	var out bytes.Buffer
	if err := s.pages[name].ExecuteTemplate(&out, part, model); err != nil {
		return fmt.Errorf("render %s of %s: %w", part, name, err)
	}
	return s.send(c, http.StatusOK, out.Bytes())
}

// further is what a page of the menu of further pages is called there, empty for others.
func further(path string) string {
	return map[string]string{"/reports": "Reportable events", pathMeasures: "Measures", pathNotices: "Messages", pathEmergency: "Emergency"}[path]
}

// home is the first page of an account, and of nobody where to sign in.
func home(account *record.Account) string {
	if account == nil {
		return pathSignIn
	}
	if account.Role == journey.Administrator {
		return pathProtocols
	}
	if account.Role == journey.Coordinator {
		return pathToday
	}
	if account != nil && account.Role == journey.Advocate {
		return pathAdvocate
	}
	return pathBoard
}

// today is the calendar day in the zone of the programme.
func (s *server) today(zone *time.Location) journey.Date { return journey.DateOf(s.Now(), zone) }

// statusOf is the HTTP status of a refusal, the same as in the API.
func statusOf(code journey.RefusalCode) int {
	switch code {
	case journey.Invalid:
		return http.StatusUnprocessableEntity
	case journey.Forbidden:
		return http.StatusForbidden
	case journey.NotFound:
		return http.StatusNotFound
	default:
		return http.StatusConflict
	}
}
