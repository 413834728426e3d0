package web

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
)

// The own page of a candidate, and later of the donor: a link with a secret, opened with
// the date of birth. Before the operation it shows the visits that are still to come
// (myvisits.go), after it the plan in plain words; whom to call in both. It shows no
// name, no result, nothing of a recipient. A browser goes on without the date for half an
// hour, since a calendar file and the private way to stop are pages of their own; the
// person can end that at once.

const (
	pathMy      = "/my/:secret"
	pathMyClose = "/my/:secret/close"
	// ownLifetime is how long a browser goes on without the date of birth, and ownCookie
	// what it is recognised by.
	ownLifetime = 30 * time.Minute
	ownCookie   = "candidacy-own"
)

// What the page says. A test holds all of it to a reading age of about 12.
const (
	myTitle     = "Your own page"
	myPlanTitle = "Your plan after the operation"
	myAsk       = "When were you born? We ask so that no one else can read your page."
	myShow      = "Show my page"
	myDenied    = "We cannot show your page. Check the date and try again. If it is right, the link may be too old. Call us for a new one."
	myBadDate   = "Write the day, the month and the year in numbers, like 27 3 1985, with all four digits of the year."
	myTooMany   = "That was wrong too many times. Wait for %s, then try again."
	myCare      = "What your doctor or nurse tells you comes first."
	myEmergency = "Call for help at once if"
	myWarning   = "Call us the same day if"
	myWhom      = "Who to call"
	myNoNumber  = "Call the number that we gave you."
	myNow       = "Now"
	myLater     = "Later"
	myWaiting   = "Not yet"
	myForLife   = "For life"
	myWaits     = "We do not have the day yet. We need to know: %s."
	myClose     = "Close my page"
	myFoot      = "This page is just for you. Close it when you are done."
)

// myAnchors say what a day waits for.
var myAnchors = map[protocol.Anchor]string{
	protocol.AtOperation: "the day of your operation", protocol.AtEating: "the day you could eat", protocol.AtWalking: "the day you could walk",
	protocol.AtCatheterOut: "the day the tube came out", protocol.AtDrainOut: "the day the drain came out", protocol.AtDischarge: "the day you went home",
	protocol.AtLastOpioid: "the day of your last strong painkiller", protocol.AtFirstVisit: "the day of your first visit",
	protocol.AtWorkPart: "the day you start to work half days", protocol.AtWorkFull: "the day you go back to work",
}

// myModel is one page behind the link.
type myModel struct {
	// Base is the address of the link, Page what is shown of it.
	Base, Page, Title string
	Words             map[string]string
	Day, Month, Year  string
	Problem           string
	// Programme is whose page it is, Email its address.
	Programme, Email string
	Contacts         []myContact
	// Before says that the operation is still to come: then there are visits, and the
	// private way to stop.
	Before      bool
	Visits, Off []myVisit
	// Calendar is the address of the file of all visits.
	Calendar string
	// The plan after the operation.
	Operated           string
	Emergency, Warning []string
	Groups             []myGroup
	// What is written with a wish to stop, and the key of its form.
	Written, Key string
}

type myContact struct {
	Title, Phone, Hours string
	// Dial is the address that a telephone dials.
	Dial   template.URL
	Urgent bool
}

// myGroup is what holds now, later, or for life.
type myGroup struct {
	Title string
	Lines []myLine
}

type myLine struct{ Text, When string }

var myWords = map[string]string{
	"ask": myAsk, "show": myShow, "care": myCare, "emergency": myEmergency, "warning": myWarning, "whom": myWhom, "no-number": myNoNumber, "close": myClose, "foot": myFoot,
	"none": myNone, "clock": myClock, "where": myWhere, "with": myWith, "what": myWhat, "mind": myMind, "off": myOff, "off-text": myOffText, "all": myAll, "file": myFile, "file-off": myFileOff, "file-note": myFileNote,
	"stop": askStop, "stop-title": stopTitle, "stop-hint": myStopHint, "optional": askOptional,
	"stop-text": stopText, "stop-others": stopOthers, "stop-words": stopWords, "stop-send": stopSend, "stopped": stoppedText, "return": myReturn,
}

// dial is the address behind a telephone number, digits only.
func dial(phone string) template.URL {
	digits := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r == '+' {
			return r
		}
		return -1
	}, phone)
	return template.URL("tel:" + digits) //nolint:gosec // digits and a plus only
}

// myDay writes a day in full words.
func myDay(d journey.Date) string {
	t, err := time.Parse(time.DateOnly, string(d))
	if err != nil {
		return ""
	}
	return t.Format("2 January 2006")
}

// myBase is the address of a link to an own page.
func myBase(secret string) string {
	return strings.Replace(pathMy, ":secret", url.PathEscape(secret), 1)
}

// showMy renders the page. The names of its own fields are not those of any other
// form, so that no browser offers a colleague's entries.
func (s *server) showMy(c echo.Context, status int, m myModel) error {
	m.Base, m.Words = myBase(c.Param("secret")), myWords
	title := m.Title
	if m.Problem != "" {
		title = "Error: " + title
	}
	return s.render(c, status, "my", page{Title: title, Body: m})
}

// askMine asks for the date of birth, whatever the link: nobody learns from it whether
// there is one.
func (s *server) askMine(c echo.Context, status int, m myModel) error {
	m.Page, m.Title = "born", myTitle
	return s.showMy(c, status, m)
}

// mine returns whose own page it is, for a browser in which the date of birth was given
// and while the link is open.
func (s *server) mine(c echo.Context) (record.Candidate, bool, error) {
	cookie, err := c.Cookie(ownCookie)
	if err != nil || cookie.Value == "" {
		return record.Candidate{}, false, nil
	}
	found, err := s.Store.OwnVisit(c.Request().Context(), c.Param("secret"), cookie.Value)
	if errors.Is(err, record.ErrNotFound) {
		return record.Candidate{}, false, nil
	}
	if err == nil {
		audit.About(c.Request().Context(), found.ID)
	}
	return found, err == nil, err
}

// toMine sends whoever has not given the date of birth to the question for it.
func (s *server) toMine(c echo.Context) error {
	return c.Redirect(http.StatusSeeOther, myBase(c.Param("secret")))
}

// myPage shows the page again to a browser that has seen it, and asks any other.
func (s *server) myPage(c echo.Context) error {
	found, ok, err := s.mine(c)
	if err != nil {
		return err
	}
	if !ok {
		return s.askMine(c, http.StatusOK, myModel{})
	}
	return s.showOwn(c, found)
}

// my shows the page to whoever has the link and knows the date of birth. A wrong
// date, a link that is over, revoked or of a journey that has ended, and one that
// never was are answered alike.
func (s *server) my(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	form := c.Request().PostForm
	m := myModel{Day: form.Get("born-day"), Month: form.Get("born-month"), Year: form.Get("born-year")}
	ctx, secret := c.Request().Context(), c.Param("secret")
	var found record.Candidate
	status, problem, err := s.bornOn(c, record.DonorDigest(secret), myDenied, func() (*record.Candidate, error) {
		var err error
		if found, err = s.Store.LinkedCandidate(ctx, secret); errors.Is(err, record.ErrNotFound) {
			return nil, nil
		}
		return &found, err
	})
	if err != nil {
		return err
	}
	if m.Problem = problem; problem != "" {
		return s.askMine(c, status, m)
	}
	visit, err := s.Store.BeginOwnVisit(ctx, secret, ownLifetime)
	if err != nil {
		return err
	}
	s.setVisitCookie(c, ownCookie, myBase(secret), visit, ownLifetime)
	return s.showOwn(c, found)
}

// closeMine ends the visit of a browser, whatever there is to end.
func (s *server) closeMine(c echo.Context) error {
	if cookie, err := c.Cookie(ownCookie); err == nil && cookie.Value != "" {
		if err := s.Store.EndOwnVisit(c.Request().Context(), c.Param("secret"), cookie.Value); err != nil {
			return err
		}
	}
	s.setVisitCookie(c, ownCookie, myBase(c.Param("secret")), "", -time.Second)
	return s.toMine(c)
}

// showOwn shows what applies to the stage.
func (s *server) showOwn(c echo.Context, found record.Candidate) error {
	ctx := c.Request().Context()
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return err
	}
	entries, err := s.Store.Entries(ctx, found.ID)
	if err != nil {
		return err
	}
	_, lines, err := api.RecoveryPlan(p, found.State, entries, s.today(p.Zone()))
	if err != nil {
		return err
	}
	m := myModel{Page: "own", Title: myTitle, Before: found.State.Stage.BeforeOperation()}
	if lines != nil {
		m.plan(found.State.Operated, lines)
	}
	m.programme(p)
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	if err := m.visits(p, found, entries, people, myBase(c.Param("secret")), s.Now()); err != nil {
		return err
	}
	return s.showMy(c, http.StatusOK, m)
}

// programme says whose page it is, and whom to call.
func (m *myModel) programme(p *protocol.Protocol) {
	m.Programme = protocol.DefaultProgrammeName
	for _, contact := range p.Contacts {
		m.Contacts = append(m.Contacts, myContact{contact.Title, contact.Phone, contact.Hours, dial(contact.Phone), contact.Urgent})
	}
	if p.Programme == nil {
		return
	}
	if p.Programme.Name != "" {
		m.Programme = p.Programme.Name
	}
	m.Email = p.Programme.Email
	phone := p.Programme.Phone
	if phone != "" && !slices.ContainsFunc(m.Contacts, func(c myContact) bool { return c.Dial == dial(phone) }) {
		m.Contacts = append(m.Contacts, myContact{m.Programme, phone, "", dial(phone), false})
	}
}

// Called lists whom to call about what can wait.
func (m myModel) Called() []myContact {
	return slices.DeleteFunc(slices.Clone(m.Contacts), func(c myContact) bool { return c.Urgent })
}

// plan puts the lines for the donor in the order in which they matter.
func (m *myModel) plan(operated journey.Date, lines []recovery.Line) {
	m.Title, m.Operated = myPlanTitle, myDay(operated)
	groups := map[string][]myLine{}
	for _, l := range lines {
		if l.For != protocol.ForCandidate {
			continue
		}
		text := l.Plain
		if text == "" {
			text = l.Title + "."
		}
		if l.Topic == protocol.EmergencySigns || l.Topic == protocol.WarningSigns {
			if l.State == recovery.Past {
				continue
			}
			text = strings.ToLower(text[:1]) + text[1:]
			if l.Topic == protocol.EmergencySigns {
				m.Emergency = append(m.Emergency, text)
			} else {
				m.Warning = append(m.Warning, text)
			}
			continue
		}
		if group, when := myWhen(l); group != "" {
			groups[group] = append(groups[group], myLine{text, when})
		}
	}
	for _, title := range []string{myNow, myWaiting, myLater, myForLife} {
		if len(groups[title]) > 0 {
			m.Groups = append(m.Groups, myGroup{title, groups[title]})
		}
	}
}

// myWhen says where a line belongs and when it holds. What is over is left out.
func myWhen(l recovery.Line) (group, when string) {
	switch {
	case l.State == recovery.Waits:
		words := make([]string, len(l.WaitsFor))
		for i, a := range l.WaitsFor {
			words[i] = known(myAnchors, a)
		}
		return myWaiting, fmt.Sprintf(myWaits, strings.Join(words, " and "))
	case l.State == recovery.Past || l.State == recovery.Done:
		return "", ""
	case l.ForLife:
		if l.State == recovery.Ahead {
			return myForLife, "From " + myDay(l.From) + "."
		}
		return myForLife, ""
	case l.State == recovery.Ahead:
		if l.Until != "" && l.Until != l.From {
			return myLater, "From " + myDay(l.From) + " to " + myDay(l.Until) + "."
		}
		return myLater, "From " + myDay(l.From) + "."
	case l.Until != "":
		return myNow, "Until " + myDay(l.Until) + "."
	case l.EndsWith != "":
		return myNow, ""
	default:
		return myNow, "Since " + myDay(l.From) + "."
	}
}

// linkModel shows a new link once.
type linkModel struct{ Name, Home, Link, Until string }

// showLink shows the link that was just made. It is in no address and in no log,
// and only its digest is stored.
func (s *server) showLink(c echo.Context, shown, title, path string, found record.Candidate, name, secret string, until journey.Date) error {
	scheme := "http"
	if s.Secure || c.Scheme() == "https" {
		scheme = "https"
	}
	link := scheme + "://" + c.Request().Host + strings.Replace(path, ":secret", secret, 1)
	return s.render(c, http.StatusOK, shown, page{Title: title, Body: linkModel{
		Name: name, Home: "/candidates/" + found.ID, Link: link, Until: dayWord(until),
	}})
}
