package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"go.temporal.io/sdk/client"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestProblem(t *testing.T) {
	for name, tc := range map[string]struct {
		err    error
		status int
		typ    string
	}{
		"malformed":       {&command.Invalid{Malformed: true, Faults: []command.Fault{{Field: "body"}}}, 400, "malformed"},
		"invalid":         {&command.Invalid{Faults: []command.Fault{{Field: "given"}}}, 422, "invalid"},
		"wrapped":         {fmt.Errorf("somewhere: %w", &command.Invalid{}), 422, "invalid"},
		"refused field":   {&journey.Refusal{Code: journey.Invalid, Field: "until"}, 422, "invalid"},
		"forbidden":       {&journey.Refusal{Code: journey.Forbidden}, 403, "forbidden"},
		"stage":           {&journey.Refusal{Code: journey.NotAllowed}, 409, "stage-not-allowed"},
		"blocked":         {&journey.Refusal{Code: journey.Blocked}, 409, "blocked"},
		"conflict":        {&journey.Refusal{Code: journey.Conflict}, 409, "conflict"},
		"not found":       {&journey.Refusal{Code: journey.NotFound}, 404, "not-found"},
		"a new code":      {&journey.Refusal{Code: "something-else"}, 409, "conflict"},
		"no row":          {fmt.Errorf("reading: %w", record.ErrNotFound), 404, "not-found"},
		"pending":         {&dispatch.Pending{}, 202, "pending"},
		"of the router":   {echo.ErrMethodNotAllowed, 405, "method-not-allowed"},
		"too large":       {echo.ErrStatusRequestEntityTooLarge, 413, "too-large"},
		"unknown status":  {echo.ErrTeapot, 500, "internal"},
		"a fault":         {errors.New("disk full at /var/lib"), 500, "internal"},
		"nobody waits":    {context.Canceled, 500, "internal"},
		"refusal and row": {errors.Join(&journey.Refusal{Code: journey.Blocked}, record.ErrNotFound), 409, "blocked"},
	} {
		t.Run(name, func(t *testing.T) {
			status, p := Problem(tc.err)
			if status != tc.status || p.Status != tc.status || p.Type != "/problems/"+tc.typ || p.Title == "" {
				t.Errorf("got %d %+v", status, p)
			}
			if strings.Contains(p.Detail, "/var") {
				t.Errorf("the detail is internal: %s", p.Detail)
			}
		})
	}
}

func TestProblemOfManyFaults(t *testing.T) {
	_, p := Problem(&command.Invalid{Faults: []command.Fault{
		{Field: "given", Problem: "missing"}, {Field: "sex", Problem: "not accepted", Accepted: []string{"female", "male"}},
	}})
	if p.Detail != "2 fields are missing or wrong" || len(p.Errors) != 2 || len(p.Errors[1].Accepted) != 2 {
		t.Errorf("got %+v", p)
	}
}

func TestAllowedIsEmptyRatherThanMissing(t *testing.T) {
	for code, want := range map[journey.RefusalCode]bool{journey.NotAllowed: true, journey.Blocked: false} {
		_, p := Problem(&journey.Refusal{Code: code})
		raw, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(string(raw), `"allowed":[]`); got != want {
			t.Errorf("%s: %s", code, raw)
		}
	}
}

// faulty serves the API over a store that was closed under it.
func faulty(t *testing.T) *echo.Echo {
	t.Helper()
	store, err := record.Open(t.Context(), t.TempDir()+"/records.db", now)
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	d := fix.deps
	d.Store = store
	return serve(d)
}

func TestFaultsAreHiddenAndLogged(t *testing.T) {
	server := faulty(t)
	fix.log.Reset()
	answer := send(server, fix.request(call{method: "GET", path: "/api/candidates", as: "clinician"}))
	text := answer.Body.String()
	if answer.Code != http.StatusInternalServerError || strings.Contains(text, "sql") || strings.Contains(text, "token") {
		t.Fatalf("got %d: %s", answer.Code, text)
	}
	id := strings.TrimPrefix(object(t, answer.Body.Bytes())["instance"].(string), "urn:uuid:")
	if _, err := uuid.Parse(id); err != nil {
		t.Errorf("the request id is %q", id)
	}
	for _, want := range []string{"request=" + id, "read the token", "*errors.errorString"} {
		if !strings.Contains(fix.log.String(), want) {
			t.Errorf("the log lacks %q: %s", want, fix.log)
		}
	}
}

func TestPanicsAreHiddenAndLogged(t *testing.T) {
	fix.log.Reset()
	s := &server{fix.deps}
	answer := httptest.NewRecorder()
	c := echo.New().NewContext(httptest.NewRequest(http.MethodGet, "/", nil), answer)
	c.Set(candidateKey, "3f2c9f5e-6f0b-5c53-9a54-0d5a1f0c7f11")
	if err := s.guard(func(echo.Context) error { panic("Alvira Testford") })(c); err != nil {
		t.Fatal(err)
	}
	if answer.Code != http.StatusInternalServerError || strings.Contains(answer.Body.String()+fix.log.String(), "Alvira") {
		t.Errorf("got %d: %s, log: %s", answer.Code, answer.Body, fix.log)
	}
	for _, want := range []string{"candidate=3f2c9f5e", "panic of type string"} {
		if !strings.Contains(fix.log.String(), want) {
			t.Errorf("the log lacks %q: %s", want, fix.log)
		}
	}
	defer func() {
		if recover() != http.ErrAbortHandler { //nolint:errorlint // the recovered value itself
			t.Error("dropping the connection was not passed on")
		}
	}()
	_ = s.guard(func(echo.Context) error { panic(http.ErrAbortHandler) })(c)
}

func TestDescribeQuotesNoCause(t *testing.T) {
	var number json.Number
	cause := json.Unmarshal([]byte(`"Alvira"`), &number)
	for _, tc := range []struct {
		err          error
		words, cause string
	}{
		{errors.New("Alvira"), "", "*errors.errorString"},
		{fmt.Errorf("read results: %w", cause), "read results: ", fmt.Sprintf("%T", cause)},
		{fmt.Errorf("list: %w", errors.Join(fmt.Errorf("read: %w", cause), errors.New("Bertin"))), "list: read: ", fmt.Sprintf("%T", cause)},
		{errors.Join(fmt.Errorf("read: %w", cause), nil), "read: ", fmt.Sprintf("%T", cause)},
		{fmt.Errorf("read: %w", context.Canceled), "read: ", "the client went away"},
		{fmt.Errorf("read: %w", context.DeadlineExceeded), "read: ", "out of time"},
		{fmt.Errorf("wait: %w", &command.Invalid{}), "wait: ", "*command.Invalid"},
	} {
		words, cause := describe(tc.err)
		if words != tc.words || cause != tc.cause || strings.Contains(words+cause, "Alvira") {
			t.Errorf("%v: got %q, %q", tc.err, words, cause)
		}
	}
}

func TestRequestIDs(t *testing.T) {
	given := uuid.NewString()
	for header, kept := range map[string]bool{given: true, "": false, "Alvira Testford": false} {
		c := echo.New().NewContext(httptest.NewRequest(http.MethodGet, "/", nil), httptest.NewRecorder())
		c.Response().Header().Set(echo.HeaderXRequestID, header)
		id := RequestID(c)
		if (id == header) != kept || c.Response().Header().Get(echo.HeaderXRequestID) != id {
			t.Errorf("%q became %q", header, id)
		}
	}
}

// busy is an engine that does not answer in time.
type busy struct{ client.Client }

func (busy) UpdateWorkflow(context.Context, client.UpdateWorkflowOptions) (client.WorkflowUpdateHandle, error) {
	return nil, client.NewWorkflowUpdateServiceTimeoutOrCanceledError(context.DeadlineExceeded)
}

func TestPendingCommands(t *testing.T) {
	id, _ := fix.screened(t)
	slow := *fix.dispatcher
	slow.Client = busy{fix.dispatcher.Client}
	d := fix.deps
	d.Dispatcher = &slow
	r := call{method: "POST", path: commandPath(id, journey.Hold), as: "coordinator", key: fix.unique("key"), body: `{}`}
	answer := send(serve(d), fix.request(r))
	fix.conforms(t, fix.request(r), answer)
	if got := object(t, answer.Body.Bytes()); answer.Code != http.StatusAccepted || got["status"] != "pending" || got["candidate"] != id {
		t.Fatalf("got %d: %v", answer.Code, got)
	}
	// The same key tells the outcome once the engine answers.
	if got := fix.must(t, http.StatusOK, r); got["stage"] != string(journey.OnHold) {
		t.Errorf("got %v", got)
	}
}
