package fhir

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"

	"candidacy/internal/record"
)

// Unescape turns the sequences \u003c, \u003e and \u0026, which encoding/json
// writes inside strings, back into <, > and &: the FHIR models can't read their
// own comparators otherwise. A backslash that is itself escaped is left alone,
// so the text `\u003c` typed by a person stays what it was. Raw must be valid
// JSON.
func Unescape(raw []byte) []byte {
	first := bytes.IndexByte(raw, '\\')
	if first < 0 {
		return raw
	}
	out := make([]byte, first, len(raw))
	copy(out, raw)
	for i := first; i < len(raw); i++ {
		if raw[i] != '\\' || i+1 == len(raw) {
			out = append(out, raw[i])
			continue
		}
		if raw[i+1] == 'u' && i+6 <= len(raw) {
			switch strings.ToLower(string(raw[i+2 : i+6])) {
			case "003c":
				out, i = append(out, '<'), i+5
				continue
			case "003e":
				out, i = append(out, '>'), i+5
				continue
			case "0026":
				out, i = append(out, '&'), i+5
				continue
			}
		}
		// The escaped character goes along, so that \\ never starts a sequence.
		out = append(out, raw[i], raw[i+1])
		i++
	}
	return out
}

// encode is the only place where a resource becomes JSON.
func encode(resource any) ([]byte, error) {
	// A resource writes itself: to ask for it through json.Marshal would read and
	// copy once more what it wrote.
	write := func() ([]byte, error) { return json.Marshal(resource) }
	if marshaler, ok := resource.(json.Marshaler); ok {
		write = marshaler.MarshalJSON
	}
	raw, err := write()
	if err != nil {
		return nil, err
	}
	return Unescape(raw), nil
}

// publish makes the stored form of a resource.
func publish(typ, id, meta string, resource any, index index) (record.Resource, error) {
	if !validID(id) {
		return record.Resource{}, fmt.Errorf("%s: the id is not a FHIR id", typ)
	}
	body, err := encode(resource)
	if err != nil {
		return record.Resource{}, fmt.Errorf("encode %s/%s: %w", typ, id, err)
	}
	if err := index.meta(meta); err != nil {
		return record.Resource{}, fmt.Errorf("index %s/%s: %w", typ, id, err)
	}
	return record.Resource{Type: typ, ID: id, Body: body, Meta: meta, Index: index}.Digested(), nil
}

const maxID = 64

var notIDChar = regexp.MustCompile(`[^A-Za-z0-9.-]`)

// validID reports whether a text has the form of an id. It is asked of every
// resource of every commit, and is no regular expression for that.
func validID(id string) bool {
	for i := 0; i < len(id); i++ {
		c := id[i]
		if !('a' <= c && c <= 'z' || '0' <= c && c <= '9' || 'A' <= c && c <= 'Z' || c == '-' || c == '.') {
			return false
		}
	}
	return 0 < len(id) && len(id) <= maxID
}

// validType reports whether a text has the form of a type: letters, the first a
// capital one.
func validType(typ string) bool {
	for i := 0; i < len(typ); i++ {
		if c := typ[i] | 0x20; c < 'a' || 'z' < c {
			return false
		}
	}
	return 1 < len(typ) && len(typ) <= maxID && 'A' <= typ[0] && typ[0] <= 'Z'
}

// resourceID joins the candidate's id and a suffix to a FHIR id. A suffix that
// is too long, or that holds characters that ids can't have, is cut, has those
// characters replaced by hyphens, and ends in a hyphen and the first eight
// hexadecimal digits of its SHA-256, so that different suffixes stay different.
func resourceID(candidate, suffix string) string {
	id := candidate + "-" + suffix
	if validID(id) {
		return id
	}
	sum := sha256.Sum256([]byte(suffix))
	mark := "-" + hex.EncodeToString(sum[:4])
	id = candidate + "-" + notIDChar.ReplaceAllString(suffix, "-")
	return id[:min(len(id), maxID-len(mark))] + mark
}
