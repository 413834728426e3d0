// Package hl7 holds synthetic HL7 v2 messages for tests.
package hl7

import (
	"embed"
	"strings"
)

//go:embed *.hl7
var files embed.FS

// Message returns a message by the name of its file, as it is on the wire.
func Message(name string) []byte {
	raw, err := files.ReadFile(name + ".hl7")
	if err != nil {
		panic("there is no message " + name)
	}
	return []byte(strings.ReplaceAll(string(raw), "\n", "\r"))
}

// Names lists the messages.
func Names() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		panic("the messages are not there: " + err.Error())
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".hl7"))
	}
	return names
}
