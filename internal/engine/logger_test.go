package engine

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"

	serverlog "go.temporal.io/server/common/log"
	"go.temporal.io/server/common/log/tag"
)

func bufferLogger() (*slog.Logger, *bytes.Buffer) {
	var b bytes.Buffer
	return slog.New(slog.NewTextHandler(&b, &slog.HandlerOptions{Level: slog.LevelDebug})), &b
}

func TestServerLoggerWritesWarningsAndAbove(t *testing.T) {
	inner, out := bufferLogger()
	stopping := new(atomic.Bool)
	l := serverlog.With(newServerLogger(inner, stopping), tag.String("service", "history"))

	l.Debug("one")
	l.Info("two")
	l.Warn(knownNotices[0] + ", and more")
	if out.Len() > 0 {
		t.Errorf("written: %s", out)
	}
	l.Warn("three", tag.Error(errors.New("broken")))
	l.Error("four")
	l.DPanic("five")
	stopping.Store(true)
	l.Warn("six")
	l.Error("seven")
	for _, want := range []string{"level=WARN msg=three", "error=broken", "level=ERROR msg=four", "msg=five", "component=temporal service=history"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in %s", want, out)
		}
	}
	if n := strings.Count(out.String(), "\n"); n != 3 {
		t.Errorf("%d lines, want 3: %s", n, out)
	}
}

// Fatal must not return: the server goes on with nil values after it.
func TestServerLoggerFatalDoesNotReturn(t *testing.T) {
	inner, out := bufferLogger()
	stopping := new(atomic.Bool)
	l := newServerLogger(inner, stopping)

	func() {
		defer func() {
			err, ok := recover().(*fatalError)
			if !ok || !strings.Contains(err.Error(), "no listener") || !strings.Contains(err.Error(), "in use") {
				t.Errorf("panicked with %v", err)
			}
		}()
		l.Fatal("no listener", tag.Error(errors.New("in use")))
	}()

	stopping.Store(true)
	ended := make(chan struct{})
	returned := false
	go func() {
		defer close(ended)
		l.Fatal("too late")
		returned = true
	}()
	<-ended
	if returned {
		t.Error("Fatal returned while stopping")
	}
	if !strings.Contains(out.String(), "too late") {
		t.Errorf("not written: %s", out)
	}

	defer func() {
		if recover() == nil {
			t.Error("Panic returned")
		}
	}()
	l.Panic("no way on")
}

func TestSDKLoggerWritesInfoAndAbove(t *testing.T) {
	inner, out := bufferLogger()
	l := newSDKLogger(inner.With("a", 1).WithGroup("g"))
	l.Debug("one")
	l.Info("two", "k", "v")
	if got := out.String(); strings.Contains(got, "one") || !strings.Contains(got, "msg=two a=1 g.k=v") {
		t.Errorf("written: %s", got)
	}
}
