package fhir

import (
	"encoding/json"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// notInEverything are types that R4 counts to the compartment of a patient and
// that stay out of it here: who looked, and who else is in a group.
var notInEverything = []string{"AuditEvent", "Group"}

func everythingRoutes() []route {
	op := &namedOperation{
		name: "everything", definition: "http://hl7.org/fhir/OperationDefinition/Patient-everything", types: []string{typePatient},
	}
	return []route{
		{method: http.MethodGet, path: "/:type/:id/$everything", types: op.types, operation: op, handler: (*server).everythingByURL},
		{method: http.MethodPost, path: "/:type/:id/$everything", types: op.types, operation: op, handler: (*server).everythingByBody},
	}
}

func (s *server) everythingByURL(c echo.Context) error {
	pairs, err := parsePairs(c.Request().URL.RawQuery)
	if err != nil {
		return err
	}
	return s.everything(c, pairs)
}

// everythingByBody takes the parameters from a Parameters resource, if one is
// sent.
func (s *server) everythingByBody(c echo.Context) error {
	body, err := readBody(c, maxForm)
	if err != nil {
		return err
	}
	pairs, err := parsePairs(c.Request().URL.RawQuery)
	if err != nil {
		return err
	}
	if len(body) > 0 {
		media, _, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
		if err != nil || media != "application/fhir+json" && media != echo.MIMEApplicationJSON {
			return &failure{status: http.StatusUnsupportedMediaType, code: "not-supported", diagnostics: "send a Parameters resource as application/fhir+json"}
		}
		more, err := readParameters(body)
		if err != nil {
			return err
		}
		pairs = append(pairs, more...)
	}
	return s.everything(c, pairs)
}

// readParameters reads the values of a Parameters resource as pairs.
func readParameters(body []byte) ([]pair, error) {
	var sent struct {
		ResourceType string `json:"resourceType"`
		Parameter    []map[string]json.RawMessage
	}
	if err := json.Unmarshal(body, &sent); err != nil || sent.ResourceType != "Parameters" {
		return nil, &failure{status: http.StatusBadRequest, code: "structure", diagnostics: "the body is not a Parameters resource", expression: "Parameters"}
	}
	var pairs []pair
	for i, each := range sent.Parameter {
		at := "Parameters.parameter[" + strconv.Itoa(i) + "]"
		var name string
		values := 0
		var v any
		for key, raw := range each {
			switch {
			case key == "name":
				if err := json.Unmarshal(raw, &name); err != nil {
					return nil, &failure{status: http.StatusBadRequest, code: "structure", diagnostics: at + ".name: not a text", expression: at + ".name"}
				}
			case strings.HasPrefix(key, "value"):
				values++
				d := json.NewDecoder(strings.NewReader(string(raw)))
				d.UseNumber()
				if err := d.Decode(&v); err != nil {
					return nil, &failure{status: http.StatusBadRequest, code: "structure", diagnostics: at + ": not a value", expression: at}
				}
			}
		}
		if to, ok := v.(map[string]any); ok { // a Reference
			v = to["reference"]
		}
		text, isText := v.(string)
		number, isNumber := v.(json.Number)
		switch {
		case name == "" || values != 1 || !isText && !isNumber:
			return nil, &failure{status: http.StatusBadRequest, code: "structure", diagnostics: at + ": a name and one value are needed, simple or a Reference", expression: at}
		case isNumber:
			text = number.String()
		}
		if !printable(text) {
			return nil, &failure{status: http.StatusBadRequest, code: "value", diagnostics: at + ": not a text", expression: at}
		}
		pairs = append(pairs, pair{name, text})
	}
	return pairs, nil
}

// everything answers with what is published of one patient, the Patient first.
// The programme's own resources and those of the recipient are not among it:
// they are in no candidate's compartment.
func (s *server) everything(c echo.Context, pairs []pair) error {
	r := c.Request()
	notePairs(r.Context(), pairs)
	id := c.Param("id")
	if !validID(id) {
		return notFound()
	}
	p := s.parser(r)
	of, err := p.readable(MayRead, MaySearch)
	if err != nil {
		return err
	}
	ask, err := p.everything(of, pairs)
	if err != nil {
		return err
	}
	if err := acceptable(r, ask.shape.format); err != nil {
		return err
	}
	if _, granted := of[typePatient]; !granted {
		return forbidden(typePatient)
	}
	patient, err := s.store.Resource(r.Context(), typePatient, id)
	if err != nil {
		return missing(err)
	}
	if err := s.inside(r.Context(), of[typePatient], typePatient, id); err != nil {
		return err
	}
	doc := bundle{kind: "searchset", self: ask.link(p.base, id, ask.after)}
	first := slices.Contains(ask.types, typePatient) && (ask.since.From == "" || patient.UpdatedAt.UTC().Format(indexLayout) >= ask.since.From)
	queries := ask.queries(of)
	doc.total = -1
	room := ask.count
	if first && !ask.further && room > 0 {
		doc.entries = append(doc.entries, entry{resource: patient, mode: "match"})
		room--
	}
	if !ask.countOnly {
		after := ask.after
		if after.Type == typePatient { // which comes before all others
			after = record.Key{}
		}
		list, err := s.store.SearchAll(r.Context(), id, queries, after, room+1)
		if err != nil {
			return err
		}
		more := len(list) > room
		if more {
			list = list[:room]
		}
		for _, found := range list {
			doc.entries = append(doc.entries, entry{resource: found, mode: "match"})
		}
		if more {
			last := doc.entries[len(doc.entries)-1].resource
			doc.next = ask.link(p.base, id, record.Key{Type: last.Type, ID: last.ID})
		} else if !ask.further {
			doc.total = len(doc.entries)
		}
	}
	if doc.total < 0 {
		if doc.total, err = s.store.CountAll(r.Context(), id, queries); err != nil {
			return err
		}
		if first {
			doc.total++
		}
	}
	return s.writeBundle(c, p.base, doc, ask.shape)
}

// compartmentRequest is what $everything is asked for.
type compartmentRequest struct {
	types []string
	// care is when the care took place, as bounds of what a date covers.
	care      record.Bounds
	since     record.Span
	count     int
	countOnly bool
	// after is the last resource of the page before, if this is a further one.
	after   record.Key
	further bool
	shape   shape
	used    []pair
}

func (p *parser) everything(of map[string][]record.Query, pairs []pair) (*compartmentRequest, error) {
	ask := &compartmentRequest{count: defaultCount}
	var wanted []string
	var n search
	for _, in := range pairs {
		took := true
		var err error
		switch in.name {
		case "start", "end":
			v, dateErr := parseDateValue("eq"+in.value, p.now)
			if dateErr != nil {
				err = badParameter(in.name, "invalid", errDate.Error())
			} else if in.name == "start" {
				ask.care.EndFrom = v.from
			} else {
				ask.care.To = v.to
			}
		case "_since":
			since, sinceErr := sinceInstant(in, p.now)
			ask.since.From, err = since.UTC().Format(indexLayout), sinceErr
		case "_type":
			for typ := range strings.SplitSeq(in.value, ",") {
				if _, published := types[typ]; !published || slices.Contains(notInEverything, typ) {
					return nil, badParameter(in.name, "not-supported", "names a type that is not part of what is published of a patient")
				}
				wanted = append(wanted, typ)
			}
		case "_count":
			if err = n.setCount(in.value); err == nil {
				ask.count, ask.countOnly = n.count, n.countOnly
			}
			took = false
		case "_cursor":
			raw, ok := decodeCursor(in.value)
			typ, id, _ := strings.Cut(raw, "/")
			if !ok || !validID(id) || types[typ].code.Code() != typ {
				err = badParameter(in.name, "invalid", "not a cursor of this server")
			}
			ask.after, ask.further, took = record.Key{Type: typ, ID: id}, true, false
		default:
			took, err = p.shape(&ask.shape, "", in)
			if !took && err == nil && p.strict {
				err = badParameter(in.name, "not-supported", "not supported here")
			}
		}
		if err != nil {
			return nil, err
		}
		if took {
			ask.used = append(ask.used, in)
		}
	}
	if ask.care.EndFrom != "" && ask.care.To != "" && ask.care.EndFrom >= ask.care.To {
		return nil, badParameter("end", "invalid", "lies before start")
	}
	ask.countOnly = ask.countOnly || ask.shape.summary == summaryCount
	for _, typ := range typeOrder {
		if _, granted := of[typ]; granted && !slices.Contains(notInEverything, typ) && (wanted == nil || slices.Contains(wanted, typ)) {
			ask.types = append(ask.types, typ)
		}
	}
	return ask, ask.shape.check()
}

// queries are those for every type but Patient. What has no date of care may be
// of any time, and is not left out.
func (ask *compartmentRequest) queries(of map[string][]record.Query) []record.Query {
	var list []record.Query
	for _, typ := range ask.types {
		if typ == typePatient {
			continue
		}
		q := record.Query{Type: typ}
		if within := of[typ]; len(within) > 0 {
			q.Any = append(q.Any, within)
		}
		if ask.since.From != "" {
			q.Updated = append(q.Updated, []record.Span{ask.since})
		}
		if date := types[typ].careDate(); date != "" && ask.care != (record.Bounds{}) {
			dated := record.Condition{Param: date, Any: []record.Match{{Op: ">=", Value: ""}}, Not: true}
			within := record.Condition{Param: date, Any: []record.Match{dateWithin(ask.care)}, Long: date + longSuffix}
			q.Any = append(q.Any, []record.Query{
				{Type: typ, Conditions: []record.Condition{dated}}, {Type: typ, Conditions: []record.Condition{within}},
			})
		}
		list = append(list, q)
	}
	return list
}

// careDate is the parameter of the date on which something took place, the first
// of the type's dates.
func (t resourceType) careDate() string {
	for _, p := range t.params {
		if p.kind == r4.SearchParamTypeDate {
			return p.name
		}
	}
	return ""
}

func (ask *compartmentRequest) link(base, id string, after record.Key) string {
	var b strings.Builder
	b.WriteString(base + "/Patient/" + id + "/$everything?")
	for _, in := range ask.used {
		b.WriteString(url.QueryEscape(in.name) + "=" + url.QueryEscape(in.value) + "&")
	}
	b.WriteString("_count=" + strconv.Itoa(ask.count))
	if after != (record.Key{}) {
		b.WriteString("&_cursor=" + encodeCursor(after.Type+"/"+after.ID))
	}
	return b.String()
}
