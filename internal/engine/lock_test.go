package engine

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// lockHelperEnv makes the test binary hold the lock of a folder until its
// standard input ends.
const lockHelperEnv = "CANDIDACY_TEST_HOLD_LOCK"

func TestMain(m *testing.M) {
	if dir := os.Getenv(lockHelperEnv); dir != "" {
		os.Exit(holdLock(dir))
	}
	os.Exit(m.Run())
}

func holdLock(dir string) int {
	if _, err := AcquireLock(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	fmt.Println("held")
	_, _ = io.Copy(io.Discard, os.Stdin)
	return 0 // without Release: the end of the process must be enough
}

func TestLockIsRefusedWhileAnotherProcessHoldsIt(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), lockHelperEnv+"="+dir)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = in.Close()
		_ = cmd.Wait()
	}()
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "held\n" {
		t.Fatalf("the other process said %q, error %v", line, err)
	}

	_, err = AcquireLock(dir)
	var locked *LockedError
	if !errors.As(err, &locked) {
		t.Fatalf("got %v, want a LockedError", err)
	}
	if locked.PID != cmd.Process.Pid || locked.Dir != dir {
		t.Errorf("got %+v, want process %d", locked, cmd.Process.Pid)
	}
	for _, part := range []string{dir, strconv.Itoa(cmd.Process.Pid)} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("the error %q does not name %s", err, part)
		}
	}

	// Killed, not asked to stop: the system frees the lock.
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	lock, err := AcquireLock(dir)
	if err != nil {
		t.Fatalf("after the holder died: %v", err)
	}
	if err := lock.Release(); err != nil {
		t.Error(err)
	}
}

func TestLockCanBeTakenAgainAfterRelease(t *testing.T) {
	dir := t.TempDir()
	first, err := AcquireLock(dir)
	if err != nil {
		t.Fatal(err)
	}
	var locked *LockedError
	if _, err := AcquireLock(dir); !errors.As(err, &locked) || locked.PID != os.Getpid() {
		t.Errorf("while held: got %v", err)
	}
	if err := first.Release(); err != nil {
		t.Fatal(err)
	}
	second, err := AcquireLock(dir)
	if err != nil {
		t.Fatalf("after release: %v", err)
	}
	if err := second.Release(); err != nil {
		t.Error(err)
	}
}
