package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/record"
)

// itemModel is one candidate of a meeting: the summary, and the vote.
type itemModel struct {
	Summary summaryModel
	Meeting string
	Back    string
	State   string
	Quorum  []fact
	Lacking []string
	// Mine is the viewer's own vote and declaration, History those before.
	Mine    []fact
	History []string
	// Ballots are everybody's votes, once the vote is closed.
	Ballots []ballotModel
	Waiting string
	Forms   []form
	Letters string
}

// ballotModel is one vote, or one person who did not vote.
type ballotModel struct{ Name, Seat, Vote, Reason, Earlier string }

// meetingItem shows one candidate of a meeting.
func (s *server) meetingItem(c echo.Context) error {
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	return s.showItem(c, http.StatusOK, m, "", nil, "", nil, "")
}

func (s *server) showItem(c echo.Context, status int, m meeting.Meeting, act string, values url.Values, title string, problems []problem, key string) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	i, ok := m.Item(found.ID)
	if !ok {
		return errNotFound
	}
	sc, err := s.scene(ctx, v, found, "")
	if err != nil {
		return err
	}
	model, err := s.itemModel(ctx, sc, m, i)
	if err != nil {
		return err
	}
	p := page{Title: model.Summary.Name + ", " + meetingDay(m), Body: &model}
	for n := range model.Forms {
		if f := &model.Forms[n]; f.ID == act {
			f.fill(values, problems)
			f.Open = true
			if key != "" {
				f.Key = key
			}
			p.Title, p.Errors = "Error: "+p.Title, f.summary(title, problems)
		}
	}
	if problems != nil && p.Errors == nil {
		p.Errors = &summary{Title: title}
		for _, each := range problems {
			p.Errors.Items = append(p.Errors.Items, problem{Text: each.Text})
		}
	}
	if c.QueryParam("done") != "" && problems == nil {
		p.Notice = "Recorded."
	}
	return s.render(c, status, "meeting-item", p)
}

func (s *server) itemModel(ctx context.Context, sc scene, m meeting.Meeting, i meeting.Item) (itemModel, error) {
	v, reader := sc.viewer, sc.viewer.reader()
	people, err := s.people(ctx)
	if err != nil {
		return itemModel{}, err
	}
	model := itemModel{Meeting: "Meeting on " + meetingDay(m), Back: meetingLink(m.ID), State: itemWord(i)}
	if model.Summary, err = s.summary(ctx, sc); err != nil {
		return model, err
	}
	if slices.Contains(letterWriters, v.Role) {
		model.Letters = lettersLink(i.Candidate)
	}
	rules, err := api.VotingRules(ctx, s.Store, sc.protocol, sc.candidate)
	if err != nil {
		return model, err
	}
	count := meeting.CountOf(m, i, rules)
	voting := sc.protocol.Voting()
	model.Quorum = []fact{
		{"Members who may vote", fmt.Sprintf("%d, %d are needed", len(count.Members), rules.Quorum)},
		{"Seats taken", seatsWord(sc, count.Seats)},
		{"Votes", fmt.Sprintf("%d of %d", len(count.Votes), len(count.Members))},
		{"Majority", strings.ReplaceAll(string(voting.Majority), "-", " ")},
	}
	if conflicted := conflictNames(m, i, people); conflicted != "" {
		model.Quorum = append(model.Quorum, fact{"Conflict of interest", conflicted})
	}
	if i.Decided == "" {
		for _, reason := range count.Lacking {
			model.Lacking = append(model.Lacking, reasonWord(sc.protocol, reason))
		}
	}
	if conflict, declared := i.Conflicted(v.ID); declared {
		word := "None"
		if conflict {
			word = "Declared: you neither vote nor count"
		}
		model.Mine = append(model.Mine, fact{"Your conflict of interest", word})
	}
	if last, ok := i.Last(v.ID); ok {
		model.Mine = append(model.Mine, fact{"Your vote", joined(choiceWords[last.Choice], last.Reason)})
		for _, each := range i.Votes {
			if each.By == v.ID && each.Seq != last.Seq {
				model.History = append(model.History, choiceWords[each.Choice]+", "+clockWord(each.At, sc.protocol.Zone()))
			}
		}
	}
	if i.ClosedBy == "" {
		model.Waiting = "How others vote is shown to nobody before the chair has closed the vote."
	} else {
		model.Ballots = ballots(reader, m, i, rules, people)
	}
	model.Forms = s.itemForms(sc, m, i, rules, count)
	return model, nil
}

func seatsWord(sc scene, seats []string) string {
	if len(seats) == 0 {
		return "None"
	}
	words := make([]string, len(seats))
	for i, seat := range seats {
		words[i] = lower(seatTitle(sc.protocol, seat))
	}
	return strings.Join(words, ", ")
}

// conflictNames are those who are there and declared a conflict.
func conflictNames(m meeting.Meeting, i meeting.Item, people map[string]string) string {
	var names []string
	for _, a := range attended(m, i) {
		if conflict, _ := i.Conflicted(a.Account); conflict {
			names = append(names, personWord(people, a.Account))
		}
	}
	return strings.Join(names, ", ")
}

// attended are those who were there when the vote was closed, or are there now.
func attended(m meeting.Meeting, i meeting.Item) []meeting.Attendee {
	if i.ClosedBy != "" {
		return i.Attended
	}
	return m.Attendance
}

// ballots are the votes of everybody who might have given one. Their reasons are
// for those who read private words.
func ballots(reader api.Reader, m meeting.Meeting, i meeting.Item, rules meeting.Rules, people map[string]string) []ballotModel {
	var list []ballotModel
	for _, a := range attended(m, i) {
		if !slices.Contains(rules.Members, a.Role) {
			continue
		}
		b := ballotModel{Name: personWord(people, a.Account), Seat: a.Seat, Vote: "Did not vote"}
		last, voted := i.Last(a.Account)
		if voted {
			b.Vote, b.Reason = choiceWords[last.Choice], last.Reason
			if b.Reason != "" && !reader.ReadsPrivate(a.Account) {
				b.Reason = withheld
			}
			earlier := 0
			for _, each := range i.Votes {
				if each.By == a.Account && each.Seq != last.Seq {
					earlier++
				}
			}
			if earlier > 0 {
				b.Earlier = "changed " + plural(earlier, "time") + " before the vote was closed"
			}
		}
		if conflict, _ := i.Conflicted(a.Account); conflict {
			b.Vote, b.Reason = "Conflict of interest, does not count", ""
		}
		list = append(list, b)
	}
	return list
}

// itemForms are what the viewer may do about a candidate in a meeting.
func (s *server) itemForms(sc scene, m meeting.Meeting, i meeting.Item, rules meeting.Rules, count meeting.Count) []form {
	v := sc.viewer
	if m.Minutes != nil || m.Plan.CalledOff || i.Decided != "" {
		return nil
	}
	link := itemLink(m.ID, i.Candidate)
	_, present := m.Present(v.ID)
	conflict, declared := i.Conflicted(v.ID)
	var forms []form
	if i.ClosedBy == "" && present {
		var seq int64
		for _, d := range i.Declarations {
			if d.By == v.ID {
				seq = d.Seq
			}
		}
		value := ""
		if declared {
			value = map[bool]string{true: "yes", false: "no"}[conflict]
		}
		f := meetingForm(actDeclare, link, "Declare a conflict of interest", "Declare", seq,
			field{Name: "conflict", Label: "Your relation to this candidate, their family and the recipient", Type: "radio", Value: value, Options: []option{
				{"no", "I have no conflict of interest"}, {"yes", "I have a conflict of interest"},
			}},
			field{Name: "text", Label: "What it is", Type: "textarea", Optional: true, Hint: "Needed for a conflict. Whoever has one neither votes nor counts for the quorum."})
		f.Open = !declared
		forms = append(forms, f)
		if slices.Contains(rules.Members, v.Role) && declared && !conflict {
			last, voted := i.Last(v.ID)
			choice := field{Name: "choice", Label: "Vote", Type: "radio", Value: string(last.Choice)}
			for _, each := range meeting.Choices {
				choice.Options = append(choice.Options, option{string(each), choiceWords[each]})
			}
			title, button := "Vote", "Vote"
			if voted {
				title, button = "Change your vote", "Change the vote"
			}
			f := meetingForm(actVote, link, title, button, last.Seq, choice,
				field{Name: "text", Label: "Reason", Type: "textarea", Value: last.Reason, Optional: true, Hint: "Needed for every vote but a plain approval. Read by clinicians, the advocate and the committee, once the vote is closed."})
			f.Hint = "Under your own sign-in. You may change it until the chair closes the vote; what you voted before is kept."
			f.Open = !voted
			forms = append(forms, f)
		}
	}
	if i.ClosedBy == "" && v.Role == journey.CommitteeRole && m.Plan.Chair == v.ID {
		f := meetingForm(actClose, link, "Close the vote", "Close the vote", i.Seq)
		f.Hint = "Nobody can vote or change a vote afterwards, and everybody in the room sees the votes."
		for _, reason := range count.Lacking {
			f.Waiting = append(f.Waiting, reasonWord(sc.protocol, reason))
		}
		forms = append(forms, f)
	}
	if i.ClosedBy != "" && v.Role == journey.CommitteeRole {
		fields := slices.DeleteFunc(decisionFields(sc), func(f field) bool { return f.Name == "seats" })
		for n := range fields {
			if fields[n].Name == "outcome" {
				fields[n].Options = slices.DeleteFunc(fields[n].Options, func(o option) bool { return !slices.Contains(count.Outcomes, journey.Outcome(o.Value)) })
				fields[n].Hint = "What the votes are for."
				if count.MustCondition {
					fields[n].Hint += " They are enough for an approval only with conditions."
				}
			}
		}
		f := meetingForm(actDecide, link, "Record the decision", "Record the decision", i.Seq, fields...)
		f.Hint = "The votes and the quorum are kept with it. The candidate hears first, and the recipient's side learns nothing but whether and when."
		f.Open = true
		forms = append(forms, f)
	}
	return forms
}

// changeItem carries out a form about one candidate of a meeting.
func (s *server) changeItem(c echo.Context) error {
	account, _ := signedIn(c)
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values, ctx := c.Request().PostForm, c.Request().Context()
	v := s.viewer(account)
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	act := values.Get("act")
	change := meeting.Change{Candidate: found.ID, Seen: seen(values), Text: strings.TrimSpace(values.Get("text"))}
	switch act {
	case actDeclare:
		change.Kind, change.Conflict = meeting.Declared, values.Get("conflict") == "yes"
		if values.Get("conflict") == "" {
			return s.showItem(c, http.StatusUnprocessableEntity, m, act, values, "Nothing was recorded. Check what is entered", []problem{{Text: "This is missing.", Field: "conflict"}}, "")
		}
	case actVote:
		change.Kind, change.Choice = meeting.Voted, meeting.Choice(values.Get("choice"))
	case actClose:
		change.Kind, change.Text = meeting.Closed, ""
	case actDecide:
		return s.decideItem(c, m, found, values)
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "The form does not say what is to be done."}
	}
	if _, err := s.change(ctx, account, m.ID, change); err != nil {
		status, title, problems, ok := meetingProblems(err)
		if !ok {
			return err
		}
		if m, err = s.Store.Meeting(ctx, m.ID); err != nil {
			return err
		}
		return s.showItem(c, status, m, act, values, title, problems, "")
	}
	return c.Redirect(http.StatusSeeOther, itemLink(m.ID, found.ID)+"?done="+act)
}

// decideItem gives the command that records what a meeting decided.
func (s *server) decideItem(c echo.Context, m meeting.Meeting, found record.Candidate, values url.Values) error {
	account, _ := signedIn(c)
	ctx := c.Request().Context()
	if !journey.MayGive(account.Role, journey.RecordDecision) {
		return &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(account.Role) + " may not do this."}
	}
	i, ok := m.Item(found.ID)
	if !ok {
		return errNotFound
	}
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return err
	}
	rules, err := api.VotingRules(ctx, s.Store, p, found)
	if err != nil {
		return err
	}
	body := &command.RecordDecision{
		Outcome: journey.Outcome(values.Get("outcome")), Side: journey.Side(values.Get("side")), ReReviewOn: journey.Date(values.Get("re_review_on")),
		Reason: values.Get("reason"), Conditions: conditionsIn(values), Meeting: m.ID, Seen: seen(values),
		Seats: meeting.CountOf(m, i, rules).Seats,
	}
	if err = s.give(ctx, account, found.ID, values.Get("key"), journey.RecordDecision, body); err == nil {
		return c.Redirect(http.StatusSeeOther, itemLink(m.ID, found.ID)+"?done="+actDecide)
	}
	var refusal *journey.Refusal
	if errors.As(err, &refusal) {
		err = s.viewer(account).reader().Refusal(p, found.State, refusal)
	}
	status, title, problems, keep, ok := refused(p, err, conditionField)
	if !ok {
		return err
	}
	key := ""
	if keep {
		key = values.Get("key")
	}
	if m, err = s.Store.Meeting(ctx, m.ID); err != nil {
		return err
	}
	return s.showItem(c, status, m, actDecide, values, title, problems, key)
}
