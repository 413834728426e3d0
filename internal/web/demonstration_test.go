package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/demo"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// shown is the instant at which the tests look at the demonstration.
var shown = time.Date(2026, time.November, 25, 15, 30, 0, 0, time.UTC)

// played holds the data folder of the demonstration once a test has asked for it.
var played struct {
	once   sync.Once
	folder string
	err    error
}

func TestMain(m *testing.M) {
	code := m.Run()
	if played.folder != "" {
		if err := os.RemoveAll(played.folder); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// play loads the demonstration into a folder of its own, for all tests: that takes longer
// than most of them.
func play(ctx context.Context) (err error) {
	if played.folder, err = os.MkdirTemp("", "candidacy-demonstration"); err != nil {
		return err
	}
	sys, err := system.Open(ctx, system.Options{DataDir: played.folder, Now: (&clock{at: shown}).now})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sys.Close()) }()
	if err := demo.Load(ctx, sys.Store, sys.Dispatcher, shown, func(int, int) {}); err != nil {
		return err
	}
	return demo.Deliver(ctx, sys.Store, sys.Incoming, sys.Current)
}

// newProgramme is the world of `candidacy demo`: the whole invented programme, with the
// publisher, at a fixed instant.
func newProgramme(t *testing.T) *world {
	t.Helper()
	ctx := t.Context()
	played.once.Do(func() { played.err = play(ctx) })
	must(t, played.err)
	folder := t.TempDir()
	must(t, os.CopyFS(folder, os.DirFS(played.folder)))
	must(t, os.Chmod(filepath.Join(folder, "payload.keys"), 0o600))
	w := &world{t: t, clock: &clock{at: shown}, log: &strings.Builder{}}
	sys, err := system.Open(ctx, system.Options{DataDir: folder, Now: w.clock.now})
	must(t, err)
	t.Cleanup(func() { must(t, sys.Close()) })
	// Nothing is released: the engine's own clock is the machine's.
	dispatcher := *sys.Dispatcher
	dispatcher.BackEntry = true
	w.store, w.dispatcher, w.incoming, w.protocol = sys.Store, &dispatcher, sys.Incoming, sys.Current
	deps := Deps{
		Store: w.store, Incoming: w.incoming, Dispatcher: w.dispatcher, Protocols: sys.Protocols, Current: sys.Current, Now: w.clock.now,
		Log: slog.New(slog.NewTextHandler(&locked{b: w.log}, nil)), Sealer: sys.Keys, Demo: true,
	}
	for _, a := range demo.Accounts {
		deps.SignIns = append(deps.SignIns, SignIn{Username: a.Username, Role: a.Role, Password: a.Password})
	}
	e := echo.New()
	must(t, Register(e, deps))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	return w
}

// demonstrator signs one of the demonstration's people in.
func (w *world) demonstrator(username string) *browser {
	w.t.Helper()
	for _, a := range demo.Accounts {
		if a.Username == username {
			return w.enter(a.Username, a.Password)
		}
	}
	w.t.Fatalf("nobody in the demonstration is called %s", username)
	return nil
}

// numbered finds the candidates of the demonstration by their number, as 6 for SYN-0006.
func (w *world) numbered() func(number string) string {
	w.t.Helper()
	list, err := w.store.Candidates(context.Background(), "", "", 1000)
	must(w.t, err)
	known := map[string]record.Candidate{}
	for _, c := range list {
		known[c.Identity.Identifier.Value] = c
	}
	return func(number string) string {
		w.t.Helper()
		c, ok := known["SYN-00"+number]
		if !ok {
			w.t.Fatalf("the demonstration has no SYN-00%s", number)
		}
		return c.ID
	}
}

// secretOn reads the secret of a link from the page that shows it once.
func secretOn(t *testing.T, page answer, before string) string {
	t.Helper()
	_, rest, ok := strings.Cut(page.body, before)
	if !ok || len(rest) < 43 {
		t.Fatalf("no link %s on the page: %d %.400s", before, page.status, page.body)
	}
	return rest[:43]
}

// birthOf is a candidate's date of birth as the pages by link ask for it.
func (w *world) birthOf(id string) url.Values {
	w.t.Helper()
	c, err := w.store.Candidate(context.Background(), id)
	must(w.t, err)
	y, rest, _ := strings.Cut(string(c.Identity.BirthDate), "-")
	month, day, _ := strings.Cut(rest, "-")
	return url.Values{"born-day": {strings.TrimPrefix(day, "0")}, "born-month": {strings.TrimPrefix(month, "0")}, "born-year": {y}}
}
