package hl7

import (
	"encoding/hex"
	"regexp"
	"strings"
)

// lineBreaks makes one of each way to write a line break in hexadecimal.
var lineBreaks = strings.NewReplacer("\r\n", "\n", "\r", "\n")

// foreign is an escape sequence of a known family that is not read here.
var foreign = regexp.MustCompile(`^[CMXZ.][A-Za-z0-9.+-]*$`)

// Text reads the escape sequences of one subcomponent (chapter 2, "Use of
// escape sequences in text fields"): \F\ \S\ \T\ \R\ \E\ \P\ stand for the
// delimiters, \Xdd..\ for bytes in the message's character set, \.br\ and its
// like for line breaks of formatted text, \H\ and \N\ for highlighting, which is
// dropped. Any other sequence, those of local agreement and changes of the
// character set among them, stays as it was sent: nothing is guessed.
func (m *Message) Text(part string) string { return m.Delimiters.Text(part) }

// Text is that of [Message.Text].
func (d Delimiters) Text(part string) string {
	if d.Escape == 0 || strings.IndexByte(part, d.Escape) < 0 {
		return part
	}
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(part, string(rune(d.Escape)))
		b.WriteString(before)
		if !found {
			return lineBreaks.Replace(b.String())
		}
		sequence, after, closed := strings.Cut(rest, string(rune(d.Escape)))
		text, known := d.sequence(sequence)
		switch {
		case closed && known:
			b.WriteString(text)
			part = after
		case closed && foreign.MatchString(sequence):
			b.WriteByte(d.Escape)
			b.WriteString(sequence)
			b.WriteByte(d.Escape)
			part = after
		default:
			// A lone escape character is one that the sender forgot to escape.
			b.WriteByte(d.Escape)
			part = rest
		}
	}
}

// sequence is what stands for an escape sequence.
func (d Delimiters) sequence(s string) (text string, known bool) {
	delimiter := func(c byte) (string, bool) {
		if c == 0 {
			return "", false
		}
		return string(rune(c)), true
	}
	switch s {
	case "":
		return "", false
	case "F":
		return delimiter(d.Field)
	case "S":
		return delimiter(d.Component)
	case "R":
		return delimiter(d.Repetition)
	case "E":
		return delimiter(d.Escape)
	case "T":
		return delimiter(d.Subcomponent)
	case "P":
		return delimiter(d.Truncation)
	case "H", "N":
		return "", true
	}
	if digits, ok := strings.CutPrefix(s, "X"); ok {
		raw, err := hex.DecodeString(digits)
		if err != nil || len(raw) == 0 {
			return "", false
		}
		for _, c := range raw {
			// Beyond ASCII the bytes mean something only with a character set that
			// nothing in the sequence names.
			if c == 0 || c >= 0x80 {
				return "", false
			}
		}
		return string(raw), true
	}
	if command, ok := strings.CutPrefix(s, "."); ok {
		return formatting(command)
	}
	return "", false
}

// formatting reads a command of formatted text. Only line breaks and blanks have
// a meaning in plain text; the others place lines on a page.
func formatting(command string) (text string, known bool) {
	name := strings.TrimRight(command, "0123456789+-")
	number := strings.TrimPrefix(command[len(name):], "+")
	if name == "in" || name == "ti" {
		number = strings.TrimPrefix(number, "-")
	}
	count := 1
	if number != "" {
		count = 0
		for _, digit := range number {
			if digit < '0' || digit > '9' || count > 10 {
				return "", false
			}
			count = count*10 + int(digit-'0')
		}
		if count > 100 {
			return "", false
		}
	}
	switch name {
	case "br", "ce":
		return "\n", number == ""
	case "sp":
		return strings.Repeat("\n", max(count, 1)), true
	case "sk":
		return strings.Repeat(" ", count), number != ""
	case "fi", "nf":
		return "", number == ""
	case "in", "ti":
		return "", true
	}
	return "", false
}

// Escaped writes a text as one subcomponent. Line breaks become \.br\, and other
// control characters hexadecimal. Where the message has no escape character, a
// blank stands for what can't be written.
func (d Delimiters) Escaped(text string) string {
	var b strings.Builder
	sequence := func(s string) {
		if d.Escape == 0 {
			b.WriteByte(' ')
			return
		}
		b.WriteByte(d.Escape)
		b.WriteString(s)
		b.WriteByte(d.Escape)
	}
	for i := range len(text) {
		switch c := text[i]; {
		case c == d.Escape && c != 0:
			sequence("E")
		case c == d.Field:
			sequence("F")
		case c == d.Component:
			sequence("S")
		case c == d.Repetition && c != 0:
			sequence("R")
		case c == d.Subcomponent && c != 0:
			sequence("T")
		case c == d.Truncation && c != 0:
			sequence("P")
		case c == '\n':
			sequence(".br")
		case c < 0x20 || c == 0x7f:
			sequence("X" + strings.ToUpper(hex.EncodeToString([]byte{c})))
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// Truncated reports whether a part ends with the mark of a value that was cut off.
func (d Delimiters) Truncated(part string) bool {
	return d.Truncation != 0 && strings.HasSuffix(part, string(rune(d.Truncation)))
}
