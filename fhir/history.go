package fhir

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// maxTotal is how far versions are counted that nobody asked to be counted.
const maxTotal = 10_000

func historyRoutes() []route {
	system := r4.SystemRestfulInteractionHistorySystem
	return []route{
		{method: http.MethodGet, path: "/:type/:id/_history", code: interaction(r4.TypeRestfulInteractionHistoryInstance), handler: (*server).historyOfInstance},
		{method: http.MethodGet, path: "/:type/_history", code: interaction(r4.TypeRestfulInteractionHistoryType), handler: (*server).historyOfType},
		{method: http.MethodGet, path: "/_history", system: &system, handler: (*server).historyOfAll},
	}
}

func (s *server) historyOfInstance(c echo.Context) error {
	typ, id := c.Param("type"), c.Param("id")
	if !validID(id) {
		return notFound()
	}
	p := s.parser(c.Request())
	within, err := p.within(typ, MayRead)
	if err != nil {
		return err
	}
	_, err = s.store.Resource(c.Request().Context(), typ, id)
	switch {
	case errors.Is(err, record.ErrDeleted): // its history tells so
	case err != nil:
		return missing(err)
	default:
		if err := s.inside(c.Request().Context(), within, typ, id); err != nil {
			return err
		}
	}
	return s.history(c, p, typ+"/"+id+"/_history", record.HistoryQuery{Of: map[string][]record.Query{typ: within}, ID: id})
}

func (s *server) historyOfType(c echo.Context) error {
	typ := c.Param("type")
	p := s.parser(c.Request())
	within, err := p.within(typ, MayRead)
	if err != nil {
		return err
	}
	return s.history(c, p, typ+"/_history", record.HistoryQuery{Of: map[string][]record.Query{typ: within}})
}

// historyOfAll is that of every type that the client may read.
func (s *server) historyOfAll(c echo.Context) error {
	p := s.parser(c.Request())
	of, err := p.readable(MayRead)
	if err != nil {
		return err
	}
	return s.history(c, p, "_history", record.HistoryQuery{Of: of})
}

// history answers one page, the newest versions first. Versions are only ever
// added, at the front, so pages go by the place of the last version.
func (s *server) history(c echo.Context, p *parser, path string, q record.HistoryQuery) error {
	r := c.Request()
	pairs, err := parsePairs(r.URL.RawQuery)
	if err != nil {
		return err
	}
	typ := ""
	for t := range q.Of {
		if len(q.Of) == 1 {
			typ = t
		}
	}
	var sh shape
	var used []pair
	count, countOnly := defaultCount, false
	for _, in := range pairs {
		took := true
		switch in.name {
		case "_count":
			var n search
			err = n.setCount(in.value)
			count, countOnly, took = n.count, countOnly || n.countOnly, false
		case "_since":
			q.Since, err = sinceInstant(in, p.now)
		case "_at":
			err = current(&q, in, p.now)
		case "_cursor":
			q.After, err = parsePlace(in.value)
			took = false
		default:
			took, err = p.shape(&sh, typ, in)
			countOnly = countOnly || sh.summary == summaryCount
			if !took && err == nil && p.strict {
				err = badParameter(in.name, "not-supported", "not supported here")
			}
		}
		if err != nil {
			return err
		}
		if took {
			used = append(used, in)
		}
	}
	if err := sh.check(); err != nil {
		return err
	}
	if err := acceptable(r, sh.format); err != nil {
		return err
	}
	doc := bundle{kind: "history", total: -1}
	link := func(place string) string {
		values := make([]string, 0, len(used)+2)
		for _, in := range used {
			values = append(values, url.QueryEscape(in.name)+"="+url.QueryEscape(in.value))
		}
		values = append(values, "_count="+strconv.Itoa(count))
		if place != "" {
			values = append(values, "_cursor="+place)
		}
		return p.base + "/" + path + "?" + strings.Join(values, "&")
	}
	doc.self = link("")
	if q.After != nil {
		doc.self = link(placeText(*q.After))
	}
	if !countOnly {
		q.Limit = count + 1
		versions, err := s.store.History(r.Context(), q)
		if err != nil {
			return err
		}
		if len(versions) > count {
			versions = versions[:count]
			last := versions[count-1]
			doc.next = link(placeText(record.Place{UpdatedAt: last.UpdatedAt, Key: record.Key{Type: last.Type, ID: last.ID}, Version: last.Version}))
		} else if q.After == nil {
			doc.total = len(versions)
		}
		for _, v := range versions {
			doc.entries = append(doc.entries, entry{resource: v.Published, deleted: v.Deleted})
		}
	}
	if doc.total < 0 {
		most := maxTotal + 1
		if countOnly {
			most = 0
		}
		q.After = nil
		if doc.total, err = s.store.CountHistory(r.Context(), q, most); err != nil {
			return err
		}
		if doc.total > maxTotal && !countOnly {
			doc.total = -1
		}
	}
	return s.writeBundle(c, p.base, doc, sh)
}

// sinceInstant reads an instant from which on versions count.
func sinceInstant(in pair, now time.Time) (time.Time, error) {
	v, err := parseDateValue("ge"+in.value, now)
	if err != nil || len(in.value) < len(time.DateOnly) {
		return time.Time{}, badParameter(in.name, "invalid", "not an instant: use a date and time with a zone, such as 2026-03-02T10:00:00Z")
	}
	return v.start, nil
}

// current asks for the versions that were current at some time within a date.
func current(q *record.HistoryQuery, in pair, now time.Time) error {
	v, err := parseDateValue(in.value, now)
	if err != nil || v.prefix != "eq" {
		return badParameter(in.name, "invalid", errDate.Error())
	}
	q.AtFrom, q.AtTo = v.start, v.end
	return nil
}

// The cursor of a history is the place of the last version that was sent.
func placeText(p record.Place) string {
	return encodeCursor(strings.Join([]string{p.UpdatedAt.UTC().Format(indexLayout), p.Type, p.ID, strconv.FormatInt(p.Version, 10)}, "/"))
}

func parsePlace(text string) (*record.Place, error) {
	bad := badParameter("_cursor", "invalid", "not a cursor of this server")
	raw, ok := decodeCursor(text)
	parts := strings.Split(raw, "/")
	if !ok || len(parts) != 4 || !validID(parts[2]) || !slices.Contains(typeOrder, parts[1]) {
		return nil, bad
	}
	at, errAt := time.Parse(indexLayout, parts[0])
	version, errVersion := strconv.ParseInt(parts[3], 10, 64)
	if errAt != nil || errVersion != nil {
		return nil, bad
	}
	return &record.Place{UpdatedAt: at, Key: record.Key{Type: parts[1], ID: parts[2]}, Version: version}, nil
}
