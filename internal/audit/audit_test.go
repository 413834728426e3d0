package audit_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/record"
)

const (
	one = "0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a01"
	two = "1b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a02"
)

// journal keeps rows in memory. Before is called with each before it is kept.
type journal struct {
	mu     sync.Mutex
	rows   []record.Access
	before func(record.Access) error
}

func (j *journal) LogAccess(_ context.Context, a record.Access) error {
	if j.before != nil {
		if err := j.before(a); err != nil {
			return err
		}
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.rows = append(j.rows, a)
	return nil
}

func options(log audit.Log) audit.Options {
	return audit.Options{
		Log: log, Unlogged: []byte("not now"), ContentType: "text/plain",
		Who: func(echo.Context) audit.Who {
			return audit.Who{Actor: "acc-1", Role: "ehr", Token: "token-0123456789ab"}
		},
		What: func(c echo.Context) (string, string, string, bool) {
			return "read", "Patient", c.Param("id"), c.Request().URL.Path == "/open"
		},
	}
}

// serve answers one request by the handler behind the log.
func serve(log audit.Log, target string, handler echo.HandlerFunc) *httptest.ResponseRecorder {
	e := echo.New()
	e.Use(audit.Requests(options(log)))
	e.GET("/open", handler)
	e.GET("/:id", handler)
	w := httptest.NewRecorder()
	e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, target, nil))
	return w
}

func TestNothingLeavesBeforeItsRow(t *testing.T) {
	w := httptest.NewRecorder()
	log := &journal{before: func(record.Access) error {
		if w.Body.Len() > 0 || w.Flushed {
			t.Errorf("before its row was written, %d bytes had left", w.Body.Len())
		}
		return nil
	}}
	e := echo.New()
	e.GET("/:id", func(c echo.Context) error {
		audit.About(c.Request().Context(), one, one, two, "", "Mary Poppins", strings.ToUpper(one))
		audit.Parameters(c.Request().Context(), "patient", "code:in", "patient", "a value, gone astray")
		c.Response().Header().Set("ETag", `W/"3"`)
		if err := c.String(http.StatusOK, "the answer, "); err != nil {
			return err
		}
		c.Response().Flush()
		_, err := c.Response().Write([]byte("in two parts"))
		return err
	}, audit.Requests(options(log)))
	r := httptest.NewRequest(http.MethodGet, "/"+one+"?name=Quokka", nil)
	r.RemoteAddr = "192.0.2.7:4000"
	e.ServeHTTP(w, r)
	if w.Body.String() != "the answer, in two parts" || w.Code != 200 || w.Header().Get("ETag") == "" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if len(log.rows) != 1 {
		t.Fatalf("%d rows", len(log.rows))
	}
	got := log.rows[0]
	want := record.Access{
		Actor: "acc-1", Role: "ehr", Credential: "token-0123456789ab", Interaction: "read", Type: "Patient", ID: one,
		Parameters: []string{"patient", "code:in", "(unnamed)"}, Candidates: []string{one, two}, Status: 200, Address: "192.0.2.7",
		Request: w.Header().Get(echo.HeaderXRequestID),
	}
	if fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// What can't be put on record is not answered, and no header of the answer tells
// what it would have been.
func TestWhatIsNotLoggedIsNotAnswered(t *testing.T) {
	broken := errors.New("the disk is full")
	var reported error
	o := options(&journal{before: func(record.Access) error { return broken }})
	o.Report = func(_ *http.Request, err error) { reported = err }
	for name, handler := range map[string]echo.HandlerFunc{
		"an answer": func(c echo.Context) error {
			c.Response().Header().Set("ETag", `W/"3"`)
			c.Response().Header().Set(echo.HeaderLocation, "/Patient/"+one)
			return c.String(http.StatusOK, "Quokka")
		},
		"an unmodified answer": func(c echo.Context) error {
			c.Response().Header().Set("ETag", `W/"3"`)
			return c.NoContent(http.StatusNotModified)
		},
		"a refusal":      func(c echo.Context) error { return c.String(http.StatusForbidden, "Quokka") },
		"an error":       func(echo.Context) error { return echo.ErrNotFound },
		"nothing at all": func(echo.Context) error { return nil },
		"a stream": func(c echo.Context) error {
			for range 3 {
				if _, err := c.Response().Write([]byte("Quokka")); err != nil {
					return err
				}
				c.Response().Flush()
			}
			return nil
		},
	} {
		reported = nil
		e := echo.New()
		e.GET("/:id", handler, audit.Requests(o))
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/"+one, nil))
		if w.Code != http.StatusServiceUnavailable || w.Body.String() != "not now" || w.Header().Get("Retry-After") == "" {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		if w.Header().Get("ETag") != "" || w.Header().Get(echo.HeaderLocation) != "" {
			t.Errorf("%s: the headers are %v", name, w.Header())
		}
		if !errors.Is(reported, broken) {
			t.Errorf("%s: reported %v", name, reported)
		}
	}
	// A fault of ours tells nothing, and keeps its own answer.
	e := echo.New()
	e.GET("/:id", func(c echo.Context) error { return c.String(http.StatusInternalServerError, "request 7 failed") }, audit.Requests(o))
	w := httptest.NewRecorder()
	e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/"+one, nil))
	if w.Code != http.StatusInternalServerError || w.Body.String() != "request 7 failed" {
		t.Errorf("a fault: %d %s", w.Code, w.Body)
	}
}

func TestEveryOutcomeIsLogged(t *testing.T) {
	for name, c := range map[string]struct {
		handler echo.HandlerFunc
		status  int
	}{
		"nothing written": {func(echo.Context) error { return nil }, 200},
		"an error":        {func(echo.Context) error { return echo.ErrTeapot }, 418},
		"no content":      {func(c echo.Context) error { return c.NoContent(http.StatusNoContent) }, 204},
		"twice": {func(c echo.Context) error {
			c.Response().Writer.WriteHeader(http.StatusGone)
			c.Response().Writer.WriteHeader(http.StatusOK)
			return nil
		}, 410},
	} {
		log := &journal{}
		w := serve(log, "/"+one, c.handler)
		if len(log.rows) != 1 || log.rows[0].Status != c.status || w.Code != c.status {
			t.Errorf("%s: answered %d, rows %+v", name, w.Code, log.rows)
		}
	}
	log := &journal{}
	if w := serve(log, "/open", func(c echo.Context) error { return c.String(200, "to everybody") }); len(log.rows) > 0 || w.Code != 200 {
		t.Errorf("what is open to everybody: %d, %+v", w.Code, log.rows)
	}
}

// Only what looks like one of our ids, names and addresses is kept.
func TestValuesStayOut(t *testing.T) {
	for target, c := range map[string]struct {
		id         string
		parameters []string
	}{
		"/" + one + "-flag-bmi": {one + "-flag-bmi", nil},
		"/Poppins":              {"", nil},
		"/123456":               {"123456", nil},
		"/" + one + "?name=Poppins&birthdate=1964":                          {one, []string{"name", "birthdate"}},
		"/" + one + "?Mary%20Poppins=1&given=M":                             {one, []string{"(unnamed)", "given"}},
		"/" + one + "?%zz=1&_has:Observation:patient:code=1&patient.name=x": {one, []string{"(unnamed)", "_has:Observation:patient:code", "patient.name"}},
		"/" + one + "?" + strings.Repeat("a=1&", 200):                       {one, []string{"a"}},
	} {
		log := &journal{}
		serve(log, target, func(c echo.Context) error { return c.NoContent(200) })
		if len(log.rows) != 1 || log.rows[0].ID != c.id || !slices.Equal(log.rows[0].Parameters, c.parameters) {
			t.Errorf("%s: %+v", target, log.rows)
		}
		if text := fmt.Sprintf("%+v", log.rows); strings.Contains(text, "Poppins") {
			t.Errorf("%s: %s", target, text)
		}
	}
}

// What a handler writes through the http package's own ways is held back too.
func TestTheWriterKeepsItsAbilities(t *testing.T) {
	log := &journal{}
	e := echo.New()
	e.GET("/:id", func(c echo.Context) error {
		http.ServeContent(c.Response(), c.Request(), "", time.Time{}, strings.NewReader("0123456789"))
		return nil
	}, audit.Requests(options(log)))
	server := httptest.NewServer(e)
	defer server.Close()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+"/"+one, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Range", "bytes=2-4")
	res, err := server.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var body bytes.Buffer
	if _, err := body.ReadFrom(res.Body); err != nil || body.String() != "234" || res.StatusCode != http.StatusPartialContent {
		t.Errorf("%d %q, %v", res.StatusCode, body.String(), err)
	}
	if len(log.rows) != 1 || log.rows[0].Status != http.StatusPartialContent {
		t.Errorf("rows: %+v", log.rows)
	}
}
