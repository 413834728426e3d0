package access

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// counted counts look-ups.
type counted struct {
	Tokens
	mu    sync.Mutex
	calls int
}

func (c *counted) TokenBearer(ctx context.Context, token string) (record.Bearer, error) {
	c.mu.Lock()
	c.calls++
	c.mu.Unlock()
	return c.Tokens.TokenBearer(ctx, token)
}

// table is a set of tokens in memory.
type table map[string]record.Bearer

func (t table) TokenBearer(_ context.Context, token string) (record.Bearer, error) {
	if bearer, ok := t[token]; ok {
		return bearer, nil
	}
	return record.Bearer{}, record.ErrNotFound
}

type broken struct{ error }

func (b broken) TokenBearer(context.Context, string) (record.Bearer, error) {
	return record.Bearer{}, b.error
}

func fail(c echo.Context, status int, code, message string) error {
	return c.String(status, code+": "+message)
}

// ask sends one request through the middleware and returns the answer with
// what the middleware returned.
func ask(store Tokens, header ...string) (*httptest.ResponseRecorder, error) {
	request := httptest.NewRequest(http.MethodGet, "/", nil)
	for _, h := range header {
		request.Header.Add(echo.HeaderAuthorization, h)
	}
	answer := httptest.NewRecorder()
	c := echo.New().NewContext(request, answer)
	handler := Bearer(store, []journey.Role{journey.Coordinator, journey.Auditor}, newClock().now, fail)(func(c echo.Context) error {
		bearer := From(c)
		return c.String(http.StatusOK, bearer.Actor+" "+string(bearer.Role))
	})
	return answer, handler(c)
}

var known = table{
	"one":   {Actor: "ada", Role: journey.Coordinator},
	"two":   {Actor: "edgar", Role: journey.EHR},
	"three": {Actor: "olga", Role: journey.Auditor},
}

func TestBearer(t *testing.T) {
	for name, tc := range map[string]struct {
		header []string
		status int
		body   string
	}{
		"let in":             {[]string{"Bearer one"}, 200, "ada coordinator"},
		"another role":       {[]string{"Bearer three"}, 200, "olga auditor"},
		"scheme in any case": {[]string{"bEARER one"}, 200, "ada coordinator"},
		"more blanks":        {[]string{"Bearer   one"}, 200, "ada coordinator"},
		"role not allowed":   {[]string{"Bearer two"}, 403, "forbidden: the role of this token is not allowed here"},
		"no header":          {nil, 401, "login: a valid bearer token is needed"},
		"wrong token":        {[]string{"Bearer four"}, 401, "login: a valid bearer token is needed"},
		"empty token":        {[]string{"Bearer "}, 401, "login: a valid bearer token is needed"},
		"no blank":           {[]string{"Bearer"}, 401, "login: a valid bearer token is needed"},
		"another scheme":     {[]string{"Basic one"}, 401, "login: a valid bearer token is needed"},
		"two headers":        {[]string{"Bearer one", "Bearer one"}, 401, "login: a valid bearer token is needed"},
		"two tokens":         {[]string{"Bearer one, Bearer two"}, 401, "login: a valid bearer token is needed"},
		"very long":          {[]string{"Bearer " + strings.Repeat("x", longestToken+1)}, 401, "login: a valid bearer token is needed"},
	} {
		t.Run(name, func(t *testing.T) {
			answer, err := ask(known, tc.header...)
			if err != nil {
				t.Fatal(err)
			}
			if answer.Code != tc.status || answer.Body.String() != tc.body {
				t.Errorf("got %d %q, want %d %q", answer.Code, answer.Body, tc.status, tc.body)
			}
			got, want := answer.Header().Get(echo.HeaderWWWAuthenticate), ""
			if tc.status == http.StatusUnauthorized {
				want = "Bearer"
			}
			if got != want {
				t.Errorf("WWW-Authenticate is %q, want %q", got, want)
			}
		})
	}
}

func TestBearerHidesAFaultAndPassesItOn(t *testing.T) {
	fault := errors.New("disk at /var/somewhere is full")
	answer, err := ask(broken{fault}, "Bearer one")
	if !errors.Is(err, fault) {
		t.Errorf("the fault was not passed on: %v", err)
	}
	if answer.Code != http.StatusInternalServerError || strings.Contains(answer.Body.String(), "disk") {
		t.Errorf("got %d %q", answer.Code, answer.Body)
	}
}

func TestFromWithoutBearerIsAllowedNothing(t *testing.T) {
	c := echo.New().NewContext(httptest.NewRequest(http.MethodGet, "/", nil), httptest.NewRecorder())
	if got := From(c); got != (record.Bearer{}) {
		t.Errorf("got %+v", got)
	}
}

// The log names who was refused; nothing else may take them for let in.
func TestAskedNamesWhoeverShowedAToken(t *testing.T) {
	for token, want := range map[string][2]string{"one": {"ada", "ada"}, "two": {"edgar", ""}, "four": {"", ""}} {
		request := httptest.NewRequest(http.MethodGet, "/", nil)
		request.Header.Set(echo.HeaderAuthorization, "Bearer "+token)
		c := echo.New().NewContext(request, httptest.NewRecorder())
		handler := Bearer(known, []journey.Role{journey.Coordinator}, newClock().now, fail)(func(c echo.Context) error {
			if Of(c.Request()) != From(c) {
				t.Errorf("the request is of %+v, and the context of %+v", Of(c.Request()), From(c))
			}
			return c.NoContent(http.StatusNoContent)
		})
		if err := handler(c); err != nil {
			t.Fatal(err)
		}
		if got := [2]string{Asked(c).Actor, From(c).Actor}; got != want {
			t.Errorf("%s: asked by %q, let in %q, want %v", token, got[0], got[1], want)
		}
	}
}

// clock is a clock that tests set.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

func newClock() *clock { return &clock{time.Date(2031, 4, 2, 9, 0, 0, 0, time.UTC)} }

func TestCacheRemembersForHalfAMinute(t *testing.T) {
	clock, store := newClock(), &counted{Tokens: known}
	cache := Cache(store, clock.now)
	for _, step := range []struct {
		wait  time.Duration
		calls int
	}{
		{0, 1}, {remember - 1, 1}, {1, 2}, {time.Second, 2}, {-time.Hour, 3}, {2 * time.Hour, 4},
	} {
		clock.at = clock.at.Add(step.wait)
		bearer, err := cache.TokenBearer(t.Context(), "one")
		if err != nil || bearer != known["one"] {
			t.Fatalf("got %+v, %v", bearer, err)
		}
		if store.calls != step.calls {
			t.Errorf("after another %s: %d look-ups, want %d", step.wait, store.calls, step.calls)
		}
	}
}

func TestCacheDoesNotRememberStrangers(t *testing.T) {
	clock, store := newClock(), &counted{Tokens: known}
	cache := Cache(store, clock.now)
	for range 3 {
		if _, err := cache.TokenBearer(t.Context(), "four"); !errors.Is(err, record.ErrNotFound) {
			t.Fatalf("got %v", err)
		}
	}
	if store.calls != 3 {
		t.Errorf("%d look-ups, want 3", store.calls)
	}
}

func TestCacheOfACacheIsTheSame(t *testing.T) {
	cache := Cache(known, newClock().now)
	if again := Cache(cache, newClock().now); again != cache {
		t.Error("a cache was put around another")
	}
}

func TestCacheIsBounded(t *testing.T) {
	clock, many := newClock(), table{}
	for i := range 2 * mostRemembered {
		many[fmt.Sprint(i)] = record.Bearer{Actor: fmt.Sprint(i), Role: journey.Auditor}
	}
	c := Cache(many, clock.now).(*cache)
	for token := range many {
		if bearer, err := c.TokenBearer(t.Context(), token); err != nil || bearer.Actor != token {
			t.Fatalf("got %+v, %v", bearer, err)
		}
		if len(c.known) > mostRemembered {
			t.Fatalf("%d are remembered", len(c.known))
		}
	}
	clock.at = clock.at.Add(remember)
	if _, err := c.TokenBearer(t.Context(), "0"); err != nil {
		t.Fatal(err)
	}
	if len(c.known) != 1 {
		t.Errorf("%d are remembered after all but one grew old", len(c.known))
	}
}

func TestCacheIsSafeForConcurrentUse(t *testing.T) {
	clock := newClock()
	cache := Cache(known, clock.now)
	var group sync.WaitGroup
	for range 8 {
		group.Go(func() {
			for token, want := range known {
				if got, err := cache.TokenBearer(t.Context(), token); err != nil || got != want {
					t.Errorf("got %+v, %v", got, err)
				}
			}
		})
	}
	group.Wait()
}

func TestTokensOfTheStoreExpire(t *testing.T) {
	clock := newClock()
	store, err := record.Open(t.Context(), filepath.Join(t.TempDir(), "records.db"), clock.now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	token, err := store.IssueToken(t.Context(), journey.Auditor, "", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	cache := Cache(store, clock.now)
	for _, step := range []struct {
		wait   time.Duration
		status int
	}{{0, 200}, {time.Hour - time.Second, 200}, {remember, 401}} {
		clock.at = clock.at.Add(step.wait)
		answer, err := ask(cache, "Bearer "+token)
		if err != nil {
			t.Fatal(err)
		}
		if answer.Code != step.status {
			t.Errorf("after another %s: %d, want %d", step.wait, answer.Code, step.status)
		}
	}
}
