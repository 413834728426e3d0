package api

import (
	"context"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/access"
	"candidacy/internal/clinical/units"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// followUp is what is on record of one donor's follow-up.
type followUp struct {
	Operated journey.Date `json:"operated,omitempty"`
	Died     journey.Date `json:"died,omitempty"`
	// Lost is the visit with which the donor became lost to follow-up.
	Lost   string       `json:"lost,omitempty"`
	Next   *step        `json:"next_step,omitempty"`
	Visits []visit      `json:"visits"`
	Kidney kidneyCourse `json:"kidney"`
}

// visit is one visit with its forms.
type visit struct {
	ID       string              `json:"id"`
	Title    string              `json:"title"`
	Opens    journey.Date        `json:"opens"`
	Target   journey.Date        `json:"target"`
	Closes   journey.Date        `json:"closes"`
	Status   journey.VisitStatus `json:"status"`
	On       journey.Date        `json:"on,omitempty"`
	Reason   journey.VisitReason `json:"reason_code,omitempty"`
	Refused  journey.Date        `json:"refused,omitempty"`
	Late     bool                `json:"late"`
	Complete bool                `json:"complete"`
	Forms    []form              `json:"forms"`
	Contacts []journey.Contact   `json:"contacts"`
	// Due is the step of the ladder that waits for an attempt.
	Due *step `json:"due,omitempty"`
}

type form struct {
	Set      followup.Set `json:"set"`
	Complete bool         `json:"complete"`
	// Excused says that the donor died before the window closed.
	Excused bool       `json:"excused,omitempty"`
	Items   []formItem `json:"items"`
}

type formItem struct {
	Code  string       `json:"code"`
	Title string       `json:"title"`
	On    journey.Date `json:"on,omitempty"`
}

// step is one contact of the ladder.
type step struct {
	Visit   string          `json:"visit"`
	ID      string          `json:"id"`
	Title   string          `json:"title"`
	Channel journey.Channel `json:"channel"`
	On      journey.Date    `json:"on"`
}

func stepOf(s *followup.Step) *step {
	if s == nil {
		return nil
	}
	return &step{Visit: s.Visit, ID: s.ID, Title: s.Title, Channel: s.Channel, On: s.On}
}

type kidneyCourse struct {
	Before   []kidneyPoint   `json:"before"`
	After    []kidneyPoint   `json:"after"`
	Expected *expectedRange  `json:"expected,omitempty"`
	Flags    []protocol.Flag `json:"flags"`
}

// kidneyPoint is the estimated GFR of one day, unrounded, or why there is none.
type kidneyPoint struct {
	On         journey.Date `json:"on"`
	Creatinine string       `json:"creatinine"`
	Value      string       `json:"value,omitempty"`
	Unit       string       `json:"unit"`
	Early      bool         `json:"early,omitempty"`
	Reason     string       `json:"reason,omitempty"`
}

type expectedRange struct {
	Low    string `json:"low"`
	Value  string `json:"value"`
	High   string `json:"high"`
	Unit   string `json:"unit"`
	Source string `json:"source"`
}

// followUpOf answers GET /candidates/{id}/follow-up.
func (s *server) followUpOf(c echo.Context) error {
	found, err := s.find(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return err
	}
	results, err := s.Store.Results(ctx, found.ID)
	if err != nil {
		return err
	}
	entries, err := s.Store.Entries(ctx, found.ID)
	if err != nil {
		return err
	}
	today := journey.DateOf(s.Now(), p.Zone())
	answer := followUp{
		Operated: found.State.Operated, Died: followup.Died(found.State, results), Next: stepOf(followup.NextStep(p, found.State)),
		Visits: []visit{},
	}
	if since, lost := found.State.Lost(p.Rules()); lost {
		answer.Lost = since.ID
	}
	for _, v := range followup.Visits(p, s.Current, found.State, results, today) {
		answer.Visits = append(answer.Visits, visitOf(p, v))
	}
	seen := readerOf(access.From(c)).Results(p, results, entries)
	answer.Kidney = courseOf(followup.KidneyOf(s.Current, activities.PersonOf(found), seen, found.State.Operated, today))
	return reply(c, http.StatusOK, answer)
}

func visitOf(p *protocol.Protocol, v followup.Visit) visit {
	shown := visit{
		ID: v.ID, Title: v.Title, Opens: v.Opens, Target: v.Target, Closes: v.Closes, Status: v.Status, On: v.On, Reason: v.Reason,
		Refused: v.Refused, Late: v.Late, Complete: v.Complete(), Forms: []form{}, Contacts: orEmpty(v.Contacts), Due: stepOf(followup.Due(p, v.Visit)),
	}
	for _, f := range v.Forms {
		each := form{Set: f.Set, Complete: f.Complete(), Excused: f.Excused, Items: []formItem{}}
		for _, item := range f.Items {
			each.Items = append(each.Items, formItem{item.Code, item.Title, item.On})
		}
		shown.Forms = append(shown.Forms, each)
	}
	return shown
}

func courseOf(k followup.Kidney) kidneyCourse {
	points := func(list []followup.Point) []kidneyPoint {
		out := []kidneyPoint{}
		for _, p := range list {
			point := kidneyPoint{On: p.On, Creatinine: p.Creatinine, Unit: units.MLPerMinPer173M2, Early: p.Early}
			if p.Err != nil {
				point.Reason = p.Err.Error()
			} else {
				point.Value = unrounded(p.GFR)
			}
			out = append(out, point)
		}
		return out
	}
	course := kidneyCourse{Before: points(k.Before), After: points(k.After), Flags: orEmpty(k.Flags)}
	if e := k.Expected; e != nil {
		course.Expected = &expectedRange{
			Low: unrounded(float64(e.Low)), Value: unrounded(float64(e.GFR)), High: unrounded(float64(e.High)), Unit: units.MLPerMinPer173M2, Source: e.Source,
		}
	}
	return course
}

func unrounded(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// programme is the follow-up of everybody whom the reader may see.
type programme struct {
	AsOf     journey.Date `json:"as_of"`
	Protocol string       `json:"protocol"`
	// Due are the visits whose window is open and that are not settled.
	Due          []donorVisit   `json:"due"`
	Late         []donorVisit   `json:"late"`
	Lost         []donorVisit   `json:"lost"`
	Completeness []completeness `json:"completeness"`
}

// donorVisit names a donor and a visit.
type donorVisit struct {
	Candidate string       `json:"candidate"`
	Name      *name        `json:"name,omitempty"`
	Visit     string       `json:"visit"`
	Title     string       `json:"title"`
	Target    journey.Date `json:"target"`
	Closes    journey.Date `json:"closes"`
	Due       *step        `json:"due,omitempty"`
}

// completeness is one share with the donors behind it.
type completeness struct {
	Visit     string       `json:"visit"`
	Title     string       `json:"title"`
	Set       followup.Set `json:"set"`
	From      journey.Date `json:"from"`
	Until     journey.Date `json:"until,omitempty"`
	Threshold float64      `json:"threshold_percent"`
	Closed    int          `json:"closed"`
	// Percent is absent while no window has closed.
	Percent    *float64 `json:"percent,omitempty"`
	Met        bool     `json:"met"`
	Complete   []string `json:"complete"`
	Incomplete []string `json:"incomplete"`
	Pending    []string `json:"pending"`
	Forecast   outlook  `json:"forecast"`
	Source     string   `json:"source"`
}

type outlook struct {
	Possible bool         `json:"possible"`
	Needed   int          `json:"needed"`
	By       journey.Date `json:"by,omitempty"`
}

// Donors says of each donor among the candidates what is on record of the visits.
func Donors(ctx context.Context, store *record.Store, protocols *protocol.Registry, present *protocol.Protocol, candidates []record.Candidate, today journey.Date) ([]followup.Donor, error) {
	var donors []followup.Donor
	for _, c := range candidates {
		if c.State.Outcome != journey.Removed {
			continue
		}
		p, err := protocols.Get(ctx, c.Protocol)
		if err != nil {
			return nil, err
		}
		var results []result.Result
		if results, err = store.Results(ctx, c.ID); err != nil {
			return nil, err
		}
		donors = append(donors, followup.Donor{
			ID: c.ID, Donated: c.State.Operated, Visits: followup.Visits(p, present, c.State, results, today),
		})
	}
	return donors, nil
}

// followUps answers GET /follow-up.
func (s *server) followUps(c echo.Context) error {
	ctx := c.Request().Context()
	list, err := s.everyone(ctx, s.sight(c))
	if err != nil {
		return err
	}
	today := journey.DateOf(s.Now(), s.Current.Zone())
	donors, err := Donors(ctx, s.Store, s.Protocols, s.Current, list, today)
	if err != nil {
		return err
	}
	answer := programme{
		AsOf: today, Protocol: s.Current.Version, Due: []donorVisit{}, Late: []donorVisit{}, Lost: []donorVisit{}, Completeness: []completeness{},
	}
	known := map[string]record.Candidate{}
	for _, each := range list {
		known[each.ID] = each
	}
	reader := readerOf(access.From(c))
	for _, d := range donors {
		candidate := known[d.ID]
		p, err := s.Protocols.Get(ctx, candidate.Protocol)
		if err != nil {
			return err
		}
		since, lost := candidate.State.Lost(p.Rules())
		for _, v := range d.Visits {
			line := donorVisit{Candidate: d.ID, Visit: v.ID, Title: v.Title, Target: v.Target, Closes: v.Closes, Due: stepOf(followup.Due(p, v.Visit))}
			if reader.SeesName() {
				line.Name = &name{candidate.Identity.Given, candidate.Identity.Family}
			}
			if v.Status == journey.VisitOpen && !candidate.State.Stage.Ended() && candidate.State.Died == "" {
				answer.Due = append(answer.Due, line)
			}
			if v.Late {
				answer.Late = append(answer.Late, line)
			}
			if lost && v.ID == since.ID && !candidate.State.Stage.Ended() {
				answer.Lost = append(answer.Lost, line)
			}
		}
	}
	for _, m := range followup.Programme(s.Current, donors, today) {
		answer.Completeness = append(answer.Completeness, completenessOf(m))
	}
	return reply(c, http.StatusOK, answer)
}

func completenessOf(m followup.Measure) completeness {
	c := completeness{
		Visit: m.Visit, Title: m.Title, Set: m.Set, From: m.Cohort.From, Until: m.Cohort.Until, Threshold: m.Threshold, Closed: m.Closed, Met: m.Met(),
		Complete: orEmpty(m.Complete), Incomplete: orEmpty(m.Incomplete), Pending: orEmpty(m.Pending),
		Forecast: outlook{m.Forecast.Possible, m.Forecast.Needed, m.Forecast.By}, Source: m.Cohort.Source,
	}
	if percent, ok := m.Percent(); ok {
		c.Percent = &percent
	}
	return c
}

// everyone lists all candidates whom the bearer may see.
func (s *server) everyone(ctx context.Context, v *sight) ([]record.Candidate, error) {
	var all []record.Candidate
	for after := ""; ; {
		list, next, err := s.page(ctx, v, page{limit: 500, after: after})
		if err != nil {
			return nil, err
		}
		all = append(all, list...)
		if next == "" {
			return all, nil
		}
		after = next
	}
}
