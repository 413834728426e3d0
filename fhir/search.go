package fhir

import (
	"context"
	"encoding/base64"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

// maxForm bounds the body of a search by POST.
const maxForm = 64 << 10

func (s *server) searchByURL(c echo.Context) error {
	if _, ok := types[c.Param("type")]; !ok {
		return notFound()
	}
	pairs, err := parsePairs(c.Request().URL.RawQuery)
	if err != nil {
		return err
	}
	return s.search(c, pairs)
}

// searchByForm takes the parameters from the body, so that they stay out of
// logs, and from the URL.
func (s *server) searchByForm(c echo.Context) error {
	r := c.Request()
	if _, ok := types[c.Param("type")]; !ok {
		return notFound()
	}
	media, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType))
	if err != nil || media != echo.MIMEApplicationForm {
		return &failure{status: http.StatusUnsupportedMediaType, code: "not-supported", diagnostics: "send the parameters as " + echo.MIMEApplicationForm}
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, maxForm))
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return &failure{status: http.StatusRequestEntityTooLarge, code: "too-long", diagnostics: "the form is too large"}
	}
	if err != nil {
		return &failure{status: http.StatusBadRequest, code: "invalid", diagnostics: "the form can't be read"}
	}
	pairs, err := parsePairs(r.URL.RawQuery + "&" + string(body))
	if err != nil {
		return err
	}
	return s.search(c, pairs)
}

func (s *server) search(c echo.Context, pairs []pair) error {
	r := c.Request()
	p := parser{base: s.opts.BaseURL(r), now: s.opts.Now(), strict: strict(r.Header)}
	query, err := p.parse(c.Param("type"), pairs)
	if err != nil {
		return err
	}
	if err := acceptable(r, query.format); err != nil {
		return err
	}
	page, err := s.page(r.Context(), query)
	if err != nil {
		return err
	}
	return write(c, http.StatusOK, bundle(p.base, query, page))
}

// page is one page of the answer. More says that another follows.
type page struct {
	total     int
	resources []record.Published
	more      bool
}

func (s *server) page(ctx context.Context, query *search) (page, error) {
	var p page
	plans := query.plans()
	if !query.countOnly {
		for _, q := range plans {
			found, err := s.store.Search(ctx, q)
			if err != nil {
				return p, err
			}
			p.resources = append(p.resources, found...)
		}
		if len(plans) > 1 {
			slices.SortFunc(p.resources, func(a, b record.Published) int { return strings.Compare(a.ID, b.ID) })
		}
		if p.more = len(p.resources) > query.count; p.more {
			p.resources = p.resources[:query.count]
		}
		if !p.more && query.after == "" { // the page is the whole answer
			p.total = len(p.resources)
			return p, nil
		}
	}
	for _, q := range plans {
		n, err := s.store.Count(ctx, q)
		if err != nil {
			return p, err
		}
		p.total += n
	}
	return p, nil
}

// plans are the store queries whose answers together are the search: one for
// each patient that is named, since the store walks the resources of one
// patient in id order but would sift those of all for several, times one for
// each of the disjoint ranges of _lastUpdated. No resource is in two of them.
// Each asks for one resource more than the page holds, which tells whether
// another page follows.
func (s *search) plans() []record.Query {
	q := record.Query{Type: s.typ, IDs: s.ids, Conditions: s.conditions, After: s.after, Limit: s.count + 1}
	queries := []record.Query{q}
	if s.candidates != nil {
		queries = nil
		for _, candidate := range s.candidates {
			q.Candidates = []string{candidate}
			queries = append(queries, q)
		}
	}
	if !s.restrict {
		return queries
	}
	var list []record.Query
	for _, q := range queries {
		for _, i := range s.updated {
			q.Updated = nil
			if i.from != "" {
				q.Updated = append(q.Updated, record.Match{Op: ">=", Value: i.from})
			}
			if i.to != "" {
				q.Updated = append(q.Updated, record.Match{Op: "<", Value: i.to})
			}
			list = append(list, q)
		}
	}
	return list
}

// A cursor is the id of the last resource that was sent: pages are ranges of
// ids, so that rows which come or go meanwhile leave no gap and no duplicate.
const cursorMark = "1:"

func cursor(id string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(cursorMark + id))
}

func (s *search) setCursor(text string) error {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	id, ok := strings.CutPrefix(string(raw), cursorMark)
	if err != nil || !ok || !validID(id) {
		return badParameter("_cursor", "invalid", "not a cursor of this server")
	}
	s.after = id
	return nil
}

// link is the URL of a page of the search, with what took part in it only.
func (s *search) link(base, after string) string {
	var b strings.Builder
	b.WriteString(base + "/" + s.typ + "?")
	for _, p := range s.used {
		b.WriteString(url.QueryEscape(p.name) + "=" + url.QueryEscape(p.value) + "&")
	}
	b.WriteString("_count=" + strconv.Itoa(s.count))
	if after != "" {
		b.WriteString("&_cursor=" + cursor(after))
	}
	return b.String()
}
