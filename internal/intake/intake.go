// Package intake reads FHIR R4: Bundles, Observations and DiagnosticReports that
// laboratories send. It only reads; what can't be understood is an issue that
// names its place by a FHIRPath expression. Nothing of a resource is dropped in
// silence that could change what it means.
package intake

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/command"
	"candidacy/internal/reading"
	"candidacy/internal/result"
)

// ContentType is the media type of what is read here.
const ContentType = "application/fhir+json"

// maxEntries bounds a bundle, as one bundle is one command.
const maxEntries = 500

// Request is what an HTTP request says beside its body. A message of the command
// line or of the API has none: there a Bundle is enough.
type Request struct {
	Method string `json:"method,omitempty"`
	// Base is the address of the FHIR endpoint.
	Base string `json:"base,omitempty"`
	// Path is relative to the base: nothing, a type, a type and an id, or a type
	// with search parameters.
	Path        string `json:"path,omitempty"`
	IfMatch     string `json:"if_match,omitempty"`
	IfNoneExist string `json:"if_none_exist,omitempty"`
}

// Encode writes the request as it is kept beside a message.
func (r Request) Encode() string {
	raw, _ := json.Marshal(r) // strings only
	return string(raw)
}

// Form is what kind of message an Ask is.
type Form string

// The forms.
const (
	// Single is one resource by itself.
	Single      Form = "single"
	Transaction Form = "transaction"
	Batch       Form = "batch"
	// Collection has no requests: what it holds is reported.
	Collection Form = "collection"
)

// Ask is a message taken apart into what it asks for.
type Ask struct {
	Form    Form
	Base    string
	Entries []Entry
	// Sent is the bundle's own time, if it has one.
	Sent string
}

// Entry is one resource with what is to be done with it.
type Entry struct {
	// At is the expression of the entry, empty for a single resource; Place that of
	// the resource.
	At, Place string
	FullURL   string
	Type      string
	Method    string
	// ID is the id that an update names, Where the identifier that it names instead.
	ID    string
	Where *result.Identifier
	// IfMatch is the version that the client knows, as it wrote it.
	IfMatch string
	// Absent is the identifier of a create that is only to happen while nothing has
	// it.
	Absent   *result.Identifier
	Resource json.RawMessage
	// Issues are what is wrong with the entry by itself.
	Issues []reading.Issue
}

// Updates reports whether the entry replaces a resource by its id.
func (e Entry) Updates() bool { return e.Method == "PUT" && e.ID != "" }

// Version is the version that the client knows: 0 when it names none, and not ok
// when what it names is none of ours.
func (e Entry) Version() (version int64, ok bool) {
	if e.IfMatch == "" {
		return 0, true
	}
	m := tag.FindStringSubmatch(e.IfMatch)
	if m == nil {
		return 0, false
	}
	version, err := strconv.ParseInt(m[1], 10, 64)
	return version, err == nil && version > 0
}

// tag is the form of our entity tags. RFC 9110: an entity tag is quoted.
var tag = regexp.MustCompile(`^(?:W/)?"(\d{1,18})"$`)

// Stored are the types that a result can come as.
var Stored = []string{"Observation", "DiagnosticReport"}

// supporting are the types that a transaction may bring along: they are read to
// understand the results, and not stored.
var supporting = []string{
	"Patient", "ServiceRequest", "Specimen", "Organization", "Practitioner", "PractitionerRole", "Device", "Encounter", "Location",
}

// Parse takes a message apart. The error is a *reading.Unreadable.
func Parse(in reading.Input) (Ask, error) {
	var request Request
	if in.Request != "" {
		if err := json.Unmarshal([]byte(in.Request), &request); err != nil {
			return Ask{}, unreadable("", "structure", "the request can't be read")
		}
	}
	root := "Bundle"
	if typ, _, _ := strings.Cut(strings.TrimLeft(request.Path, "/"), "/"); typ != "" {
		root, _, _ = strings.Cut(typ, "?")
	}
	kind, err := wellFormed(root, in.Raw)
	if err != nil {
		return Ask{}, err
	}
	switch {
	case kind != root:
		return Ask{}, unreadable(root, "structure", "resourceType: not accepted here", root)
	case root == "Bundle":
		return parseBundle(request, in.Raw)
	default:
		e := Entry{Place: root, Type: root, Method: request.Method, IfMatch: request.IfMatch, Resource: in.Raw}
		e.request(request.Path, request.IfNoneExist, "")
		e.check()
		return Ask{Form: Single, Base: request.Base, Entries: []Entry{e}}, nil
	}
}

// wellFormed returns the type of a resource that is JSON as FHIR has it.
func wellFormed(root string, raw []byte) (string, error) {
	switch {
	case len(raw) > command.MaxBytes:
		return "", unreadable(root, "too-long", fmt.Sprintf("larger than %d bytes", command.MaxBytes))
	case !utf8.Valid(raw):
		return "", unreadable(root, "structure", "not UTF-8 text")
	case !json.Valid(raw):
		return "", unreadable(root, "structure", "not valid JSON")
	case tooDeep(raw):
		return "", unreadable(root, "structure", "nested too deeply")
	}
	if field, repeated := command.Repeated(raw); repeated {
		return "", unreadable(root+"."+field, "structure", "given twice")
	}
	var resource struct {
		ResourceType *string `json:"resourceType"`
	}
	if err := json.Unmarshal(raw, &resource); err != nil || bytes.TrimSpace(raw)[0] != '{' {
		return "", unreadable(root, "structure", "not a resource")
	}
	if resource.ResourceType == nil {
		return "", unreadable(root, "structure", "resourceType: missing", root)
	}
	return *resource.ResourceType, nil
}

// maxDepth is more than any resource of R4 needs.
const maxDepth = 64

func tooDeep(raw []byte) bool {
	depth, text := 0, false
	for i := 0; i < len(raw); i++ {
		switch c := raw[i]; {
		case text && c == '\\':
			i++
		case c == '"':
			text = !text
		case text:
		case c == '{' || c == '[':
			if depth++; depth > maxDepth {
				return true
			}
		case c == '}' || c == ']':
			depth--
		}
	}
	return false
}

func unreadable(place, code, problem string, accepted ...string) error {
	return &reading.Unreadable{Issues: []reading.Issue{issueOf(place, code, problem, accepted...)}}
}

func issueOf(place, code, problem string, accepted ...string) reading.Issue {
	kind := reading.NotUnderstood
	if code == "not-supported" || code == "business-rule" {
		kind = reading.NotSupported
	}
	return reading.Issue{Kind: kind, Location: place, Code: code, Problem: problem, Accepted: accepted}
}

// bundle is what is read of a Bundle by itself.
type bundle struct {
	Type      string `json:"type"`
	Timestamp string `json:"timestamp"`
	Entry     []struct {
		FullURL  string          `json:"fullUrl"`
		Resource json.RawMessage `json:"resource"`
		Request  *struct {
			Method          string `json:"method"`
			URL             string `json:"url"`
			IfMatch         string `json:"ifMatch"`
			IfNoneExist     string `json:"ifNoneExist"`
			IfNoneMatch     string `json:"ifNoneMatch"`
			IfModifiedSince string `json:"ifModifiedSince"`
		} `json:"request"`
		Search   json.RawMessage `json:"search"`
		Response json.RawMessage `json:"response"`
	} `json:"entry"`
}

func parseBundle(request Request, raw []byte) (Ask, error) {
	ask := Ask{Base: request.Base}
	var c checker
	c.resource("Bundle", raw, false)
	var b bundle
	if len(c.issues) == 0 {
		if err := json.Unmarshal(raw, &b); err != nil {
			c.add("Bundle", "structure", "not a valid Bundle")
		}
	}
	if len(c.issues) > 0 {
		return ask, &reading.Unreadable{Issues: c.issues}
	}
	accepted := []string{"transaction", "batch"}
	if request.Method == "" {
		accepted = append(accepted, "collection", "message")
	}
	switch {
	case !slices.Contains(accepted, b.Type):
		c.add("Bundle.type", "not-supported", "not accepted", accepted...)
	case b.Type == "message":
		ask.Form = Collection
	default:
		ask.Form = Form(b.Type)
	}
	switch n := len(b.Entry); {
	case n == 0:
		c.add("Bundle.entry", "required", "missing")
	case n > maxEntries:
		c.add("Bundle.entry", "too-long", fmt.Sprintf("more than %d entries", maxEntries))
	}
	if b.Timestamp != "" {
		if !isInstant(b.Timestamp) {
			c.add("Bundle.timestamp", "value", "not an instant", "RFC 3339 with a zone")
		}
		ask.Sent = b.Timestamp
	}
	if len(c.issues) > 0 {
		return ask, &reading.Unreadable{Issues: c.issues}
	}
	seen := map[string]bool{}
	for i, given := range b.Entry {
		at := fmt.Sprintf("Bundle.entry[%d]", i)
		e := Entry{At: at, Place: at + ".resource", FullURL: given.FullURL, Resource: given.Resource}
		if given.FullURL != "" && seen[given.FullURL] {
			e.add(at+".fullUrl", "invariant", "another entry has it (bdl-7)")
		}
		seen[given.FullURL] = true
		if given.Search != nil {
			e.add(at+".search", "invariant", "only in the result of a search (bdl-2)")
		}
		if given.Response != nil {
			e.add(at+".response", "invariant", "only in a response (bdl-4)")
		}
		switch {
		case given.Request == nil && request.Method != "":
			e.add(at+".request", "required", "missing (bdl-3)", "POST", "PUT")
		case given.Request != nil:
			e.Method, e.IfMatch = given.Request.Method, given.Request.IfMatch
			if given.Request.IfNoneMatch != "" || given.Request.IfModifiedSince != "" {
				e.add(at+".request", "not-supported", "a condition of a read", "ifMatch", "ifNoneExist")
			}
			if e.Method != "POST" && e.Method != "PUT" {
				// Above all no DELETE, which would be taken for a result.
				e.add(at+".request.method", "not-supported", "not accepted", "POST", "PUT")
				break
			}
			path, ok := relative(given.Request.URL, request.Base)
			if !ok {
				e.add(at+".request.url", "not-supported", "not relative to this endpoint")
				break
			}
			e.request(path, given.Request.IfNoneExist, at+".request")
		}
		e.check()
		ask.Entries = append(ask.Entries, e)
	}
	return ask, nil
}

// relative is an address below the endpoint.
func relative(address, base string) (string, bool) {
	if base != "" {
		if rest, ok := strings.CutPrefix(address, base+"/"); ok {
			return rest, true
		}
	}
	path, _, _ := strings.Cut(address, "?")
	return strings.TrimPrefix(address, "/"), !strings.Contains(path, ":")
}

func (e *Entry) add(place, code, problem string, accepted ...string) {
	e.Issues = append(e.Issues, issueOf(place, code, problem, accepted...))
}

// request reads the address and the conditions of what is asked for. At is the
// expression of the request within a bundle.
func (e *Entry) request(path, ifNoneExist, at string) {
	name := func(element, header string) string {
		if at == "" {
			return "http." + header
		}
		return at + "." + element
	}
	address, query, conditional := strings.Cut(strings.Trim(path, "/"), "?")
	typ, id, named := strings.Cut(address, "/")
	if e.Type == "" {
		e.Type = typ
	}
	switch {
	case e.Method == "POST" && (named || conditional):
		e.add(name("url", "url"), "value", "a create names a type only", e.Type)
	case e.Method == "PUT" && named && !idShape.MatchString(id):
		e.add(name("url", "url"), "value", "not an id")
	case e.Method == "PUT" && named:
		e.ID = id
		if _, ok := e.Version(); !ok {
			e.Issues = append(e.Issues, reading.Issue{Kind: reading.VersionConflict, Location: name("ifMatch", "If-Match"), Code: "conflict", Problem: "no version of a resource here", Accepted: []string{`W/"VERSION"`}})
		} else if e.IfMatch == "" && slices.Contains(Stored, e.Type) {
			e.Issues = append(e.Issues, reading.Issue{Kind: reading.NoPrecondition, Location: name("ifMatch", "If-Match"), Code: "required", Problem: "an update by id has to name the version that it replaces", Accepted: []string{`W/"VERSION"`}})
		}
	case e.Method == "PUT" && conditional:
		e.Where = e.criterion(name("url", "url"), query)
	case e.Method == "PUT":
		e.add(name("url", "url"), "required", "an update names an id or an identifier", e.Type+"/ID", e.Type+"?identifier=SYSTEM|VALUE")
	}
	if e.Method == "PUT" && named && conditional {
		e.add(name("url", "url"), "value", "an update by id has no parameters")
	}
	if ifNoneExist != "" {
		if e.Method != "POST" {
			e.add(name("ifNoneExist", "If-None-Exist"), "value", "only a create has it")
			return
		}
		e.Absent = e.criterion(name("ifNoneExist", "If-None-Exist"), strings.TrimPrefix(ifNoneExist, "?"))
	}
	if e.IfMatch != "" && e.Method != "PUT" {
		e.add(name("ifMatch", "If-Match"), "value", "only an update has it")
	}
}

// idShape is the form of a FHIR id.
var idShape = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)

// criterion reads the one search that a condition can be: what else there is
// would not be selective.
func (e *Entry) criterion(at, query string) *result.Identifier {
	values, err := url.ParseQuery(query)
	if err != nil {
		e.add(at, "value", "not search parameters", "identifier=SYSTEM|VALUE")
		return nil
	}
	for name := range values {
		if name != "identifier" {
			e.add(at, "not-supported", "only an identifier is a condition here", "identifier=SYSTEM|VALUE")
			return nil
		}
	}
	given := values["identifier"]
	if len(given) != 1 || strings.Contains(strings.ReplaceAll(given[0], `\,`, ""), ",") {
		e.add(at, "multiple-matches", "not selective enough: one identifier is needed", "identifier=SYSTEM|VALUE")
		return nil
	}
	system, value, both := strings.Cut(unescaped(given[0]), "|")
	if !both || strings.TrimSpace(system) == "" || strings.TrimSpace(value) == "" {
		e.add(at, "multiple-matches", "not selective enough: system and value are needed", "identifier=SYSTEM|VALUE")
		return nil
	}
	return &result.Identifier{System: strings.TrimSpace(system), Value: strings.TrimSpace(value)}
}

// unescaped takes the backslashes of FHIR search values away.
func unescaped(text string) string {
	return strings.NewReplacer(`\\`, `\`, `\,`, ",", `\$`, "$").Replace(text)
}

// check looks at the resource of the entry.
func (e *Entry) check() {
	var c checker
	if len(bytes.TrimSpace(e.Resource)) == 0 {
		e.add(e.Place, "required", "missing")
		return
	}
	typ := c.resource(e.Place, e.Resource, e.At == "")
	e.Issues = append(e.Issues, c.issues...)
	if typ == "" {
		return
	}
	if e.Type != "" && e.Type != typ {
		e.add(e.Place, "structure", "resourceType: not the type that the address names", e.Type)
		return
	}
	e.Type = typ
	if !slices.Contains(Stored, typ) && !slices.Contains(supporting, typ) {
		e.add(e.Place, "not-supported", "resourceType: not accepted", Stored...)
		return
	}
	if !e.Updates() || !slices.Contains(Stored, typ) {
		return
	}
	var named struct {
		ID string `json:"id"`
	}
	if json.Unmarshal(e.Resource, &named) == nil && named.ID != e.ID {
		e.add(e.Place+".id", "invalid", "not the id that the address names")
	}
}

// Reader reads FHIR R4. It is a reading.Reader.
type Reader struct{}

var _ reading.Reader = Reader{}

// Read implements reading.Reader.
func (Reader) Read(in reading.Input) (reading.Message, error) {
	ask, err := Parse(in)
	if err != nil {
		return reading.Message{}, err
	}
	m := reading.Message{Sent: ask.Sent, Separate: ask.Form == Batch}
	x := reader{ask: ask}
	x.locate()
	if m.Separate {
		for i := range ask.Entries {
			m.Groups = append(m.Groups, x.alone(i))
		}
		return m, nil
	}
	m.Groups = []reading.Group{x.whole()}
	return m, nil
}

// Locate implements what package incoming asks for: the expression of a field of
// a result.
func (Reader) Locate(place, field string) string {
	if field == "" {
		return place
	}
	return place + "." + elements.Replace(field)
}

// elements are the names that our own differ from.
var elements = strings.NewReplacer(
	"value.quantity.unit", "valueQuantity.code", "value.quantity", "valueQuantity", "value.coding", "valueCodeableConcept",
	"quantity.unit", "valueQuantity.code", "quantity", "valueQuantity", "if_version", "meta.versionId", "confidentiality", "meta.security",
	"coded", "valueCodeableConcept", "components", "component", "effective_end", "effectivePeriod.end",
	"reference_range", "referenceRange", "specimen_type", "specimen", "body_site", "bodySite", "members", "hasMember", "order", "basedOn",
)

// One returns what a message says when it is about one person, and what is wrong
// with it as a *command.Invalid.
func One(raw []byte) (reading.Group, error) {
	m, err := Reader{}.Read(reading.Input{Raw: raw})
	var issues []reading.Issue
	var u *reading.Unreadable
	if errors.As(err, &u) {
		issues = u.Issues
	}
	if len(m.Groups) > 1 {
		issues = append(issues, issueOf("Bundle", "business-rule", "more than one part"))
	}
	if len(m.Groups) == 1 {
		issues = append(issues, m.Groups[0].Issues...)
	}
	if len(issues) > 0 {
		return reading.Group{}, Invalid(issues)
	}
	return m.Groups[0], nil
}

// Invalid makes faults of issues.
func Invalid(issues []reading.Issue) *command.Invalid {
	invalid := &command.Invalid{}
	for _, i := range issues {
		invalid.Malformed = invalid.Malformed || i.Code == "structure"
		invalid.Faults = append(invalid.Faults, command.Fault{Field: i.Location, Problem: i.Problem, Accepted: i.Accepted})
	}
	return invalid
}

var instantShape = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)$`)

func isInstant(text string) bool { return instantShape.MatchString(text) }

func text(s *string) string {
	if s == nil {
		return ""
	}
	return strings.TrimSpace(*s)
}

func identifier(i r4.Identifier) result.Identifier {
	return result.Identifier{System: text(i.System), Value: text(i.Value)}
}

// unescape writes a valid JSON text without escapes of comparison signs, which
// the FHIR library refuses in a comparator. Numbers stay as they were written.
func unescape(raw []byte) []byte {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	var value any
	if decoder.Decode(&value) != nil {
		return raw
	}
	var plain bytes.Buffer
	encoder := json.NewEncoder(&plain)
	encoder.SetEscapeHTML(false)
	if encoder.Encode(value) != nil {
		return raw
	}
	return plain.Bytes()
}
