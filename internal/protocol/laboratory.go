package protocol

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"candidacy/internal/hl7"
	"candidacy/internal/result"
)

// Laboratory says what the words of laboratories are in those of the protocol.
// Its lists hold for every sender; a sender's own come first.
type Laboratory struct {
	Codes   []CodeMapping   `yaml:"codes" doc:"local codes of observations, for every sender"`
	Units   []UnitMapping   `yaml:"units" doc:"units as laboratories write them, for every sender"`
	Answers []AnswerMapping `yaml:"answers" doc:"answers as laboratories write them, for every sender"`
	Senders []Sender        `yaml:"senders" doc:"who may send HL7 v2 messages"`
}

// Sender is a system that sends HL7 v2 messages.
type Sender struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
	// Application and Facility are MSH-3 and MSH-4: the namespace, or where the
	// sender gives none the universal id.
	Application string `yaml:"application" doc:"MSH-3 of its messages"`
	Facility    string `yaml:"facility" doc:"MSH-4 of its messages; nothing: whatever it says"`
	Certificate string `yaml:"certificate" doc:"a name in its TLS client certificate, without which it is not believed: the common name, or a DNS or URI name"`
	// System is that of the identifiers of its results.
	System      string      `yaml:"system" doc:"URI of the identifiers that it gives to results and specimens"`
	TimeZone    string      `yaml:"time_zone" doc:"IANA name of the zone of its times without one; nothing: that of the programme"`
	Charset     string      `yaml:"charset" doc:"character set of messages without MSH-18; nothing: ASCII"`
	Processing  string      `yaml:"processing" doc:"processing id (MSH-11) that is taken; nothing: P"`
	Merges      bool        `yaml:"merges" doc:"it may say that two numbers are one person's (ADT^A40)"`
	Authorities []Authority `yaml:"authorities" doc:"who gave the identifiers of people in PID-3"`

	Codes   []CodeMapping   `yaml:"codes" doc:"its local codes of observations"`
	Units   []UnitMapping   `yaml:"units" doc:"units as it writes them"`
	Answers []AnswerMapping `yaml:"answers" doc:"answers as it writes them"`

	zone *time.Location
}

// Authority gives identifiers to people.
type Authority struct {
	Authority string `yaml:"authority" doc:"PID-3.4: its namespace, or where there is none the universal id"`
	Type      string `yaml:"type" doc:"PID-3.5 of the identifiers that count, such as MR; nothing: any"`
	System    string `yaml:"system" doc:"URI of these identifiers on record"`
}

// CodeMapping says which observation a local code is.
type CodeMapping struct {
	Code string `yaml:"code" doc:"OBX-3.1 or OBX-3.4"`
	Unit string `yaml:"unit" doc:"UCUM unit: the mapping holds only for values in it"`
	To   string `yaml:"to" doc:"a LOINC code, or a local code of the observations below"`
	Skip bool   `yaml:"skip" doc:"the programme does not need it: it is left out of the record"`
}

// UnitMapping says which UCUM unit a text is.
type UnitMapping struct {
	Text string `yaml:"text" doc:"OBX-6 letter for letter"`
	To   string `yaml:"to" doc:"UCUM code"`
}

// AnswerMapping says which answer a text or a code is.
type AnswerMapping struct {
	Text string   `yaml:"text" doc:"OBX-5: the text or a code, in small or capital letters"`
	To   string   `yaml:"to" doc:"code of the answer"`
	Of   []string `yaml:"of" doc:"observations that it holds for; nothing: all that have the answer"`

	// spoken is the text as it is compared.
	spoken string
}

// LOINCCode reports whether a text is a LOINC number: its last digit is a check
// digit, mod 10 (LOINC Users' Guide).
func LOINCCode(text string) bool {
	number, check, ok := strings.Cut(text, "-")
	if !ok || len(check) != 1 || number == "" || len(number) > 7 {
		return false
	}
	sum, double := 0, false
	for i := len(text) - 1; i >= 0; i-- {
		if text[i] == '-' {
			continue
		}
		if text[i] < '0' || text[i] > '9' {
			return false
		}
		digit := int(text[i] - '0')
		if double {
			if digit *= 2; digit > 9 {
				digit -= 9
			}
		}
		sum, double = sum+digit, !double
	}
	return sum%10 == 0
}

// unitCode is the form of a UCUM code: visible ASCII. Whether UCUM has it is for
// its own library to say, see the tests.
var unitCode = regexp.MustCompile(`^[!-~]{1,40}$`)

// location is the form of a URI as far as it matters here.
var location = regexp.MustCompile(`^[a-z][a-z0-9+.-]*:[!-~]+$`)

// processingIDs are those of HL7 table 0103.
var processingIDs = []string{"P", "T", "D"}

func (p *Protocol) checkLaboratory(fail func(string, ...any)) {
	l := &p.Laboratory
	p.checkMappings(fail, "laboratory", l.Codes, l.Units, l.Answers)
	ids := map[string]bool{}
	addresses := map[[3]string]bool{}
	for i := range l.Senders {
		s := &l.Senders[i]
		at := "laboratory.senders." + s.ID
		if !identifier.MatchString(s.ID) || ids[s.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[s.ID] = true
		if s.Title == "" {
			fail("%s.title: missing", at)
		}
		if s.Application == "" {
			fail("%s.application: missing", at)
		}
		address := [3]string{s.Application, s.Facility, s.Certificate}
		if addresses[address] {
			fail("%s.application: another sender has the same application, facility and certificate", at)
		}
		addresses[address] = true
		if !location.MatchString(s.System) {
			fail("%s.system: not a URI", at)
		}
		s.zone = p.zone
		if s.TimeZone != "" {
			zone, err := time.LoadLocation(s.TimeZone)
			if err != nil || s.TimeZone == "Local" {
				fail("%s.time_zone: %q is not an IANA time zone", at, s.TimeZone)
			}
			s.zone = zone
		}
		if s.Charset != "" && !slices.Contains(hl7.Charsets(), s.Charset) {
			fail("%s.charset: accepted: %s", at, strings.Join(hl7.Charsets(), ", "))
		}
		if s.Processing != "" && !slices.Contains(processingIDs, s.Processing) {
			fail("%s.processing: accepted: %s", at, strings.Join(processingIDs, ", "))
		}
		if len(s.Authorities) == 0 {
			fail("%s.authorities: missing, and without them nobody is found", at)
		}
		seen := map[[2]string]bool{}
		for n, a := range s.Authorities {
			at := fmt.Sprintf("%s.authorities[%d]", at, n)
			if a.Authority == "" || seen[[2]string{a.Authority, a.Type}] {
				fail("%s.authority: missing or not unique", at)
			}
			seen[[2]string{a.Authority, a.Type}] = true
			if !location.MatchString(a.System) {
				fail("%s.system: not a URI", at)
			}
		}
		p.checkMappings(fail, at, s.Codes, s.Units, s.Answers)
	}
}

func (p *Protocol) checkMappings(fail func(string, ...any), at string, codes []CodeMapping, units []UnitMapping, answers []AnswerMapping) {
	type key struct{ a, b string }
	seen := map[key]bool{}
	for i, m := range codes {
		at := fmt.Sprintf("%s.codes[%d]", at, i)
		if m.Code == "" || seen[key{m.Code, m.Unit}] {
			fail("%s.code: missing or not unique", at)
		}
		seen[key{m.Code, m.Unit}] = true
		o, known := p.Observation(m.To)
		switch {
		case m.Skip && m.To != "":
			fail("%s.skip: what is left out is mapped to nothing", at)
		case m.Skip:
		case m.To == "":
			fail("%s.to: missing", at)
		case !known && !LOINCCode(m.To):
			fail("%s.to: %q is neither a LOINC number nor the code of an observation", at, m.To)
		}
		if m.Unit != "" && (!unitCode.MatchString(m.Unit) || known && !slices.Contains(o.Units, m.Unit)) {
			fail("%s.unit: not a unit of the observation", at)
		}
	}
	clear(seen)
	for i, m := range units {
		at := fmt.Sprintf("%s.units[%d]", at, i)
		if m.Text == "" || seen[key{m.Text, ""}] {
			fail("%s.text: missing or not unique", at)
		}
		seen[key{m.Text, ""}] = true
		if !unitCode.MatchString(m.To) {
			fail("%s.to: not a UCUM unit", at)
		}
	}
	clear(seen)
	for i, m := range answers {
		at := fmt.Sprintf("%s.answers[%d]", at, i)
		answers[i].spoken = spoken(m.Text)
		if m.Text == "" {
			fail("%s.text: missing", at)
		}
		of := m.Of
		if len(of) == 0 {
			of = []string{""}
		}
		for _, code := range of {
			if k := (key{spoken(m.Text), code}); seen[k] {
				fail("%s.text: not unique", at)
			} else {
				seen[k] = true
			}
			o, known := p.Observation(code)
			switch {
			case code != "" && (!known || !o.Coded):
				fail("%s.of: %q is not a coded observation", at, code)
			case code != "" && !o.has(m.To):
				fail("%s.to: not an answer of %s", at, o.Title)
			}
		}
		if len(m.Of) == 0 && !slices.ContainsFunc(p.Observations, func(o Observation) bool { return o.has(m.To) }) {
			fail("%s.to: no observation has the answer", at)
		}
	}
}

// has reports whether a code is one of the answers.
func (o Observation) has(code string) bool {
	_, ok := o.answer(code)
	return ok
}

func (o Observation) answer(code string) (result.Coding, bool) {
	list := o.Answers()
	i := slices.IndexFunc(list, func(c result.Coding) bool { return c.Code == code })
	if i < 0 {
		return result.Coding{}, false
	}
	return list[i], true
}

// spoken is a text as answers are compared: without regard to capitals and to
// how many blanks there are.
func spoken(text string) string { return strings.ToLower(strings.Join(strings.Fields(text), " ")) }

// SenderOf finds who sent a message, by MSH-3, MSH-4 and the names in the
// verified TLS client certificate. A sender whose facility is named comes before
// one whose is not.
func (p *Protocol) SenderOf(application, facility string, certificate []string) (Sender, bool) {
	var found *Sender
	for i := range p.Laboratory.Senders {
		s := &p.Laboratory.Senders[i]
		switch {
		case s.Application != application, s.Facility != "" && s.Facility != facility,
			s.Certificate != "" && !slices.Contains(certificate, s.Certificate):
		case found == nil, found.Facility == "" && s.Facility != "", found.Certificate == "" && s.Certificate != "":
			found = s
		}
	}
	if found == nil {
		return Sender{}, false
	}
	return *found, true
}

// Sender returns the sender with the id.
func (p *Protocol) Sender(id string) (Sender, bool) {
	for _, s := range p.Laboratory.Senders {
		if s.ID == id {
			return s, true
		}
	}
	return Sender{}, false
}

// Zone is that of the sender's times without one.
func (s Sender) Zone() *time.Location {
	if s.zone == nil {
		return time.UTC
	}
	return s.zone
}

// PersonSystem is the URI of identifiers of an authority and a type, empty where
// they are not known.
func (s Sender) PersonSystem(authority, kind string) string {
	for _, a := range s.Authorities {
		if a.Authority == authority && (a.Type == "" || a.Type == kind) {
			return a.System
		}
	}
	return ""
}

// Meaning is what a local code stands for.
type Meaning struct {
	Code result.Coding
	// Observation is that of the protocol, where it has one.
	Observation Observation
	Known       bool
	// Skip says that the programme does not need it.
	Skip bool
}

// MeaningOf says what a code of the sender's messages is. codes are a local code
// first, then its alternative; loinc is a LOINC number among them, where the
// message calls one so. unit is the UCUM unit of the value, empty where it has
// none. The sender's own table comes first, then what the message calls LOINC,
// then the table for everybody.
func (p *Protocol) MeaningOf(s Sender, codes []string, loinc, unit string) (Meaning, bool) {
	for _, code := range codes {
		if m, ok := p.mapped(s.Codes, code, unit); ok {
			return m, true
		}
	}
	if LOINCCode(loinc) {
		return p.meaning(loinc), true
	}
	for _, code := range codes {
		if m, ok := p.mapped(p.Laboratory.Codes, code, unit); ok {
			return m, true
		}
	}
	return Meaning{}, false
}

func (p *Protocol) mapped(list []CodeMapping, code, unit string) (Meaning, bool) {
	var found *CodeMapping
	for i := range list {
		m := &list[i]
		if m.Code == code && (m.Unit == "" && found == nil || m.Unit != "" && m.Unit == unit) {
			found = m
		}
	}
	switch {
	case found == nil || code == "":
		return Meaning{}, false
	case found.Skip:
		return Meaning{Skip: true}, true
	}
	return p.meaning(found.To), true
}

func (p *Protocol) meaning(code string) Meaning {
	o, known := p.Observation(code)
	m := Meaning{Code: result.Coding{System: LOINCSystem, Code: code, Display: o.Title}, Observation: o, Known: known}
	if o.Local {
		m.Code.System = LocalSystem
	}
	return m
}

// UnitOf says which UCUM unit a text is: by the sender's table, by that for
// everybody, or because it is letter for letter a unit of the protocol.
func (p *Protocol) UnitOf(s Sender, text string) (string, bool) {
	for _, list := range [][]UnitMapping{s.Units, p.Laboratory.Units} {
		for _, m := range list {
			if m.Text == text {
				return m.To, true
			}
		}
	}
	for _, o := range p.Observations {
		if slices.Contains(o.Units, text) {
			return text, true
		}
	}
	return "", false
}

// AnswerOf says which answer of a coded observation a text or a code is.
func (p *Protocol) AnswerOf(s Sender, o Observation, text string) (result.Coding, bool) {
	if answer, ok := o.answer(text); ok {
		return answer, true
	}
	text = spoken(text)
	for _, list := range [][]AnswerMapping{s.Answers, p.Laboratory.Answers} {
		// What names the observation comes before what holds for all.
		for _, named := range []bool{true, false} {
			for i := range list {
				m := &list[i]
				if m.spoken != text || named != slices.Contains(m.Of, o.Code) || !named && len(m.Of) > 0 {
					continue
				}
				if answer, ok := o.answer(m.To); ok {
					return answer, true
				}
			}
		}
	}
	return result.Coding{}, false
}

// diffLaboratory compares the tables, and those of each sender.
func diffLaboratory(from, to Laboratory) []Change {
	changes := diffMappings("laboratory", from.Codes, to.Codes, from.Units, to.Units, from.Answers, to.Answers)
	id := func(s Sender) string { return s.ID }
	// What a sender is, and its tables, are told apart.
	changes = append(changes, diffRules("laboratory.senders", senderHeaders(from.Senders), senderHeaders(to.Senders), id)...)
	for _, b := range to.Senders {
		if i := slices.IndexFunc(from.Senders, func(a Sender) bool { return a.ID == b.ID }); i >= 0 {
			a, at := from.Senders[i], "laboratory.senders."+b.ID
			changes = append(changes, diffRules(at+".authorities", a.Authorities, b.Authorities, func(a Authority) string {
				return strings.TrimSpace(a.Authority + " " + a.Type)
			})...)
			changes = append(changes, diffMappings(at, a.Codes, b.Codes, a.Units, b.Units, a.Answers, b.Answers)...)
		}
	}
	return changes
}

func senderHeaders(list []Sender) []Sender {
	headers := slices.Clone(list)
	for i := range headers {
		s := &headers[i]
		s.Authorities, s.Codes, s.Units, s.Answers = nil, nil, nil, nil
	}
	return headers
}

func diffMappings(at string, codesA, codesB []CodeMapping, unitsA, unitsB []UnitMapping, answersA, answersB []AnswerMapping) []Change {
	changes := diffRules(at+".codes", codesA, codesB, func(m CodeMapping) string { return strings.TrimSpace(m.Code + " " + m.Unit) })
	changes = append(changes, diffRules(at+".units", unitsA, unitsB, func(m UnitMapping) string { return m.Text })...)
	return append(changes, diffRules(at+".answers", answersA, answersB, func(m AnswerMapping) string {
		return strings.TrimSpace(spoken(m.Text) + " " + strings.Join(m.Of, " "))
	})...)
}
