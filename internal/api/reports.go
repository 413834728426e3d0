package api

import (
	"cmp"
	"context"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// report is one event that has to be reported, with who knew of it and when.
type report struct {
	ID         string       `json:"id"`
	Event      string       `json:"event"`
	Title      string       `json:"title"`
	HappenedOn journey.Date `json:"happened_on"`
	// AwareAt is when somebody in the hospital first knew, KnownTo who that was.
	AwareAt    journey.Instant `json:"aware_at"`
	KnownTo    string          `json:"known_to"`
	RecordedAt journey.Instant `json:"recorded_at"`
	RecordedBy string          `json:"recorded_by"`
	// Limit is when it has to be reported by; without it no clock runs.
	Limit       journey.Instant `json:"limit,omitempty"`
	Status      reportStatus    `json:"status"`
	ReportedAt  journey.Instant `json:"reported_at,omitempty"`
	ClosedBy    string          `json:"closed_by,omitempty"`
	InTime      *bool           `json:"in_time,omitempty"`
	RetractedBy string          `json:"retracted_by,omitempty"`
}

type reportStatus string

const (
	reportOpen      reportStatus = "open"
	reportOverdue   reportStatus = "overdue"
	reportClosed    reportStatus = "closed"
	reportNotOwed   reportStatus = "not-owed"
	reportRetracted reportStatus = "retracted"
)

func reportOf(p *protocol.Protocol, r journey.Report, now journey.Instant) report {
	event, _ := p.Event(r.Event)
	shown := report{
		ID: r.ID, Event: r.Event, Title: cmp.Or(event.Title, r.Event), HappenedOn: r.Happened, AwareAt: r.Aware, KnownTo: r.KnownTo,
		RecordedAt: r.Raised, RecordedBy: r.By, Limit: r.Limit, ReportedAt: r.Reported, ClosedBy: r.Closer, RetractedBy: r.RetractedBy,
	}
	in, known := r.InTime(now)
	switch {
	case r.Retracted():
		shown.Status = reportRetracted
	case r.NotOwed:
		shown.Status = reportNotOwed
	case !r.Open():
		shown.Status = reportClosed
	case known:
		shown.Status = reportOverdue
	default:
		shown.Status = reportOpen
	}
	if known {
		shown.InTime = &in
	}
	return shown
}

func reportsOf(p *protocol.Protocol, s journey.State, now journey.Instant) []report {
	var list []report
	for _, r := range s.Reports {
		list = append(list, reportOf(p, r, now))
	}
	return list
}

// candidateReport is a report with the candidate that it is about.
type candidateReport struct {
	Candidate string `json:"candidate"`
	Name      *name  `json:"name,omitempty"`
	report
}

// reportList is what the whole programme has to report, and has reported.
type reportList struct {
	Tally journey.ReportTally `json:"tally"`
	// Open are those still to be reported, the nearest limit first; Settled are
	// the others, the newest first.
	Open    []candidateReport `json:"open"`
	Settled []candidateReport `json:"settled"`
}

// reportStages are those in which a donor may have a report.
var reportStages = []journey.Stage{journey.Operation, journey.Recovery, journey.FollowUp, journey.Closed}

// reports answers GET /reports.
func (s *server) reports(c echo.Context) error {
	var faults command.Faults
	single(&faults, c.QueryString())
	if err := unreadable(&faults); err != nil {
		return err
	}
	ctx, now := c.Request().Context(), journey.InstantOf(s.Now())
	reader, sight := readerOf(access.From(c)), s.sight(c)
	answer := reportList{Open: []candidateReport{}, Settled: []candidateReport{}}
	for _, stage := range reportStages {
		if err := s.addReports(ctx, reader, sight, stage, now, &answer); err != nil {
			return err
		}
	}
	slices.SortStableFunc(answer.Open, func(a, b candidateReport) int {
		return cmp.Compare(cmp.Or(a.Limit, "~"), cmp.Or(b.Limit, "~"))
	})
	slices.SortStableFunc(answer.Settled, func(a, b candidateReport) int { return cmp.Compare(b.AwareAt, a.AwareAt) })
	return reply(c, http.StatusOK, answer)
}

func (s *server) addReports(ctx context.Context, reader Reader, v *sight, stage journey.Stage, now journey.Instant, to *reportList) error {
	const batch = 500
	for query := (page{stage: stage, limit: batch}); ; {
		list, next, err := s.page(ctx, v, query)
		if err != nil {
			return err
		}
		for _, found := range list {
			p, err := s.Protocols.Get(ctx, found.Protocol)
			if err != nil {
				return err
			}
			to.Tally.Add(found.State, now)
			for _, r := range found.State.Reports {
				line := candidateReport{Candidate: found.ID, report: reportOf(p, r, now)}
				if reader.SeesName() {
					line.Name = &name{found.Identity.Given, found.Identity.Family}
				}
				if r.Open() {
					to.Open = append(to.Open, line)
				} else {
					to.Settled = append(to.Settled, line)
				}
			}
		}
		if next == "" {
			return nil
		}
		query.after = next
	}
}
