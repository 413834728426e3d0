package intake

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/command"
	"candidacy/internal/reading"
	"candidacy/internal/result"
)

// reader turns an Ask into groups.
type reader struct {
	ask Ask
	// full has the entries by fullUrl, and typed by type and id.
	full, typed map[string]int
}

func (x *reader) locate() {
	x.full, x.typed = map[string]int{}, map[string]int{}
	for i, e := range x.ask.Entries {
		if e.FullURL != "" {
			x.full[e.FullURL] = i
		}
		var r struct {
			ID string `json:"id"`
		}
		if json.Unmarshal(e.Resource, &r) == nil && r.ID != "" {
			x.typed[e.Type+"/"+r.ID] = i
		}
	}
}

// source is where a resource stands, for references out of it.
type source struct {
	entry     int
	place     string
	contained map[string]inner
}

// inner is a contained resource.
type inner struct {
	typ   string
	place string
	raw   json.RawMessage
}

func (x *reader) source(i int) source {
	e := x.ask.Entries[i]
	s := source{entry: i, place: e.Place, contained: map[string]inner{}}
	var r struct {
		Contained []json.RawMessage `json:"contained"`
	}
	if json.Unmarshal(e.Resource, &r) != nil {
		return s
	}
	for n, raw := range r.Contained {
		var c struct {
			ResourceType string `json:"resourceType"`
			ID           string `json:"id"`
		}
		if json.Unmarshal(raw, &c) == nil && c.ID != "" {
			s.contained["#"+c.ID] = inner{typ: c.ResourceType, place: fmt.Sprintf("%s.contained[%d]", e.Place, n), raw: raw}
		}
	}
	return s
}

// target is what a reference leads to: an entry, a contained resource, or
// nothing of the message.
type target struct {
	entry int
	inner inner
	found bool
}

func (t target) typ(x *reader) string {
	if t.entry >= 0 {
		return x.ask.Entries[t.entry].Type
	}
	return t.inner.typ
}

func (t target) raw(x *reader) json.RawMessage {
	if t.entry >= 0 {
		return x.ask.Entries[t.entry].Resource
	}
	return t.inner.raw
}

// resolve follows a reference within the message, as FHIR R4 says for bundles
// (bundle.html#references). In a batch no entry leads to another.
func (x *reader) resolve(from source, reference string) target {
	none := target{entry: -1}
	if reference == "" {
		return none
	}
	if c, ok := from.contained[reference]; ok {
		return target{entry: -1, inner: c, found: true}
	}
	if x.ask.Form == Batch || strings.HasPrefix(reference, "#") {
		return none
	}
	reference, _, _ = strings.Cut(reference, "/_history/")
	if i, ok := x.full[reference]; ok {
		return target{entry: i, found: true}
	}
	if strings.Contains(reference, ":") {
		return none
	}
	own := x.ask.Entries[from.entry].FullURL
	if root, ok := strings.CutSuffix(own, idOf(own)); ok && strings.HasPrefix(own, "http") {
		if i, ok := x.full[root+reference]; ok {
			return target{entry: i, found: true}
		}
	}
	if i, ok := x.typed[reference]; ok {
		return target{entry: i, found: true}
	}
	return none
}

// idOf is the type and id at the end of an address.
func idOf(address string) string {
	parts := strings.Split(address, "/")
	if len(parts) < 2 {
		return address
	}
	return strings.Join(parts[len(parts)-2:], "/")
}

// here is a reference to a resource of this server, relative to its base.
func (x *reader) here(reference string) (string, bool) {
	reference, _, _ = strings.Cut(reference, "/_history/")
	if x.ask.Base != "" {
		if rest, ok := strings.CutPrefix(reference, x.ask.Base+"/"); ok {
			return rest, true
		}
	}
	return reference, reference != "" && !strings.ContainsAny(reference, ":#")
}

// draft is one result with whom it is about.
type draft struct {
	entry  int
	place  string
	result command.Result
	person person
	orders []reading.Order
}

// person is whom a resource is about.
type person struct {
	identifiers []reading.Identifier
	facts       reading.Person
}

// whole reads a message whose results go together.
func (x *reader) whole() reading.Group {
	place := "Bundle"
	if x.ask.Form == Single {
		place = x.ask.Entries[0].Place
	}
	g := reading.Group{Place: place}
	var drafts []draft
	for i, e := range x.ask.Entries {
		g.Issues = append(g.Issues, e.Issues...)
		if len(e.Issues) > 0 {
			continue
		}
		if x.ask.Form == Single && !slices.Contains(Stored, e.Type) {
			g.Issues = append(g.Issues, issueOf(e.Place, "not-supported", "resourceType: not accepted", Stored...))
			continue
		}
		found, issues := x.entry(i)
		drafts, g.Issues = append(drafts, found...), append(g.Issues, issues...)
		g.Documents = append(g.Documents, documentsOf(e)...)
	}
	x.report(&drafts, &g.Issues)
	x.collect(&g, drafts)
	return g
}

// alone reads an entry that stands by itself.
func (x *reader) alone(i int) reading.Group {
	e := x.ask.Entries[i]
	g := reading.Group{Place: e.Place, Issues: slices.Clone(e.Issues)}
	if len(g.Issues) > 0 {
		return g
	}
	if !slices.Contains(Stored, e.Type) {
		g.Issues = append(g.Issues, issueOf(e.Place, "not-supported", "resourceType: not accepted", Stored...))
		return g
	}
	drafts, issues := x.entry(i)
	g.Issues = append(g.Issues, issues...)
	g.Documents = documentsOf(e)
	x.report(&drafts, &g.Issues, i)
	x.collect(&g, drafts)
	return g
}

// entry reads what one entry reports: an Observation, or the contained ones of a
// report.
func (x *reader) entry(i int) ([]draft, []reading.Issue) {
	e := x.ask.Entries[i]
	from := x.source(i)
	switch e.Type {
	case "Observation":
		d, issues := x.observation(from, e.Place, e.Resource, person{})
		d.conditions(e, &issues)
		return one(d, issues), issues
	case "DiagnosticReport":
		return x.containedObservations(from, e)
	default:
		return nil, nil
	}
}

func one(d draft, issues []reading.Issue) []draft {
	if len(issues) > 0 {
		return nil
	}
	return []draft{d}
}

// conditions puts those of the request to the result.
func (d *draft) conditions(e Entry, issues *[]reading.Issue) {
	if version, ok := e.Version(); ok {
		d.result.IfVersion = version
	}
	d.result.OnlyNew = e.Absent != nil
	for _, named := range []*result.Identifier{e.Where, e.Absent} {
		if named == nil || d.result.Identifier.Value == "" {
			continue
		}
		if !d.named(*named, e.Resource) {
			*issues = append(*issues, issueOf(e.Place+".identifier", "invariant", "not the identifier that the request names"))
		}
	}
	if e.ID != "" && d.result.Identifier.Value != "" && result.IDOf(d.result.Identifier) != e.ID {
		*issues = append(*issues, issueOf(e.Place+".identifier", "business-rule", "not the identifier of the resource that the address names; an identifier does not change"))
	}
}

// named makes the identifier of a condition the one that the result is known by,
// if it is among the resource's.
func (d *draft) named(id result.Identifier, raw json.RawMessage) bool {
	var r struct {
		Identifier []r4.Identifier `json:"identifier"`
	}
	if json.Unmarshal(raw, &r) != nil {
		return false
	}
	for _, each := range r.Identifier {
		if identifier(each) == id {
			d.result.Identifier = id
			return true
		}
	}
	return false
}

// containedObservations reads the results that a report contains. A contained
// resource has no identity of its own but the identifier that it carries, which
// is all that a result is known by; what it does not say of its subject is the
// report's.
func (x *reader) containedObservations(from source, e Entry) ([]draft, []reading.Issue) {
	var drafts []draft
	var issues []reading.Issue
	var report r4.DiagnosticReport
	if json.Unmarshal(unescape(e.Resource), &report) != nil {
		return nil, []reading.Issue{issueOf(e.Place, "structure", "not a valid DiagnosticReport")}
	}
	var about person
	if report.Subject != nil {
		about = x.subject(from, e.Place, report.Subject, &issues)
	}
	for _, name := range sortedNames(from.contained) {
		c := from.contained[name]
		if c.typ != "Observation" {
			continue
		}
		d, found := x.observation(from, c.place, c.raw, about)
		issues = append(issues, found...)
		drafts = append(drafts, one(d, found)...)
	}
	// In the order of the report.
	slices.SortStableFunc(drafts, func(a, b draft) int { return strings.Compare(padded(a.place), padded(b.place)) })
	return drafts, issues
}

// padded makes places comparable by their numbers.
func padded(place string) string {
	before, rest, ok := cutLast(place, "[")
	if !ok {
		return place
	}
	return before + fmt.Sprintf("%8s", rest)
}

func cutLast(text, separator string) (before, after string, found bool) {
	if i := strings.LastIndex(text, separator); i >= 0 {
		return text[:i], text[i+len(separator):], true
	}
	return text, "", false
}

// collect puts the results of one person into a group.
func (x *reader) collect(g *reading.Group, drafts []draft) {
	for _, d := range drafts {
		if len(g.Results) > 0 && !overlap(g.Identifiers, d.person.identifiers) {
			g.Issues = append(g.Issues, issueOf(d.place+".subject", "business-rule", "another subject than that of the first result; name the person in the same way, or send a batch"))
			continue
		}
		for _, id := range d.person.identifiers {
			if !slices.Contains(g.Identifiers, id) {
				g.Identifiers = append(g.Identifiers, id)
			}
		}
		g.Person = more(g.Person, d.person.facts)
		for _, o := range d.orders {
			if !slices.Contains(g.Orders, o) {
				g.Orders = append(g.Orders, o)
			}
		}
		g.Results, g.Places = append(g.Results, d.result), append(g.Places, d.place)
	}
}

func overlap(a, b []reading.Identifier) bool {
	return slices.ContainsFunc(a, func(x reading.Identifier) bool {
		return slices.ContainsFunc(b, func(y reading.Identifier) bool { return x.Subject() == y.Subject() })
	})
}

// more fills in what is not known yet.
func more(a, b reading.Person) reading.Person {
	fill := func(into *string, from string) {
		if *into == "" {
			*into = from
		}
	}
	fill(&a.Family, b.Family)
	fill(&a.Given, b.Given)
	fill(&a.BirthDate, b.BirthDate)
	fill(&a.Sex, b.Sex)
	return a
}

// subject finds out whom a reference is about: by an identifier, by a Patient of
// the message, or by the id of a Patient here. A name is never enough.
func (x *reader) subject(from source, place string, ref *r4.Reference, issues *[]reading.Issue) person {
	var p person
	at := place + ".subject"
	fail := func(code, problem string, accepted ...string) {
		*issues = append(*issues, issueOf(at, code, problem, accepted...))
	}
	if ref == nil {
		fail("required", "missing: the person that the result is about", "subject.identifier with system and value", "subject.reference to a Patient")
		return p
	}
	if kind := text(ref.Type); kind != "" && kind != "Patient" {
		fail("business-rule", "not a person", "Patient")
		return p
	}
	if ref.Identifier != nil {
		if id := identifier(*ref.Identifier); id.System != "" && id.Value != "" {
			p.identifiers = append(p.identifiers, personIdentifier(*ref.Identifier))
		}
	}
	if reference := text(ref.Reference); reference != "" {
		t := x.resolve(from, reference)
		own, local := x.here(reference)
		id, isPatient := strings.CutPrefix(own, "Patient/")
		switch {
		case t.found && t.typ(x) == "Patient":
			x.patient(t, &p)
		case t.found:
			fail("business-rule", "not a person", "Patient")
		case local && isPatient && idShape.MatchString(id):
			p.identifiers = append(p.identifiers, reading.Identifier{System: reading.PatientID, Value: id})
		case len(p.identifiers) == 0:
			fail("not-found", "the reference leads to no Patient of the message or of this server", "subject.identifier with system and value")
			return p
		}
	}
	if len(p.identifiers) == 0 && len(*issues) == 0 {
		// A name is never enough to find a person by.
		at += ".identifier"
		fail("required", "the hospital's identifier of the person is needed, with system and value")
	}
	return p
}

func personIdentifier(i r4.Identifier) reading.Identifier {
	id := reading.Identifier{System: text(i.System), Value: text(i.Value)}
	if i.Assigner != nil {
		id.Authority = text(i.Assigner.Display)
	}
	if i.Type != nil {
		for _, c := range i.Type.Coding {
			if text(c.System) == table0203 {
				id.Type = text(c.Code)
			}
		}
	}
	return id
}

const table0203 = "http://terminology.hl7.org/CodeSystem/v2-0203"

// patient adds what a Patient of the message says. It is held against the record
// and stored nowhere.
func (x *reader) patient(t target, p *person) {
	var resource r4.Patient
	if json.Unmarshal(unescape(t.raw(x)), &resource) != nil {
		return
	}
	for _, i := range resource.Identifier {
		// An old number may be another person's by now.
		if i.Use != nil && i.Use.Code() == "old" || text(i.System) == "" || text(i.Value) == "" {
			continue
		}
		p.identifiers = append(p.identifiers, personIdentifier(i))
	}
	p.facts.BirthDate = text(resource.BirthDate)
	if resource.Gender != nil {
		p.facts.Sex = resource.Gender.Code()
	}
	if name, ok := officialName(resource.Name); ok {
		p.facts.Family, p.facts.Given = text(name.Family), strings.Join(name.Given, " ")
	}
}

// officialName is the name that a person is known by: the official one, or the
// usual one, or the first that is not of the past.
func officialName(names []r4.HumanName) (r4.HumanName, bool) {
	for _, use := range []string{"official", "usual", ""} {
		for _, n := range names {
			switch {
			case n.Use == nil && use == "", n.Use != nil && n.Use.Code() == use:
				return n, true
			}
		}
	}
	return r4.HumanName{}, false
}

// orders reads whose orders a result answers.
func (x *reader) orders(from source, list []r4.Reference) (orders []reading.Order, number string) {
	add := func(o reading.Order) {
		if o.Placer == "" && o.Filler == "" {
			return
		}
		orders = append(orders, o)
		if number == "" {
			number = o.Placer
		}
	}
	for _, ref := range list {
		if ref.Identifier != nil {
			add(reading.Order{Placer: text(ref.Identifier.Value), PlacerSystem: text(ref.Identifier.System)})
		}
		reference := text(ref.Reference)
		if t := x.resolve(from, reference); t.found && t.typ(x) == "ServiceRequest" {
			var request r4.ServiceRequest
			if json.Unmarshal(unescape(t.raw(x)), &request) != nil {
				continue
			}
			for _, i := range request.Identifier {
				// HL7 table 0203: FILL is the number of whoever does the work.
				if personIdentifier(i).Type == "FILL" {
					add(reading.Order{Filler: text(i.Value), FillerSystem: text(i.System)})
				} else {
					add(reading.Order{Placer: text(i.Value), PlacerSystem: text(i.System)})
				}
			}
			continue
		}
		if own, local := x.here(reference); local {
			if id, ok := strings.CutPrefix(own, "ServiceRequest/"); ok {
				add(reading.Order{Placer: id})
			}
		}
	}
	return orders, number
}
