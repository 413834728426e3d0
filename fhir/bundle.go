package fhir

import "strconv"

// bundle writes a searchset around the stored bytes of the resources, which are
// JSON already and are not read again.
func bundle(base string, query *search, p page) []byte {
	size := 512
	for _, r := range p.resources {
		size += len(r.Body) + 2*len(base) + 160
	}
	b := make([]byte, 0, size)
	b = append(b, `{"resourceType":"Bundle","type":"searchset","total":`...)
	b = strconv.AppendInt(b, int64(p.total), 10)
	b = append(b, `,"link":[{"relation":"self","url":`...)
	b = appendString(b, query.self(base))
	if p.more {
		b = append(b, `},{"relation":"next","url":`...)
		b = appendString(b, query.page(base, p.resources[len(p.resources)-1].ID))
	}
	b = append(b, `}]`...)
	for i, r := range p.resources {
		if i == 0 {
			b = append(b, `,"entry":[`...)
		} else {
			b = append(b, ',')
		}
		b = append(b, `{"fullUrl":`...)
		b = appendString(b, base+"/"+r.Type+"/"+r.ID)
		b = append(b, `,"resource":`...)
		b = append(b, r.Body...)
		b = append(b, `,"search":{"mode":"match"}}`...)
	}
	if len(p.resources) > 0 {
		b = append(b, ']')
	}
	return append(b, '}')
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
