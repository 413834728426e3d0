package engine

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	enumspb "go.temporal.io/api/enums/v1"
	historypb "go.temporal.io/api/history/v1"
	"go.temporal.io/api/operatorservice/v1"
	"go.temporal.io/api/workflowservice/v1"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/temporal"
	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"
	"google.golang.org/protobuf/proto"
)

const (
	testQueue  = "test"
	testUpdate = "add"
	testQuit   = "quit"
	// patience bounds a test that hangs; no test depends on its length.
	patience = 2 * time.Minute
)

// Words that must never be readable in the engine.
const (
	secretInput   = "quokka-in-the-input"
	secretUpdate  = "quokka-in-the-update"
	secretResult  = "quokka-in-the-result"
	secretFailure = "quokka-in-the-failure"
	secretRefusal = "quokka-in-the-refusal"
	secretMemo    = "quokka-in-the-memo"
	secretSummary = "quokka-in-the-summary"
	secretSide    = "quokka-in-the-side-effect"
)

const anySecret = "quokka"

type tinyInput struct {
	Note string
	Sum  int
}

type tinyAdd struct {
	Note string
	N    int
	Fail bool
}

type tinySum struct {
	Note string
	Sum  int
}

// tiny adds up what its updates bring. It uses each kind of command whose
// payload the SDK makes by itself, since the codec refuses plain payloads.
func tiny(ctx workflow.Context, in tinyInput) (tinySum, error) {
	sum, quit := in.Sum, false
	add := func(ctx workflow.Context, a tinyAdd) (tinySum, error) {
		ctx = workflow.WithActivityOptions(ctx, workflow.ActivityOptions{
			StartToCloseTimeout: time.Minute,
			RetryPolicy:         &temporal.RetryPolicy{MaximumAttempts: 1},
		})
		var out tinySum
		if err := workflow.ExecuteActivity(ctx, echo, a).Get(ctx, &out); err != nil {
			return tinySum{}, err
		}
		sum += out.Sum
		return tinySum{Note: out.Note, Sum: sum}, nil
	}
	err := workflow.SetUpdateHandlerWithOptions(ctx, testUpdate, add, workflow.UpdateHandlerOptions{
		Validator: func(a tinyAdd) error {
			if a.N < 0 {
				return temporal.NewNonRetryableApplicationError(secretRefusal, "Negative", nil)
			}
			return nil
		},
	})
	if err != nil {
		return tinySum{}, err
	}

	workflow.GetVersion(ctx, "a-change", workflow.DefaultVersion, 1)
	var side string
	if err := workflow.SideEffect(ctx, func(workflow.Context) any { return secretSide }).Get(&side); err != nil {
		return tinySum{}, err
	}
	local := workflow.WithLocalActivityOptions(ctx, workflow.LocalActivityOptions{StartToCloseTimeout: time.Minute})
	if err := workflow.ExecuteLocalActivity(local, echo, tinyAdd{}).Get(ctx, nil); err != nil {
		return tinySum{}, err
	}
	timerCtx, cancel := workflow.WithCancel(ctx)
	workflow.NewTimerWithOptions(timerCtx, 1000*time.Hour, workflow.TimerOptions{Summary: secretSummary})
	workflow.GetSignalChannel(ctx, testQuit).Receive(ctx, &quit)
	cancel()
	return tinySum{Note: in.Note, Sum: sum}, nil
}

func echo(_ context.Context, a tinyAdd) (tinySum, error) {
	if a.Fail {
		return tinySum{}, errors.New(secretFailure)
	}
	return tinySum{Note: secretResult, Sum: a.N}, nil
}

func testContext(t testing.TB) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return ctx
}

func startServer(t testing.TB, o Options) *Server {
	t.Helper()
	s, err := Start(testContext(t), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stopServer(t, s) })
	return s
}

func stopServer(t testing.TB, s *Server) {
	t.Helper()
	if err := s.Stop(); err != nil {
		t.Error(err)
	}
}

func dial(t testing.TB, s *Server, ring Keyring) client.Client {
	t.Helper()
	c, err := Dial(testContext(t), ClientOptions{HostPort: s.HostPort(), Namespace: s.Namespace(), Codec: testCodec(t, ring)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// dialPlain returns a client as an operator's tool would be: without keys.
func dialPlain(t testing.TB, s *Server) client.Client {
	t.Helper()
	c, err := client.DialContext(testContext(t), client.Options{HostPort: s.HostPort(), Namespace: s.Namespace(), Identity: "plain"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func startWorker(t testing.TB, c client.Client) worker.Worker {
	t.Helper()
	w := NewWorker(c, testQueue, worker.Options{})
	w.RegisterWorkflow(tiny)
	w.RegisterActivity(echo)
	if err := w.Start(); err != nil {
		t.Fatal(err)
	}
	return w
}

func startTiny(t testing.TB, c client.Client) client.WorkflowRun {
	t.Helper()
	run, err := c.ExecuteWorkflow(testContext(t), client.StartWorkflowOptions{
		ID:        "candidate/" + uuid.NewString(),
		TaskQueue: testQueue,
		Memo:      map[string]any{"note": secretMemo},
		TypedSearchAttributes: temporal.NewSearchAttributes(
			temporal.NewSearchAttributeKeyKeyword(SearchStage).ValueSet("evaluation"),
			temporal.NewSearchAttributeKeyTime(SearchNextDue).ValueSet(time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)),
			temporal.NewSearchAttributeKeyBool(SearchFlagged).ValueSet(true),
		),
	}, tiny, tinyInput{Note: secretInput, Sum: 1})
	if err != nil {
		t.Fatal(err)
	}
	return run
}

func update(t testing.TB, c client.Client, workflowID string, a tinyAdd) (tinySum, error) {
	t.Helper()
	ctx := testContext(t)
	handle, err := c.UpdateWorkflow(ctx, client.UpdateWorkflowOptions{
		WorkflowID:   workflowID,
		UpdateID:     uuid.NewString(),
		UpdateName:   testUpdate,
		Args:         []any{a},
		WaitForStage: client.WorkflowUpdateStageCompleted,
	})
	if err != nil {
		return tinySum{}, err
	}
	var out tinySum
	err = handle.Get(ctx, &out)
	return out, err
}

func mustUpdate(t testing.TB, c client.Client, workflowID string, n, want int) {
	t.Helper()
	got, err := update(t, c, workflowID, tinyAdd{Note: secretUpdate, N: n})
	if err != nil {
		t.Fatal(err)
	}
	if got.Sum != want {
		t.Fatalf("the sum is %d, want %d", got.Sum, want)
	}
}

func TestEncryptedWorkflowShowsNoPlainText(t *testing.T) {
	dir := t.TempDir()
	s := startServer(t, Options{DataDir: dir})
	c := dial(t, s, NewKeyring())
	w := startWorker(t, c)
	defer w.Stop()
	ctx := testContext(t)

	run := startTiny(t, c)
	mustUpdate(t, c, run.GetID(), 2, 3)

	// Errors reach the encrypted client in full.
	if _, err := update(t, c, run.GetID(), tinyAdd{Fail: true}); err == nil || !strings.Contains(err.Error(), secretFailure) {
		t.Errorf("a failing activity gave %v", err)
	}
	_, err := update(t, c, run.GetID(), tinyAdd{N: -1})
	var refused *temporal.ApplicationError
	if !errors.As(err, &refused) || refused.Type() != "Negative" || refused.Message() != secretRefusal {
		t.Errorf("a refused update gave %v", err)
	}

	described, err := c.DescribeWorkflowExecution(ctx, run.GetID(), "")
	if err != nil {
		t.Fatal(err)
	}
	if err := c.SignalWorkflow(ctx, run.GetID(), "", testQuit, true); err != nil {
		t.Fatal(err)
	}
	var out tinySum
	if err := run.Get(ctx, &out); err != nil {
		t.Fatal(err)
	}
	if want := (tinySum{Note: secretInput, Sum: 3}); out != want {
		t.Errorf("the workflow returned %+v, want %+v", out, want)
	}

	host, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	history := rawHistory(t, dialPlain(t, s), run.GetID())
	for what, m := range map[string]proto.Message{"history": history, "description": described} {
		raw, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(raw, []byte(anySecret)) {
			t.Errorf("the %s shows plain text", what)
		}
		// The search attributes show that this looks at the right bytes.
		if !bytes.Contains(raw, []byte("evaluation")) {
			t.Errorf("the %s lacks the search attribute", what)
		}
		// The library's own identity is pid@host; a short name alone may be in
		// encrypted bytes by chance.
		if bytes.Contains(raw, []byte("@"+host)) {
			t.Errorf("the %s names the host", what)
		}
	}
	for _, name := range []string{dbFile, dbFile + "-wal"} {
		raw, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(raw, []byte(anySecret)) {
			t.Errorf("%s holds plain text", name)
		}
	}

	// A plain client must not read a result either.
	err = dialPlain(t, s).GetWorkflow(ctx, run.GetID(), "").Get(ctx, &out)
	if err == nil {
		t.Error("a client without keys read the result")
	}
}

func rawHistory(t testing.TB, c client.Client, workflowID string) *historypb.History {
	t.Helper()
	h := new(historypb.History)
	for it := c.GetWorkflowHistory(testContext(t), workflowID, "", false, enumspb.HISTORY_EVENT_FILTER_TYPE_ALL_EVENT); it.HasNext(); {
		e, err := it.Next()
		if err != nil {
			t.Fatal(err)
		}
		h.Events = append(h.Events, e)
	}
	return h
}

// A missing key must not end a workflow: it waits until the key is back.
func TestMissingKeyBlocksTheWorkflow(t *testing.T) {
	s := startServer(t, Options{InMemory: true})
	ring := NewKeyring()
	c := dial(t, s, ring)
	run := startTiny(t, c)

	stranger := dial(t, s, NewKeyring())
	w := startWorker(t, stranger)
	awaitEvent(t, c, run.GetID(), enumspb.EVENT_TYPE_WORKFLOW_TASK_FAILED)
	w.Stop()

	w = startWorker(t, c)
	defer w.Stop()
	mustUpdate(t, c, run.GetID(), 2, 3)
}

func awaitEvent(t testing.TB, c client.Client, workflowID string, want enumspb.EventType) {
	t.Helper()
	for it := c.GetWorkflowHistory(testContext(t), workflowID, "", true, enumspb.HISTORY_EVENT_FILTER_TYPE_ALL_EVENT); it.HasNext(); {
		e, err := it.Next()
		if err != nil {
			t.Fatal(err)
		}
		if e.GetEventType() == want {
			return
		}
	}
	t.Fatalf("the workflow ended without %s", want)
}

func TestRestartKeepsTheWorkflow(t *testing.T) {
	// The name has what is special in a URI.
	dir := filepath.Join(t.TempDir(), "data 100%?#x")
	ring := NewKeyring()

	s := startServer(t, Options{DataDir: dir})
	if !s.Fresh() {
		t.Error("the first start is not fresh")
	}
	if err := s.MarkRebuilt(); err != nil {
		t.Fatal(err)
	}
	c := dial(t, s, ring)
	w := startWorker(t, c)
	run := startTiny(t, c)
	mustUpdate(t, c, run.GetID(), 2, 3)
	w.Stop()
	c.Close()
	stopServer(t, s)
	stopServer(t, s) // a second call does nothing

	s = startServer(t, Options{DataDir: dir, Retention: 500 * 24 * time.Hour})
	if s.Fresh() {
		t.Error("the second start is fresh")
	}
	c = dial(t, s, ring)
	// A new worker has no cache, so it replays the whole history.
	w = startWorker(t, c)
	defer w.Stop()
	mustUpdate(t, c, run.GetID(), 4, 7)

	ns, err := c.WorkflowService().DescribeNamespace(testContext(t), &workflowservice.DescribeNamespaceRequest{Namespace: s.Namespace()})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := ns.GetConfig().GetWorkflowExecutionRetentionTtl().AsDuration(), 500*24*time.Hour; got != want {
		t.Errorf("retention is %v, want the changed %v", got, want)
	}
}

func TestNewNamespaceHasRetentionAndSearchAttributes(t *testing.T) {
	s := startServer(t, Options{InMemory: true})
	if !s.Fresh() {
		t.Error("a server in memory is not fresh")
	}
	if err := s.MarkRebuilt(); err != nil {
		t.Error(err)
	}
	c := dialPlain(t, s)
	ctx := testContext(t)
	ns, err := c.WorkflowService().DescribeNamespace(ctx, &workflowservice.DescribeNamespaceRequest{Namespace: DefaultNamespace})
	if err != nil {
		t.Fatal(err)
	}
	if got := ns.GetConfig().GetWorkflowExecutionRetentionTtl().AsDuration(); got != DefaultRetention {
		t.Errorf("retention is %v, want %v", got, DefaultRetention)
	}
	wantSearchAttributes(t, c, DefaultNamespace)

	// The same server stands in for a cluster.
	for range 2 {
		if err := EnsureNamespace(ctx, c, "other", 48*time.Hour, nil); err != nil {
			t.Fatal(err)
		}
	}
	ns, err = c.WorkflowService().DescribeNamespace(ctx, &workflowservice.DescribeNamespaceRequest{Namespace: "other"})
	if err != nil {
		t.Fatal(err)
	}
	if got := ns.GetConfig().GetWorkflowExecutionRetentionTtl().AsDuration(); got != 48*time.Hour {
		t.Errorf("retention of the ensured namespace is %v", got)
	}
	wantSearchAttributes(t, c, "other")
}

func wantSearchAttributes(t *testing.T, c client.Client, namespace string) {
	t.Helper()
	got, err := c.OperatorService().ListSearchAttributes(testContext(t), &operatorservice.ListSearchAttributesRequest{Namespace: namespace})
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range searchAttributes() {
		if got.GetCustomAttributes()[name] != want {
			t.Errorf("namespace %s: search attribute %s is %v, want %v", namespace, name, got.GetCustomAttributes()[name], want)
		}
	}
}

func TestServerListensOnLoopbackOnly(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("reads /proc")
	}
	before := listeners(t)
	startServer(t, Options{InMemory: true})
	var added []string
	for inode, addr := range listeners(t) {
		if _, old := before[inode]; !old {
			added = append(added, addr)
		}
	}
	if len(added) != 4 {
		t.Errorf("the server opened %d listeners, want 4: %v", len(added), added)
	}
	for _, addr := range added {
		if addr != "0100007F" { // 127.0.0.1 as /proc writes it
			t.Errorf("a listener is on %s", addr)
		}
	}
}

// listeners returns the address of each socket on which this process listens,
// by inode, as /proc writes it.
func listeners(t *testing.T) map[string]string {
	t.Helper()
	own := make(map[string]bool)
	fds, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	for _, fd := range fds {
		target, err := os.Readlink("/proc/self/fd/" + fd.Name())
		if err != nil {
			continue // closed meanwhile
		}
		if inode, ok := strings.CutPrefix(target, "socket:["); ok {
			own[strings.TrimSuffix(inode, "]")] = true
		}
	}
	found := make(map[string]string)
	for _, table := range []string{"/proc/self/net/tcp", "/proc/self/net/tcp6"} {
		f, err := os.Open(table)
		if errors.Is(err, fs.ErrNotExist) {
			continue // no IPv6 here
		}
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for lines := bufio.NewScanner(f); lines.Scan(); {
			fields := strings.Fields(lines.Text())
			const listen = "0A"
			if len(fields) < 10 || fields[3] != listen || !own[fields[9]] {
				continue
			}
			addr, _, _ := strings.Cut(fields[1], ":")
			if _, err := hex.DecodeString(addr); err != nil {
				t.Fatalf("%s: %q", table, lines.Text())
			}
			found[fields[9]] = addr
		}
	}
	return found
}

func TestTakenPortIsTriedAgain(t *testing.T) {
	taken, err := net.Listen("tcp", net.JoinHostPort(loopback, "0"))
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	pick := func(takenTimes int) func() (ports, error) {
		return func() (ports, error) {
			p, err := freePorts()
			if takenTimes > 0 {
				takenTimes--
				p.history = taken.Addr().(*net.TCPAddr).Port
			}
			return p, err
		}
	}
	startServer(t, Options{InMemory: true, pick: pick(1)})

	if _, err := Start(testContext(t), Options{InMemory: true, pick: pick(2)}); !addressInUse(err) {
		t.Errorf("with ports taken twice: got %v", err)
	}
}

func readMarker(t *testing.T, dir string) marker {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(dir, markerFile))
	if err != nil {
		t.Fatal(err)
	}
	var m marker
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func aside(t *testing.T, dir string) []string {
	t.Helper()
	return slices.DeleteFunc(names(t, dir), func(name string) bool { return !strings.Contains(name, testStamp) })
}

const testStamp = "20270102T030405Z"

func testNow() time.Time {
	return time.Date(2027, 1, 2, 4, 4, 5, 0, time.FixedZone("", 3600))
}

// A rebuild that was cut short goes on in the same file: it is idempotent.
func TestIncompleteRebuildIsFreshWithoutMoving(t *testing.T) {
	dir := t.TempDir()
	ring := NewKeyring()
	s := startServer(t, Options{DataDir: dir, Now: testNow})
	if readMarker(t, dir).Complete {
		t.Error("a new file is marked complete")
	}
	run := startTiny(t, dial(t, s, ring))
	stopServer(t, s)

	s = startServer(t, Options{DataDir: dir, Now: testNow})
	if !s.Fresh() {
		t.Error("not fresh although the rebuild was not finished")
	}
	if got := aside(t, dir); len(got) > 0 {
		t.Errorf("moved aside: %v", got)
	}
	if _, err := dial(t, s, ring).DescribeWorkflowExecution(testContext(t), run.GetID(), ""); err != nil {
		t.Errorf("the workflow of the first start: %v", err)
	}
	if err := s.MarkRebuilt(); err != nil {
		t.Fatal(err)
	}
	if !readMarker(t, dir).Complete {
		t.Error("the marker is not complete after MarkRebuilt")
	}
}

func TestUnusableFileIsReplaced(t *testing.T) {
	dir := t.TempDir()
	all := []string{dbFile + "." + testStamp, dbFile + "." + testStamp + "-shm", dbFile + "." + testStamp + "-wal", markerFile + "." + testStamp}
	withoutMarker := all[:3]

	s := startServer(t, Options{DataDir: dir, Now: testNow})
	if err := s.MarkRebuilt(); err != nil {
		t.Fatal(err)
	}
	stopServer(t, s)

	// Each step spoils the file that the step before has left, in its own way.
	for _, step := range []struct {
		name  string
		spoil func(*testing.T)
		reset bool
		want  []string
	}{
		{"schema", changeMarker(dir, func(m *marker) { m.Schema = "0.10" }), false, all},
		{"visibility schema", changeMarker(dir, func(m *marker) { m.VisibilitySchema = "0.0" }), false, all},
		{"namespace", changeMarker(dir, func(m *marker) { m.Namespace = "else" }), false, all},
		{"no marker", func(t *testing.T) { remove(t, dir, markerFile) }, false, withoutMarker},
		{"broken marker", func(t *testing.T) { write(t, dir, markerFile, "{") }, false, all},
		{"no file", func(t *testing.T) { remove(t, dir, dbFile) }, false, all[1:]},
		{"reset", func(*testing.T) {}, true, all},
	} {
		t.Run(step.name, func(t *testing.T) {
			step.spoil(t)
			s, err := Start(testContext(t), Options{DataDir: dir, Now: testNow, Reset: step.reset})
			if err != nil {
				t.Fatal(err)
			}
			if !s.Fresh() {
				t.Error("not fresh")
			}
			if got := aside(t, dir); !slices.Equal(got, step.want) {
				t.Errorf("moved aside: %v, want %v", got, step.want)
			}
			if got, want := readMarker(t, dir), currentMarker(DefaultNamespace); got != want {
				t.Errorf("the marker is %+v, want %+v", got, want)
			}
			if err := s.MarkRebuilt(); err != nil {
				t.Error(err)
			}
			stopServer(t, s)
			for _, name := range aside(t, dir) {
				remove(t, dir, name)
			}
		})
	}
}

// Another server version with the same schema keeps its file.
func TestServerVersionAloneKeepsTheFile(t *testing.T) {
	dir := t.TempDir()
	s := startServer(t, Options{DataDir: dir, Now: testNow})
	if err := s.MarkRebuilt(); err != nil {
		t.Fatal(err)
	}
	stopServer(t, s)
	changeMarker(dir, func(m *marker) { m.Server = "1.31.0" })(t)

	s = startServer(t, Options{DataDir: dir, Now: testNow})
	if s.Fresh() || len(aside(t, dir)) > 0 {
		t.Errorf("fresh %v, moved aside %v", s.Fresh(), aside(t, dir))
	}
	want := currentMarker(DefaultNamespace)
	want.Complete = true
	if got := readMarker(t, dir); got != want {
		t.Errorf("the marker is %+v, want %+v", got, want)
	}
}

// A marker that cannot be read for another reason proves nothing against the
// file, so nothing is moved.
func TestUnreadableMarkerStopsTheStart(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, dbFile, "")
	if err := os.Mkdir(filepath.Join(dir, markerFile), 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := Start(testContext(t), Options{DataDir: dir, Now: testNow}); err == nil {
		t.Error("started")
	}
	if got := names(t, dir); !slices.Equal(got, []string{dbFile, markerFile}) {
		t.Errorf("the folder holds %v", got)
	}
}

func TestMovesInOneSecondDoNotOverwrite(t *testing.T) {
	dir := t.TempDir()
	for _, want := range []string{testStamp, testStamp + "-2", testStamp + "-3"} {
		write(t, dir, dbFile, want)
		moved, err := moveAside(dir, testNow())
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(moved, []string{dbFile + "." + want}) {
			t.Errorf("moved to %v, want %s", moved, want)
		}
	}
}

func TestFilesAreForTheOwnerOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	startServer(t, Options{DataDir: dir})
	for name, want := range map[string]fs.FileMode{".": 0o700, dbFile: 0o600, dbFile + "-wal": 0o600, markerFile: 0o600} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %04o, want %04o", name, got, want)
		}
	}
}

func changeMarker(dir string, change func(*marker)) func(*testing.T) {
	return func(t *testing.T) {
		t.Helper()
		m := readMarker(t, dir)
		change(&m)
		if err := writeMarker(dir, m); err != nil {
			t.Fatal(err)
		}
	}
}

func remove(t *testing.T, dir, name string) {
	t.Helper()
	if err := os.Remove(filepath.Join(dir, name)); err != nil {
		t.Fatal(err)
	}
}

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestDialNeedsACodecAndAnAddress(t *testing.T) {
	if _, err := Dial(t.Context(), ClientOptions{HostPort: "127.0.0.1:1"}); err == nil {
		t.Error("dialled without a codec")
	}
	if _, err := Dial(t.Context(), ClientOptions{Codec: testCodec(t, NewKeyring())}); err == nil {
		t.Error("dialled without an address")
	}
	if _, err := Start(t.Context(), Options{}); err == nil {
		t.Error("started without a folder")
	}
}

// modernc.org/libc does not follow semantic versioning: SQLite's translated code
// calls into it by exact version, and another one can corrupt data without an
// error. So the two move together, to what modernc.org/sqlite's go.mod names,
// and sqlite stays at what the Temporal server asks for.
func TestSQLiteAndLibcGoTogether(t *testing.T) {
	want := map[string]string{
		"modernc.org/sqlite": "v1.51.0",
		"modernc.org/libc":   "v1.72.3",
	}
	// A test binary often lists no modules; then go.mod alone is checked.
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, m := range info.Deps {
			if m.Replace != nil {
				m = m.Replace
			}
			if version, pinned := want[m.Path]; pinned && m.Version != version {
				t.Errorf("%s is %s in this binary, want %s", m.Path, m.Version, version)
			}
		}
	}

	raw, err := os.ReadFile(filepath.Join("..", "..", "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	for path, version := range want {
		entry := regexp.MustCompile(`(?m)^\s*(?:require\s+)?` + regexp.QuoteMeta(path+" "+version) + `(?:\s|$)`)
		if !entry.Match(raw) {
			t.Errorf("go.mod does not require %s %s", path, version)
		}
	}
}

func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	for b.Loop() {
		s, err := Start(b.Context(), Options{DataDir: dir})
		if err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		stopServer(b, s)
		b.StartTimer()
	}
}

func bare(ctx workflow.Context) error {
	err := workflow.SetUpdateHandler(ctx, testUpdate, func(ctx workflow.Context) error {
		ctx = workflow.WithActivityOptions(ctx, workflow.ActivityOptions{StartToCloseTimeout: time.Minute})
		return workflow.ExecuteActivity(ctx, nothing).Get(ctx, nil)
	})
	if err != nil {
		return err
	}
	workflow.GetSignalChannel(ctx, testQuit).Receive(ctx, nil)
	return nil
}

func nothing(context.Context) error { return nil }

// BenchmarkBareEngineUpdate measures what the engine alone allows: an update
// with one empty activity, on a file, encrypted. In "one run" each update waits
// for the one before, as they do for one candidate; in "many runs" they arrive
// at 32 candidates at once. More than 1,500 updates go to a new run, since the
// server takes at most 2,000 a run.
func BenchmarkBareEngineUpdate(b *testing.B) {
	s := startServer(b, Options{DataDir: b.TempDir()})
	c := dial(b, s, NewKeyring())
	w := NewWorker(c, testQueue, worker.Options{})
	w.RegisterWorkflow(bare)
	w.RegisterActivity(nothing)
	if err := w.Start(); err != nil {
		b.Fatal(err)
	}
	defer w.Stop()

	once := func(ctx context.Context, id string) error {
		handle, err := c.UpdateWorkflow(ctx, client.UpdateWorkflowOptions{
			WorkflowID:   id,
			UpdateName:   testUpdate,
			WaitForStage: client.WorkflowUpdateStageCompleted,
		})
		if err != nil {
			return err
		}
		return handle.Get(ctx, nil)
	}
	const perRun = 1500
	// series returns a function that makes one update, on a new run now and then.
	series := func(ctx context.Context) func() error {
		var id string
		n := 0
		return func() error {
			if n++; n%perRun == 1 {
				run, err := c.ExecuteWorkflow(ctx, client.StartWorkflowOptions{TaskQueue: testQueue}, bare)
				if err != nil {
					return err
				}
				id = run.GetID()
			}
			return once(ctx, id)
		}
	}

	b.Run("one run", func(b *testing.B) {
		next := series(b.Context())
		if err := next(); err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			if err := next(); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "updates/s")
	})
	b.Run("many runs", func(b *testing.B) {
		const runs = 32
		b.SetParallelism(max(1, runs/runtime.GOMAXPROCS(0)))
		b.RunParallel(func(pb *testing.PB) {
			next := series(b.Context())
			for pb.Next() {
				if err := next(); err != nil {
					b.Error(err)
					return
				}
			}
		})
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "updates/s")
	})
}
