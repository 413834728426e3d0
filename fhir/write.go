package fhir

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
)

// Intake keeps what is written before it is understood, and carries it out.
type Intake interface {
	Take(ctx context.Context, d incoming.Delivery) (incoming.Outcome, error)
}

var _ Intake = (*incoming.Queue)(nil)

// writeRoutes are the interactions that bring results.
func writeRoutes() []route {
	transaction, batch := r4.SystemRestfulInteractionTransaction, r4.SystemRestfulInteractionBatch
	conditional := func(r *r4.CapabilityStatementRestResource) {
		create, update, no := true, true, false
		r.ConditionalCreate, r.ConditionalUpdate, r.UpdateCreate = &create, &update, &no
	}
	onStored := func(change func(*r4.CapabilityStatementRestResource)) func(*r4.CapabilityStatementRestResource) {
		return func(r *r4.CapabilityStatementRestResource) {
			if slices.Contains(intake.Stored, r.Type.Code()) {
				change(r)
			}
		}
	}
	return []route{
		// The base is one address in two forms, and one of them stands for each.
		{method: http.MethodPost, path: "", system: &transaction, handler: (*server).bundle},
		{method: http.MethodPost, path: "/", system: &batch, handler: (*server).bundle},
		{method: http.MethodPost, path: "/:type", types: intake.Stored, code: interaction(r4.TypeRestfulInteractionCreate), declare: onStored(conditional), handler: (*server).create},
		{method: http.MethodPut, path: "/:type", types: intake.Stored, handler: (*server).updateWhere},
		{method: http.MethodPut, path: "/:type/:id", types: intake.Stored, code: interaction(r4.TypeRestfulInteractionUpdate), handler: (*server).update},
	}
}

func (s *server) bundle(c echo.Context) error {
	return s.write(c, intake.Request{Method: http.MethodPost})
}

func (s *server) create(c echo.Context) error {
	return s.write(c, intake.Request{Method: http.MethodPost, Path: c.Param("type"), IfNoneExist: header(c, "If-None-Exist")})
}

func (s *server) updateWhere(c echo.Context) error {
	return s.write(c, intake.Request{Method: http.MethodPut, Path: c.Param("type"), IfMatch: header(c, "If-Match"), IfNoneExist: header(c, "If-None-Exist")})
}

func (s *server) update(c echo.Context) error {
	return s.write(c, intake.Request{
		Method: http.MethodPut, Path: c.Param("type") + "/" + c.Param("id"), IfMatch: header(c, "If-Match"), IfNoneExist: header(c, "If-None-Exist"),
	})
}

func header(c echo.Context, name string) string {
	return strings.TrimSpace(strings.Join(c.Request().Header.Values(name), ","))
}

// The values of Prefer: return.
const (
	returnMinimal        = "minimal"
	returnRepresentation = "representation"
	returnOutcome        = "OperationOutcome"
)

// writing is one request that brings results.
type writing struct {
	s       *server
	c       echo.Context
	grant   Grant
	base    string
	prefer  string
	pretty  shape
	ask     intake.Ask
	outcome incoming.Outcome
}

// write takes in what the client sends. What is wrong with the request itself is
// became at once and not kept: its type, its size, what the client may do, and
// the conditions of updates. Everything else is kept whole first.
func (s *server) write(c echo.Context, request intake.Request) error {
	w := &writing{s: s, c: c, grant: s.grant(c.Request()), base: s.opts.BaseURL(c.Request())}
	if s.opts.Intake == nil {
		return &failure{status: http.StatusServiceUnavailable, code: "transient", diagnostics: "nothing is taken in at present"}
	}
	if err := w.parameters(&request); err != nil {
		return err
	}
	raw, err := w.body()
	if err != nil {
		return err
	}
	request.Base = w.base
	beside := request
	beside.Base = "" // the same server may be reached under another address
	in := reading.Input{Raw: raw, Sender: s.sender(c.Request()), Request: request.Encode()}
	var unread error
	w.ask, unread = intake.Parse(in)
	if err := w.allowed(request); err != nil {
		return err
	}
	if unread == nil {
		if err := w.preconditions(); err != nil {
			return err
		}
	}
	w.outcome, err = s.opts.Intake.Take(c.Request().Context(), incoming.Delivery{
		Channel: incoming.FHIR, Sender: in.Sender, ContentType: intake.ContentType, Request: in.Request, Beside: beside.Encode(), Raw: raw,
		MessageTime: w.ask.Sent, Actor: in.Sender, Role: journey.Laboratory,
	})
	if err != nil {
		return err
	}
	for _, p := range w.outcome.Parts {
		if p.Candidate != "" && p.State == incoming.Applied {
			audit.About(c.Request().Context(), p.Candidate)
		}
	}
	return w.answer()
}

func (s *server) sender(r *http.Request) string {
	if s.opts.Sender == nil {
		return ""
	}
	return s.opts.Sender(r)
}

// parameters reads what the address and the headers say of the answer, and
// leaves the criteria of a conditional update to the request.
func (w *writing) parameters(request *intake.Request) error {
	r := w.c.Request()
	pairs, err := parsePairs(r.URL.RawQuery)
	if err != nil {
		return err
	}
	p := w.s.parser(r)
	for _, in := range pairs {
		switch in.name {
		case "_format", "_pretty":
			if _, err := p.shape(&w.pretty, "", in); err != nil {
				return err
			}
		default:
			if request.Method != http.MethodPut || strings.Contains(request.Path, "/") {
				return badParameter(in.name, "not-supported", "not supported here")
			}
			separator := "&"
			if !strings.Contains(request.Path, "?") {
				separator = "?"
			}
			request.Path += separator + url.QueryEscape(in.name) + "=" + url.QueryEscape(in.value)
		}
	}
	for _, line := range r.Header.Values("Prefer") {
		for preference := range strings.FieldsFuncSeq(line, func(r rune) bool { return r == ',' || r == ';' }) {
			name, v, _ := strings.Cut(strings.TrimSpace(preference), "=")
			if strings.EqualFold(name, "return") && slices.Contains([]string{returnMinimal, returnRepresentation, returnOutcome}, v) {
				w.prefer = v
			}
		}
	}
	return acceptable(r, w.pretty.format)
}

// body reads what was sent, if it is FHIR JSON.
func (w *writing) body() ([]byte, error) { return jsonBody(w.c, incoming.MaxBytes) }

// jsonBody reads a body of FHIR JSON that is not longer than a limit.
func jsonBody(c echo.Context, limit int64) ([]byte, error) {
	r := c.Request()
	unsupported := &failure{status: http.StatusUnsupportedMediaType, code: "not-supported", diagnostics: "send application/fhir+json in UTF-8, not compressed", expression: "http.Content-Type"}
	media, params, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType))
	charset := params["charset"]
	switch {
	case err != nil || media != intake.ContentType && media != echo.MIMEApplicationJSON:
		return nil, unsupported
	case charset != "" && !strings.EqualFold(charset, "utf-8"):
		return nil, unsupported
	case params["fhirversion"] != "" && params["fhirversion"] != "4.0" && params["fhirversion"] != "4.0.1":
		return nil, unsupported
	case !slices.Contains([]string{"", "identity"}, strings.ToLower(r.Header.Get(echo.HeaderContentEncoding))):
		return nil, unsupported
	}
	return readBody(c, limit)
}

// allowed refuses what the client's token is not good for, a batch as a whole
// too. A message that can't be read is kept only for a client that could have
// written something.
func (w *writing) allowed(request intake.Request) error {
	if len(w.ask.Entries) == 0 {
		for _, typ := range intake.Stored {
			if _, ok := w.grant.Allows(typ, MayCreate); ok {
				return nil
			}
		}
		typ, _, _ := strings.Cut(request.Path, "/")
		return forbidden(typ)
	}
	for _, e := range w.ask.Entries {
		if !slices.Contains(intake.Stored, e.Type) {
			continue // read to understand the others, and stored nowhere
		}
		need := []Permission{MayCreate}
		switch {
		case e.Updates():
			need = []Permission{MayUpdate}
		case e.Method == http.MethodPut:
			need = append(need, MayUpdate)
		}
		for _, permission := range need {
			if within, ok := w.grant.Allows(e.Type, permission); !ok || !inCategory(within, e) {
				f := forbidden(e.Type)
				f.expression = e.At
				return f
			}
		}
	}
	return nil
}

// inCategory reports whether a resource lies within one of the scopes. Of what is
// not on record yet only the category can be looked at.
func inCategory(within []string, e intake.Entry) bool {
	if len(within) == 0 {
		return true
	}
	var r struct {
		Category []r4.CodeableConcept `json:"category"`
	}
	if json.Unmarshal(Unescape(e.Resource), &r) != nil {
		return false
	}
	return slices.ContainsFunc(within, func(scope string) bool {
		pairs, err := parsePairs(scope)
		if err != nil || len(pairs) == 0 {
			return false
		}
		for _, p := range pairs {
			if p.name != "category" || !slices.ContainsFunc(strings.Split(p.value, ","), func(token string) bool { return hasToken(r.Category, token) }) {
				return false
			}
		}
		return true
	})
}

func hasToken(concepts []r4.CodeableConcept, token string) bool {
	system, code, both := strings.Cut(token, "|")
	if !both {
		system, code = "", token
	}
	for _, concept := range concepts {
		for _, coding := range concept.Coding {
			if value(coding.Code) == code && (!both || value(coding.System) == system) {
				return true
			}
		}
	}
	return false
}

// preconditions answers what the conditions of updates come to. In a batch every
// entry is asked for itself, when it is carried out.
func (w *writing) preconditions() error {
	for _, e := range w.ask.Entries {
		if w.ask.Form == intake.Batch || e.Method != http.MethodPut {
			continue
		}
		for _, i := range e.Issues {
			if i.Kind != reading.NoPrecondition && i.Kind != reading.VersionConflict {
				continue
			}
			// Whoever wants to create under an id of its own learns of that first.
			if e.ID != "" && slices.Contains(intake.Stored, e.Type) {
				if _, err := w.s.store.Resource(w.c.Request().Context(), e.Type, e.ID); errors.Is(err, record.ErrNotFound) {
					return w.noSuchID(requestURL(e))
				}
			}
			return refusal(e.Issues)
		}
		if len(e.Issues) > 0 || !e.Updates() || !slices.Contains(intake.Stored, e.Type) {
			continue
		}
		if err := w.precondition(e); err != nil {
			return err
		}
	}
	return nil
}

func (w *writing) precondition(e intake.Entry) error {
	ctx := w.c.Request().Context()
	stands, err := w.s.store.Resource(ctx, e.Type, e.ID)
	within, _ := w.grant.Allows(e.Type, MayUpdate)
	at := requestURL(e)
	switch version, _ := e.Version(); {
	case errors.Is(err, record.ErrNotFound):
		return w.noSuchID(at)
	case err != nil:
		return missing(err)
	case stands.Version != version:
		return &failure{status: http.StatusPreconditionFailed, code: "conflict", diagnostics: "another version than If-Match names stands", expression: at}
	case e.Type == typeDiagnosticReport && !reportHas(stands, e):
		return &failure{status: http.StatusUnprocessableEntity, code: "business-rule", diagnostics: "not the identifier of the report that the address names; an identifier does not change", expression: e.Place + ".identifier"}
	}
	queries, err := w.s.parser(w.c.Request()).within(e.Type, MayUpdate)
	if err != nil {
		return err
	}
	if len(within) == 0 {
		return nil
	}
	return w.s.inside(ctx, queries, e.Type, e.ID)
}

// requestURL is where an entry of a Bundle has its address, empty for a request alone.
func requestURL(e intake.Entry) string {
	if e.At == "" {
		return ""
	}
	return e.At + ".request.url"
}

// noSuchID refuses to create a resource under an id of the client's own.
func (w *writing) noSuchID(at string) error {
	f := &failure{status: http.StatusMethodNotAllowed, code: "not-supported", allow: "GET, HEAD", diagnostics: "there is no resource with this id, and ids are given by the server: create it, or update it by its identifier"}
	if at != "" {
		f.status, f.allow, f.expression = http.StatusUnprocessableEntity, "", at
	}
	return f
}

// reportHas reports whether the report that stands is the one of the identifier
// that was sent.
func reportHas(stands record.Published, e intake.Entry) bool {
	var r struct {
		Identifier []r4.Identifier `json:"identifier"`
	}
	return json.Unmarshal(e.Resource, &r) == nil && slices.ContainsFunc(r.Identifier, func(i r4.Identifier) bool {
		return reportID(stands.Candidate, i) == stands.ID
	})
}

func reportID(candidate string, i r4.Identifier) string {
	return partID(candidate, "report", strings.TrimSpace(value(i.System)), strings.TrimSpace(value(i.Value)))
}

// refusal is the failure of issues.
func refusal(issues []reading.Issue) *failure {
	f := &failure{status: statusOf(issues)}
	for _, i := range issues {
		f.issues = append(f.issues, issueOf(i))
	}
	if len(f.issues) == 0 {
		f.issues = []outcomeIssue{{Severity: "error", Code: "processing", Diagnostics: "it was not taken"}}
	}
	return f
}

func issueOf(i reading.Issue) outcomeIssue {
	issue := outcomeIssue{Severity: "error", Code: i.Code, Diagnostics: i.Problem}
	if issue.Code == "" {
		issue.Code = "processing"
	}
	if len(i.Accepted) > 0 {
		issue.Diagnostics += "; accepted: " + strings.Join(i.Accepted, ", ")
	}
	if i.Location != "" {
		issue.Expression = []string{i.Location}
	}
	return issue
}

// statusOf is the HTTP status of a refusal, the most fundamental of its issues.
func statusOf(issues []reading.Issue) int {
	order := []int{
		http.StatusRequestEntityTooLarge, http.StatusBadRequest, http.StatusForbidden, http.StatusPreconditionRequired,
		http.StatusPreconditionFailed, http.StatusConflict, http.StatusUnprocessableEntity,
	}
	status := http.StatusUnprocessableEntity
	for _, i := range issues {
		if s := statusOfIssue(i); slices.Index(order, s) < slices.Index(order, status) {
			status = s
		}
	}
	return status
}

func statusOfIssue(i reading.Issue) int {
	switch i.Kind {
	case reading.NoPrecondition:
		return http.StatusPreconditionRequired
	case reading.VersionConflict:
		return http.StatusPreconditionFailed
	case reading.StatusConflict, reading.OtherOwner, reading.ControlReused:
		return http.StatusConflict
	}
	switch i.Code {
	case "structure", "invalid":
		return http.StatusBadRequest
	case "too-long":
		return http.StatusRequestEntityTooLarge
	case "multiple-matches":
		return http.StatusPreconditionFailed
	case "forbidden":
		return http.StatusForbidden
	default:
		return http.StatusUnprocessableEntity
	}
}

// kept says that a person has to look, or that it takes longer, in the same words
// whatever the reason: why may tell who is a candidate, and what became of them.
var kept = outcomeIssue{
	Severity: "information", Code: "informational",
	Diagnostics: "it is kept, and takes effect once it has been looked at; nothing more needs to be sent",
}

// answer says what became of the message.
func (w *writing) answer() error {
	switch w.ask.Form {
	case intake.Single:
		return w.single()
	case intake.Batch, intake.Transaction:
		return w.answerBundle()
	default: // it could not be read at all
		return refusal(w.outcome.Issues)
	}
}

// became is what is told of one entry.
type became struct {
	status   int
	typ, id  string
	version  int64
	modified time.Time
	body     []byte
	issues   []outcomeIssue
}

func (w *writing) single() error {
	e := w.ask.Entries[0]
	a, err := w.entry(e, w.part(e))
	if err != nil {
		return err
	}
	h := w.c.Response().Header()
	if a.id != "" {
		h.Set("ETag", etag(a.version))
		if a.status == http.StatusCreated {
			h.Set(echo.HeaderLocation, w.location(a))
		}
	}
	if !a.modified.IsZero() {
		h.Set(echo.HeaderLastModified, a.modified.UTC().Format(http.TimeFormat))
	}
	switch {
	case a.status >= http.StatusBadRequest:
		return &failure{status: a.status, issues: a.issues}
	case a.status == http.StatusAccepted:
		h.Set(echo.HeaderRetryAfter, retryAfter)
	case w.prefer == returnMinimal || w.prefer != returnOutcome && a.body == nil && len(a.issues) == 0:
		setCaching(h)
		return w.c.NoContent(a.status)
	case w.prefer != returnOutcome && a.body != nil:
		return write(w.c, a.status, w.pretty.print(a.body))
	}
	body, err := encode(outcomeOf(a))
	if err != nil {
		return err
	}
	return write(w.c, a.status, w.pretty.print(body))
}

// retryAfter is in seconds: a person needs longer than a computer.
const retryAfter = "600"

// outcomeOf is an OperationOutcome of what was done.
func outcomeOf(a became) outcome {
	issues := a.issues
	if len(issues) == 0 {
		word := "it is on record"
		if a.status == http.StatusCreated {
			word = "it was created"
		}
		issues = []outcomeIssue{{Severity: "information", Code: "informational", Diagnostics: word}}
	}
	return outcome{ResourceType: "OperationOutcome", Issue: issues}
}

func (w *writing) location(a became) string {
	return w.base + "/" + a.typ + "/" + a.id + "/_history/" + strconv.FormatInt(a.version, 10)
}

// part is what became of what an entry belongs to.
func (w *writing) part(e intake.Entry) incoming.Part {
	if w.ask.Form == intake.Batch {
		i := slices.IndexFunc(w.outcome.Parts, func(p incoming.Part) bool { return p.Place == e.Place })
		if i >= 0 {
			return w.outcome.Parts[i]
		}
	} else if len(w.outcome.Parts) == 1 {
		return w.outcome.Parts[0]
	}
	return incoming.Part{State: w.outcome.State, Issues: w.outcome.Issues}
}

// entry says what became of one entry.
func (w *writing) entry(e intake.Entry, part incoming.Part) (became, error) {
	switch part.State {
	case incoming.Applied:
	case incoming.Refused:
		a := became{status: statusOf(part.Issues)}
		for _, i := range part.Issues {
			a.issues = append(a.issues, issueOf(i))
		}
		if w.ask.Form == intake.Batch && e.Updates() && a.status == http.StatusPreconditionFailed {
			if _, err := w.s.store.Resource(w.c.Request().Context(), e.Type, e.ID); errors.Is(err, record.ErrNotFound) {
				a.status = http.StatusMethodNotAllowed
				a.issues = []outcomeIssue{{Severity: "error", Code: "not-supported", Diagnostics: "there is no resource with this id, and ids are given by the server", Expression: []string{e.At + ".request.url"}}}
			}
		}
		return a, nil
	default:
		return became{status: http.StatusAccepted, issues: []outcomeIssue{kept}}, nil
	}
	switch e.Type {
	case typeObservation:
		i := slices.IndexFunc(part.Results, func(m incoming.Made) bool { return m.Place == e.Place })
		if i < 0 {
			return became{}, fmt.Errorf("nothing is known of what became of an entry")
		}
		return w.result(part.Results[i])
	case typeDiagnosticReport:
		return w.report(e, part)
	default:
		return w.supported(e, part), nil
	}
}

func (w *writing) result(m incoming.Made) (became, error) {
	a := became{status: http.StatusOK, typ: typeObservation, id: m.ID, version: m.Version}
	if m.Change == incoming.Created && !w.outcome.Repeated {
		a.status = http.StatusCreated
	}
	if m.Change == incoming.Outdated {
		a.issues = []outcomeIssue{{Severity: "information", Code: "informational", Diagnostics: "a newer report of this result stands; this one is kept beside it"}}
	}
	return w.published(a)
}

// published adds what the client may read of the resource. One that is not
// published, because it is told in confidence, has the version of the record.
func (w *writing) published(a became) (became, error) {
	p, err := w.s.store.Resource(w.c.Request().Context(), a.typ, a.id)
	if errors.Is(err, record.ErrNotFound) || errors.Is(err, record.ErrDeleted) {
		return a, nil
	}
	if err != nil {
		return a, err
	}
	a.version, a.modified = p.Version, p.UpdatedAt
	within, ok := w.grant.Allows(a.typ, MayRead)
	if !ok {
		return a, nil
	}
	if len(within) > 0 {
		queries, err := w.s.parser(w.c.Request()).within(a.typ, MayRead)
		if err != nil || w.s.inside(w.c.Request().Context(), queries, a.typ, a.id) != nil {
			return a, nil
		}
	}
	a.body = p.Body
	return a, nil
}

// report finds the report that an entry became.
func (w *writing) report(e intake.Entry, part incoming.Part) (became, error) {
	var r struct {
		Identifier []r4.Identifier `json:"identifier"`
	}
	if err := json.Unmarshal(e.Resource, &r); err != nil {
		return became{}, fmt.Errorf("read back a report: %w", err)
	}
	a := became{status: http.StatusOK, typ: typeDiagnosticReport, version: 1}
	for _, i := range r.Identifier {
		a.id = reportID(part.Candidate, i)
		found, err := w.published(a)
		if err != nil {
			return a, err
		}
		if !found.modified.IsZero() {
			a = found
			break
		}
	}
	made := slices.ContainsFunc(part.Results, func(m incoming.Made) bool { return m.Change == incoming.Created })
	if made && a.version == 1 && !w.outcome.Repeated {
		a.status = http.StatusCreated
	}
	return a, nil
}

// supported says that an entry was read to understand the others.
func (w *writing) supported(e intake.Entry, part incoming.Part) became {
	a := became{status: http.StatusOK, issues: []outcomeIssue{{
		Severity: "information", Code: "not-supported", Diagnostics: "read to understand the results; it is not kept as a resource",
	}}}
	if e.Type != typePatient {
		return a
	}
	a.issues[0].Diagnostics = "matched with who is on record; a Patient is neither created nor changed by a message"
	if _, ok := w.grant.Allows(typePatient, MayRead); ok && part.Candidate != "" {
		a.typ, a.id = typePatient, part.Candidate
		if p, err := w.published(a); err == nil {
			a = p
		}
	}
	return a
}

// answerBundle answers a transaction or a batch, entry by entry.
func (w *writing) answerBundle() error {
	if w.outcome.State == incoming.Refused && (w.ask.Form == intake.Transaction || len(w.outcome.Parts) == 0) {
		return refusal(w.outcome.Issues)
	}
	typ := r4.BundleTypeTransactionResponse
	if w.ask.Form == intake.Batch {
		typ = r4.BundleTypeBatchResponse
	}
	status := http.StatusOK
	reply := r4.Bundle{Type: typ}
	for _, e := range w.ask.Entries {
		a, err := w.entry(e, w.part(e))
		if err != nil {
			return err
		}
		if w.ask.Form == intake.Transaction && a.status == http.StatusAccepted {
			status = http.StatusAccepted
		}
		entry, err := w.responseEntry(a)
		if err != nil {
			return err
		}
		reply.Entry = append(reply.Entry, entry)
	}
	if status == http.StatusAccepted {
		w.c.Response().Header().Set(echo.HeaderRetryAfter, retryAfter)
	}
	body, err := encode(reply)
	if err != nil {
		return err
	}
	return write(w.c, status, w.pretty.print(body))
}

func (w *writing) responseEntry(a became) (r4.BundleEntry, error) {
	response := r4.BundleEntryResponse{Status: strconv.Itoa(a.status) + " " + http.StatusText(a.status)}
	entry := r4.BundleEntry{Response: &response}
	if a.id != "" {
		location, tag := a.typ+"/"+a.id+"/_history/"+strconv.FormatInt(a.version, 10), etag(a.version)
		response.Location, response.Etag = &location, &tag
		full := w.base + "/" + a.typ + "/" + a.id
		entry.FullUrl = &full
	}
	if !a.modified.IsZero() {
		at := a.modified.UTC().Format("2006-01-02T15:04:05.000Z")
		response.LastModified = &at
	}
	if w.prefer == returnRepresentation && a.body != nil && a.typ != typePatient {
		entry.Resource = a.body
	}
	if len(a.issues) > 0 || w.prefer == returnOutcome {
		raw, err := encode(outcomeOf(a))
		if err != nil {
			return entry, err
		}
		response.Outcome = raw
	}
	return entry, nil
}
