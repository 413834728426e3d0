// Package hl7 reads and writes HL7 v2 messages in the vertical-bar encoding
// ("ER7"), by chapter 2 of the standard, versions 2.3 to 2.8. It knows syntax
// and acknowledgements, and nothing of what a segment means to the programme.
//
// A parsed message keeps every part as it was sent, escape sequences included,
// so that encoding it again gives the same text. [Delimiters.Text] reads the
// escapes of one part.
package hl7

import "strings"

// Delimiters are those that MSH-1 and MSH-2 declare. Zero is one that the
// message does not have.
type Delimiters struct {
	Field, Component, Repetition, Escape, Subcomponent byte
	// Truncation marks a value that was cut off, from version 2.7.
	Truncation byte
}

// Usual are the delimiters that the standard recommends.
var Usual = Delimiters{Field: '|', Component: '^', Repetition: '~', Escape: '\\', Subcomponent: '&'}

// characters is the text of MSH-2.
func (d Delimiters) characters() string {
	text := []byte{d.Component}
	for _, each := range []byte{d.Repetition, d.Escape, d.Subcomponent, d.Truncation} {
		if each != 0 {
			text = append(text, each)
		}
	}
	return string(text)
}

// Message is one message.
type Message struct {
	Delimiters Delimiters
	Segments   []Segment
}

// Segment is one line of a message.
type Segment struct {
	Name string
	// Fields holds field 1 first. That of MSH is the field separator itself, and
	// its second the other delimiters.
	Fields []Field
}

// Field is what stands between two field separators: repetitions, none where
// there is nothing.
type Field []Repetition

// Repetition holds the components of one repetition, none where it is empty.
type Repetition []Component

// Component holds its subcomponents as they were sent, none where it is empty.
type Component []string

// Null is how a sender says that a value is to be deleted, which is not the
// same as saying nothing.
const Null = `""`

// Field returns a field by its number in the standard, nothing where the segment
// is shorter.
func (s Segment) Field(number int) Field {
	if number < 1 || number > len(s.Fields) {
		return nil
	}
	return s.Fields[number-1]
}

// Repetition returns the one with the index, which counts from 0.
func (f Field) Repetition(index int) Repetition {
	if index < 0 || index >= len(f) {
		return nil
	}
	return f[index]
}

// Component returns the component with the number of the first repetition.
func (f Field) Component(number int) Component { return f.Repetition(0).Component(number) }

// Component returns a component by its number in the standard.
func (r Repetition) Component(number int) Component {
	if number < 1 || number > len(r) {
		return nil
	}
	return r[number-1]
}

// Subcomponent returns one by its number in the standard, as it was sent.
func (c Component) Subcomponent(number int) string {
	if number < 1 || number > len(c) {
		return ""
	}
	return c[number-1]
}

// First is the first subcomponent, as it was sent: what a receiver that expects
// a simple value reads.
func (c Component) First() string { return c.Subcomponent(1) }

// Encode writes the message, each segment closed by a carriage return.
func (m *Message) Encode() string {
	var b strings.Builder
	for _, s := range m.Segments {
		b.WriteString(s.Name)
		fields := s.Fields
		if s.Name == "MSH" {
			b.WriteByte(m.Delimiters.Field)
			b.WriteString(m.Delimiters.characters())
			fields = fields[min(2, len(fields)):]
		}
		for _, f := range fields {
			b.WriteByte(m.Delimiters.Field)
			m.Delimiters.encode(&b, f)
		}
		b.WriteByte('\r')
	}
	return b.String()
}

func (d Delimiters) encode(b *strings.Builder, f Field) {
	for i, repetition := range f {
		if i > 0 {
			b.WriteByte(d.Repetition)
		}
		for j, component := range repetition {
			if j > 0 {
				b.WriteByte(d.Component)
			}
			for k, part := range component {
				if k > 0 {
					b.WriteByte(d.Subcomponent)
				}
				b.WriteString(part)
			}
		}
	}
}
