package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

// laterVersion writes a version with a lower glucose limit to a file.
func laterVersion(t *testing.T, version, header string) string {
	t.Helper()
	text := strings.NewReplacer(
		`version: "`+protocoltest.Brief().Version+`"`, "version: \""+version+"\"\n"+header, "fasting_glucose >= 100 ", "fasting_glucose >= 85 ",
	).Replace(protocoltest.Brief().Source())
	file := filepath.Join(t.TempDir(), version+".yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

const approved = "approved_by: Selection committee\napproved_on: 2026-01-15"

func TestAdopt(t *testing.T) {
	data := t.TempDir()
	for header, want := range map[string]string{
		"": "approved_by: missing", "approved_by: Selection committee": "approved_on: an approval has a name and a calendar date YYYY-MM-DD",
	} {
		if _, err := run(t, "protocol", "adopt", laterVersion(t, "ours-1", header), "--data", data); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is answered %v", header, err)
		}
	}
	if _, err := run(t, "protocol", "adopt", laterVersion(t, "our first", approved), "--data", data); err == nil || !strings.Contains(err.Error(), "version: \"our first\"") {
		t.Errorf("a version of two words is answered %v", err)
	}
	file := laterVersion(t, "ours-1", approved)
	for range 2 {
		if out := mustRun(t, "protocol", "adopt", file, "--data", data); !strings.Contains(out, "version ours-1 is stored, approved by Selection committee on 2026-01-15\ndigest ") {
			t.Errorf("got %s", out)
		}
	}
	first, err := readProtocol(file)
	if err != nil {
		t.Fatal(err)
	}
	_, err = run(t, "protocol", "adopt", laterVersion(t, "ours-1", approved+"\neffective_from: 2026-02-01"), "--data", data)
	if err == nil || !strings.Contains(err.Error(), "another text, of digest "+first.Digest()) {
		t.Errorf("another text is answered %v", err)
	}
}

// peopled is a data folder with candidates in several stages.
func peopled(t *testing.T, n int) (data string, ids []string) {
	t.Helper()
	data = t.TempDir()
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	employ(t, sys.Store)
	p := walk.NewPlayer(sys.Dispatcher)
	begin := time.Now().In(protocoltest.Brief().Zone()).AddDate(0, 0, -40).Truncate(24 * time.Hour).Add(9 * time.Hour)
	for i := range n {
		w := walk.New(i+1, begin).Refer()
		if i%3 > 0 {
			w.Screen()
		}
		if i%3 > 1 {
			w.Evaluate()
		}
		ids = append(ids, play(t, p, fmt.Sprintf("moved-%d", i), w.Steps()))
	}
	if err := sys.Close(); err != nil {
		t.Fatal(err)
	}
	return data, ids
}

// onVersion counts the candidates on a version, and how often each was moved.
func onVersion(t *testing.T, data, version string) (on int, moves map[string]int) {
	t.Helper()
	moves = map[string]int{}
	look(t, data, func(store *record.Store) {
		list, err := store.List(t.Context(), record.Filter{}, "", 1000)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range list {
			if c.Protocol == version {
				on++
			}
			entries, err := store.Entries(t.Context(), c.ID)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range entries {
				if e.Kind == journey.MoveProtocol {
					moves[c.ID]++
				}
			}
		}
		if _, err := store.Verify(t.Context()); err != nil {
			t.Error(err)
		}
	})
	return on, moves
}

// TestMoveOfAFolder previews a move, carries it out without a server, gives it
// again, and loses the engine afterwards: everybody goes on by the new version.
func TestMoveOfAFolder(t *testing.T) {
	data, ids := peopled(t, 3)
	move := func(args ...string) (string, error) {
		return run(t, append([]string{"protocol", "move", "--data", data}, args...)...)
	}
	if _, err := move("--to", "ours-1"); err == nil || !strings.Contains(err.Error(), "--to: version ours-1 is not stored; accepted: brief") {
		t.Errorf("a version that is not stored is answered %v", err)
	}
	mustRun(t, "protocol", "adopt", laterVersion(t, "ours-1", approved), "--data", data)
	out, err := move("--to", "ours-1")
	for _, want := range []string{
		"candidate " + ids[2] + " (evaluation, from version brief", "gains requirement glucose-tolerance", "3 open candidates would be moved to version ours-1; for 1 of them something changes",
		"1 requirements gained, 0 lost", "Nothing was moved. Add --confirm",
	} {
		if err != nil || !strings.Contains(out, want) {
			t.Errorf("the preview lacks %q: %v\n%s", want, err, out)
		}
	}
	if on, _ := onVersion(t, data, "ours-1"); on != 0 {
		t.Errorf("the preview moved %d", on)
	}
	if _, err := move("--to", "ours-1", "--confirm", "--account", "nobody"); err == nil || !strings.Contains(err.Error(), "--account: ") {
		t.Errorf("an unknown account is answered %v", err)
	}
	out, err = move("--to", "ours-1", "--confirm", "--reason", "new limits")
	if err != nil || !strings.Contains(out, "3 of 3  ") || !strings.Contains(out, "3 of 3 candidates were moved to version ours-1") || strings.Contains(out, walk.Family) {
		t.Errorf("got %v\n%s", err, out)
	}
	if out, err = move("--to", "ours-1", "--confirm"); err != nil || !strings.Contains(out, "0 of 0 candidates were moved") {
		t.Errorf("the second time: %v\n%s", err, out)
	}
	// There and back, and there again.
	mustRun(t, "protocol", "adopt", laterVersion(t, "ours-0", approved), "--data", data)
	if out, err = move("--to", "ours-0", "--from", "ours-1", "--confirm"); err != nil || !strings.Contains(out, "3 of 3 candidates") {
		t.Errorf("back: %v\n%s", err, out)
	}
	if out, err = move("--to", "ours-1", "--confirm", "--reason", "new limits"); err != nil || !strings.Contains(out, "3 of 3 candidates") {
		t.Errorf("there again: %v\n%s", err, out)
	}
	if out, err = move("--to", protocoltest.Brief().Version, "--confirm"); err == nil || !strings.Contains(out, "nobody approved this version") {
		t.Errorf("to a version that nobody approved: %v\n%s", err, out)
	}
	on, moves := onVersion(t, data, "ours-1")
	if on != 3 || moves[ids[0]] != 3 {
		t.Errorf("%d are on the new version, moves %v", on, moves)
	}
	if out := mustRun(t, "protocol", "explain", "--data", data, "--candidate", ids[2]); !strings.Contains(out, "protocol version ours-1") || !strings.Contains(out, "glucose-tolerance: due") {
		t.Errorf("got %s", out)
	}
	mustRun(t, "rebuild", "--data", data)
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	defer sys.Close()
	p, err := sys.Protocols.Get(t.Context(), "ours-1")
	if err != nil {
		t.Fatal(err)
	}
	for id, s := range standings(t, sys) {
		if !strings.Contains(s.Whole, `"glucose-tolerance"`) {
			t.Errorf("candidate %s does not go on: %+v", id, s)
		}
		events, err := sys.Store.Events(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		c, err := sys.Store.Candidate(t.Context(), id)
		if err != nil || c.Protocol != p.Version {
			t.Fatalf("%s, %v", c.Protocol, err)
		}
		if folded := journey.Fold(protocoltest.Brief().Rules(), events); !slices.Equal(folded.Requirements, c.State.Requirements) {
			t.Errorf("the record is not the fold of its events:\n%+v\n%+v", folded.Requirements, c.State.Requirements)
		}
	}
}

// killer kills a server once a number of candidates were moved.
type killer struct {
	bytes.Buffer
	srv   *server
	after int
}

func (k *killer) Write(p []byte) (int, error) {
	n, err := k.Buffer.Write(p)
	if k.after > 0 && strings.Count(k.String(), "  moved\n") >= k.after {
		k.after = 0
		k.srv.kill()
	}
	return n, err
}

// TestMoveIsInterrupted kills the server in the middle of a move, several times.
// Given again, the move goes on, and everybody is moved exactly once.
func TestMoveIsInterrupted(t *testing.T) {
	const candidates = 12
	data, ids := peopled(t, candidates)
	mustRun(t, "protocol", "adopt", laterVersion(t, "ours-1", approved), "--data", data)
	token := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "administrator"))
	coordinator := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "coordinator"))
	for _, after := range []int{2, 3} {
		srv := start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
		out := &killer{srv: srv, after: after}
		cmd := program(out, out)
		cmd.SetArgs([]string{"protocol", "move", "--to", "ours-1", "--confirm", "--server", srv.url, "--token", token})
		err := cmd.ExecuteContext(t.Context())
		if err == nil || !strings.Contains(err.Error(), "give the same command again") || !strings.Contains(out.String(), "Not moved:\n  ") {
			t.Errorf("the interrupted move ends with %v\n%s", err, out)
		}
	}
	srv := start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
	if _, err := run(t, "protocol", "move", "--to", "ours-1", "--server", srv.url, "--token", coordinator); err == nil || !strings.Contains(err.Error(), "role") {
		t.Errorf("a coordinator is answered %v", err)
	}
	if out := mustRun(t, "protocol", "move", "--to", "ours-1", "--server", srv.url, "--token", token); !strings.Contains(out, "Nothing was moved") {
		t.Errorf("got %s", out)
	}
	// The folder's own server is found by itself.
	if out := mustRun(t, "protocol", "move", "--to", "ours-1", "--data", data, "--confirm"); !strings.Contains(out, "candidates were moved to version ours-1") {
		t.Errorf("got %s", out)
	}
	for i, id := range ids {
		a := mustAsk(t, "POST", srv.url+"/api/candidates/"+id+"/commands/hold", coordinator, fmt.Sprintf("hold-%d", i), struct{}{})
		if a.status != 200 {
			t.Errorf("a moved candidate does not go on: %d %s", a.status, a.body)
		}
	}
	srv.stop()
	on, moves := onVersion(t, data, "ours-1")
	if on != candidates || len(moves) != candidates {
		t.Errorf("%d of %d are on the new version", on, candidates)
	}
	for id, n := range moves {
		if n != 1 {
			t.Errorf("%s was moved %d times", id, n)
		}
	}
}
