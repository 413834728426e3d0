package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const pathToday = "/today"

// todayRows bounds one page of what is to be done.
const todayRows = 50

// todayModel is what needs the viewer, ordered by what is lost if they wait.
type todayModel struct {
	Sentence string
	Groups   []taskGroup
	Found    int
	From, To int
	Before   *pageLink
	After    *pageLink
	Names    bool
	Date     string
	// Room leads an advocate to their own candidates.
	Room string
}

// taskGroup is what is lost about as soon.
type taskGroup struct {
	Title string
	Rows  []taskRow
}

// todayPage answers what needs the viewer now.
func (s *server) todayPage(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	keys, err := s.indexed(ctx, v)
	if err != nil {
		return err
	}
	zone := s.Current.Zone()
	today := s.today(zone)
	var list []task
	for _, k := range keys {
		list = append(list, k.tasks...)
	}
	others, err := s.commonTasks(ctx, v, today)
	if err != nil {
		return err
	}
	all, now := byLossOf(append(list, others...), today)
	m := todayModel{Found: len(all), Names: v.knowsIdentity(), Date: dayWord(today)}
	if v.Role == journey.Advocate {
		m.Room = pathAdvocate
	}
	switch {
	case len(all) == 0:
		m.Sentence = "Nothing needs you now."
	case now == 0:
		m.Sentence = fmt.Sprintf("%s, and nothing is lost before tomorrow is over.", capital(countNeeds(len(all))))
	default:
		m.Sentence = fmt.Sprintf("%s. For %d of them something is lost by tomorrow.", capital(countNeeds(len(all))), now)
	}
	number, _ := strconv.Atoi(c.QueryParam("page"))
	pages := max(1, (len(all)+todayRows-1)/todayRows)
	number = min(max(number, 1), pages)
	from, to := (number-1)*todayRows, min(number*todayRows, len(all))
	m.From, m.To = from+1, to
	link := func(n int) *pageLink {
		return &pageLink{linkOf(pathToday, url.Values{"page": {strconv.Itoa(n)}}), n}
	}
	if number > 1 {
		m.Before = link(number - 1)
	}
	if number < pages {
		m.After = link(number + 1)
	}
	if err := s.todayRowsOf(ctx, v, &m, all[from:to], today); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "today", page{Title: "Today", Body: m})
}

func countNeeds(n int) string {
	if n == 1 {
		return "1 thing needs you"
	}
	return fmt.Sprintf("%d things need you", n)
}

func (s *server) todayRowsOf(ctx context.Context, v *viewer, m *todayModel, list []placed, today journey.Date) error {
	var ids []string
	for _, t := range list {
		if t.Candidate != "" && !slices.Contains(ids, t.Candidate) {
			ids = append(ids, t.Candidate)
		}
	}
	candidates, err := s.shown(ctx, v, ids)
	if err != nil {
		return err
	}
	byID := map[string]record.Candidate{}
	for _, c := range candidates {
		byID[c.ID] = c
	}
	for _, t := range list {
		c, ok := byID[t.Candidate]
		if t.Candidate != "" && !ok {
			continue
		}
		zone := s.Current.Zone()
		row := rowOfTask(t.task, today, s.Now(), zone)
		if ok {
			row.Name, row.Identifier = v.name(c), v.identifier(c)
		}
		title := spanWords[t.span]
		if n := len(m.Groups); n == 0 || m.Groups[n-1].Title != title {
			m.Groups = append(m.Groups, taskGroup{Title: title})
		}
		g := &m.Groups[len(m.Groups)-1]
		g.Rows = append(g.Rows, row)
	}
	return nil
}

// mostMessages bounds how many incoming messages stand among the tasks by themselves.
const mostMessages = 20

// commonTasks are those that are about no single candidate.
func (s *server) commonTasks(ctx context.Context, v *viewer, today journey.Date) ([]task, error) {
	if v.Role != journey.Coordinator {
		return nil, nil
	}
	var list []task
	if s.Incoming != nil {
		waiting, err := s.Incoming.List(ctx, v.ID, false, mostMessages, incoming.Held, incoming.Refused)
		if err != nil {
			return nil, err
		}
		for _, m := range waiting {
			row, err := s.messageRow(ctx, v, m)
			if err != nil {
				return nil, err
			}
			list = append(list, incomingTask(row, journey.DateOf(m.ReceivedAt, s.Current.Zone())))
		}
		n, err := s.Incoming.Waiting(ctx, v.ID)
		if err != nil {
			return nil, err
		}
		if more := n - len(waiting); more > 0 {
			list = append(list, task{
				Loss: losesResult, What: "Decide about " + plural(more, "more message"), Why: "They wait for a person.", By: today,
				Lost: "Nothing of them is on record meanwhile.", Link: pathIncoming,
			})
		}
	}
	mail, err := s.mailTrouble(ctx, v)
	if err != nil {
		return nil, err
	}
	if mail != "" {
		list = append(list, task{
			Loss: losesTime, What: "See to the messages", Why: mail, Lost: "Whoever should be told is not, and after five days the message is given up.",
			By: today, Link: pathNotices,
		})
	}
	return list, nil
}
