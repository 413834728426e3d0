package fhir

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/bulk"
	"candidacy/internal/record"
)

// What an export is of.
const (
	exportSystem   = "system"
	exportPatients = "patients"
	exportGroup    = "group"
)

// exportSpec is what a request for an export comes to, as the job keeps it. It
// holds the client's grant as it was at that time.
type exportSpec struct {
	Level    string       `json:"level"`
	Group    string       `json:"group,omitempty"`
	Types    []exportType `json:"types"`
	Patients []string     `json:"patients,omitempty"`
	// Since and Until bound when a resource was last published.
	Since time.Time `json:"since,omitzero"`
	Until time.Time `json:"until,omitzero"`
	// Base and At are what the queries are read with.
	Base string    `json:"base"`
	At   time.Time `json:"at"`
	// Notes say what was left out at the client's leave.
	Notes []string `json:"notes,omitempty"`
}

// exportType is a type with the client's filters, of which its resources have to
// meet one, and the queries that narrow its grant, by permission.
type exportType struct {
	Type    string              `json:"type"`
	Filters []string            `json:"filters,omitempty"`
	Within  map[string][]string `json:"within,omitempty"`
	// Elements are those that are exported; nil is all.
	Elements []string `json:"elements,omitempty"`
}

// exportNeeds are the permissions that an export needs.
var exportNeeds = []Permission{MayRead, MaySearch}

// Allows implements Grant: what the client was allowed when it asked.
func (x exportSpec) Allows(typ string, p Permission) ([]string, bool) {
	for _, t := range x.Types {
		if t.Type == typ {
			return t.Within[string(p)], slices.Contains(exportNeeds, p)
		}
	}
	return nil, false
}

var _ Grant = exportSpec{}

// neverExported are types that go out in no export, whatever the grant: who looked
// at what is for auditors, and how a client is told of changes is the client's.
var neverExported = map[string]bool{"AuditEvent": true, "Subscription": true, typeGroup: true}

// exportable lists what an export of the level may hold.
func exportable(level string) []string {
	var list []string
	for _, name := range typeOrder {
		if !neverExported[name] && (level == exportSystem || ofPatients(name)) {
			list = append(list, name)
		}
	}
	return list
}

// ofPatients reports whether resources of the type are in a patient's compartment.
func ofPatients(typ string) bool {
	return typ == typePatient || slices.ContainsFunc(types[typ].params, func(p param) bool { return p.use == byPatient })
}

// exportRequest is how a request for an export is read.
type exportRequest struct {
	base   string
	strict bool
	spec   exportSpec
	// patients says that the parameter patient is accepted.
	patients bool
	types    []string
	filters  map[string][]string
	// elements are by type; those under the empty text are for every type.
	elements map[string][]string
	seen     map[string]bool
	values   int
}

func badExport(name, code, diagnostics string) *failure {
	name = shown(name)
	return &failure{status: http.StatusBadRequest, code: code, diagnostics: "export parameter " + name + ": " + diagnostics, expression: "http." + name}
}

// leave refuses what is not supported, or notes that it was left out where the
// client is lenient.
func (x *exportRequest) leave(name, diagnostics string) error {
	if x.strict {
		return badExport(name, "not-supported", diagnostics)
	}
	x.spec.Notes = append(x.spec.Notes, "export parameter "+shown(name)+" was left out: "+diagnostics)
	return nil
}

// read takes the parameters in. Types may be granted or not: see authorise.
func (x *exportRequest) read(pairs []pair) error {
	x.filters, x.elements, x.seen = map[string][]string{}, map[string][]string{}, map[string]bool{}
	for _, in := range pairs {
		if err := x.apply(in); err != nil {
			return err
		}
		x.seen[in.name] = true
	}
	if x.seen["_type"] && len(x.types) == 0 {
		return badExport("_type", "not-supported", "none of the types can be exported here: "+strings.Join(exportable(x.spec.Level), ", "))
	}
	if !x.seen["_type"] {
		x.types = exportable(x.spec.Level)
	}
	for typ := range x.filters {
		if !slices.Contains(x.types, typ) {
			delete(x.filters, typ)
			if err := x.leave("_typeFilter", "it is of a type that is not exported"); err != nil {
				return err
			}
		}
	}
	return nil
}

func (x *exportRequest) apply(in pair) error {
	switch in.name {
	case "_outputFormat":
		// A plus sign that was not escaped in the URL arrives as a blank.
		switch strings.ReplaceAll(in.value, " ", "+") {
		case "application/fhir+ndjson", "application/ndjson", "ndjson":
			return nil
		}
		return badExport(in.name, "not-supported", "accepted: application/fhir+ndjson, application/ndjson, ndjson")
	case "_since":
		return x.instant(in, &x.spec.Since)
	case "_until":
		return x.instant(in, &x.spec.Until)
	case "_type":
		return x.readTypes(in)
	case "_typeFilter":
		return x.readFilters(in)
	case "patient":
		return x.readPatients(in)
	case "_elements":
		return x.readElements(in)
	default:
		return x.leave(in.name, "not supported here")
	}
}

var instantShape = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})$`)

func (x *exportRequest) instant(in pair, into *time.Time) error {
	if x.seen[in.name] {
		return badExport(in.name, "invalid", "given twice")
	}
	text := strings.ReplaceAll(in.value, " ", "+")
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || !instantShape.MatchString(text) {
		return badExport(in.name, "invalid", "accepted: an instant with its zone, such as 2026-03-02T09:30:00.000Z")
	}
	*into = t.UTC()
	return nil
}

func (x *exportRequest) readTypes(in pair) error {
	for _, name := range strings.Split(in.value, ",") {
		name = strings.TrimSpace(name)
		switch {
		case slices.Contains(x.types, name):
		case slices.Contains(exportable(x.spec.Level), name):
			x.types = append(x.types, name)
		default:
			if err := x.leave("_type", "accepted: "+strings.Join(exportable(x.spec.Level), ", ")); err != nil {
				return err
			}
		}
	}
	return nil
}

// betweenFilters is where a comma separates two filters and not two values of
// one: a name of a type and a question mark follow.
var betweenFilters = regexp.MustCompile(`,[A-Z][A-Za-z]*\?`)

// notInFilters are parameters that shape a page of results and select nothing.
var notInFilters = map[string]bool{
	"_count": true, "_cursor": true, "_summary": true, "_format": true, "_sort": true, "_include": true, "_revinclude": true,
	"_elements": true, "_total": true, "_contained": true, "_containedType": true, "_pretty": true, "_score": true,
}

func (x *exportRequest) readFilters(in pair) error {
	rest := in.value
	for rest != "" {
		filter := rest
		if at := betweenFilters.FindStringIndex(rest); at != nil {
			filter, rest = rest[:at[0]], rest[at[0]+1:]
		} else {
			rest = ""
		}
		typ, query, ok := strings.Cut(filter, "?")
		if !ok || query == "" {
			return badExport(in.name, "invalid", "accepted: a type and a search of it, such as Observation?category=laboratory")
		}
		if !slices.Contains(exportable(x.spec.Level), typ) {
			if err := x.leave(in.name, "it is of a type that can't be exported here"); err != nil {
				return err
			}
			continue
		}
		if err := x.checkFilter(typ, query); err != nil {
			return err
		}
		x.filters[typ] = append(x.filters[typ], query)
	}
	return nil
}

// checkFilter refuses a filter that can't be carried out, and notes what it leaves
// out where the client is lenient.
func (x *exportRequest) checkFilter(typ, query string) error {
	p := &parser{base: x.base, now: x.spec.At, strict: x.strict, grant: Everything{}}
	left, err := p.filter(&record.Query{Type: typ}, query)
	if err != nil {
		return err
	}
	for _, name := range left {
		x.spec.Notes = append(x.spec.Notes, "search parameter "+shown(name)+" was left out: not supported here")
	}
	if x.values += p.values; x.values > maxValues {
		return badExport("_typeFilter", "too-costly", "the filters name too many values")
	}
	return nil
}

// filter adds a search to a query, and returns the parameters that it had to leave
// out.
func (p *parser) filter(q *record.Query, text string) (left []string, err error) {
	pairs, err := parsePairs(text)
	if err != nil {
		return nil, err
	}
	for _, in := range pairs {
		root, _, _ := strings.Cut(in.name, ":")
		if notInFilters[root] {
			return nil, badParameter(in.name, "not-supported", "it selects nothing, and has no place here")
		}
		took, err := p.narrow(q, in)
		if err != nil {
			return nil, err
		}
		if !took {
			left = append(left, in.name)
		}
	}
	return left, nil
}

// readElements takes names of elements, each with the type that it is of or for
// every type.
func (x *exportRequest) readElements(in pair) error {
	for _, name := range strings.Split(in.value, ",") {
		typ, element, ok := strings.Cut(name, ".")
		if !ok {
			typ, element = "", name
		}
		if !elementShape.MatchString(element) || typ != "" && !slices.Contains(exportable(x.spec.Level), typ) {
			return badExport(in.name, "invalid", "accepted: names of elements at the top of a resource, such as status or Observation.status")
		}
		x.elements[typ] = append(x.elements[typ], element)
	}
	return nil
}

// maxPatients bounds the patients that an export may name.
const maxPatients = 5000

func (x *exportRequest) readPatients(in pair) error {
	if !x.patients { // never left out: the export would be of everybody
		return badExport(in.name, "not-supported", "accepted only in the body of a POST to Patient/$export or Group/[id]/$export")
	}
	id, ok := strings.CutPrefix(strings.TrimPrefix(in.value, x.base+"/"), "Patient/")
	if !ok || !validID(id) {
		return badExport(in.name, "invalid", "accepted: a reference such as Patient/123")
	}
	if !slices.Contains(x.spec.Patients, id) {
		x.spec.Patients = append(x.spec.Patients, id)
	}
	if len(x.spec.Patients) > maxPatients {
		return badExport(in.name, "too-costly", fmt.Sprintf("at most %d patients", maxPatients))
	}
	return nil
}

// authorise leaves the types that the grant covers. A type that the client asked
// for by name is refused.
func (x *exportRequest) authorise(g Grant) error {
	p := &parser{base: x.base, now: x.spec.At, grant: g}
	for _, typ := range x.types {
		if _, err := p.within(typ, exportNeeds...); err != nil {
			if x.seen["_type"] {
				return err
			}
			continue
		}
		t := exportType{Type: typ, Filters: x.filters[typ], Elements: slices.Concat(x.elements[""], x.elements[typ]), Within: map[string][]string{}}
		for _, permission := range exportNeeds {
			if within, _ := g.Allows(typ, permission); len(within) > 0 {
				t.Within[string(permission)] = within
			}
		}
		x.spec.Types = append(x.spec.Types, t)
	}
	if len(x.spec.Types) == 0 {
		return &failure{status: http.StatusForbidden, code: "forbidden", diagnostics: "the token's scopes do not allow an export of any type"}
	}
	return nil
}

// PlanExport is what a job of the store comes to.
func PlanExport(e record.Export) (bulk.Plan, error) {
	var spec exportSpec
	if err := json.Unmarshal(e.Spec, &spec); err != nil {
		return bulk.Plan{}, fmt.Errorf("read the export: %w", err)
	}
	scans, err := spec.scans()
	if err != nil {
		return bulk.Plan{}, err
	}
	return bulk.Plan{Scans: scans, Shape: spec.shape(), Further: spec.further}, nil
}

// further says what was left out and, where changes are asked for, what was
// deleted.
func (x exportSpec) further(ctx context.Context, view *record.View) ([]bulk.Lines, error) {
	notes := bulk.Lines{Section: bulk.SectionError, Type: "OperationOutcome"}
	for _, text := range x.Notes {
		note, err := encode(outcome{ResourceType: "OperationOutcome", Issue: []outcomeIssue{{Severity: "warning", Code: "not-supported", Diagnostics: text}}})
		if err != nil {
			return nil, err
		}
		notes.Lines = append(notes.Lines, note)
	}
	// Only what belongs to the programme ever ends. Whether something that ended
	// was within a narrowed grant, nobody can tell any more.
	if x.Since.IsZero() || x.Level != exportSystem {
		return []bulk.Lines{notes}, nil
	}
	var whole []string
	for _, t := range x.Types {
		if len(t.Within) == 0 && len(t.Filters) == 0 {
			whole = append(whole, t.Type)
		}
	}
	keys, err := view.Deleted(ctx, whole, x.Since, x.Until)
	if err != nil {
		return nil, err
	}
	deleted := bulk.Lines{Section: bulk.SectionDeleted, Type: "Bundle"}
	for some := range slices.Chunk(keys, deletedAtOnce) {
		line, err := encode(deletions(some))
		if err != nil {
			return nil, err
		}
		deleted.Lines = append(deleted.Lines, line)
	}
	return []bulk.Lines{notes, deleted}, nil
}

// deletedAtOnce is how many deletions one Bundle tells of.
const deletedAtOnce = 100

// deletions is a Bundle that would delete the resources: how the guide has
// deletions told.
func deletions(keys []record.Key) r4.Bundle {
	b := r4.Bundle{Type: r4.BundleTypeTransaction}
	for _, k := range keys {
		b.Entry = append(b.Entry, r4.BundleEntry{Request: &r4.BundleEntryRequest{Method: r4.HTTPVerbDELETE, Url: k.Type + "/" + k.ID}})
	}
	return b
}

// AllExports selects everything of the types, of all that there are where none is
// named, for an administrator who has the records anyway.
func AllExports(names []string, since time.Time) ([]record.Scan, error) {
	all := exportable(exportSystem)
	spec := exportSpec{Level: exportSystem, Since: since}
	for _, name := range names {
		if !slices.Contains(all, name) {
			return nil, fmt.Errorf("%q can't be exported; accepted: %s", name, strings.Join(all, ", "))
		}
	}
	for _, name := range all {
		if len(names) == 0 || slices.Contains(names, name) {
			spec.Types = append(spec.Types, exportType{Type: name})
		}
	}
	return spec.scans()
}

// scans are what the store is asked for: once for all types that go whole, and
// once for each that is restricted.
func (x exportSpec) scans() ([]record.Scan, error) {
	common := record.Scan{Since: x.Since, Until: x.Until, OfCandidates: x.Level != exportSystem, Candidates: x.Patients}
	if x.Level == exportGroup {
		c, ok := cohortNamed(x.Group)
		if !ok {
			return nil, errors.New("the export is of a group that is none")
		}
		common.Stages = c.stages
	}
	whole := common
	var list []record.Scan
	for _, t := range x.Types {
		p := &parser{base: x.Base, now: x.At, grant: x}
		within, err := p.within(t.Type, exportNeeds...)
		if err != nil {
			return nil, err
		}
		scan := common
		scan.Types = []string{t.Type}
		if len(within) > 0 {
			scan.Any = append(scan.Any, within)
		}
		var filters []record.Query
		for _, text := range t.Filters {
			q := record.Query{Type: t.Type}
			if _, err := p.filter(&q, text); err != nil {
				return nil, err
			}
			filters = append(filters, q)
		}
		if len(filters) > 0 {
			scan.Any = append(scan.Any, filters)
		}
		if len(scan.Any) == 0 {
			whole.Types = append(whole.Types, t.Type)
			continue
		}
		list = append(list, scan)
	}
	if len(whole.Types) > 0 {
		whole.Most = 2*len(whole.Types) >= len(exportable(exportSystem)) && whole.Candidates == nil && whole.Stages == nil
		list = append(list, whole)
	}
	return list, nil
}

// shape leaves of each resource what was asked for; nil where that is all.
func (x exportSpec) shape() func(typ string, body []byte) ([]byte, error) {
	shapes := map[string]shape{}
	for _, t := range x.Types {
		if t.Elements != nil {
			shapes[t.Type] = shape{elements: t.Elements}
		}
	}
	if len(shapes) == 0 {
		return nil
	}
	return func(typ string, body []byte) ([]byte, error) { return shapes[typ].cut(typ, body) }
}
