// Package oru reads HL7 v2 ORU^R01 messages, unsolicited observations (chapter
// 7 of the standard, versions 2.3 to 2.8), into results in the words of the
// protocol; and ADT^A40 (chapter 3), by which a sender that may says that two
// numbers are one person's. It is pure and guesses nothing: what the message says against the
// standard is a fault that its sender is told, and what the protocol has no
// words for is an issue that keeps the message for a person.
package oru

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/hl7"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
)

// ContentType is the media type of HL7 v2 in the vertical-bar encoding.
const ContentType = "x-application/hl7-v2+er7"

// Reader reads the messages of the senders that a protocol names.
type Reader struct{ Protocol *protocol.Protocol }

// versions are those whose ORU^R01 has the structure that is read here.
var versions = []string{"2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.7.1", "2.8", "2.8.1", "2.8.2"}

// maxFaults is how many faults and issues are told of one message.
const maxFaults = 50

// Read implements reading.Reader. The sender is the one of the input, or without
// one the one that MSH names and that needs no certificate.
func (r Reader) Read(in reading.Input) (reading.Message, error) {
	header := hl7.Peek(in.Raw)
	sender, known := r.Protocol.Sender(in.Sender)
	if in.Sender == "" {
		application, facility := header.Sender()
		sender, known = r.Protocol.SenderOf(application, facility, nil)
	}
	m, err := hl7.Parse(in.Raw, sender.Charset)
	// Of what is no message at all there is nothing more to say.
	if err != nil && header.Type == "" && header.ControlID == "" {
		return reading.Message{}, unreadable(err)
	}
	if refused := refuse(header, sender, known); len(refused) > 0 {
		return reading.Message{}, unreadable(&hl7.Invalid{Rejected: true, Faults: refused})
	}
	if err != nil {
		return reading.Message{}, unreadable(err)
	}
	w := &walk{protocol: r.Protocol, sender: sender, message: m, sequence: map[string]int{}}
	w.header(header)
	people := w.people(header.Type)
	// People of one message have nothing to do with each other.
	out := reading.Message{Sent: w.sent, Separate: len(people) > 1}
	for _, p := range people {
		if header.Type == merging {
			out.Groups = append(out.Groups, w.merged(p))
			continue
		}
		out.Groups = append(out.Groups, w.group(p))
	}
	if len(people) == 0 && len(w.faults) == 0 {
		w.fault(hl7.Location{Segment: "PID", Sequence: 1}, hl7.RequiredFieldMissing, "missing")
	}
	if len(w.faults) > 0 {
		return reading.Message{}, unreadable(&hl7.Invalid{Faults: w.faults})
	}
	return out, nil
}

// refuse says why a message is not taken, by its header alone.
func refuse(h hl7.Header, sender protocol.Sender, known bool) []hl7.Fault {
	var faults []hl7.Fault
	refuse := func(field, component int, code hl7.Code, problem string, accepted ...string) {
		faults = append(faults, hl7.Fault{
			Location: hl7.Location{Segment: "MSH", Sequence: 1, Field: field, Component: component}, Code: code, Problem: problem, Accepted: accepted,
		})
	}
	switch {
	case h.Type == merging && sender.Merges:
		if h.Event != "A40" {
			refuse(9, 2, hl7.UnsupportedEvent, "not an event that is taken", "A40")
		}
	case h.Type != "ORU":
		refuse(9, 1, hl7.UnsupportedMessage, "not a type of message that is taken from this sender", "ORU")
	case h.Event != "R01":
		refuse(9, 2, hl7.UnsupportedEvent, "not an event that is taken", "R01")
	case h.Structure != "" && h.Structure != "ORU_R01":
		refuse(9, 3, hl7.UnsupportedMessage, "not a structure that is taken", "ORU_R01")
	}
	if !slices.Contains(versions, h.Version) {
		refuse(12, 1, hl7.UnsupportedVersion, "not a version that is taken", versions...)
	}
	switch {
	case !known:
		refuse(3, 0, hl7.TableValueNotFound, "the protocol names no sender with this application, facility and certificate")
	case h.Processing != cmp.Or(sender.Processing, "P"):
		refuse(11, 1, hl7.UnsupportedProcessing, "not a processing id that is taken from this sender", cmp.Or(sender.Processing, "P"))
	}
	return faults
}

// unreadable is the error of a reader for what is wrong with the syntax or the
// content.
func unreadable(err error) error {
	var invalid *hl7.Invalid
	if !errors.As(err, &invalid) {
		return err
	}
	out := &reading.Unreadable{Rejected: invalid.Rejected}
	for _, f := range invalid.Faults {
		out.Issues = append(out.Issues, reading.Issue{
			Kind: reading.NotUnderstood, Location: f.Location.String(), Code: string(f.Code), Problem: f.Problem, Accepted: f.Accepted,
		})
	}
	return out
}

// walk goes through one message.
type walk struct {
	protocol *protocol.Protocol
	sender   protocol.Sender
	message  *hl7.Message
	// sent is MSH-7 as RFC 3339, where it has a time of day.
	sent string
	// sequence counts the segments of each name, issues belong to the group at
	// hand, and faults to the message. unclear counts the issues, those that are
	// too many to be told included.
	sequence map[string]int
	issues   []reading.Issue
	unclear  int
	faults   []hl7.Fault
}

func (w *walk) fault(at hl7.Location, code hl7.Code, problem string, accepted ...string) {
	if len(w.faults) < maxFaults {
		w.faults = append(w.faults, hl7.Fault{Location: at, Code: code, Problem: problem, Accepted: accepted})
	}
}

func (w *walk) issue(kind reading.Kind, at hl7.Location, code hl7.Code, problem string, accepted ...string) {
	w.unclear++
	if len(w.issues) < maxFaults {
		w.issues = append(w.issues, reading.Issue{Kind: kind, Location: at.String(), Code: string(code), Problem: problem, Accepted: accepted})
	}
}

// header checks what MSH says beside what it is refused for.
func (w *walk) header(h hl7.Header) {
	at := func(field int) hl7.Location { return hl7.Location{Segment: "MSH", Sequence: 1, Field: field} }
	if h.ControlID == "" {
		w.fault(at(10), hl7.RequiredFieldMissing, "missing")
	}
	if h.Time == "" {
		return
	}
	sent, err := hl7.ParseTime(h.Time, w.sender.Zone())
	switch {
	case errors.Is(err, hl7.ErrAmbiguous):
	case err != nil:
		w.fault(at(7), hl7.DataType, "not a time", timeForm)
	case sent.Precision >= hl7.Minute:
		w.sent = sent.String()
	}
}

const timeForm = "YYYYMMDDHHMM[SS[.SSSS]][+/-ZZZZ]"

// line is a segment with its place.
type line struct {
	hl7.Segment
	at hl7.Location
}

// field is the place of a field of the segment.
func (l line) field(number int) hl7.Location {
	at := l.at
	at.Field = number
	return at
}

// component is the place of a component.
func (l line) component(field, component int) hl7.Location {
	at := l.field(field)
	at.Component = component
	return at
}

// person, order and observation are the groups of segments of ORU^R01.
type person struct {
	pid line
	// mrg is that of ADT^A40.
	mrg    *line
	orders []*order
}

type order struct {
	orc, obr     *line
	notes        []line
	observations []*observation
	specimens    []line
}

type observation struct {
	obx   line
	notes []line
}

// passed are segments of ORU^R01 that say nothing that is used here. Those whose
// names begin with Z are of local agreement.
var passed = []string{
	"SFT", "UAC", "ARV", "PD1", "PRT", "ROL", "NK1", "PV1", "PV2", "DB1", "DG1", "AL1", "IAM", "OH1", "OH2", "OH3", "OH4",
	"TQ1", "TQ2", "CTD", "FT1", "CTI", "SAC", "IPC", "TXA", "ACC", "IN1", "IN2", "IN3", "GT1", "EVN",
}

// people puts the segments of a message of a type into their groups.
func (w *walk) people(kind string) []*person {
	var people []*person
	var who *person
	var what *order
	var found *observation
	misplaced := func(l line, needs string) {
		w.fault(l.at, hl7.SegmentSequence, "not at a place where the standard has it: needs "+needs+" before it")
	}
	for _, s := range w.message.Segments {
		w.sequence[s.Name]++
		l := line{s, hl7.Location{Segment: s.Name, Sequence: w.sequence[s.Name]}}
		if kind == merging && slices.Contains([]string{"ORC", "OBR", "OBX", "SPM"}, s.Name) {
			w.fault(l.at, hl7.SegmentSequence, "not a segment of ADT^A40")
			continue
		}
		switch s.Name {
		case "MSH":
		case "MRG":
			if who == nil {
				misplaced(l, "PID")
				continue
			}
			who.mrg = &l
		case "PID":
			who, what, found = &person{pid: l}, nil, nil
			people = append(people, who)
		case "ORC":
			if who == nil {
				misplaced(l, "PID")
				continue
			}
			what, found = &order{orc: &l}, nil
			who.orders = append(who.orders, what)
		case "OBR":
			if who == nil {
				misplaced(l, "PID")
				continue
			}
			if what == nil || what.obr != nil {
				what = &order{}
				who.orders = append(who.orders, what)
			}
			what.obr, found = &l, nil
		case "OBX":
			if what == nil || what.obr == nil {
				misplaced(l, "OBR")
				continue
			}
			found = &observation{obx: l}
			what.observations = append(what.observations, found)
		case "SPM":
			if what == nil || what.obr == nil {
				misplaced(l, "OBR")
				continue
			}
			what.specimens = append(what.specimens, l)
		case "NTE":
			switch {
			case found != nil:
				found.notes = append(found.notes, l)
			case what != nil:
				what.notes = append(what.notes, l)
			}
		case "DSC", "ADD":
			w.fault(l.at, hl7.SegmentSequence, "a message in several parts is not taken")
		default:
			if s.Name[0] != 'Z' && !slices.Contains(passed, s.Name) {
				w.fault(l.at, hl7.SegmentSequence, "not a segment of the message")
			}
		}
	}
	for _, p := range people {
		for _, o := range p.orders {
			if o.obr == nil {
				w.fault(o.orc.at, hl7.SegmentSequence, "an order without OBR")
			}
		}
	}
	return people
}

// text reads a part, without blanks around it. The null value is nothing.
func (w *walk) text(part string) string {
	if part == hl7.Null {
		return ""
	}
	return strings.TrimSpace(w.message.Text(part))
}

// authority is the name and, where it has one, the universal id of a hierarchic
// designator, whose parts are subcomponents or components.
func (w *walk) authority(namespace, universal, kind string) (name, system string) {
	namespace, universal = w.text(namespace), w.text(universal)
	switch strings.ToUpper(w.text(kind)) {
	case "ISO":
		system = "urn:oid:" + universal
	case "UUID":
		system = "urn:uuid:" + strings.ToLower(universal)
	case "URI", "URL":
		system = universal
	}
	if universal == "" {
		system = ""
	}
	return cmp.Or(namespace, universal), system
}

// group makes what is said of one person.
func (w *walk) group(p *person) reading.Group {
	w.issues = nil
	g := reading.Group{Place: p.pid.at.String(), Identifiers: w.identifiers(p.pid, 3), Person: w.verification(p.pid)}
	if !slices.ContainsFunc(g.Identifiers, func(i reading.Identifier) bool { return i.System != "" }) {
		w.issue(reading.NoAuthority, p.pid.component(3, 4), hl7.TableValueNotFound, "no identifier of an authority that the protocol names for this sender")
	}
	for _, o := range p.orders {
		if o.obr != nil {
			w.order(&g, o)
		}
	}
	if len(p.orders) == 0 {
		w.fault(p.pid.at, hl7.SegmentSequence, "nothing is reported of the person: needs OBR after it")
	}
	if len(g.Results) > maxResults {
		w.issue(reading.NotSupported, p.pid.at, "", fmt.Sprintf("more than %d results of one person", maxResults))
	}
	g.Issues = w.issues
	g.Nothing = len(g.Results) == 0 && len(g.Issues) == 0
	return g
}

// merging is the type of ADT^A40.
const merging = "ADT"

// merged makes what ADT^A40 says of one person: PID has the numbers that stay,
// and MRG those that they replace.
func (w *walk) merged(p *person) reading.Group {
	w.issues = nil
	g := reading.Group{Place: p.pid.at.String(), Identifiers: w.identifiers(p.pid, 3), Person: w.verification(p.pid)}
	if p.mrg == nil {
		w.fault(p.pid.at, hl7.SegmentSequence, "a person without MRG")
		return g
	}
	g.Merged = w.identifiers(*p.mrg, 1)
	if !slices.ContainsFunc(slices.Concat(g.Identifiers, g.Merged), func(i reading.Identifier) bool { return i.System != "" }) {
		w.issue(reading.NoAuthority, p.pid.component(3, 4), hl7.TableValueNotFound, "no identifier of an authority that the protocol names for this sender")
	}
	g.Issues = w.issues
	return g
}

// maxResults is how many one command takes.
const maxResults = 500

// identifiers reads the numbers of a person in a field of PID or MRG.
func (w *walk) identifiers(l line, field int) []reading.Identifier {
	var list []reading.Identifier
	for _, cx := range l.Field(field) {
		value := w.text(cx.Component(1).First())
		if value == "" {
			continue
		}
		given := cx.Component(4)
		namespace, universal := w.text(given.Subcomponent(1)), w.text(given.Subcomponent(2))
		i := reading.Identifier{Value: value, Type: w.text(cx.Component(5).First())}
		var system string
		i.Authority, system = w.authority(given.Subcomponent(1), given.Subcomponent(2), given.Subcomponent(3))
		// What the protocol says of an authority counts, and of one that it does not
		// name, the id that it has everywhere.
		listed := false
		for _, name := range []string{namespace, universal} {
			if w.lists(name) {
				listed = true
				i.System = cmp.Or(i.System, w.sender.PersonSystem(name, i.Type))
			}
		}
		if !listed {
			i.System = system
		}
		list = append(list, i)
	}
	if len(list) == 0 {
		w.fault(l.field(field), hl7.RequiredFieldMissing, "missing")
	}
	return list
}

// lists reports whether the sender's table names an authority.
func (w *walk) lists(authority string) bool {
	return slices.ContainsFunc(w.sender.Authorities, func(a protocol.Authority) bool { return a.Authority == authority })
}

// verification is what the identity is held against.
func (w *walk) verification(pid line) reading.Person {
	name := pid.Field(5).Repetition(0)
	for _, each := range pid.Field(5) {
		// The legal name, where there are several.
		if w.text(each.Component(7).First()) == "L" {
			name = each
			break
		}
	}
	who := reading.Person{
		Family: w.text(name.Component(1).First()), Given: w.text(name.Component(2).First()),
		Sex: w.text(pid.Field(8).Component(1).First()),
	}
	if text := w.text(pid.Field(7).Component(1).First()); text != "" {
		born, err := hl7.ParseTime(text, w.sender.Zone())
		switch {
		case errors.Is(err, hl7.ErrAmbiguous):
			// The hour of a birth is not asked for.
			born, err = hl7.ParseTime(text[:8], w.sender.Zone())
		case err == nil && born.Precision > hl7.Day:
			born, err = hl7.ParseTime(text[:8], w.sender.Zone())
		}
		if err != nil {
			w.fault(pid.field(7), hl7.DataType, "not a date", "YYYYMMDD")
		}
		who.BirthDate = born.String()
	}
	return who
}
