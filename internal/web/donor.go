package web

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
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

// The donor's own page: a link with a secret, opened with the date of birth. It
// shows the plan in plain words and the programme's telephone numbers, and
// nothing else: no name, no result, nothing of a recipient. Nothing is kept in
// the browser; whoever comes again gives the date again.

const pathMy = "/my/:secret"

// What the page says. A test holds all of it to a reading age of about 12.
const (
	myTitle     = "Your plan after the operation"
	myAsk       = "When were you born? We ask so that no one else can read your plan."
	myDenied    = "We cannot show a plan. Check the date and try again. If it is right, the link may be too old. Call us for a new one."
	myBadDate   = "Write the day, the month and the year in numbers, like 27 3 1985."
	myTooMany   = "That was wrong too many times. Wait for %s, then try again."
	myCare      = "What your doctor or nurse tells you comes first."
	myEmergency = "Call for help at once if"
	myWarning   = "Call us the same day if"
	myWhom      = "Who to call"
	myNow       = "Now"
	myLater     = "Later"
	myWaiting   = "Not yet"
	myForLife   = "For life"
	myWaits     = "We do not have the day yet. We need to know: %s."
	myFoot      = "This page is just for you. Close it when you are done."
)

// myAnchors say what a day waits for.
var myAnchors = map[protocol.Anchor]string{
	protocol.AtOperation: "the day of your operation", protocol.AtEating: "the day you could eat", protocol.AtWalking: "the day you could walk",
	protocol.AtCatheterOut: "the day the tube came out", protocol.AtDrainOut: "the day the drain came out", protocol.AtDischarge: "the day you went home",
	protocol.AtLastOpioid: "the day of your last strong painkiller", protocol.AtFirstVisit: "the day of your first visit",
	protocol.AtWorkPart: "the day you start to work half days", protocol.AtWorkFull: "the day you go back to work",
}

// myModel is the page, with the plan once the date of birth was right.
type myModel struct {
	Secret           string
	Day, Month, Year string
	Problem          string
	Operated         string
	Emergency        []string
	Warning          []string
	Contacts         []myContact
	Groups           []myGroup
	Words            map[string]string
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
	"title": myTitle, "ask": myAsk, "care": myCare, "emergency": myEmergency, "warning": myWarning, "whom": myWhom, "foot": myFoot,
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

// showMy renders the page. The names of its own fields are not those of any other
// form, so that no browser offers a colleague's entries.
func (s *server) showMy(c echo.Context, status int, m myModel) error {
	m.Secret, m.Words = c.Param("secret"), myWords
	title := myTitle
	if m.Problem != "" {
		title = "Error: " + title
	}
	return s.render(c, status, "my", page{Title: title, Body: m})
}

// myPage asks for the date of birth, whatever the link: nobody learns from it
// whether there is one.
func (s *server) myPage(c echo.Context) error { return s.showMy(c, http.StatusOK, myModel{}) }

// my shows the plan to whoever has the link and knows the date of birth. A wrong
// date, a link that is over, revoked or of a journey that has ended, and one that
// never was are answered alike.
func (s *server) my(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	form := c.Request().PostForm
	m := myModel{Day: form.Get("born-day"), Month: form.Get("born-month"), Year: form.Get("born-year")}
	born, ok := birthDate(m.Day, m.Month, m.Year)
	if !ok {
		m.Problem = myBadDate
		return s.showMy(c, http.StatusUnprocessableEntity, m)
	}
	ctx, secret := c.Request().Context(), c.Param("secret")
	byLink, byAddress := "link "+record.DonorDigest(secret), addressPrefix+s.address(c)
	if wait, ok := s.limiter.take(byLink, byAddress); !ok {
		minutes := int((wait + time.Minute - 1) / time.Minute)
		c.Response().Header().Set("Retry-After", strconv.Itoa(int((wait+time.Second-1)/time.Second)))
		m.Problem = fmt.Sprintf(myTooMany, plural(minutes, "minute"))
		return s.showMy(c, http.StatusTooManyRequests, m)
	}
	found, err := s.Store.LinkedCandidate(ctx, secret)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		return err
	}
	if subtle.ConstantTimeCompare([]byte(found.Identity.BirthDate), []byte(born)) != 1 || err != nil {
		m.Problem = myDenied
		return s.showMy(c, http.StatusForbidden, m)
	}
	s.limiter.release(byLink, byAddress)
	audit.About(ctx, found.ID)
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
	return s.showMy(c, http.StatusOK, myPlan(p, found.State.Operated, lines))
}

// birthDate puts a date of birth together from what was written.
func birthDate(day, month, year string) (journey.Date, bool) {
	d, errDay := strconv.Atoi(strings.TrimSpace(day))
	m, errMonth := strconv.Atoi(strings.TrimSpace(month))
	y, errYear := strconv.Atoi(strings.TrimSpace(year))
	if errDay != nil || errMonth != nil || errYear != nil {
		return "", false
	}
	date, err := journey.ParseDate(fmt.Sprintf("%04d-%02d-%02d", y, m, d))
	return date, err == nil
}

// myPlan puts the lines for the donor in the order in which they matter.
func myPlan(p *protocol.Protocol, operated journey.Date, lines []recovery.Line) myModel {
	m := myModel{Operated: myDay(operated)}
	for _, contact := range p.Contacts {
		m.Contacts = append(m.Contacts, myContact{contact.Title, contact.Phone, contact.Hours, dial(contact.Phone), contact.Urgent})
	}
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
	return m
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
