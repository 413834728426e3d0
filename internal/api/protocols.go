package api

import (
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/mover"
	"candidacy/internal/protocol"
)

// protocolVersion is one stored version of the protocol.
type protocolVersion struct {
	Version       string       `json:"version"`
	Digest        string       `json:"digest"`
	ApprovedBy    string       `json:"approved_by,omitempty"`
	ApprovedOn    journey.Date `json:"approved_on,omitempty"`
	EffectiveFrom journey.Date `json:"effective_from,omitempty"`
	// Current marks the version that new candidates are pinned to.
	Current bool `json:"current,omitempty"`
	// Open counts the candidates on it whose journey has not ended.
	Open int `json:"open"`
}

// protocols answers GET /protocols.
func (s *server) protocols(c echo.Context) error {
	ctx := c.Request().Context()
	stored, err := s.Store.Protocols(ctx)
	if err != nil {
		return err
	}
	list := []protocolVersion{}
	for _, v := range stored {
		p, err := s.Protocols.Get(ctx, v.Version)
		if err != nil {
			return err
		}
		list = append(list, protocolVersion{
			Version: v.Version, Digest: v.Digest, ApprovedBy: p.ApprovedBy, ApprovedOn: p.ApprovedOn,
			EffectiveFrom: p.EffectiveFrom, Current: v.Version == s.Current.Version, Open: v.Open,
		})
	}
	return reply(c, http.StatusOK, map[string]any{"protocols": list})
}

// movePage is one page of what a move does.
type movePage struct {
	To     string `json:"to"`
	Digest string `json:"digest"`
	// Waiting counts the open candidates that the move takes.
	Waiting    int            `json:"waiting"`
	Candidates []mover.Change `json:"candidates"`
	Next       string         `json:"next,omitempty"`
}

// movePreview answers GET /protocol/move.
func (s *server) movePreview(c echo.Context) error {
	ctx := c.Request().Context()
	query, err := readMove(c.QueryString())
	if err != nil {
		return err
	}
	to, err := s.storedProtocol(c, "to", query.to)
	if err != nil {
		return err
	}
	reader := readerOf(access.From(c))
	plan := mover.Plan{To: to, From: query.from}
	if query.from != "" {
		if _, err := s.storedProtocol(c, "from", query.from); err != nil {
			return err
		}
	}
	answer := movePage{To: to.Version, Digest: to.Digest(), Candidates: []mover.Change{}}
	if answer.Waiting, err = mover.Waiting(ctx, s.Store, plan); err != nil {
		return err
	}
	err = mover.Preview(ctx, s.Store, s.Protocols, plan, query.after, s.Now(), func(change mover.Change) (bool, error) {
		if len(answer.Candidates) == query.limit {
			answer.Next = answer.Candidates[query.limit-1].Candidate
			return false, nil
		}
		from, err := s.Protocols.Get(ctx, change.From)
		if err != nil {
			return false, err
		}
		change.Flags = reader.FlagChanges(from, to, change.Flags)
		answer.Candidates = append(answer.Candidates, change)
		return true, nil
	})
	if err != nil {
		return err
	}
	return reply(c, http.StatusOK, answer)
}

// storedProtocol finds a version that a parameter names.
func (s *server) storedProtocol(c echo.Context, field, version string) (*protocol.Protocol, error) {
	p, err := s.Protocols.Get(c.Request().Context(), version)
	if !isNotFound(err) {
		return p, err
	}
	stored, err := s.Store.Protocols(c.Request().Context())
	if err != nil {
		return nil, err
	}
	var faults command.Faults
	var accepted []string
	for _, v := range stored {
		accepted = append(accepted, v.Version)
	}
	faults.Add(field, "no such protocol version is stored", accepted...)
	return nil, unreadable(&faults)
}

type moveQuery struct {
	to, from string
	page
}

func readMove(query string) (moveQuery, error) {
	var faults command.Faults
	values := single(&faults, query, "to", "from", "after", "limit")
	q := moveQuery{to: values["to"], from: values["from"]}
	q.after, q.limit = values["after"], defaultLimit
	if q.to == "" {
		faults.Add("to", "missing", "a stored protocol version")
	}
	readCursor(&faults, &q.page, values["limit"])
	return q, unreadable(&faults)
}

// readCursor checks where a page begins and how long it is.
func readCursor(faults *command.Faults, p *page, limit string) {
	if p.after != "" && !isCandidate(p.after) {
		faults.Add("after", "not a cursor", "the value of next on the page before")
	}
	if limit != "" {
		n, err := strconv.Atoi(limit)
		if err != nil || n < 1 || n > maxLimit {
			faults.Add("limit", "not accepted", "1 to "+strconv.Itoa(maxLimit))
		}
		p.limit = n
	}
}
