package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// checks are the commands that two people give line by line, on a page of their
// own.
var checks = []journey.Kind{journey.ConfirmVerification, journey.ConfirmLastCheck}

// checkModel is the page of a check.
type checkModel struct {
	Name    string
	Link    string
	Title   string
	Planned string
	// Standing says how far the check is, and what it came to.
	Standing []fact
	Stopped  bool
	// Outcome are the lines of the last reading, once nobody has to read them
	// independently any more.
	Outcome []activities.CheckedLine
	Form    form
	// Paper are the lines with what is on record, for when screens are down.
	Paper     []paperLine
	PaperLink string
}

// paperLine is one line of the paper form.
type paperLine struct{ Title, From, Recorded string }

func isCheck(kind journey.Kind) bool { return slices.Contains(checks, kind) }

func checkLink(candidate string, kind journey.Kind) string {
	return "/candidates/" + candidate + "/checks/" + string(kind)
}

// checkPage shows a check, or its paper form.
func (s *server) checkPage(c echo.Context) error {
	account, _ := signedIn(c)
	v, kind := s.viewer(account), journey.Kind(c.Param("check"))
	if !isCheck(kind) {
		return errNotFound
	}
	found, err := s.find(c.Request().Context(), v, c.Param("id"))
	if err != nil {
		return err
	}
	if !journey.MayGive(v.Role, kind) {
		return &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(v.Role) + " may not do this."}
	}
	sc, err := s.scene(c.Request().Context(), v, found, "")
	if err != nil {
		return err
	}
	model, err := s.checkModel(c.Request().Context(), sc, kind, nil)
	if err != nil {
		return err
	}
	if c.QueryParam("paper") != "" {
		if model.Paper, err = s.paper(c.Request().Context(), sc, kind); err != nil {
			return err
		}
	}
	p := page{Title: model.Title, Body: model}
	if c.QueryParam("done") != "" {
		p.Notice = "Your reading is recorded."
	}
	return s.render(c, http.StatusOK, "check", p)
}

// checkModel makes the page. What one person read is shown to nobody before the
// second has read as well, or the check has stopped.
func (s *server) checkModel(ctx context.Context, sc scene, kind journey.Kind, try *attempt) (checkModel, error) {
	v, c := sc.viewer, sc.candidate
	people, err := s.people(ctx)
	if err != nil {
		return checkModel{}, err
	}
	f := makeForm(sc, kind)
	f.Link = ""
	f.Fields = append(f.Fields, field{Name: "page", Type: "hidden", Value: "check"})
	if try != nil {
		f.fill(try.values, try.problems)
		f.Key = try.key
		try.form = f
	} else {
		f.fill(nil, nil)
	}
	m := checkModel{
		Name: v.name(c), Link: "/candidates/" + c.ID, Title: f.Title, Planned: dayWord(c.State.Planned), Form: f,
		PaperLink: checkLink(c.ID, kind) + "?paper=yes",
	}
	standing := c.State.LastCheck
	if kind == journey.ConfirmVerification {
		standing = c.State.Verification
	}
	m.Stopped = standing.Stopped
	m.Standing = checkStanding(standing, people)
	if !standing.Stopped && !standing.Done() {
		return m, nil
	}
	for _, e := range slices.Backward(sc.entries) {
		if e.Kind != kind {
			continue
		}
		var outcome activities.CheckOutcome
		if err := json.Unmarshal(e.Body, &outcome); err != nil {
			return m, err
		}
		m.Outcome = outcome.Lines
		break
	}
	return m, nil
}

// checkStanding says who has confirmed what.
func checkStanding(c journey.LastCheck, people map[string]string) []fact {
	switch {
	case c.Stopped:
		return []fact{{"Stopped", "A line did not agree on " + dayWord(c.On) + ". A clinician resolves it on the record, then two people read every line again."}}
	case c.Second != "":
		return []fact{{"Confirmed", "By " + personWord(people, c.First) + " and " + personWord(people, c.Second) + " on " + dayWord(c.On)}}
	case c.First != "":
		return []fact{{"First reading", "By " + personWord(people, c.First) + " on " + dayWord(c.On) + ". Another person reads every line as well."}}
	default:
		return []fact{{"Nobody yet", "Two different people read every line, each under their own sign-in."}}
	}
}

// paper lists every line with what is on record.
func (s *server) paper(ctx context.Context, sc scene, kind journey.Kind) ([]paperLine, error) {
	p, c := sc.protocol, sc.candidate
	truth := activities.CheckRecord{Protocol: p, State: c.State, Identity: c.Identity}
	var err error
	if truth.Results, err = s.Store.Results(ctx, c.ID); err != nil {
		return nil, err
	}
	if truth.Recipient, err = activities.RecipientOf(sc.entries); err != nil {
		return nil, err
	}
	var lines []paperLine
	for _, l := range p.CheckLines(kind) {
		recorded, err := truth.Recorded(l.Compare)
		if err != nil {
			return nil, err
		}
		recorded = readingWord(recorded)
		if l.Compare == protocol.CompareAnswer {
			recorded = "to be asked"
		}
		lines = append(lines, paperLine{l.Title, l.From, recorded})
	}
	return lines, nil
}

// readingWord is a reading as people say it.
func readingWord(text string) string {
	switch text {
	case string(journey.Left), string(journey.Right), "yes", "no", activities.GroupsCompatible, activities.GroupsCrossed:
		return capital(strings.ReplaceAll(text, "-", " "))
	case "":
		return "not on record"
	}
	return text
}

var (
	bloodTypes  = []string{"O positive", "O negative", "A positive", "A negative", "B positive", "B negative", "AB positive", "AB negative"}
	bloodGroups = []string{"O", "A", "B", "AB"}
)

func asOptions(words []string) []option {
	list := make([]option, len(words))
	for i, w := range words {
		list[i] = option{w, readingWord(w)}
	}
	return list
}

// checkFields asks for every line of a check. Nothing is filled in: each person
// reads from where the line says.
func checkFields(kind journey.Kind) func(scene) []field {
	return func(s scene) []field {
		var fields []field
		for _, l := range s.protocol.CheckLines(kind) {
			f := field{Name: l.ID, Label: l.Title, Hint: "Read from " + l.From + ".", Type: "radio"}
			switch l.Compare {
			case protocol.CompareBirthDate:
				f.Type, f.Complete = "text", "off"
				f.Hint += " Year-month-day, such as 1980-02-29."
			case protocol.CompareIdentifier, protocol.CompareRecipient:
				f.Type, f.Complete = "text", "off"
			case protocol.CompareArteries:
				f.Options = asOptions([]string{"1", "2", "3", "4", "5"})
			case protocol.CompareBloodTypeFirst, protocol.CompareBloodTypeSecond:
				f.Options = asOptions(bloodTypes)
			case protocol.CompareBloodGroup, protocol.CompareRecipientGroup:
				f.Options = asOptions(bloodGroups)
			case protocol.CompareCompatibility:
				f.Options = asOptions([]string{activities.GroupsCompatible, activities.GroupsCrossed})
			case protocol.CompareSide:
				f.Options = asOptions([]string{string(journey.Left), string(journey.Right)})
			default:
				f.Options = asOptions([]string{"yes", "no"})
			}
			fields = append(fields, f)
		}
		return fields
	}
}

// checkBody reads the lines of a check.
func checkBody(kind journey.Kind) func(scene, url.Values, string) (command.Body, []problem) {
	return func(s scene, v url.Values, _ string) (command.Body, []problem) {
		body := &command.LastCheck{}
		var problems []problem
		for _, l := range s.protocol.CheckLines(kind) {
			text := strings.TrimSpace(v.Get(l.ID))
			if text == "" {
				problems = append(problems, problem{Text: "Every line is read back.", Field: l.ID})
				continue
			}
			switch l.ID {
			case string(protocol.CompareBirthDate):
				body.BirthDate = journey.Date(text)
			case string(protocol.CompareIdentifier):
				body.Identifier = text
			case string(protocol.CompareBloodTypeFirst):
				body.BloodTypeFirst = text
			case string(protocol.CompareBloodTypeSecond):
				body.BloodTypeSecond = text
			case string(protocol.CompareSide):
				body.Side = journey.Side(text)
			default:
				if body.Readings == nil {
					body.Readings = map[string]string{}
				}
				body.Readings[l.ID] = text
			}
		}
		return body, problems
	}
}

// checkField is the field of a fault in a check.
func checkField(path string) string {
	if id, ok := strings.CutPrefix(path, "readings."); ok {
		return id
	}
	return strings.ReplaceAll(path, "_", "-")
}

// checkedLines are the outcome of a check in the history: which lines agreed.
func checkedLines(mismatches []string, e record.Entry) string {
	if len(mismatches) == 0 {
		return "Every line agrees"
	}
	var outcome activities.CheckOutcome
	read(e, &outcome)
	titles := make([]string, len(mismatches))
	for i, id := range mismatches {
		titles[i] = strings.ReplaceAll(id, "-", " ")
		for _, l := range outcome.Lines {
			if l.ID == id {
				titles[i] = l.Title
			}
		}
	}
	return "Mismatch: " + strings.Join(titles, "; ")
}
