package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/bulk"
	"candidacy/internal/record"
)

const (
	exportOperation = "export"
	// exportFiles is in the path of every status and file, and of nothing else.
	exportFiles      = "/$export/"
	exportDefinition = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/"
)

// exportRoutes are those of the Bulk Data Access implementation guide, 2.0.
func exportRoutes() []route {
	system := &namedOperation{name: exportOperation, definition: exportDefinition + "export"}
	patients := &namedOperation{name: exportOperation, definition: exportDefinition + "patient-export", types: []string{typePatient}}
	group := &namedOperation{name: exportOperation, definition: exportDefinition + "group-export", types: []string{typeGroup}}
	kickOff := func(level string) func(*server, echo.Context) error {
		return func(s *server, c echo.Context) error { return s.startExport(c, level) }
	}
	var list []route
	for _, method := range []string{http.MethodGet, http.MethodPost} {
		list = append(list,
			route{method: method, path: "/$export", operation: system, handler: kickOff(exportSystem)},
			route{method: method, path: "/Patient/$export", operation: patients, handler: kickOff(exportPatients)},
			route{method: method, path: "/Group/:id/$export", operation: group, handler: kickOff(exportGroup)},
		)
	}
	return append(list,
		route{method: http.MethodGet, path: "/$export/:job", handler: (*server).exportStatus},
		route{method: http.MethodDelete, path: "/$export/:job", handler: (*server).cancelExport},
		route{method: http.MethodGet, path: "/$export/:job/:file", handler: (*server).exportFile},
	)
}

// startExport queues an export.
func (s *server) startExport(c echo.Context, level string) error {
	r := c.Request()
	if s.opts.Exports == nil {
		return notFound()
	}
	if r.Method == http.MethodHead {
		return &failure{status: http.StatusMethodNotAllowed, code: "not-supported", allow: "GET, POST", diagnostics: "this method is not supported here"}
	}
	// The guide lets a server take the header as given. It is asked for, so that
	// nobody begins a copy of everything by opening an address.
	if !prefers(r.Header, "respond-async", "") {
		return &failure{status: http.StatusBadRequest, code: "required", diagnostics: "send the header Prefer: respond-async"}
	}
	if err := acceptable(r, ""); err != nil {
		return err
	}
	grant := s.grant(r)
	x := exportRequest{
		base: s.opts.BaseURL(r), strict: !prefers(r.Header, "handling", "lenient"),
		patients: r.Method == http.MethodPost && level != exportSystem,
	}
	x.spec = exportSpec{Level: level, Base: x.base, At: s.opts.Now()}
	if level == exportGroup {
		x.spec.Group = c.Param("id")
		if _, ok := cohortNamed(x.spec.Group); !ok {
			return notFound()
		}
		audit.Group(r.Context(), x.spec.Group)
		// Whom an export is about tells who is a member.
		if _, ok := grant.Allows(typeGroup, MayRead); !ok {
			return forbidden(typeGroup)
		}
	}
	pairs, err := exportPairs(c)
	if err != nil {
		return err
	}
	notePairs(r.Context(), pairs)
	if err := x.read(pairs); err != nil {
		return err
	}
	if err := x.authorise(grant); err != nil {
		return err
	}
	if err := s.knownPatients(c, &x); err != nil {
		return err
	}
	if _, err := x.spec.scans(); err != nil {
		return err
	}
	spec, err := json.Marshal(x.spec)
	if err != nil {
		return fmt.Errorf("keep an export: %w", err)
	}
	id, err := s.opts.Exports.Start(r.Context(), record.Export{Client: s.sender(r), Request: x.requested(r), Spec: spec})
	if errors.Is(err, record.ErrTooMany) {
		c.Response().Header().Set("Retry-After", "120")
		return &failure{status: http.StatusTooManyRequests, code: "throttled", diagnostics: "this client has too many exports under way"}
	}
	if err != nil {
		return err
	}
	c.Response().Header().Set("Content-Location", x.base+"/$export/"+id)
	started := outcome{ResourceType: "OperationOutcome", Issue: []outcomeIssue{{
		Severity: "information", Code: "informational", Diagnostics: "the export has begun; Content-Location says where to ask for it",
	}}}
	for _, text := range x.spec.Notes {
		started.Issue = append(started.Issue, outcomeIssue{Severity: "warning", Code: "not-supported", Diagnostics: text})
	}
	body, err := encode(started)
	if err != nil {
		return err
	}
	return write(c, http.StatusAccepted, body)
}

// requested is the URL of the request, as the client sees it.
func (x *exportRequest) requested(r *http.Request) string {
	path := "/$export"
	switch x.spec.Level {
	case exportPatients:
		path = "/Patient/$export"
	case exportGroup:
		path = "/Group/" + x.spec.Group + "/$export"
	}
	if r.URL.RawQuery != "" {
		path += "?" + r.URL.RawQuery
	}
	return x.base + path
}

// prefers reports whether the client has the preference, with the value if one is
// given.
func prefers(h http.Header, name, value string) bool {
	for _, line := range h.Values("Prefer") {
		for _, preference := range strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ';' }) {
			n, v, _ := strings.Cut(preference, "=")
			if strings.EqualFold(strings.TrimSpace(n), name) && (value == "" || strings.EqualFold(strings.Trim(strings.TrimSpace(v), `"`), value)) {
				return true
			}
		}
	}
	return false
}

// maxParameters bounds the body of a request for an export.
const maxParameters = 1 << 20

// exportPairs reads the parameters: of the URL, or of a Parameters resource in the
// body. Some clients POST an empty body, with the parameters in the URL all the
// same.
func exportPairs(c echo.Context) ([]pair, error) {
	r := c.Request()
	if r.Method != http.MethodPost {
		return parsePairs(r.URL.RawQuery)
	}
	body, err := readBody(c, maxParameters)
	if err != nil {
		return nil, err
	}
	if len(body) == 0 {
		return parsePairs(r.URL.RawQuery)
	}
	if r.URL.RawQuery != "" {
		return nil, &failure{status: http.StatusBadRequest, code: "invalid", diagnostics: "with a Parameters resource in the body, all parameters belong there"}
	}
	media, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType))
	if err != nil || media != "application/fhir+json" && media != "application/json" {
		return nil, &failure{status: http.StatusUnsupportedMediaType, code: "not-supported", diagnostics: "send a Parameters resource as application/fhir+json"}
	}
	return readParameters(body)
}

// knownPatients refuses patients that the export can't be about, or leaves them out
// where the client is lenient. It does not say which: a client asks only for
// those it knows.
func (s *server) knownPatients(c echo.Context, x *exportRequest) error {
	if x.spec.Patients == nil {
		return nil
	}
	var co cohort
	if x.spec.Level == exportGroup {
		co, _ = cohortNamed(x.spec.Group)
	}
	known, _, err := s.members.Cohort(c.Request().Context(), co.stages, x.spec.Patients)
	if err != nil {
		return err
	}
	if missing := len(x.spec.Patients) - len(known); missing > 0 {
		if err := x.leave("patient", strconv.Itoa(missing)+" of them not known here"); err != nil {
			return err
		}
	}
	if x.spec.Patients = known; len(known) == 0 {
		return badExport("patient", "not-found", "none of the patients is known here")
	}
	return nil
}

// ownExport finds an export of the client. Another's is as good as none.
func (s *server) ownExport(c echo.Context) (record.Export, error) {
	var e record.Export
	if s.opts.Exports == nil {
		return e, notFound()
	}
	e, err := s.opts.Exports.Store.Export(c.Request().Context(), c.Param("job"))
	if errors.Is(err, record.ErrNotFound) {
		return e, noExport()
	}
	if err != nil {
		return e, err
	}
	over := e.State == record.ExportCancelled || e.State == record.ExportExpired ||
		!e.ExpiresAt.IsZero() && !s.opts.Now().Before(e.ExpiresAt)
	if e.Client != s.sender(c.Request()) || over {
		return e, noExport()
	}
	return e, nil
}

func noExport() *failure {
	return &failure{status: http.StatusNotFound, code: "not-found", diagnostics: "there is no such export"}
}

// polls remembers when an export was last asked for, to slow down clients that
// ask too often.
type polls struct {
	mu   sync.Mutex
	last map[string]time.Time
}

// tooSoon reports whether the export was asked for less than a pause ago, and
// forgets those that nobody asks for any more.
func (p *polls) tooSoon(id string, now time.Time) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for other, at := range p.last {
		if now.Sub(at) >= shortestPause {
			delete(p.last, other)
		}
	}
	_, soon := p.last[id]
	if p.last == nil {
		p.last = map[string]time.Time{}
	}
	p.last[id] = now
	return soon
}

// A client is asked to wait for longer than it has to, by common practice.
const (
	shortestPause = time.Second
	retrySoon     = "2"
	retryLater    = "10"
	// aLongWait is when an export is asked for less often.
	aLongWait = 30 * time.Second
)

func (s *server) exportStatus(c echo.Context) error {
	e, err := s.ownExport(c)
	if err != nil {
		return err
	}
	h := c.Response().Header()
	switch e.State {
	case record.ExportComplete:
		return s.manifest(c, e)
	case record.ExportFailed:
		return &failure{status: http.StatusInternalServerError, code: "exception", diagnostics: "the export failed; ask for it again"}
	}
	now := s.opts.Now()
	h.Set("Retry-After", retrySoon)
	if now.Sub(e.CreatedAt) >= aLongWait {
		h.Set("Retry-After", retryLater)
	}
	if s.polls.tooSoon(e.ID, now) {
		return &failure{status: http.StatusTooManyRequests, code: "throttled", diagnostics: "asked too often; Retry-After says when"}
	}
	h.Set("X-Progress", progress(e))
	setCaching(h)
	return c.NoContent(http.StatusAccepted)
}

// progress is at most 100 characters.
func progress(e record.Export) string {
	switch {
	case e.State == record.ExportQueued:
		return "waiting"
	case e.Total > 0:
		return fmt.Sprintf("%d %%: %d of %d resources", 100*e.Done/e.Total, e.Done, e.Total)
	default:
		return fmt.Sprintf("%d resources", e.Done)
	}
}

type manifest struct {
	TransactionTime     string           `json:"transactionTime"`
	Request             string           `json:"request"`
	RequiresAccessToken bool             `json:"requiresAccessToken"`
	Output              []manifestOutput `json:"output"`
	Deleted             []manifestOutput `json:"deleted"`
	Error               []manifestOutput `json:"error"`
}

type manifestOutput struct {
	Type  string `json:"type"`
	URL   string `json:"url"`
	Count int64  `json:"count"`
}

func (s *server) manifest(c echo.Context, e record.Export) error {
	files, err := s.opts.Exports.Store.ExportFiles(c.Request().Context(), e.ID)
	if err != nil {
		return err
	}
	m := manifest{
		TransactionTime: e.TakenAt.UTC().Format("2006-01-02T15:04:05.000Z"), Request: e.Request, RequiresAccessToken: true,
		Output: []manifestOutput{}, Deleted: []manifestOutput{}, Error: []manifestOutput{},
	}
	base := s.opts.BaseURL(c.Request()) + "/$export/" + e.ID + "/"
	for _, f := range files {
		out := manifestOutput{Type: f.Type, URL: base + f.Name, Count: f.Resources}
		switch f.Section {
		case bulk.SectionError:
			m.Error = append(m.Error, out)
		case bulk.SectionDeleted:
			m.Deleted = append(m.Deleted, out)
		default:
			m.Output = append(m.Output, out)
		}
	}
	body, err := encode(m)
	if err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set("Expires", e.ExpiresAt.UTC().Format(http.TimeFormat))
	h.Set(echo.HeaderXContentTypeOptions, "nosniff")
	setCaching(h)
	return c.Blob(http.StatusOK, echo.MIMEApplicationJSON, body)
}

func (s *server) cancelExport(c echo.Context) error {
	e, err := s.ownExport(c)
	if err != nil {
		return err
	}
	err = s.opts.Exports.Cancel(c.Request().Context(), e)
	if errors.Is(err, record.ErrNotFound) {
		return noExport()
	}
	if err != nil {
		return err
	}
	setCaching(c.Response().Header())
	return c.NoContent(http.StatusAccepted)
}

// exportFile sends a file, or any part of it: plain, or as it is kept where the
// client takes gzip. The two have tags of their own, so that a part of the one is
// never put together with a part of the other.
func (s *server) exportFile(c echo.Context) error {
	r := c.Request()
	e, err := s.ownExport(c)
	if err != nil {
		return err
	}
	f, err := s.opts.Exports.Store.ExportFile(r.Context(), e.ID, c.Param("file"))
	if errors.Is(err, record.ErrNotFound) {
		return noExport()
	}
	if err != nil {
		return err
	}
	if err := s.stillGranted(r, e, f); err != nil {
		return err
	}
	h := c.Response().Header()
	audit.Everybody(r.Context())
	tag, packed := e.Claim+"-"+strconv.Itoa(f.Position), takesGzip(r.Header)
	if packed {
		tag += "-gzip"
		h.Set(echo.HeaderContentEncoding, "gzip")
	}
	h.Set("ETag", `"`+tag+`"`)
	h.Set(echo.HeaderContentType, "application/fhir+ndjson")
	h.Set(echo.HeaderXContentTypeOptions, "nosniff")
	h.Set("Expires", e.ExpiresAt.UTC().Format(http.TimeFormat))
	setCaching(h)
	h.Add(echo.HeaderVary, "Accept-Encoding")
	content := bulk.Open(r.Context(), s.opts.Exports.Vault, e.Claim, f, packed)
	http.ServeContent(c.Response(), r, "", time.Time{}, content)
	if err := content.Err(); err != nil {
		// What was sent is cut short; no other sign can be given any more.
		if s.opts.Report != nil {
			s.opts.Report(r, err)
		}
		panic(http.ErrAbortHandler)
	}
	return nil
}

// stillGranted refuses a file that the client may not have by what it may do now.
// A grant that is narrowed otherwise than it was does not cover what was written.
func (s *server) stillGranted(r *http.Request, e record.Export, f record.ExportFile) error {
	if f.Section != bulk.SectionOutput {
		return nil
	}
	var spec exportSpec
	if err := json.Unmarshal(e.Spec, &spec); err != nil {
		return fmt.Errorf("read the export: %w", err)
	}
	for _, t := range spec.Types {
		if t.Type == f.Type && covers(s.grant(r), t.Type, t.Within) {
			return nil
		}
	}
	return forbidden(f.Type)
}

// takesGzip reports whether the client takes gzip and does not refuse it.
func takesGzip(h http.Header) bool {
	for _, each := range strings.Split(strings.Join(h.Values("Accept-Encoding"), ","), ",") {
		name, weight, weighted := strings.Cut(strings.TrimSpace(each), ";")
		if !strings.EqualFold(strings.TrimSpace(name), "gzip") {
			continue
		}
		if _, q, ok := strings.Cut(weight, "="); weighted && ok {
			n, err := strconv.ParseFloat(strings.TrimSpace(q), 64)
			return err == nil && n > 0
		}
		return true
	}
	return false
}
