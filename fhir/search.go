package fhir

import (
	"context"
	"errors"
	"io"
	"mime"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/record"
)

const (
	// maxForm bounds the body of a search by POST.
	maxForm = 64 << 10
	// maxSorted is how many resources a sorted search gives.
	maxSorted = 100_000
	// orderLife is how long the pages of a sorted search may be read.
	orderLife = time.Hour
)

func searchRoutes() []route {
	return []route{
		{method: http.MethodGet, path: "/:type", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchType},
		{method: http.MethodPost, path: "/:type/_search", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchType},
	}
}

func (s *server) searchType(c echo.Context) error {
	pairs, err := sentPairs(c)
	if err != nil {
		return err
	}
	return s.search(c, pairs, c.Request().Method == http.MethodPost)
}

// sentPairs reads the parameters of a search from the URL and, of one by POST, from
// the body, so that they stay out of logs.
func sentPairs(c echo.Context) ([]pair, error) {
	query := c.Request().URL.RawQuery
	if c.Request().Method == http.MethodPost {
		form, err := formBody(c)
		if err != nil {
			return nil, err
		}
		query += "&" + form
	}
	return parsePairs(query)
}

// formBody reads a form.
func formBody(c echo.Context) (string, error) {
	media, _, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
	if err != nil || media != echo.MIMEApplicationForm {
		return "", &failure{status: http.StatusUnsupportedMediaType, code: "not-supported", diagnostics: "send the parameters as " + echo.MIMEApplicationForm}
	}
	body, err := readBody(c, maxForm)
	return string(body), err
}

// readBody reads a body that is not longer than a limit.
func readBody(c echo.Context, limit int64) ([]byte, error) {
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), c.Request().Body, limit))
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return nil, &failure{status: http.StatusRequestEntityTooLarge, code: "too-long", diagnostics: "the body is too large"}
	}
	if err != nil {
		return nil, &failure{status: http.StatusBadRequest, code: "invalid", diagnostics: "the body can't be read"}
	}
	return body, nil
}

// parser reads parameters for the client of the request.
func (s *server) parser(r *http.Request) *parser {
	return &parser{base: s.opts.BaseURL(r), now: s.opts.Now(), strict: strict(r.Header), grant: s.grant(r)}
}

func (s *server) search(c echo.Context, pairs []pair, byForm bool) error {
	r := c.Request()
	notePairs(r.Context(), pairs)
	p := s.parser(r)
	query, err := p.parse(c.Param("type"), pairs)
	if err != nil {
		return err
	}
	query.byForm = query.byForm || byForm
	if err := acceptable(r, query.shape.format); err != nil {
		return err
	}
	page, err := s.page(r.Context(), query)
	if err != nil {
		return err
	}
	page.included, err = s.included(r.Context(), p, query, page.matches)
	if err != nil {
		return err
	}
	audit.About(r.Context(), query.query.Candidates...)
	doc := bundle{kind: "searchset", total: page.total, self: query.self(p.base)}
	if page.next != (cursor{}) {
		doc.next = query.page(p.base, page.next)
	}
	for _, m := range page.matches {
		doc.entries = append(doc.entries, entry{resource: m, mode: "match"})
	}
	for _, m := range page.included {
		doc.entries = append(doc.entries, entry{resource: m, mode: "include"})
	}
	if page.cut {
		doc.warning = "only the first resources in this order are given; narrow the search to get the others"
	}
	return s.writeBundle(c, p.base, doc, query.shape)
}

// page is one page of the answer.
type page struct {
	// total is the number of matches, or -1 where it is not told.
	total             int
	matches, included []record.Published
	// next is where another page begins, if one does.
	next cursor
	// cut says that not everything can be given in the order that was asked for.
	cut bool
}

func (s *server) page(ctx context.Context, query *search) (page, error) {
	p := page{total: -1}
	var err error
	switch {
	case query.countOnly:
		p.total, err = s.store.Count(ctx, query.query)
		return p, err
	case query.cursor.order != "" || query.cursor.first() && len(query.sort) > 0:
		err = s.sorted(ctx, query, &p)
	default:
		q := query.query
		// One more than the page holds tells whether another follows.
		q.After, q.Limit = query.cursor.after, query.count+1
		p.matches, err = s.store.Search(ctx, q)
		if len(p.matches) > query.count {
			p.matches = p.matches[:query.count]
			p.next = cursor{after: p.matches[query.count-1].ID}
		} else if query.cursor.first() {
			p.total = len(p.matches)
		}
	}
	if err != nil {
		return p, err
	}
	if query.total == "none" {
		p.total = -1
	} else if p.total < 0 {
		p.total, err = s.count(ctx, query)
	}
	return p, err
}

// count counts the matches. One that nobody asked for is left out where it would
// cost much.
func (s *server) count(ctx context.Context, query *search) (int, error) {
	if query.total != "" {
		return s.store.Count(ctx, query.query)
	}
	n, cheap, err := s.store.CountCheaply(ctx, query.query)
	if !cheap {
		n = -1
	}
	return n, err
}

// sorted reads one page in the order that was asked for. Only the first page is
// found at once, since few clients want another; its ids are kept. With the
// second the whole order is, so that what changes from then on moves nothing:
// all that matched before and was not on the first page is in it.
func (s *server) sorted(ctx context.Context, query *search, p *page) error {
	var ids []string
	var err error
	if query.cursor.first() {
		ids, err = s.store.Order(ctx, query.query, query.sort, query.count+1)
		if err != nil {
			return err
		}
		if len(ids) <= query.count {
			p.total = len(ids)
		} else {
			ids = ids[:query.count]
			name, err := s.store.KeepOrder(ctx, ids, s.opts.Now().Add(orderLife))
			if err != nil {
				return err
			}
			p.next = cursor{order: name, offset: query.count}
		}
	} else {
		var total int
		ids, total, err = s.ordered(ctx, query)
		if err != nil {
			return err
		}
		if end := query.cursor.offset + len(ids); end < total {
			p.next = cursor{order: query.cursor.order, offset: end}
		} else {
			p.cut = total >= maxSorted
		}
		p.total = total
		if p.cut || total >= maxSorted {
			p.total = -1
		}
	}
	// What doesn't match any more is left out.
	q := query.query
	q.IDs, q.Limit = ids, len(ids)
	if query.query.IDs != nil {
		q.IDs = narrow(query.query.IDs, ids)
	}
	if p.matches, err = s.store.Search(ctx, q); err != nil {
		return err
	}
	place := make(map[string]int, len(ids))
	for i, id := range ids {
		place[id] = i
	}
	slices.SortFunc(p.matches, func(a, b record.Published) int { return place[a.ID] - place[b.ID] })
	return nil
}

// ordered reads the ids of a page of a kept order, which it makes complete where
// only the first page is in it.
func (s *server) ordered(ctx context.Context, query *search) ([]string, int, error) {
	at := query.cursor
	ids, total, err := s.store.OrderedPage(ctx, at.order, at.offset, query.count)
	if !errors.Is(err, record.ErrExpired) {
		return ids, total, err
	}
	first, err := s.store.FirstOfOrder(ctx, at.order)
	if errors.Is(err, record.ErrExpired) || err == nil && at.offset != len(first) {
		return nil, 0, &failure{
			status: http.StatusGone, code: "not-found", param: "_cursor",
			diagnostics: "these pages are not kept any more; search again",
		}
	}
	if err != nil {
		return nil, 0, err
	}
	all, err := s.store.Order(ctx, query.query, query.sort, maxSorted)
	if err != nil {
		return nil, 0, err
	}
	seen := make(map[string]bool, len(first))
	for _, id := range first {
		seen[id] = true
	}
	rest := slices.DeleteFunc(all, func(id string) bool { return seen[id] })
	if err := s.store.CompleteOrder(ctx, at.order, rest); err != nil {
		return nil, 0, err
	}
	return s.store.OrderedPage(ctx, at.order, at.offset, query.count)
}
