package fhir

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

// bundle is an answer of many resources.
type bundle struct {
	// kind is searchset or history.
	kind string
	// total is -1 where it is not told.
	total      int
	self, next string
	entries    []entry
	// warning goes with the answer.
	warning string
}

// entry is one resource of a bundle.
type entry struct {
	resource record.Published
	// mode is match or include in a searchset.
	mode string
	// deleted marks the end of a resource in a history.
	deleted bool
}

func (s *server) writeBundle(c echo.Context, base string, b bundle, sh shape) error {
	resources := make([]record.Published, len(b.entries))
	for i, e := range b.entries {
		resources[i] = e.resource
	}
	noteAnswer(c.Request().Context(), resources)
	body, err := b.encode(base, sh)
	if err != nil {
		return err
	}
	return write(c, http.StatusOK, sh.print(body))
}

// encode writes the bundle around the stored bytes of the resources, which are
// JSON already and are not read again unless less of them is wanted.
func (b bundle) encode(base string, sh shape) ([]byte, error) {
	size := 512
	for _, e := range b.entries {
		size += len(e.resource.Body) + 2*len(base) + 320
	}
	out := make([]byte, 0, size)
	out = append(out, `{"resourceType":"Bundle","type":"`+b.kind+`"`...)
	if b.total >= 0 {
		out = append(out, `,"total":`...)
		out = strconv.AppendInt(out, int64(b.total), 10)
	}
	out = append(out, `,"link":[{"relation":"self","url":`...)
	out = appendString(out, b.self)
	if b.next != "" {
		out = append(out, `},{"relation":"next","url":`...)
		out = appendString(out, b.next)
	}
	out = append(out, `}]`...)
	for i, e := range b.entries {
		if i == 0 {
			out = append(out, `,"entry":[`...)
		} else {
			out = append(out, ',')
		}
		var err error
		if out, err = e.append(out, base, sh); err != nil {
			return nil, err
		}
	}
	if b.warning != "" {
		if len(b.entries) > 0 {
			out = append(out, ',')
		} else {
			out = append(out, `,"entry":[`...)
		}
		warning, err := encode(outcome{ResourceType: "OperationOutcome", Issue: []outcomeIssue{{Severity: "warning", Code: "incomplete", Diagnostics: b.warning}}})
		if err != nil {
			return nil, err
		}
		out = append(append(append(out, `{"resource":`...), warning...), `,"search":{"mode":"outcome"}}`...)
	}
	if len(b.entries) > 0 || b.warning != "" {
		out = append(out, ']')
	}
	return append(out, '}'), nil
}

func (e entry) append(out []byte, base string, sh shape) ([]byte, error) {
	r := e.resource
	out = append(out, `{"fullUrl":`...)
	out = appendString(out, base+"/"+r.Type+"/"+r.ID)
	if !e.deleted {
		body, err := sh.cut(r.Type, r.Body)
		if err != nil {
			return nil, err
		}
		out = append(out, `,"resource":`...)
		out = append(out, body...)
	}
	if e.mode != "" {
		out = append(out, `,"search":{"mode":"`+e.mode+`"}}`...)
		return out, nil
	}
	method, status := http.MethodPut, "200 OK"
	switch {
	case e.deleted:
		method, status = http.MethodDelete, "204 No Content"
	case r.Version == 1:
		status = "201 Created"
	}
	out = append(out, `,"request":{"method":"`+method+`","url":`...)
	out = appendString(out, r.Type+"/"+r.ID)
	out = append(out, `},"response":{"status":"`+status+`","etag":`...)
	out = appendString(out, etag(r.Version))
	out = append(out, `,"lastModified":"`+r.UpdatedAt.UTC().Format(instantLayout)+`"}}`...)
	return out, nil
}

// instantLayout is that of meta.lastUpdated.
const instantLayout = "2006-01-02T15:04:05.000Z"

func etag(version int64) string { return `W/"` + strconv.FormatInt(version, 10) + `"` }

// print indents what is to be read by people.
func (s shape) print(body []byte) []byte {
	if !s.pretty {
		return body
	}
	var b bytes.Buffer
	if err := json.Indent(&b, body, "", "  "); err != nil {
		return body
	}
	return b.Bytes()
}

// appendString writes a JSON string. The URLs written with it are ASCII and
// already escaped for URLs, except for what a configured base may hold.
func appendString(b []byte, s string) []byte {
	b = append(b, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '"' || c == '\\':
			b = append(b, '\\', c)
		case c < 0x20:
			b = append(b, ' ')
		default:
			b = append(b, c)
		}
	}
	return append(b, '"')
}
