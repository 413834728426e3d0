package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

const (
	pathReview = "/candidates/:id/reviews/:requirement"
	pathSide   = "/candidates/:id/side"

	// sideReview is the review in which the surgeon proposes a side.
	sideReview = "side-proposal"
)

func reviewLink(candidate, requirement string) string {
	if requirement == sideReview {
		return "/candidates/" + candidate + "/side"
	}
	return "/candidates/" + candidate + "/reviews/" + requirement
}

// structuredWord is what structured findings say, one line each.
func structuredWord(p *protocol.Protocol, answers []command.ReviewAnswer) string {
	var lines []string
	for _, a := range answers {
		form, _ := p.ReviewForm(a.Requirement)
		title := a.Code
		q, ok := form.Finding(a.Code)
		if ok {
			title = q.Title
		}
		lines = append(lines, title+": "+q.Word(a))
	}
	return strings.Join(lines, "\n")
}

// ofReview are the structured findings of one review.
func ofReview(answers []command.ReviewAnswer, requirement string) []command.ReviewAnswer {
	return slices.DeleteFunc(slices.Clone(answers), func(a command.ReviewAnswer) bool { return a.Requirement != requirement })
}

// reviewPageModel is the page on which one review is given.
type reviewPageModel struct {
	Name, Link, Title string
	Status            fact
	Form              *form
	// Given are the reviews on record, the newest first.
	Given  []givenReview
	Closed string
	Side   *sideModel
}

type givenReview struct {
	Sign, Position, Findings string
	Lines                    []string
}

// reviewRequirement is the review that a page is about.
func (s *server) reviewRequirement(sc scene, id string) (protocol.Requirement, error) {
	r, ok := sc.protocol.Find(id)
	state, known := sc.candidate.State.Find(id)
	if _, form := sc.protocol.ReviewForm(id); !ok || !known || !form && id != sideReview || state.Status == journey.NotApplicable {
		return r, errNotFound
	}
	return r, nil
}

func (s *server) reviewPage(c echo.Context) error { return s.showReview(c, c.Param("requirement")) }
func (s *server) sidePage(c echo.Context) error   { return s.showReview(c, sideReview) }

func (s *server) showReview(c echo.Context, requirement string) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	r, err := s.reviewRequirement(sc, requirement)
	if err != nil {
		return err
	}
	m, err := s.reviewModelOf(c.Request().Context(), sc, r, nil, nil)
	if err != nil {
		return err
	}
	p := page{Title: m.Title + ": " + m.Name, Body: m}
	if c.QueryParam("done") != "" {
		p.Notice = "The review is recorded under your name."
	}
	return s.render(c, http.StatusOK, "review", p)
}

// mayReview reports whether a review is the viewer's to give now.
func mayReview(sc scene, id string) bool {
	return slices.Contains(journey.Allowed(sc.candidate.State.Stage, sc.viewer.Role), journey.RecordReview) &&
		slices.ContainsFunc(reviews(sc), func(r protocol.Requirement) bool { return r.ID == id })
}

const reviewID = "review"

func findingField(q protocol.ReviewFinding) field {
	f := field{Name: "finding-" + q.Code, Label: q.Title, Type: "textarea", Optional: !q.Required}
	if len(q.Choices) > 0 {
		f.Type = "radio"
		for _, choice := range q.Choices {
			f.Options = append(f.Options, option{choice.Code, choice.Title})
		}
	}
	return f
}

// reviewForm asks for a review with its structured findings.
func reviewForm(sc scene, r protocol.Requirement) *form {
	f := &form{ID: reviewID, Action: reviewLink(sc.candidate.ID, r.ID), Title: r.Title, Button: "Sign the review", Key: newKey()}
	if questions, ok := sc.protocol.ReviewForm(r.ID); ok {
		const readers = "read by clinicians, the advocate and the committee."
		// Said once where it holds for every finding.
		open := slices.ContainsFunc(questions.Findings, func(q protocol.ReviewFinding) bool { return !q.Confidential })
		if !open && len(questions.Findings) > 0 {
			f.Hint = "The findings are told in confidence: " + readers
		}
		for _, q := range questions.Findings {
			asked := findingField(q)
			if q.Confidential && open {
				asked.Hint = "Told in confidence: " + readers
			}
			f.Fields = append(f.Fields, asked)
		}
	}
	if duties := checklist(sc, []string{r.ID}); len(duties) > 0 {
		f.Fields = append(f.Fields, dutiesField(sc, duties))
	}
	f.Fields = append(f.Fields,
		field{Name: "position", Label: "Position", Type: "radio", Options: []option{
			{string(journey.Supports), "Supports going on"}, {string(journey.Concerns), "Has concerns"}, {string(journey.Objects), "Objects"},
		}},
		field{Name: "findings", Label: "In words", Type: "textarea", Optional: true, Hint: "Needed for concerns and objections."},
		// What was on record when it was filled in: a review given meanwhile is seen first.
		field{Name: "seen", Type: "hidden", Value: lastReviews(sc.entries)[r.ID].Hash},
	)
	return f
}

func (s *server) reviewModelOf(ctx context.Context, sc scene, r protocol.Requirement, values url.Values, problems []problem) (*reviewPageModel, error) {
	people, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	m := &reviewPageModel{Name: sc.viewer.name(sc.candidate), Link: "/candidates/" + sc.candidate.ID, Title: r.Title}
	reader := sc.viewer.reader()
	for _, e := range slices.Backward(sc.entries) {
		if e.Kind != journey.RecordReview {
			continue
		}
		event, err := e.Decode()
		if err != nil {
			return nil, err
		}
		if !slices.Contains(event.Named(), r.ID) {
			continue
		}
		var body command.RecordReview
		read(e, &body)
		hidden := reader.Withheld(sc.protocol, e.Kind, e.Actor, event.Named()...)
		shown := func(member, text string) string {
			if text != "" && slices.Contains(hidden, member) {
				return withheld
			}
			return text
		}
		given := givenReview{
			Sign: personWord(people, e.Actor) + ", " + dayWord(event.Today), Position: capital(shown("position", known(positionWords, body.Position))),
			Findings: shown("findings", body.Findings),
		}
		if text := shown("structured", structuredWord(sc.protocol, ofReview(body.Structured, r.ID))); text != "" {
			given.Lines = strings.Split(text, "\n")
		}
		m.Given = append(m.Given, given)
	}
	switch {
	case !mayReview(sc, r.ID) && sc.viewer.Role != r.Signer:
		m.Closed = "This review is given by the role " + roleWord(r.Signer) + "."
	case !mayReview(sc, r.ID):
		m.Closed = "In the stage " + stageWord(sc.candidate.State.Stage) + " no review is given, or it is not yours to give."
	default:
		m.Form = reviewForm(sc, r)
		m.Form.fill(values, problems)
	}
	if r.ID == sideReview {
		side, err := sideOf(sc)
		if err != nil {
			return nil, err
		}
		m.Side = &side
	}
	return m, nil
}

func (s *server) giveReview(c echo.Context) error { return s.signReview(c, c.Param("requirement")) }
func (s *server) giveSide(c echo.Context) error   { return s.signReview(c, sideReview) }

// signReview records a review under the sign-in of whoever sends it.
func (s *server) signReview(c echo.Context, requirement string) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	if !journey.MayGive(sc.viewer.Role, journey.RecordReview) {
		return &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(sc.viewer.Role) + " may not do this."}
	}
	r, err := s.reviewRequirement(sc, requirement)
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	v := c.Request().PostForm
	body := &command.RecordReview{Requirement: r.ID, Position: journey.Position(v.Get("position")), Findings: v.Get("findings"), Duties: v["duties"]}
	var problems []problem
	questions, _ := sc.protocol.ReviewForm(r.ID)
	for _, q := range questions.Findings {
		text := strings.TrimSpace(v.Get("finding-" + q.Code))
		switch {
		case text == "" && q.Required:
			problems = append(problems, problem{Text: "This is missing.", Field: "finding-" + q.Code})
		case text == "":
		case len(q.Choices) > 0:
			body.Structured = append(body.Structured, command.ReviewAnswer{Requirement: r.ID, Code: q.Code, Choice: text})
		default:
			body.Structured = append(body.Structured, command.ReviewAnswer{Requirement: r.ID, Code: q.Code, Text: text})
		}
	}
	fieldOf := func(name string) string {
		if i := indexIn(name, "structured"); i >= 0 && i < len(body.Structured) {
			return "finding-" + body.Structured[i].Code
		}
		return name
	}
	status, title := http.StatusUnprocessableEntity, "Nothing was recorded. Check what is entered"
	key := newKey()
	problems = append(problems, remaining(body, problems, fieldOf)...)
	var invalid *command.Invalid
	if errors.As(sc.protocol.CheckReview(body), &invalid) {
		for _, fault := range invalid.Faults {
			if field := fieldOf(fault.Field); strings.HasPrefix(field, "finding-") {
				problems = append(problems, problem{Text: faultWord(fault), Field: field})
			}
		}
	}
	if len(problems) == 0 && v.Get("seen") != lastReviews(sc.entries)[r.ID].Hash && !repeatedReview(sc, r.ID, sc.viewer.ID, body) {
		status, title = http.StatusConflict, "Nothing was recorded: this review was given anew while you wrote"
		problems = append(problems, problem{Text: "Look at the newest review below, then sign yours."})
	}
	if len(problems) == 0 {
		err := s.give(ctx, sc.viewer.Account, sc.candidate.ID, v.Get("key"), journey.RecordReview, body)
		if err == nil {
			return c.Redirect(http.StatusSeeOther, reviewLink(sc.candidate.ID, r.ID)+"?done=yes")
		}
		var refusal *journey.Refusal
		if errors.As(err, &refusal) {
			err = sc.viewer.reader().Refusal(sc.protocol, sc.candidate.State, refusal)
		}
		var keep, ok bool
		if status, title, problems, keep, ok = refused(sc.protocol, err, fieldOf); !ok {
			return err
		}
		if keep {
			key = v.Get("key")
		}
	}
	m, err := s.reviewModelOf(ctx, sc, r, v, problems)
	if err != nil {
		return err
	}
	p := page{Title: "Error: " + m.Title, Body: m}
	if m.Form != nil {
		m.Form.Key = key
		p.Errors = m.Form.summary(title, problems)
	} else {
		p.Errors = &summary{Title: title, Items: problems}
	}
	return s.render(c, status, "review", p)
}

// repeatedReview reports whether the newest review is the one that is sent again.
func repeatedReview(sc scene, requirement, actor string, body *command.RecordReview) bool {
	e, ok := lastReviews(sc.entries)[requirement]
	if !ok || e.Actor != actor {
		return false
	}
	var last command.RecordReview
	read(e, &last)
	return last.Position == body.Position && last.Findings == body.Findings && slices.Equal(last.Structured, body.Structured)
}
