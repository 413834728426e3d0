package fhir

import (
	"encoding/base64"
	"net/url"
	"regexp"
	"strconv"
	"strings"
)

// cursor is where a page begins. In the order of ids it is the id of the last
// resource that was sent: pages are ranges of ids, so that rows which come or go
// meanwhile leave no gap and no duplicate. What a search is sorted by may change
// meanwhile, so the order of a sorted one is kept: then the cursor is its name
// and how far it was read.
type cursor struct {
	after  string
	order  string
	offset int
}

func (c cursor) first() bool { return c == cursor{} }

// The marks tell the kinds of cursors apart. The one of a search by POST also
// holds the type and the parameters, so that the URL of a page names nobody in
// plain sight.
const (
	cursorMark = "1:"
	formMark   = "2:"
)

func encodeCursor(text string) string { return base64.RawURLEncoding.EncodeToString([]byte(text)) }

func decodeCursor(text string) (string, bool) {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	return string(raw), err == nil
}

func (c cursor) text() string {
	if c.order != "" {
		return c.order + ":" + strconv.Itoa(c.offset)
	}
	return c.after
}

var orderShape = regexp.MustCompile(`^[a-z0-9]{20,40}$`)

func parseCursor(text string) (cursor, bool) {
	name, offset, ordered := strings.Cut(text, ":")
	if !ordered {
		return cursor{after: text}, validID(text)
	}
	n, err := strconv.Atoi(offset)
	return cursor{order: name, offset: n}, orderShape.MatchString(name) && err == nil && n > 0 && n < 1<<30
}

// resume takes up a search where the cursor says.
func (p *parser) resume(s *search, text string) error {
	bad := badParameter("_cursor", "invalid", "not a cursor of this server")
	raw, ok := decodeCursor(text)
	if !ok {
		return bad
	}
	place, ok := strings.CutPrefix(raw, cursorMark)
	if !ok {
		rest, ok := strings.CutPrefix(raw, formMark+s.query.Type+"/")
		if !ok {
			return bad
		}
		var query string
		place, query, _ = strings.Cut(rest, "?")
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
	c, ok := parseCursor(place)
	if !ok || !s.cursor.first() {
		return bad
	}
	s.cursor = c
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
	if !s.cursor.first() {
		return s.page(base, s.cursor)
	}
	return base + "/" + s.query.Type + "?" + s.parameters(func(p pair) bool { return !s.byForm || !identifies(p.name) })
}

// identifies reports whether the values of a parameter tell who a person is, be it at
// the end of a chain.
func identifies(name string) bool {
	last := name[strings.LastIndexAny(name, ".")+1:]
	if strings.HasPrefix(name, "_has:") {
		last = name[strings.LastIndex(name, ":")+1:]
	}
	last, _, _ = strings.Cut(last, ":")
	return identifying[last]
}

// page is the URL of the page that begins at the cursor.
func (s *search) page(base string, c cursor) string {
	path, query := base+"/"+s.query.Type+"?", s.parameters(func(pair) bool { return true })
	if s.byForm {
		return path + "_cursor=" + encodeCursor(formMark+s.query.Type+"/"+c.text()+"?"+query)
	}
	return path + query + "&_cursor=" + encodeCursor(cursorMark+c.text())
}
