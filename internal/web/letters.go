package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// letterWriters write to candidates: those who know how a journey ended and look
// after the candidate. Nobody outside is among them.
var letterWriters = []journey.Role{journey.Coordinator, journey.Advocate}

var letterChannels = []option{{"handed-over", "Handed over"}, {"post", "Sent by post"}, {"portal", "Put into the patient's portal"}, {"read-out", "Read out, and then handed over"}}

// lettersModel is the page of a candidate's letters.
type lettersModel struct {
	Name, Link string
	// Of is what there is to tell.
	Of    string
	Empty string
	Form  *form
	Sent  []letterRow
	// Preview is the letter as it would be printed.
	Preview []string
	Title   string
}

type letterRow struct{ Title, When, Link string }

// letterModel is a letter as it was sent, for paper.
type letterModel struct {
	Title, Name, Number, When, By, Back string
	Paragraphs                          []string
}

func lettersLink(candidate string) string { return "/candidates/" + candidate + "/letters" }

// letterOf says what there is to tell a candidate, and of which entry.
func letterOf(s journey.State, entries []record.Entry) (protocol.LetterFor, int64) {
	last := func(kinds ...journey.Kind) int64 {
		for i := len(entries) - 1; i >= 0; i-- {
			if slices.Contains(kinds, entries[i].Kind) {
				return entries[i].Seq
			}
		}
		return 0
	}
	switch {
	case s.Stage == journey.Withdrawn:
		return protocol.LetterOfWithdrawal, last(journey.Withdraw)
	case s.Stage == journey.Declined:
		return protocol.LetterOfDecline, last(journey.Decline, journey.RecordDecision)
	case s.Stage == journey.Deferred && s.Decision != nil:
		return protocol.LetterOfDeferral, s.Decision.Seq
	case s.Decision != nil && s.Decision.Outcome == journey.Approve && s.Stage.BeforeOperation():
		return protocol.LetterOfApproval, s.Decision.Seq
	default:
		return "", 0
	}
}

// filled is the letter of the protocol with what is known.
func filled(sc scene, of protocol.LetterFor) (protocol.Letter, string, error) {
	letter, ok := sc.protocol.Letter(of)
	if !ok {
		return letter, "", nil
	}
	c := sc.candidate
	facts := protocol.LetterFacts{Name: c.Identity.Given + " " + c.Identity.Family, Date: longDay(sc.today)}
	if d := c.State.Decision; d != nil && of != protocol.LetterOfDecline && of != protocol.LetterOfWithdrawal {
		facts.Until, facts.Side = longDay(d.Expires), string(d.Side)
	}
	texts, err := activities.ConditionTexts(sc.entries)
	if err != nil {
		return letter, "", err
	}
	for _, i := range c.State.Imposed {
		if r, _ := c.State.Find(i.ID); of == protocol.LetterOfApproval && r.Status != journey.NotApplicable && texts[i.ID] != "" {
			facts.Conditions = append(facts.Conditions, texts[i.ID])
		}
	}
	text, err := letter.Fill(facts)
	return letter, text, err
}

func longDay(d journey.Date) string {
	if d == "" {
		return ""
	}
	return d.Start(time.UTC).Format("2 January 2006")
}

// letters shows what was sent to a candidate, and the letter that is to be sent.
func (s *server) letters(c echo.Context) error {
	return s.showLetters(c, http.StatusOK, nil, "", nil)
}

func (s *server) showLetters(c echo.Context, status int, values url.Values, title string, problems []problem) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	ctx, v, found := c.Request().Context(), sc.viewer, sc.candidate
	sent, err := s.Store.Letters(ctx, found.ID)
	if err != nil {
		return err
	}
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	m := lettersModel{Name: v.name(found), Link: "/candidates/" + found.ID}
	for i := len(sent) - 1; i >= 0; i-- {
		l := sent[i]
		m.Sent = append(m.Sent, letterRow{
			Title: l.Title, Link: lettersLink(found.ID) + "/" + strconv.FormatInt(l.Seq, 10),
			When: dayWord(l.On) + ", " + lower(channelWord(l.Channel)) + ", " + personWord(people, l.By),
		})
	}
	of, _ := letterOf(found.State, sc.entries)
	letter, text, err := filled(sc, of)
	if err != nil {
		return err
	}
	p := page{Title: "Letters to " + m.Name}
	switch {
	case of == "":
		m.Empty = "There is nothing to tell by letter now: no decision stands, and the journey goes on."
	case text == "":
		m.Empty = "The programme's protocol has no letter for this."
	default:
		m.Title = letter.Title
		f := meetingForm("letter", lettersLink(found.ID), "Write the letter", "Keep it as sent", int64(len(sent)),
			field{Name: "for", Type: "hidden", Value: string(of)},
			field{Name: "title", Label: "Heading", Type: "text", Value: letter.Title, Complete: "off"},
			field{Name: "text", Label: "Text", Type: "textarea", Value: text, Hint: "Change it for this person. The reason of a decision is not in it; add it only where the candidate wants it."},
			field{Name: "channel", Label: "How it goes to the candidate", Type: "radio", Options: letterChannels},
		)
		f.Open = true
		if values != nil {
			f.fill(values, problems)
			m.Title, text = values.Get("title"), values.Get("text")
		}
		if problems != nil {
			p.Title, p.Errors = "Error: "+p.Title, f.summary(title, problems)
		}
		m.Form, m.Preview = &f, paragraphs(text)
	}
	if problems != nil && m.Form == nil {
		p.Errors = &summary{Title: title, Items: problems}
	}
	p.Body = m
	return s.render(c, status, "letters", p)
}

func paragraphs(text string) []string {
	var list []string
	for _, part := range strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n\n") {
		if part = strings.TrimSpace(part); part != "" {
			list = append(list, part)
		}
	}
	return list
}

func channelWord(channel string) string {
	for _, o := range letterChannels {
		if o.Value == channel {
			return o.Label
		}
	}
	return channel
}

// sendLetter shows a letter once more before it is kept, or keeps it as it was
// sent.
func (s *server) sendLetter(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values := c.Request().PostForm
	if values.Get("preview") != "" {
		return s.showLetters(c, http.StatusOK, values, "", nil)
	}
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	ctx, v, found := c.Request().Context(), sc.viewer, sc.candidate
	of, after := letterOf(found.State, sc.entries)
	letter, ok := sc.protocol.Letter(of)
	var problems []problem
	title, text := strings.TrimSpace(values.Get("title")), strings.TrimSpace(strings.ReplaceAll(values.Get("text"), "\r\n", "\n"))
	for name, value := range map[string]string{"title": title, "text": text} {
		if value == "" {
			problems = append(problems, problem{Text: "This is missing.", Field: name})
		}
		if len(value) > 9000 {
			problems = append(problems, problem{Text: "This is too long.", Field: name})
		}
	}
	if !slices.ContainsFunc(letterChannels, func(o option) bool { return o.Value == values.Get("channel") }) {
		problems = append(problems, problem{Text: "This is missing.", Field: "channel"})
	}
	switch {
	case !ok || string(of) != values.Get("for"):
		return s.showLetters(c, http.StatusConflict, nil, "Nothing was kept", []problem{{Text: "The candidate stands elsewhere now than when the letter was written. Look at it again."}})
	case len(problems) > 0:
		return s.showLetters(c, http.StatusUnprocessableEntity, values, "Nothing was kept. Check what is entered", problems)
	}
	kept, err := s.Store.KeepLetter(ctx, record.Letter{
		Candidate: found.ID, By: v.ID, Role: v.Role, Kind: string(of), Template: letter.ID, Protocol: sc.protocol.Version, Title: title, Text: text,
		On: sc.today, Channel: values.Get("channel"), After: after,
	}, seen(values))
	if errors.Is(err, record.ErrChanged) {
		return s.showLetters(c, http.StatusConflict, values, "Nothing was kept", []problem{{Text: "A letter was kept since this page was shown. Look at it before you send another."}})
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, lettersLink(found.ID)+"/"+strconv.FormatInt(kept.Seq, 10))
}

// letter shows a letter as it was sent, for paper.
func (s *server) letter(c echo.Context) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	list, err := s.Store.Letters(ctx, found.ID)
	if err != nil {
		return err
	}
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	for _, l := range list {
		if strconv.FormatInt(l.Seq, 10) == c.Param("letter") {
			return s.render(c, http.StatusOK, "letter", page{Title: "Letter to " + v.name(found), Body: letterModel{
				Title: l.Title, Name: v.name(found), Number: v.identifier(found), When: longDay(l.On), Back: lettersLink(found.ID),
				By: channelWord(l.Channel) + " by " + personWord(people, l.By), Paragraphs: paragraphs(l.Text),
			}})
		}
	}
	return errNotFound
}
