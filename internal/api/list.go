package api

import (
	"context"
	"net/http"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// name is what a person is called.
type name struct {
	Given  string `json:"given"`
	Family string `json:"family"`
}

// summary is one line of the list.
type summary struct {
	ID string `json:"id"`
	// Name is absent for those who need the facts and not the person.
	Name        *name         `json:"name,omitempty"`
	Stage       journey.Stage `json:"stage"`
	Since       journey.Date  `json:"since"`
	ReferredOn  journey.Date  `json:"referred_on"`
	WorstBand   journey.Band  `json:"worst_band"`
	Outstanding int           `json:"outstanding"`
	// NextDeadline is the earliest one that stands.
	NextDeadline *journey.Deadline `json:"next_deadline,omitempty"`
	Planned      journey.Date      `json:"planned,omitempty"`
	Operated     journey.Date      `json:"operated,omitempty"`
}

// summaries is one page. Next is the cursor of the page after it.
type summaries struct {
	Candidates []summary `json:"candidates"`
	Next       string    `json:"next,omitempty"`
}

// candidates answers GET /candidates.
func (s *server) candidates(c echo.Context) error {
	query, err := readPage(c.QueryString())
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	list, next, err := s.page(ctx, s.sight(c), query)
	if err != nil {
		return err
	}
	answer := summaries{Candidates: []summary{}, Next: next}
	for _, candidate := range list {
		line, err := s.summary(ctx, readerOf(access.From(c)), candidate)
		if err != nil {
			return err
		}
		answer.Candidates = append(answer.Candidates, line)
	}
	return reply(c, http.StatusOK, answer)
}

// page fills one page with what the reader may see. It reads on over hidden
// candidates, so that the length of a page does not tell that there are any.
func (s *server) page(ctx context.Context, v *sight, query page) (list []record.Candidate, next string, err error) {
	batch := max(query.limit+1, defaultLimit)
	after := query.after
	filter := record.Filter{Stage: query.stage}
	if v.bearer.Role == journey.Advocate {
		filter.Advocate = v.bearer.Actor
	}
	for {
		found, err := s.Store.List(ctx, filter, after, batch)
		if err != nil {
			return nil, "", err
		}
		for _, candidate := range found {
			after = candidate.ID
			sees, err := v.sees(ctx, candidate)
			if err != nil {
				return nil, "", err
			}
			if !sees {
				continue
			}
			if len(list) == query.limit {
				return list, list[len(list)-1].ID, nil
			}
			list = append(list, candidate)
			audit.About(ctx, candidate.ID)
		}
		if len(found) < batch {
			return list, "", nil
		}
	}
}

func (s *server) summary(ctx context.Context, reader Reader, c record.Candidate) (summary, error) {
	p, err := s.Protocols.Get(ctx, c.Protocol)
	if err != nil {
		return summary{}, err
	}
	line := summary{
		ID: c.ID, Stage: c.State.Stage, Since: c.State.Since,
		ReferredOn: c.ReferredOn, WorstBand: c.WorstBand, Planned: c.State.Planned, Operated: c.State.Operated,
		Outstanding: outstanding(c.State, journey.DateOf(s.Now(), p.Zone())),
	}
	if reader.SeesName() {
		line.Name = &name{c.Identity.Given, c.Identity.Family}
	}
	if c.Next != nil {
		line.NextDeadline = &c.Next.Deadline
		if _, reminds := c.Next.Kind.Announces(); reminds {
			line.NextDeadline = journey.NextReal(p.Rules(), c.State)
		}
	}
	return line, nil
}

// outstanding counts what is due and not in force on the day. After the
// operation, and once a journey has ended, nothing of the evaluation is.
func outstanding(state journey.State, today journey.Date) int {
	if !state.Stage.BeforeOperation() {
		return 0
	}
	n := 0
	for _, r := range state.Requirements {
		if r.Status != journey.NotDue && !r.InForce(today) {
			n++
		}
	}
	return n
}
