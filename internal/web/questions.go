package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// The candidate's questionnaire: a link with a secret, opened with the date of
// birth, one section on a page. What is filled in is saved with every step under a
// key that only the link holds, and can be left and taken up again with the same
// link until it is sent. Then the link is used up.

const (
	pathQuestions = "/questions/:secret"
	pathQuestion  = "/questions/:secret/:page"
	// visitLifetime is how long a browser goes on without the date of birth.
	visitLifetime = 12 * time.Hour
	visitCookie   = "candidacy-answers"
	// answerPrefix begins the names of fields, so that none is taken for another.
	answerPrefix = "q-"
	// longestDraft bounds what is saved of one answer, in bytes, complete or not.
	longestDraft = 20_000
)

// What the pages say. A test holds all of it to a reading age of about 12.
const (
	askTitle      = "Questions before your first visit"
	askBorn       = "When were you born? We ask so that no one else can read your answers."
	askAgain      = "Please tell us once more when you were born. What you wrote is still here. We save it when you go on."
	askDenied     = "We cannot open your questions. Check the date and try again. If it is right, the link may be too old or used up. Call us for a new one."
	askPart       = "Part %d of %d"
	askNext       = "Save and go on"
	askBack       = "Back"
	askLater      = "Save and go on later"
	askStop       = "I want to stop"
	askSaved      = "Saved at %s."
	askOptional   = "You may leave this out."
	askKept       = "Only your doctors, your advocate and the committee will read this."
	askUnknown    = "I do not know"
	askFix        = "We have saved this. Please look at it again:"
	askOnlyIf     = "Only if it fits what you said above."
	askElsewhere  = "You filled in this page on another phone or computer as well. Look at what you see here. If it is right, press the button again."
	askOther      = "There it says: %s."
	askNothing    = "nothing"
	reviewTitle   = "Look at your answers"
	reviewIntro   = "This is what you have told us. You can change it until you send it."
	reviewOpen    = "This part is not done yet."
	reviewChange  = "Change"
	reviewSend    = "Send my answers"
	reviewAfter   = "When you have sent them, this link stops. You can still tell us more when you come."
	reviewNotYet  = "Some parts are not done. Please fill them in and then send."
	reviewFailed  = "We could not send your answers. They are still saved. Try again in a moment. If it does not work, call us."
	laterTitle    = "Your answers are saved"
	laterText     = "You can close this page. Open the same link when you want to go on. It works until %s."
	sentTitle     = "Thank you. Your answers are with us."
	sentText      = "We will read them before your visit. You can close this page. The link does not work any more."
	sentChange    = "Has something changed or do you want to stop? Call us at any time."
	stopTitle     = "You can stop at any time"
	stopText      = "You do not have to say why. We will not be angry. This goes to your coordinator and your advocate. They will call you and talk with you alone."
	stopOthers    = "No one on the other side hears of it from us. If you do stop, we only say that you will not go on as a donor. We never say why."
	stopWords     = "Is there something you want to tell us?"
	stopSend      = "Tell my team that I want to stop"
	stopReturn    = "Go back to the questions"
	stoppedTitle  = "We have told your team"
	stoppedText   = "Your coordinator and your advocate will call you. Until then you do not have to do anything. No one else has been told."
	stopFailed    = "We could not pass it on. Try again in a moment. If it does not work, call us."
	faultMissing  = "Please answer this."
	faultChoice   = "Choose one of the answers."
	faultNumber   = "Write a number, like 12 or 12.5."
	faultWhole    = "Write a whole number, like 12."
	faultRange    = "Write a number from %s to %s."
	faultDate     = "Write a real date."
	faultFuture   = "This date is still to come. Write one in the past."
	faultLong     = "This is too long. Write no more than %d letters."
	faultControl  = "Something in this text can not be saved. Write it anew."
	draftTooLarge = "This is too long to save. Make it shorter."
)

// questionWords are the words of the page by name.
var questionWords = map[string]string{
	"born": askBorn, "next": askNext, "back": askBack, "later": askLater, "stop": askStop, "optional": askOptional, "kept": askKept, "fix": askFix,
	"only-if": askOnlyIf, "review": reviewTitle, "review-intro": reviewIntro, "review-open": reviewOpen, "change": reviewChange, "send": reviewSend,
	"after": reviewAfter, "not-yet": reviewNotYet, "sent": sentText, "sent-change": sentChange, "stop-text": stopText, "stop-others": stopOthers,
	"stop-words": stopWords, "stop-send": stopSend, "return": stopReturn, "stopped": stoppedText, "foot": myFoot,
}

// questionsModel is one page of a questionnaire.
type questionsModel struct {
	// Base is the address of the link, without what follows it.
	Base, Page string
	Words      map[string]string
	Title      string
	Intro      string
	// The question for the date of birth, with what was filled in before it.
	Day, Month, Year string
	Problem          string
	Carry            []carried
	// A section.
	Part, Parts int
	PartWord    string
	Questions   []askModel
	Revision    int64
	Problems    []problem
	Saved       string
	// The overview.
	Sections []answeredSection
	Ready    bool
	Text     string
	Written  string
	Key      string
}

// carried is a field that was filled in before the date of birth was asked again.
type carried struct{ Name, Value string }

// askModel is one question with those that its answers open.
type askModel struct {
	ID, Name, Text, Help, Unit, Type string
	Value                            string
	Options                          []questionOption
	Optional, Kept                   bool
	Error                            string
	Children                         []askModel
}

type questionOption struct {
	Value, Label string
	Chosen       bool
	// Opens marks an answer after which something else is asked.
	Opens bool
}

// askedModel is a question on its page.
type askedModel struct {
	M questionsModel
	Q askModel
}

// Anchor is the id of the control that an error leads to.
func (q askModel) Anchor() string {
	if len(q.Options) > 0 {
		return q.ID + "-0"
	}
	return q.ID
}

// Describes lists the ids of the texts that explain the question.
func (q askModel) Describes() string {
	var ids []string
	if q.Help != "" || q.Optional || q.Kept {
		ids = append(ids, q.ID+"-help")
	}
	if q.Error != "" {
		ids = append(ids, q.ID+"-error")
	}
	return strings.Join(ids, " ")
}

// answeredSection is a section as the overview shows it.
type answeredSection struct {
	Title, Link string
	Open        bool
	Answers     []fact
}

// answerDraft is what was filled in so far.
type answerDraft struct {
	// Answers are as they were written, by question, complete or not.
	Answers map[string]string `json:"answers"`
	// Sections say when each section was last saved, and from which browser.
	Sections map[string]savedSection `json:"sections"`
}

type savedSection struct {
	Revision int64  `json:"revision"`
	Visit    string `json:"visit"`
}

// questions is an open questionnaire with what was filled in.
type questions struct {
	secret, visit string
	candidate     record.Candidate
	protocol      *protocol.Protocol
	asks          protocol.Questionnaire
	draft         answerDraft
	revision      int64
	today         journey.Date
}

// saved says when it was saved: what stays on the page tells how old that is.
func (q *questions) saved(at time.Time) string {
	return fmt.Sprintf(askSaved, at.In(q.protocol.Zone()).Format("15:04"))
}

// section finds a section by its id.
func (q *questions) section(id string) int {
	return slices.IndexFunc(q.asks.Sections, func(s protocol.Section) bool { return s.ID == id })
}

// faults are what is wrong with the answers of a section.
func (q *questions) faults(s protocol.Section) map[string]protocol.AnswerFault {
	faults := map[string]protocol.AnswerFault{}
	for _, each := range s.Questions {
		if !q.asks.Asked(each, q.draft.Answers) {
			continue
		}
		if fault := q.protocol.CheckAnswer(each, q.draft.Answers[each.ID], q.today); fault != "" {
			faults[each.ID] = fault
		}
	}
	return faults
}

// done reports whether a section was seen and nothing is wrong with it.
func (q *questions) done(s protocol.Section) bool {
	return q.draft.Sections[s.ID].Revision > 0 && len(q.faults(s)) == 0
}

// questionsBase is the address of a link, without what follows it.
func questionsBase(secret string) string {
	return strings.Replace(pathQuestions, ":secret", url.PathEscape(secret), 1)
}

// showQuestions renders a page.
func (s *server) showQuestions(c echo.Context, status int, m questionsModel) error {
	m.Base, m.Words = questionsBase(c.Param("secret")), questionWords
	title := m.Title
	if m.Problem != "" || len(m.Problems) > 0 {
		title = "Error: " + title
	}
	return s.render(c, status, "questions", page{Title: title, Body: m})
}

// askWho asks for the date of birth, whatever the link: nobody learns from it
// whether there is one. What was filled in on a page comes along.
func (s *server) askWho(c echo.Context, status int, m questionsModel) error {
	m.Page, m.Title = "born", askTitle
	return s.showQuestions(c, status, m)
}

// questionsIn returns the questionnaire of the link for a browser in which the date of
// birth was given, nil for any other, and whether it was sent.
func (s *server) questionsIn(c echo.Context) (q *questions, sent bool, err error) {
	cookie, err := c.Cookie(visitCookie)
	if err != nil || cookie.Value == "" {
		return nil, false, nil
	}
	secret := c.Param("secret")
	given, sent, err := s.Store.QuestionnaireVisit(c.Request().Context(), secret, cookie.Value)
	if err != nil || !given || sent {
		return nil, sent, err
	}
	q, err = s.questionsOf(c.Request().Context(), secret)
	if q != nil {
		q.visit = record.QuestionnaireDigest(cookie.Value)
		audit.About(c.Request().Context(), q.candidate.ID)
	}
	return q, false, err
}

// questionsOf reads what a link opens, nil where it opens nothing.
func (s *server) questionsOf(ctx context.Context, secret string) (*questions, error) {
	found, id, err := s.Store.OpenQuestionnaire(ctx, secret)
	if errors.Is(err, record.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return nil, err
	}
	asks, known := p.Questionnaire(id)
	if !known || !found.State.Stage.BeforeOperation() {
		return nil, nil
	}
	q := &questions{secret: secret, candidate: found, protocol: p, asks: asks, today: s.today(p.Zone())}
	return q, s.readDraft(ctx, q)
}

func (s *server) readDraft(ctx context.Context, q *questions) error {
	text, revision, err := s.Store.QuestionnaireDraft(ctx, q.secret)
	if err != nil {
		return err
	}
	q.revision, q.draft = revision, answerDraft{}
	if len(text) > 0 {
		if err := json.Unmarshal(text, &q.draft); err != nil {
			return fmt.Errorf("read what was filled in: %w", err)
		}
	}
	if q.draft.Answers == nil {
		q.draft.Answers = map[string]string{}
	}
	if q.draft.Sections == nil {
		q.draft.Sections = map[string]savedSection{}
	}
	return nil
}

// questionsPage leads to the first section that is not done.
func (s *server) questionsPage(c echo.Context) error {
	q, sent, err := s.questionsIn(c)
	switch {
	case err != nil:
		return err
	case sent:
		return s.showQuestions(c, http.StatusOK, questionsModel{Page: "sent", Title: sentTitle})
	case q == nil:
		return s.askWho(c, http.StatusOK, questionsModel{})
	}
	return c.Redirect(http.StatusSeeOther, q.next())
}

// next is the address of the first section that is not done, or of the overview.
func (q *questions) next() string {
	for _, section := range q.asks.Sections {
		if !q.done(section) {
			return questionsBase(q.secret) + "/" + section.ID
		}
	}
	return questionsBase(q.secret) + "/review"
}

// openQuestions takes the date of birth. A wrong date, and a link that is over,
// used up, revoked, of a journey that has ended, or that never was, are answered
// alike.
func (s *server) openQuestions(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	form := c.Request().PostForm
	m := questionsModel{Day: form.Get("born-day"), Month: form.Get("born-month"), Year: form.Get("born-year"), Carry: carry(form)}
	ctx, secret := c.Request().Context(), c.Param("secret")
	var q *questions
	status, problem, err := s.bornOn(c, record.QuestionnaireDigest(secret), askDenied, func() (*record.Candidate, error) {
		var err error
		if q, err = s.questionsOf(ctx, secret); q == nil {
			return nil, err
		}
		return &q.candidate, err
	})
	if err != nil {
		return err
	}
	if m.Problem = problem; problem != "" {
		return s.askWho(c, status, m)
	}
	visit, err := s.Store.BeginQuestionnaireVisit(ctx, secret, visitLifetime)
	if err != nil {
		return err
	}
	s.setVisitCookie(c, visitCookie, questionsBase(secret), visit, visitLifetime)
	q.visit = record.QuestionnaireDigest(visit)
	// What was filled in before the date was asked again is saved now.
	if at := q.section(form.Get("page")); at >= 0 {
		return s.saveSection(c, q, at, form)
	}
	return c.Redirect(http.StatusSeeOther, q.next())
}

// carry are the fields of a section that come along.
func carry(form url.Values) []carried {
	var list []carried
	for name, values := range form {
		if strings.HasPrefix(name, answerPrefix) || name == "page" || name == "revision" || name == "do" {
			list = append(list, carried{name, values[0]})
		}
	}
	slices.SortFunc(list, func(a, b carried) int { return strings.Compare(a.Name, b.Name) })
	return list
}

// question shows one page of an open questionnaire.
func (s *server) question(c echo.Context) error {
	q, sent, err := s.questionsIn(c)
	switch {
	case err != nil:
		return err
	case sent:
		return c.Redirect(http.StatusSeeOther, questionsBase(c.Param("secret")))
	case q == nil:
		return s.askWho(c, http.StatusOK, questionsModel{})
	}
	switch name := c.Param("page"); name {
	case "review":
		return s.showQuestions(c, http.StatusOK, q.review())
	case "later":
		last := ""
		if q.candidate.State.Questionnaire != "" {
			last = myDay(q.candidate.State.Questionnaire)
		}
		return s.showQuestions(c, http.StatusOK, questionsModel{Page: "later", Title: laterTitle, Text: fmt.Sprintf(laterText, last)})
	case "stop":
		return s.showQuestions(c, http.StatusOK, questionsModel{Page: "stop", Title: stopTitle, Key: newKey()})
	case "stopped":
		return s.showQuestions(c, http.StatusOK, questionsModel{Page: "stopped", Title: stoppedTitle})
	default:
		at := q.section(name)
		if at < 0 {
			return c.Redirect(http.StatusSeeOther, questionsBase(q.secret))
		}
		return s.showQuestions(c, http.StatusOK, q.page(at, nil, nil))
	}
}

// answer takes what was filled in on a page.
func (s *server) answer(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	form := c.Request().PostForm
	q, sent, err := s.questionsIn(c)
	switch {
	case err != nil:
		return err
	case sent:
		return c.Redirect(http.StatusSeeOther, questionsBase(c.Param("secret")))
	case q == nil:
		form.Set("page", c.Param("page"))
		return s.askWho(c, http.StatusUnprocessableEntity, questionsModel{Carry: carry(form), Text: askAgain})
	}
	switch name := c.Param("page"); name {
	case "review":
		return s.sendAnswers(c, q)
	case "stop":
		return s.askToStop(c, q)
	default:
		at := q.section(name)
		if at < 0 {
			return c.Redirect(http.StatusSeeOther, questionsBase(q.secret))
		}
		return s.saveSection(c, q, at, form)
	}
}

// saveSection saves a section whatever it holds, so that nothing that was typed is
// lost, and then goes where the button leads.
func (s *server) saveSection(c echo.Context, q *questions, at int, form url.Values) error {
	section := q.asks.Sections[at]
	given, tooLarge := map[string]string{}, map[string]string{}
	for _, each := range section.Questions {
		text := strings.TrimSpace(strings.ReplaceAll(form.Get(answerPrefix+each.ID), "\r\n", "\n"))
		if each.Type == protocol.AskQuantity {
			text = strings.Replace(text, ",", ".", 1)
		}
		given[each.ID] = text
		if len(text) > longestDraft {
			tooLarge[each.ID] = draftTooLarge
		}
	}
	if len(tooLarge) > 0 {
		return s.showQuestions(c, http.StatusUnprocessableEntity, q.page(at, given, tooLarge))
	}
	seen, _ := strconv.ParseInt(form.Get("revision"), 10, 64) // what is no number was seen by nobody
	elsewhere, err := s.save(c.Request().Context(), q, section, given, seen)
	if errors.Is(err, record.ErrNotFound) {
		return s.askWho(c, http.StatusForbidden, questionsModel{Carry: carry(form), Problem: askDenied})
	}
	if err != nil {
		return err
	}
	if len(elsewhere) > 0 {
		m := q.page(at, given, elsewhere)
		m.Problems = append([]problem{{Text: askElsewhere, Field: "questions"}}, m.Problems...)
		return s.showQuestions(c, http.StatusConflict, m)
	}
	do := form.Get("do")
	if do == "save" && c.Request().Header.Get("HX-Request") == "true" {
		m := q.page(at, nil, nil)
		m.Saved = q.saved(s.Now())
		return s.showSaved(c, m)
	}
	base := questionsBase(q.secret)
	switch {
	case do == "save":
		m := q.page(at, nil, nil)
		m.Saved = q.saved(s.Now())
		return s.showQuestions(c, http.StatusOK, m)
	case do == "later" || do == "stop":
		return c.Redirect(http.StatusSeeOther, base+"/"+do)
	case do == "back" && at > 0:
		return c.Redirect(http.StatusSeeOther, base+"/"+q.asks.Sections[at-1].ID)
	case do == "back":
		return c.Redirect(http.StatusSeeOther, base+"/"+section.ID)
	}
	if faults := q.faults(section); len(faults) > 0 {
		words := map[string]string{}
		for id, fault := range faults {
			of, _ := q.asks.Question(id)
			words[id] = q.faultWord(of, fault)
		}
		return s.showQuestions(c, http.StatusUnprocessableEntity, q.page(at, nil, words))
	}
	if at+1 < len(q.asks.Sections) {
		return c.Redirect(http.StatusSeeOther, base+"/"+q.asks.Sections[at+1].ID)
	}
	return c.Redirect(http.StatusSeeOther, base+"/review")
}

// save puts the answers of a section into what was filled in. When somebody else
// saved other answers to it since it was seen, nothing is saved, and what they wrote
// is returned.
func (s *server) save(ctx context.Context, q *questions, section protocol.Section, given map[string]string, seen int64) (elsewhere map[string]string, err error) {
	const attempts = 5
	for range attempts {
		last := q.draft.Sections[section.ID]
		if last.Revision != seen && last.Revision > 0 && last.Visit != q.visit {
			elsewhere = map[string]string{}
			for _, each := range section.Questions {
				if was := q.draft.Answers[each.ID]; was != given[each.ID] {
					words := each.AnswerWords(was)
					if was == "" {
						words = askNothing
					}
					elsewhere[each.ID] = fmt.Sprintf(askOther, words)
				}
			}
			if len(elsewhere) > 0 {
				return elsewhere, nil
			}
		}
		for id, text := range given {
			if q.draft.Answers[id] = text; text == "" {
				delete(q.draft.Answers, id)
			}
		}
		q.draft.Sections[section.ID] = savedSection{q.revision + 1, q.visit}
		text, err := json.Marshal(q.draft)
		if err != nil {
			return nil, fmt.Errorf("encode what was filled in: %w", err)
		}
		err = s.Store.SaveQuestionnaireDraft(ctx, q.secret, text, q.revision)
		if err == nil {
			q.revision++
			return nil, nil
		}
		if !errors.Is(err, record.ErrDraftChanged) {
			return nil, err
		}
		if err := s.readDraft(ctx, q); err != nil {
			return nil, err
		}
	}
	return nil, record.ErrDraftChanged
}

// showSaved is the answer to a script that saves while somebody types: that it is
// saved, and the revision that the form now stands on.
func (s *server) showSaved(c echo.Context, m questionsModel) error {
	var out bytes.Buffer
	if err := s.pages["questions"].ExecuteTemplate(&out, "saved", m); err != nil {
		return fmt.Errorf("render what is saved: %w", err)
	}
	return c.HTMLBlob(http.StatusOK, out.Bytes())
}

// faultWord says in plain words what is wrong with an answer.
func (q *questions) faultWord(of protocol.Question, fault protocol.AnswerFault) string {
	switch fault {
	case protocol.FaultMissing:
		return faultMissing
	case protocol.FaultChoice:
		return faultChoice
	case protocol.FaultWhole:
		return faultWhole
	case protocol.FaultImplausible:
		low, high := q.protocol.Bounds(of)
		return fmt.Sprintf(faultRange, strconv.FormatFloat(low, 'g', -1, 64), strconv.FormatFloat(high, 'g', -1, 64))
	case protocol.FaultDate:
		return faultDate
	case protocol.FaultFuture:
		return faultFuture
	case protocol.FaultLong:
		return fmt.Sprintf(faultLong, protocol.LongestAnswer)
	case protocol.FaultControl:
		return faultControl
	default:
		return faultNumber
	}
}

// page is a section with what was filled in, or with what was just typed.
func (q *questions) page(at int, typed, errs map[string]string) questionsModel {
	section := q.asks.Sections[at]
	m := questionsModel{
		Page: section.ID, Title: section.Title, Intro: section.Intro, Part: at + 1, Parts: len(q.asks.Sections),
		PartWord: fmt.Sprintf(askPart, at+1, len(q.asks.Sections)), Revision: q.draft.Sections[section.ID].Revision,
	}
	if at == 0 && m.Intro == "" {
		m.Intro = q.asks.Intro
	}
	values := q.draft.Answers
	if typed != nil {
		values = typed
	}
	children := map[string][]protocol.Question{}
	var roots []protocol.Question
	for _, each := range section.Questions {
		switch w := each.EnableWhen; {
		case w == nil:
			roots = append(roots, each)
		case slices.ContainsFunc(section.Questions, func(other protocol.Question) bool { return other.ID == w.Question }):
			children[w.Question] = append(children[w.Question], each)
		case q.asks.Asked(each, q.draft.Answers):
			roots = append(roots, each)
		}
	}
	var model func(of protocol.Question) askModel
	model = func(of protocol.Question) askModel {
		one := askModel{
			ID: "question-" + of.ID, Name: answerPrefix + of.ID, Text: of.Text, Help: of.Help, Unit: unitWord(of.Unit), Type: string(of.Type),
			Value: values[of.ID], Optional: !of.Required, Kept: q.protocol.ConfidentialQuestion(of), Error: errs[of.ID],
		}
		if one.Kept { // it is said once
			one.Help = strings.TrimSpace(strings.ReplaceAll(one.Help, askKept, ""))
		}
		opens := map[string]bool{}
		for _, child := range children[of.ID] {
			for _, answer := range child.EnableWhen.Is {
				opens[answer] = true
			}
			one.Children = append(one.Children, model(child))
		}
		add := func(value, label string) {
			one.Options = append(one.Options, questionOption{value, label, values[of.ID] == value, opens[value]})
		}
		switch of.Type {
		case protocol.AskBoolean:
			add(protocol.AnswerYes, "Yes")
			add(protocol.AnswerNo, "No")
			add(protocol.AnswerUnknown, askUnknown)
		case protocol.AskChoice:
			for _, choice := range of.Choices {
				add(choice.Code, choice.Title)
			}
			add(protocol.AnswerUnknown, askUnknown)
		}
		return one
	}
	for _, each := range roots {
		m.Questions = append(m.Questions, model(each))
	}
	for _, each := range section.Questions {
		if text := errs[each.ID]; text != "" {
			one := model(each)
			m.Problems = append(m.Problems, problem{Text: each.Text + " " + text, Field: one.Anchor()})
		}
	}
	return m
}

// review is all that was answered, section by section.
func (q *questions) review() questionsModel {
	m := questionsModel{Page: "review", Title: reviewTitle, Ready: true}
	for _, section := range q.asks.Sections {
		shown := answeredSection{Title: section.Title, Link: questionsBase(q.secret) + "/" + section.ID, Open: !q.done(section)}
		m.Ready = m.Ready && !shown.Open
		for _, each := range section.Questions {
			if answer := q.draft.Answers[each.ID]; answer != "" && q.asks.Asked(each, q.draft.Answers) {
				shown.Answers = append(shown.Answers, fact{each.Text, plainAnswer(each, answer)})
			}
		}
		m.Sections = append(m.Sections, shown)
	}
	return m
}

// plainAnswer is an answer as people read it.
func plainAnswer(of protocol.Question, answer string) string {
	switch of.Type {
	case protocol.AskDate:
		if day := myDay(journey.Date(answer)); day != "" {
			return day
		}
	case protocol.AskQuantity:
		return strings.TrimSpace(answer + " " + unitWord(of.Unit))
	}
	return of.AnswerWords(answer)
}

// sendAnswers sends all of it, once. Answers to what is not asked any more stay
// behind.
func (s *server) sendAnswers(c echo.Context, q *questions) error {
	m := q.review()
	if !m.Ready {
		m.Problem = reviewNotYet
		return s.showQuestions(c, http.StatusUnprocessableEntity, m)
	}
	digest := record.QuestionnaireDigest(q.secret)
	body := &command.AnswerQuestionnaire{Questionnaire: q.asks.ID, Link: digest}
	for _, each := range q.asks.Questions() {
		if answer := q.draft.Answers[each.ID]; answer != "" && q.asks.Asked(each, q.draft.Answers) {
			body.Answers = append(body.Answers, command.Answer{Question: each.ID, Answer: answer})
		}
	}
	err := s.giveBySelf(c, q.candidate.ID, fmt.Sprintf("questionnaire %s %d", digest, q.revision), journey.AnswerQuestionnaire, body)
	if status, failed := selfRefused(err); failed {
		m.Problem = reviewFailed
		return s.showQuestions(c, status, m)
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, questionsBase(q.secret))
}

// giveBySelf gives a command of the candidate's own.
func (s *server) giveBySelf(c echo.Context, candidate, key string, kind journey.Kind, body command.Body) error {
	self := record.Account{ID: string(journey.Self), Role: journey.Self}
	return s.give(c.Request().Context(), self, candidate, key, kind, body)
}

// selfRefused is the status of a command that was not carried out, for whatever
// reason: to the candidate it is all the same.
func selfRefused(err error) (status int, failed bool) {
	var invalid *command.Invalid
	var refusal *journey.Refusal
	var pending *dispatch.Pending
	switch {
	case errors.As(err, &pending):
		return http.StatusAccepted, true
	case errors.As(err, &invalid):
		return http.StatusUnprocessableEntity, true
	case errors.As(err, &refusal):
		return statusOf(refusal.Code), true
	default:
		return 0, false
	}
}

// askToStop passes on in private that the candidate wants to stop. It ends nothing.
func (s *server) askToStop(c echo.Context, q *questions) error {
	wish, status, err := s.passOn(c, q.candidate.ID, record.QuestionnaireDigest(q.secret))
	if err != nil {
		return err
	}
	if wish.Problem != "" {
		return s.showQuestions(c, status, questionsModel{Page: "stop", Title: stopTitle, Written: wish.Written, Key: wish.Key, Problem: wish.Problem})
	}
	return c.Redirect(http.StatusSeeOther, questionsBase(q.secret)+"/stopped")
}

// stopWish is what was written with a wish to stop, and why it could not be passed on.
type stopWish struct{ Written, Key, Problem string }

// passOn tells the team of a wish to stop, by a link with the digest.
func (s *server) passOn(c echo.Context, candidate, digest string) (stopWish, int, error) {
	form := c.Request().PostForm
	wish := stopWish{Written: form.Get("words"), Key: form.Get("key")}
	if wish.Key == "" {
		wish.Key = newKey()
	}
	words := strings.TrimSpace(strings.ReplaceAll(wish.Written, "\r\n", "\n"))
	err := s.giveBySelf(c, candidate, "stop "+digest+" "+wish.Key, journey.AskToStop, &command.AskToStop{Link: digest, Words: words})
	status, failed := selfRefused(err)
	if !failed {
		return wish, http.StatusOK, err
	}
	wish.Problem = stopFailed
	var invalid *command.Invalid
	if errors.As(err, &invalid) {
		wish.Problem = draftTooLarge
	}
	return wish, status, nil
}
