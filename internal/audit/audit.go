// Package audit writes a row of the access log for each request before its answer
// leaves. The FHIR endpoint, the JSON API and the pages share it: each says what a
// request asked for, and whom its answer tells of.
package audit

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"sync"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Log keeps rows. It returns once a row is durable.
type Log interface {
	LogAccess(ctx context.Context, a record.Access) error
}

var _ Log = (*record.Store)(nil)

// Who is who asked, as far as that is known.
type Who struct {
	Actor string
	Role  journey.Role
	// Token is the id of the token that was shown.
	Token string
}

// Options are what an interface says of its requests.
type Options struct {
	Log Log
	// Who is asked when the answer is about to leave.
	Who func(echo.Context) Who
	// What names the interaction, with the type and the id that it is about. It is
	// asked before the request is handled; with skip the request is not logged.
	What func(echo.Context) (interaction, typ, id string, skip bool)
	// Unlogged is the body of the answer 503, which is sent where the row could not
	// be written, and its media type.
	Unlogged    []byte
	ContentType string
	// Report is told why a row could not be written.
	Report func(*http.Request, error)
}

type contextKey struct{}

// note is what is known of one request. Its handler may ask in parallel.
type note struct {
	mu     sync.Mutex
	access record.Access
	// nothing says that the answer tells of nobody.
	nothing bool
}

// Requests writes a row for every request: nothing of an answer leaves before its
// row is durable. Put it in front of authentication, so that refusals are logged.
func Requests(o Options) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			interaction, typ, id, skip := o.What(c)
			if skip {
				return next(c)
			}
			r := c.Request()
			n := &note{access: record.Access{
				Interaction: interaction, Type: typ, ID: ShownID(id), Address: address(c.RealIP()), Request: RequestID(c),
			}}
			c.SetRequest(r.WithContext(context.WithValue(r.Context(), contextKey{}, n)))
			w := &writer{ResponseWriter: c.Response().Writer, c: c, note: n, options: &o}
			c.Response().Writer = w
			err := next(c)
			if w.decided || err != nil {
				// What the error becomes is written through w as well.
				return err
			}
			w.WriteHeader(http.StatusOK)
			return nil
		}
	}
}

// About notes whom the answer to the request tells of. It does nothing for a
// request that is not logged.
func About(ctx context.Context, candidates ...string) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		for _, candidate := range candidates {
			// Resources of one candidate come together: most repeat the last.
			if last := len(n.access.Candidates) - 1; isCandidate(candidate) && (last < 0 || n.access.Candidates[last] != candidate) {
				n.access.Candidates = append(n.access.Candidates, candidate)
			}
		}
	}
}

// isCandidate keeps out what belongs to no candidate, and what a client only calls
// one.
func isCandidate(id string) bool {
	if len(id) != 36 {
		return false
	}
	for i := range len(id) {
		switch c := id[i]; {
		case i == 8 || i == 13 || i == 18 || i == 23:
			if c != '-' {
				return false
			}
		case (c < '0' || c > '9') && (c < 'a' || c > 'f'):
			return false
		}
	}
	return true
}

// Everybody notes that the answer may tell of anybody, as an export does.
func Everybody(ctx context.Context) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.access.Everybody = true
	}
}

// Nothing notes that the answer tells nothing: it only says that what the client holds
// of an earlier answer, which is on record, is still so. No row is written.
func Nothing(ctx context.Context) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.nothing = true
	}
}

// Interaction says more closely what was asked for than the request's method and
// path do.
func Interaction(ctx context.Context, code string) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.access.Interaction = code
	}
}

// Resource notes what the answer is about where the path does not say it, such as
// what was created.
func Resource(ctx context.Context, typ, id string) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.access.Type, n.access.ID = typ, ShownID(id)
	}
}

// Group notes the group of candidates that an answer is about, by a name of ours.
func Group(ctx context.Context, name string) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.access.Type, n.access.ID = "Group", name
	}
}

// Parameters notes the names of the parameters of a search. Without it they are
// those of the URL.
func Parameters(ctx context.Context, names ...string) {
	if n, ok := ctx.Value(contextKey{}).(*note); ok {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.access.Parameters = append(n.access.Parameters, names...)
	}
}

var (
	nameShape = regexp.MustCompile(`^[_$]?[A-Za-z][A-Za-z_-]{0,40}([:.][A-Za-z_][A-Za-z_-]{0,40}){0,6}$`)
	// Ids of ours begin with a UUID. Anything else may be a value that went astray.
	idShape = regexp.MustCompile(`^(token-[0-9a-f]{12}|[0-9]{1,18}|[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}[A-Za-z0-9.-]{0,30})$`)
)

// mostNames bounds the names that a row keeps.
const mostNames = 40

// names are the names of parameters as a row may keep them, each once: what does
// not look like a name may be a value that went astray.
func names(list []string) []string {
	if len(list) == 0 {
		return nil
	}
	var kept []string
	seen := map[string]bool{}
	for _, name := range list {
		if !nameShape.MatchString(name) {
			name = "(unnamed)"
		}
		if !seen[name] && len(kept) < mostNames {
			seen[name] = true
			kept = append(kept, name)
		}
	}
	return kept
}

// queryNames are the names in a URL's query.
func queryNames(query string) []string {
	if query == "" {
		return nil
	}
	var list []string
	for part := range strings.SplitSeq(query, "&") {
		name, _, _ := strings.Cut(part, "=")
		if name == "" {
			continue
		}
		plain, err := url.QueryUnescape(name)
		if err != nil {
			plain = ""
		}
		list = append(list, plain)
	}
	return list
}

// ShownID is an id as the log may keep it: empty unless it looks like one of ours.
func ShownID(id string) string {
	if idShape.MatchString(id) {
		return id
	}
	return ""
}

// address keeps an address that may have come in a header within bounds.
func address(text string) string {
	const longest = 64
	if len(text) > longest || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return ""
	}
	return text
}

// RequestID takes over the id that a middleware in front gave, when it is a UUID:
// anything else may be a value that went astray. The answer names it.
func RequestID(c echo.Context) string {
	h := c.Response().Header()
	if id, err := uuid.Parse(h.Get(echo.HeaderXRequestID)); err == nil {
		return id.String()
	}
	id := uuid.NewString()
	h.Set(echo.HeaderXRequestID, id)
	return id
}

// writer holds an answer back until its row is written. Where that fails it sends
// a refusal in its place.
type writer struct {
	http.ResponseWriter
	c       echo.Context
	note    *note
	options *Options
	decided bool
	// refused drops what the handler still writes.
	refused bool
}

// WriteHeader implements http.ResponseWriter.
func (w *writer) WriteHeader(status int) {
	if w.decided {
		return
	}
	if status >= 100 && status < 200 && status != http.StatusSwitchingProtocols {
		w.ResponseWriter.WriteHeader(status)
		return
	}
	w.decided = true
	if err := w.log(status); err != nil {
		if w.options.Report != nil {
			w.options.Report(w.c.Request(), err)
		}
		// A fault of ours tells nothing, and names the request for whoever mends it.
		if status < http.StatusInternalServerError {
			w.refuse()
			return
		}
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *writer) log(status int) error {
	w.note.mu.Lock()
	defer w.note.mu.Unlock()
	if w.note.nothing && status == http.StatusNotModified {
		return nil
	}
	a, who := w.note.access, w.options.Who(w.c)
	a.Actor, a.Role, a.Credential, a.Status = who.Actor, who.Role, who.Token, status
	list := a.Parameters
	if list == nil {
		list = queryNames(w.c.Request().URL.RawQuery)
	}
	a.Parameters = names(list)
	return w.options.Log.LogAccess(w.c.Request().Context(), a)
}

// refuse answers in place of the handler, whose headers may tell what the body
// would have told.
func (w *writer) refuse() {
	w.refused = true
	h := w.Header()
	clear(h)
	h.Set(echo.HeaderContentType, w.options.ContentType)
	h.Set(echo.HeaderCacheControl, "no-store")
	h.Set(echo.HeaderXContentTypeOptions, "nosniff")
	h.Set(echo.HeaderRetryAfter, "5")
	h.Set(echo.HeaderXRequestID, w.note.access.Request)
	w.ResponseWriter.WriteHeader(http.StatusServiceUnavailable)
	_, _ = w.ResponseWriter.Write(w.options.Unlogged) // the client is gone when this fails
}

// Write implements http.ResponseWriter.
func (w *writer) Write(b []byte) (int, error) {
	if !w.decided {
		w.WriteHeader(http.StatusOK)
	}
	if w.refused {
		return len(b), nil
	}
	return w.ResponseWriter.Write(b)
}

// FlushError lets http.ResponseController flush, which sends the header too.
func (w *writer) FlushError() error {
	if !w.decided {
		w.WriteHeader(http.StatusOK)
	}
	return http.NewResponseController(w.ResponseWriter).Flush()
}

// Flush implements http.Flusher.
func (w *writer) Flush() { _ = w.FlushError() }

// Unwrap lets http.ResponseController set deadlines.
func (w *writer) Unwrap() http.ResponseWriter { return w.ResponseWriter }
