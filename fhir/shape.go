package fhir

import (
	"bytes"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
)

// shape is how resources are answered: in which format, and how much of them.
type shape struct {
	format  string
	pretty  bool
	summary string
	// elements are those that are wanted; nil is all.
	elements []string
}

// The values of _summary.
const (
	summaryTrue  = "true"
	summaryText  = "text"
	summaryData  = "data"
	summaryCount = "count"
	summaryFalse = "false"
)

// shape reads the parameters that every interaction takes, and reports whether
// this was one that takes part.
func (p *parser) shape(s *shape, typ string, in pair) (took bool, err error) {
	switch in.name {
	case "_format":
		s.format = in.value
	case "_pretty":
		s.pretty = in.value == "true"
		return true, oneOf(in, "true", "false")
	case "_summary":
		if err := oneOf(in, summaryTrue, summaryText, summaryData, summaryCount, summaryFalse); err != nil {
			return false, err
		}
		if in.value != summaryFalse {
			s.summary = in.value
		}
	case "_elements":
		names := strings.Split(in.value, ",")
		for _, name := range names {
			if _, _, ok := definitions[typ].find("", name); !ok && definitions[typ].elements[name+"[x]"] == (element{}) && name != "id" && name != "meta" && p.strict && typ != "" {
				return false, badParameter(in.name, "invalid", typ+" has no such element: use the names of elements at its top")
			}
			if !elementShape.MatchString(name) {
				return false, badParameter(in.name, "invalid", "not names of elements, joined by commas")
			}
		}
		s.elements = append(s.elements, names...)
	default:
		return false, nil
	}
	return true, nil
}

func (s shape) check() error {
	if s.summary != "" && s.elements != nil {
		return badParameter("_elements", "invalid", "not together with _summary")
	}
	return nil
}

// shaped reads the parameters of an interaction that takes no others.
func (s *server) shaped(r *http.Request, typ string) (shape, error) {
	var sh shape
	p := s.parser(r)
	pairs, err := parsePairs(r.URL.RawQuery)
	if err != nil {
		return sh, err
	}
	for _, in := range pairs {
		took, err := p.shape(&sh, typ, in)
		if err != nil {
			return sh, err
		}
		if !took && p.strict || sh.summary == summaryCount {
			return sh, badParameter(in.name, "not-supported", "not supported here")
		}
	}
	if err := sh.check(); err != nil {
		return sh, err
	}
	return sh, acceptable(r, sh.format)
}

// whole reports whether resources are answered as they are stored.
func (s shape) whole() bool { return s.summary == "" && s.elements == nil }

// subsetted marks a resource that is not whole.
const subsetted = `{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED"}`

// member is one of a JSON object, in its place.
type member struct {
	name  string
	value json.RawMessage
}

// members reads a JSON object in its order.
func members(body []byte) ([]member, error) {
	d := json.NewDecoder(bytes.NewReader(body))
	if _, err := d.Token(); err != nil {
		return nil, err
	}
	var list []member
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return nil, err
		}
		m := member{name: name.(string)}
		if err := d.Decode(&m.value); err != nil {
			return nil, err
		}
		list = append(list, m)
	}
	return list, nil
}

// cut leaves of a resource what was asked for, what is mandatory, and a mark.
func (s shape) cut(typ string, body []byte) ([]byte, error) {
	if s.whole() {
		return body, nil
	}
	list, err := members(body)
	if err != nil {
		return nil, err
	}
	d := definitions[typ]
	var out []byte
	add := func(name string, value []byte) {
		if out == nil {
			out = append(out, '{')
		} else {
			out = append(out, ',')
		}
		out = append(appendString(out, name), ':')
		out = append(out, value...)
	}
	tagged := false
	for _, m := range list {
		switch {
		case m.name == "meta":
			meta, err := withTag(m.value)
			if err != nil {
				return nil, err
			}
			tagged = true
			add(m.name, meta)
		case m.name == "resourceType" || m.name == "id":
			add(m.name, m.value)
		default:
			path, e, _ := d.find("", m.name)
			if s.keeps(m.name, path, e) {
				v := m.value
				if s.summary == summaryTrue {
					if v, err = d.summarise(path+".", v); err != nil {
						return nil, err
					}
				}
				add(m.name, v)
			}
		}
	}
	if !tagged {
		add("meta", []byte(`{"tag":[`+subsetted+`]}`))
	}
	return append(out, '}'), nil
}

func (s shape) keeps(name, path string, e element) bool {
	switch s.summary {
	case summaryTrue:
		return e.summary || e.mandatory
	case summaryText:
		return e.mandatory || name == "text"
	case summaryData:
		return name != "text"
	}
	return e.mandatory || slices.Contains(s.elements, name) || path != "" && slices.Contains(s.elements, strings.TrimSuffix(path, "[x]"))
}

// summarise leaves of the objects in a nested element what belongs to a summary,
// where R4 says what does.
func (d definition) summarise(prefix string, value []byte) ([]byte, error) {
	nested := false
	for path := range d.elements {
		nested = nested || strings.HasPrefix(path, prefix)
	}
	if !nested {
		return value, nil
	}
	if value[0] == '[' {
		var items []json.RawMessage
		if err := json.Unmarshal(value, &items); err != nil {
			return nil, err
		}
		out := []byte{'['}
		for i, item := range items {
			if i > 0 {
				out = append(out, ',')
			}
			short, err := d.summarise(prefix, item)
			if err != nil {
				return nil, err
			}
			out = append(out, short...)
		}
		return append(out, ']'), nil
	}
	list, err := members(value)
	if err != nil {
		return nil, err
	}
	out := []byte{'{'}
	for _, m := range list {
		path, _, known := d.find(prefix, m.name)
		if !known {
			continue
		}
		short, err := d.summarise(path+".", m.value)
		if err != nil {
			return nil, err
		}
		if len(out) > 1 {
			out = append(out, ',')
		}
		out = append(append(appendString(out, m.name), ':'), short...)
	}
	return append(out, '}'), nil
}

// withTag adds the mark to a meta element.
func withTag(meta []byte) ([]byte, error) {
	list, err := members(meta)
	if err != nil {
		return nil, err
	}
	out := []byte{'{'}
	done := false
	for i, m := range list {
		if i > 0 {
			out = append(out, ',')
		}
		out = append(appendString(out, m.name), ':')
		if m.name == "tag" {
			done = true
			out = append(append(append(out, bytes.TrimSuffix(m.value, []byte("]"))...), ","+subsetted...), ']')
			continue
		}
		out = append(out, m.value...)
	}
	if !done {
		if len(list) > 0 {
			out = append(out, ',')
		}
		out = append(out, `"tag":[`+subsetted+`]`...)
	}
	return append(out, '}'), nil
}
