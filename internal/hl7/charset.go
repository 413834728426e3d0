package hl7

import (
	"bytes"
	"errors"
	"slices"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// single are the character sets of HL7 table 0211 with one byte for each
// character.
var single = map[string]*charmap.Charmap{
	"8859/1": charmap.ISO8859_1, "8859/2": charmap.ISO8859_2, "8859/3": charmap.ISO8859_3, "8859/4": charmap.ISO8859_4,
	"8859/5": charmap.ISO8859_5, "8859/6": charmap.ISO8859_6, "8859/7": charmap.ISO8859_7, "8859/8": charmap.ISO8859_8,
	"8859/9": charmap.ISO8859_9, "8859/15": charmap.ISO8859_15,
}

const (
	ascii       = "ASCII"
	utf8Charset = "UNICODE UTF-8"
)

// Charsets lists the character sets of HL7 table 0211 that are read.
func Charsets() []string {
	list := []string{ascii, utf8Charset}
	for name := range single {
		list = append(list, name)
	}
	slices.Sort(list)
	return list
}

var (
	errCharset     = errors.New("a character set that is not read here")
	errUndeclared  = errors.New("bytes beyond ASCII, and MSH-18 names no character set")
	errUndecodable = errors.New("bytes that the character set of MSH-18 does not have")
)

// decode makes UTF-8 of a message in the character set. Without one it is ASCII,
// as the standard says.
func decode(raw []byte, charset string) (string, error) {
	switch charset {
	case "", ascii:
		if bytes.ContainsFunc(raw, func(r rune) bool { return r >= utf8.RuneSelf }) {
			if charset == "" {
				return "", errUndeclared
			}
			return "", errUndecodable
		}
		return string(raw), nil
	case utf8Charset, "UTF-8":
		if !utf8.Valid(raw) {
			return "", errUndecodable
		}
		return string(raw), nil
	}
	table, ok := single[charset]
	if !ok {
		return "", errCharset
	}
	text, err := table.NewDecoder().Bytes(raw)
	if err != nil || bytes.ContainsRune(text, utf8.RuneError) {
		return "", errUndecodable
	}
	return string(text), nil
}
