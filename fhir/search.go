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
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/record"
)

// maxForm bounds the body of a search by POST.
const maxForm = 64 << 10

func searchRoutes() []route {
	return []route{
		{method: http.MethodGet, path: "/:type", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchByURL},
		{method: http.MethodPost, path: "/:type/_search", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchByForm},
	}
}

func (s *server) searchByURL(c echo.Context) error {
	pairs, err := parsePairs(c.Request().URL.RawQuery)
	if err != nil {
		return err
	}
	return s.search(c, pairs, false)
}

// searchByForm takes the parameters from the body, so that they stay out of
// logs, and from the URL.
func (s *server) searchByForm(c echo.Context) error {
	r := c.Request()
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
	return s.search(c, pairs, true)
}

func (s *server) search(c echo.Context, pairs []pair, byForm bool) error {
	r := c.Request()
	notePairs(r.Context(), pairs)
	p := parser{base: s.opts.BaseURL(r), now: s.opts.Now(), strict: strict(r.Header)}
	query, err := p.parse(c.Param("type"), pairs)
	if err != nil {
		return err
	}
	query.byForm = query.byForm || byForm
	if err := acceptable(r, query.format); err != nil {
		return err
	}
	page, err := s.page(r.Context(), query)
	if err != nil {
		return err
	}
	audit.About(r.Context(), query.candidates...)
	noteAnswer(r.Context(), page.resources)
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
// each of the disjoint ranges of _lastUpdated. No resource is in two of them. Each asks for one resource more than the page holds, which tells
// whether another page follows.
func (s *search) plans() []record.Query {
	list := []record.Query{{Type: s.typ, IDs: s.ids, Conditions: s.conditions, After: s.after, Limit: s.count + 1}}
	if s.candidates != nil {
		list = each(list, s.candidates, func(q *record.Query, candidate string) { q.Candidates = []string{candidate} })
	}
	if s.restrict {
		list = each(list, s.updated, func(q *record.Query, i interval) {
			if i.from != "" {
				q.Updated = append(q.Updated, record.Match{Op: ">=", Value: i.from})
			}
			if i.to != "" {
				q.Updated = append(q.Updated, record.Match{Op: "<", Value: i.to})
			}
		})
	}
	return list
}

// each makes one query for each query and each of the restrictions.
func each[T any](queries []record.Query, restrictions []T, restrict func(*record.Query, T)) []record.Query {
	var list []record.Query
	for _, q := range queries {
		for _, r := range restrictions {
			narrowed := q
			restrict(&narrowed, r)
			list = append(list, narrowed)
		}
	}
	return list
}

// A cursor is the id of the last resource that was sent: pages are ranges of
// ids, so that rows which come or go meanwhile leave no gap and no duplicate.
// The cursor of a search by POST also holds the type and the parameters, so that
// the URL of a page names nobody in plain sight.
const (
	cursorMark = "1:"
	formMark   = "2:"
)

func encodeCursor(text string) string { return base64.RawURLEncoding.EncodeToString([]byte(text)) }

// resume takes up a search behind the resource that the cursor names.
func (p parser) resume(s *search, text string) error {
	bad := badParameter("_cursor", "invalid", "not a cursor of this server")
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return bad
	}
	id, ok := strings.CutPrefix(string(raw), cursorMark)
	if !ok {
		rest, ok := strings.CutPrefix(string(raw), formMark+s.typ+"/")
		if !ok {
			return bad
		}
		var query string
		id, query, _ = strings.Cut(rest, "?")
		pairs, err := parsePairs(query)
		if err != nil {
			return bad
		}
		for _, in := range pairs {
			if in.name == "_cursor" {
				return bad
			}
			if err := p.apply(s, in); err != nil {
				return err
			}
		}
		s.byForm = true
	}
	if !validID(id) {
		return bad
	}
	s.after = id
	return nil
}

// parameters are those that took part in the search, as a query.
func (s *search) parameters(keep func(pair) bool) string {
	var b strings.Builder
	for _, p := range s.used {
		if keep(p) {
			b.WriteString(url.QueryEscape(p.name) + "=" + url.QueryEscape(p.value) + "&")
		}
	}
	b.WriteString("_count=" + strconv.Itoa(s.count))
	return b.String()
}

// self is the URL of this page. The one of a search by POST leaves out what
// tells who a person is.
func (s *search) self(base string) string {
	if s.after != "" {
		return s.page(base, s.after)
	}
	return base + "/" + s.typ + "?" + s.parameters(func(p pair) bool { return !s.byForm || !identifying[p.name] })
}

// page is the URL of the page behind the resource.
func (s *search) page(base, after string) string {
	path, query := base+"/"+s.typ+"?", s.parameters(func(pair) bool { return true })
	if s.byForm {
		return path + "_cursor=" + encodeCursor(formMark+s.typ+"/"+after+"?"+query)
	}
	return path + query + "&_cursor=" + encodeCursor(cursorMark+after)
}
