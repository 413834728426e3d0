package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"candidacy/internal/journey"
)

// binary is the program as it is shipped, built once for the tests that need a
// process of its own.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "candidacy-binary")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "candidacy")
	out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if path, err := binary(); err == nil && built {
		_ = os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(code)
}

// built says whether some test asked for the binary.
var built bool

func shipped(t testing.TB) string {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	built = true
	return path
}

// server is a running process of the program.
type server struct {
	t   testing.TB
	cmd *exec.Cmd
	url string
	// said is what the program printed until it was ready.
	said string
	logs *bytes.Buffer
	done chan error
}

// start runs serve or demo and waits until it says that it is ready.
func start(t testing.TB, kind, data string, args ...string) *server {
	t.Helper()
	s := &server{t: t, logs: &bytes.Buffer{}, done: make(chan error, 1)}
	s.cmd = exec.Command(shipped(t), append([]string{kind, "--data", data, "--listen", "127.0.0.1:0"}, args...)...)
	s.cmd.Stderr = s.logs
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	var said strings.Builder
	for lines.Scan() {
		said.WriteString(lines.Text() + "\n")
		if url, ok := strings.CutPrefix(lines.Text(), "Ready: "); ok {
			s.url = url
			break
		}
	}
	s.said = said.String()
	go func() {
		_, _ = io.Copy(io.Discard, out)
		s.done <- s.cmd.Wait()
	}()
	if s.url == "" {
		t.Fatalf("the program did not become ready: %v\n%s%s", <-s.done, said.String(), s.logs)
	}
	return s
}

// kill ends the process as a power cut would, and waits for it to be gone.
func (s *server) kill() {
	s.t.Helper()
	if err := s.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		s.t.Fatal(err)
	}
	<-s.done
}

// stop asks the process to end and checks that it ended well.
func (s *server) stop() {
	s.t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		s.t.Fatal(err)
	}
	if err := <-s.done; err != nil {
		s.t.Errorf("the program did not stop cleanly: %v\n%s", err, s.logs)
	}
}

// run runs a command of the program to its end and returns what it printed.
func run(t testing.TB, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := program(&out, &errs)
	cmd.SetArgs(args)
	err := cmd.ExecuteContext(context.Background())
	return out.String(), err
}

func mustRun(t testing.TB, args ...string) string {
	t.Helper()
	out, err := run(t, args...)
	if err != nil {
		t.Fatalf("%s: %v", strings.Join(args, " "), err)
	}
	return out
}

// staff are tokens by role, the advocate's bound to an account.
type staff struct {
	tokens   map[journey.Role]string
	advocate string
}

func hire(t testing.TB, data string) staff {
	t.Helper()
	s := staff{tokens: map[journey.Role]string{}}
	out := mustRun(t, "account", "add", "--data", data, "--username", "test-advocate", "--role", "advocate")
	s.advocate = strings.Fields(out)[1]
	for _, role := range journey.Roles {
		args := []string{"token", "issue", "--data", data, "--role", string(role)}
		if role == journey.Advocate {
			args = append(args, "--account", "test-advocate")
		}
		s.tokens[role] = strings.TrimSpace(mustRun(t, args...))
	}
	return s
}

// answer is a response of the program.
type answer struct {
	status int
	header http.Header
	body   []byte
}

func (a answer) decode(t testing.TB, into any) {
	t.Helper()
	if err := json.Unmarshal(a.body, into); err != nil {
		t.Fatalf("the answer is not JSON: %v\n%s", err, a.body)
	}
}

// ask sends one request. An error is that of the connection.
func ask(method, url, token, key string, body any) (answer, error) {
	var reader io.Reader
	switch b := body.(type) {
	case nil:
	case []byte:
		reader = bytes.NewReader(b)
	default:
		raw, err := json.Marshal(b)
		if err != nil {
			return answer{}, err
		}
		reader = bytes.NewReader(raw)
	}
	request, err := http.NewRequest(method, url, reader)
	if err != nil {
		return answer{}, err
	}
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	if key != "" {
		request.Header.Set("Idempotency-Key", key)
	}
	if reader != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return answer{}, err
	}
	defer response.Body.Close()
	raw, err := io.ReadAll(response.Body)
	return answer{response.StatusCode, response.Header, raw}, err
}

func mustAsk(t testing.TB, method, url, token, key string, body any) answer {
	t.Helper()
	a, err := ask(method, url, token, key, body)
	if err != nil {
		t.Fatal(err)
	}
	return a
}
