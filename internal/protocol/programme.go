package protocol

import (
	"fmt"
	"net/mail"
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"
)

// DefaultProgrammeName is what a programme is called that gives no name.
const DefaultProgrammeName = "Living kidney donor programme"

// Programme is what systems outside learn of the programme itself: the
// Organization that all published resources point to.
type Programme struct {
	Name        string                `yaml:"name" doc:"what the programme is called outside; left out: Living kidney donor programme"`
	Identifiers []ProgrammeIdentifier `yaml:"identifiers" doc:"by which others know it, such as a national register number"`
	Phone       string                `yaml:"phone" doc:"as it is dialled"`
	Email       string                `yaml:"email" doc:"an address that somebody reads"`
	URL         string                `yaml:"url" doc:"its page, an http or https address"`
}

// ProgrammeIdentifier is a number of the programme in somebody's register.
type ProgrammeIdentifier struct {
	System string `yaml:"system" doc:"URI of the register"`
	Value  string `yaml:"value"`
}

// longestName bounds a name in characters.
const longestName = 200

func (p *Protocol) checkProgramme(fail func(string, ...any)) {
	of := p.Programme
	if of == nil {
		return
	}
	if !plainLine(of.Name, longestName) {
		fail("programme.name: accepted: one line of 1 to %d characters, without blanks around it", longestName)
	}
	seen := map[ProgrammeIdentifier]bool{}
	for i, id := range of.Identifiers {
		at := fmt.Sprintf("programme.identifiers[%d]", i)
		if !location.MatchString(id.System) {
			fail("%s.system: not a URI", at)
		}
		if !plainLine(id.Value, longestName) {
			fail("%s.value: accepted: one line of 1 to %d characters, without blanks around it", at, longestName)
		}
		if seen[id] {
			fail("%s: the identifier is there twice", at)
		}
		seen[id] = true
	}
	if of.Phone != "" && !phone.MatchString(of.Phone) {
		fail("programme.phone: accepted: a number of 3 to 31 digits, blanks, hyphens and brackets, with or without + in front")
	}
	if of.Email != "" {
		if a, err := mail.ParseAddress(of.Email); err != nil || a.Address != of.Email {
			fail("programme.email: not an address such as donors@hospital.example")
		}
	}
	if of.URL != "" {
		if u, err := url.Parse(of.URL); err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.User != nil {
			fail("programme.url: not an address such as https://hospital.example/donors")
		}
	}
}

// plainLine reports whether a text can stand as one line.
func plainLine(s string, longest int) bool {
	return s != "" && s == strings.TrimSpace(s) && utf8.RuneCountInString(s) <= longest && !strings.ContainsFunc(s, unicode.IsControl)
}
