package hl7

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
)

// Limits of one message.
const (
	// MaxBytes bounds a message. A report in the thousands of lines is far below.
	MaxBytes = 1 << 20
	// maxParts bounds fields, repetitions, components and subcomponents together,
	// so that a message of nothing but delimiters stays small in memory.
	maxParts    = 200_000
	maxSegments = 10_000
	// maxFaults is how many faults a sender is told of.
	maxFaults = 20
)

// Parse reads a message. charset is what a message is taken to be in that names
// none in MSH-18, empty for ASCII. It returns an *Invalid with every fault of
// syntax, up to a limit.
//
// Segments end with a carriage return; a line feed, alone or after one, is taken
// for the same, and so are blank lines and a byte order mark before the message.
func Parse(raw []byte, charset string) (*Message, error) {
	reject := func(l Location, code Code, problem string, accepted ...string) (*Message, error) {
		return nil, &Invalid{Rejected: true, Faults: []Fault{{Location: l, Code: code, Problem: problem, Accepted: accepted}}}
	}
	msh := Location{Segment: "MSH", Sequence: 1}
	if len(raw) > MaxBytes {
		return reject(msh, InternalError, fmt.Sprintf("the message is larger than %d bytes", MaxBytes))
	}
	raw = trimStart(raw)
	if !bytes.HasPrefix(raw, []byte("MSH")) {
		return reject(msh, SegmentSequence, "the message does not begin with MSH")
	}
	d, wrong := delimiters(raw)
	if wrong != nil {
		return nil, &Invalid{Rejected: true, Faults: []Fault{*wrong}}
	}
	header := Peek(raw)
	named := Location{Segment: "MSH", Sequence: 1, Field: 18}
	if header.Charset == "" {
		header.Charset = charset
	}
	text, err := decode(raw, header.Charset)
	switch {
	case errors.Is(err, errCharset):
		return reject(named, TableValueNotFound, err.Error(), Charsets()...)
	case err != nil:
		return reject(named, DataType, err.Error())
	case strings.IndexByte(text, 0) >= 0:
		return reject(msh, DataType, "the message holds a NUL character")
	}
	return split(text, d)
}

// trimStart drops what harms nothing before a message.
func trimStart(raw []byte) []byte {
	raw = bytes.TrimPrefix(raw, []byte("\ufeff"))
	return bytes.TrimLeft(raw, "\r\n \t")
}

// delimiters reads MSH-1 and MSH-2.
func delimiters(raw []byte) (Delimiters, *Fault) {
	fault := func(field int, problem string) (Delimiters, *Fault) {
		return Delimiters{}, &Fault{
			Location: Location{Segment: "MSH", Sequence: 1, Field: field}, Code: DataType, Problem: problem,
		}
	}
	if len(raw) < 4 || !delimiter(raw[3]) {
		return fault(1, "not a field separator")
	}
	d := Delimiters{Field: raw[3]}
	rest := raw[4:]
	end := bytes.IndexAny(rest, string(rune(d.Field))+"\r\n")
	if end < 0 {
		end = len(rest)
	}
	// Only the component separator is used in every message; a sender that needs
	// no escapes and no subcomponents may leave their characters out.
	if end < 2 || end > 5 {
		return fault(2, "not the component, repetition, escape and subcomponent characters")
	}
	seen := map[byte]bool{d.Field: true}
	for i, to := range []*byte{&d.Component, &d.Repetition, &d.Escape, &d.Subcomponent, &d.Truncation}[:end] {
		if c := rest[i]; !delimiter(c) || seen[c] {
			return fault(2, "the characters are not different signs of ASCII punctuation")
		}
		*to, seen[rest[i]] = rest[i], true
	}
	return d, nil
}

// delimiter reports whether a byte may be one: a visible sign of ASCII that is
// no part of words and numbers. A quotation mark writes the null value.
func delimiter(c byte) bool {
	return c > ' ' && c < 0x7f && c != '"' && c != '.' && c != '-' && c != '+' &&
		(c < '0' || c > '9') && (c < 'A' || c > 'Z') && (c < 'a' || c > 'z')
}

// lines splits a text into segments. A line feed in a text whose segments end
// with carriage returns is a line break within a value.
func lines(text string) []string {
	if !strings.Contains(text, "\r") {
		return strings.Split(text, "\n")
	}
	list := strings.Split(text, "\r")
	for i, line := range list {
		list[i] = strings.Trim(line, "\n")
	}
	return list
}

func split(text string, d Delimiters) (*Message, error) {
	m := &Message{Delimiters: d}
	var faults []Fault
	fault := func(l Location, problem string) {
		if len(faults) < maxFaults {
			faults = append(faults, Fault{Location: l, Code: SegmentSequence, Problem: problem})
		}
	}
	sequence := map[string]int{}
	parts := 0
	for n, line := range lines(text) {
		if strings.TrimSpace(line) == "" {
			continue
		}
		if len(m.Segments) == maxSegments {
			fault(Location{Segment: "MSH", Sequence: 1}, fmt.Sprintf("more than %d segments", maxSegments))
			break
		}
		name, rest, _ := strings.Cut(line, string(rune(d.Field)))
		if !segmentName(name) {
			fault(Location{Segment: "MSH", Sequence: 1}, fmt.Sprintf("line %d is not a segment: three capital letters or digits are needed before the field separator", n+1))
			continue
		}
		sequence[name]++
		at := Location{Segment: name, Sequence: sequence[name]}
		if name == "MSH" && len(m.Segments) > 0 {
			fault(at, "a second message in one frame")
			break
		}
		if swallowed(line, d) {
			fault(at, "a line feed within the segment is followed by what looks like another segment")
			continue
		}
		s := Segment{Name: name}
		if name == "MSH" {
			s.Fields = []Field{{{{string(rune(d.Field))}}}, {{{d.characters()}}}}
			_, rest, _ = strings.Cut(rest, string(rune(d.Field)))
			if len(line) <= 4+len(d.characters()) {
				m.Segments = append(m.Segments, s)
				continue
			}
		} else if len(line) == len(name) {
			m.Segments = append(m.Segments, s)
			continue
		}
		if parts += d.count(rest); parts > maxParts {
			fault(at, fmt.Sprintf("the message has more than %d parts", maxParts))
			break
		}
		for field := range strings.SplitSeq(rest, string(rune(d.Field))) {
			s.Fields = append(s.Fields, d.field(field))
		}
		m.Segments = append(m.Segments, s)
	}
	if len(faults) > 0 {
		return nil, &Invalid{Faults: faults}
	}
	return m, nil
}

func segmentName(name string) bool {
	if len(name) != 3 || name[0] < 'A' || name[0] > 'Z' {
		return false
	}
	for i := range len(name) {
		if c := name[i]; (c < 'A' || c > 'Z') && (c < '0' || c > '9') {
			return false
		}
	}
	return true
}

// swallowed reports whether a line holds, after a line feed, the beginning of
// another segment, which would be lost in a value.
func swallowed(line string, d Delimiters) bool {
	for {
		_, after, found := strings.Cut(line, "\n")
		if !found {
			return false
		}
		if len(after) > 3 && segmentName(after[:3]) && after[3] == d.Field {
			return true
		}
		line = after
	}
}

// count is the number of parts that a text is made of.
func (d Delimiters) count(text string) int {
	n := 1
	for i := range len(text) {
		switch c := text[i]; {
		case c == d.Field, c == d.Repetition, c == d.Component, c == d.Subcomponent:
			n++
		}
	}
	return n
}

func (d Delimiters) field(text string) Field {
	if text == "" {
		return nil
	}
	var f Field
	for repetition := range cut(text, d.Repetition) {
		var r Repetition
		if repetition != "" {
			for component := range cut(repetition, d.Component) {
				var c Component
				if component != "" {
					for part := range cut(component, d.Subcomponent) {
						c = append(c, part)
					}
				}
				r = append(r, c)
			}
		}
		f = append(f, r)
	}
	return f
}

// cut splits at a delimiter that the message may not have.
func cut(text string, delimiter byte) func(yield func(string) bool) {
	if delimiter == 0 {
		return func(yield func(string) bool) { yield(text) }
	}
	return strings.SplitSeq(text, string(rune(delimiter)))
}
