package engine

import (
	"context"
	"fmt"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"

	sdklog "go.temporal.io/sdk/log"
	serverlog "go.temporal.io/server/common/log"
	"go.temporal.io/server/common/log/tag"
)

// minLevel passes on what is at least as severe as its level. The server speaks
// at length below warn, and the SDK below info.
type minLevel struct {
	slog.Handler
	level slog.Level
}

// Enabled reports whether the record passes both this and the inner handler.
func (h minLevel) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= h.level && h.Handler.Enabled(ctx, level)
}

// WithAttrs keeps the level.
func (h minLevel) WithAttrs(attrs []slog.Attr) slog.Handler {
	return minLevel{h.Handler.WithAttrs(attrs), h.level}
}

// WithGroup keeps the level.
func (h minLevel) WithGroup(name string) slog.Handler {
	return minLevel{h.Handler.WithGroup(name), h.level}
}

func newSDKLogger(l *slog.Logger) sdklog.Logger {
	return sdklog.NewStructuredLogger(slog.New(minLevel{l.Handler(), slog.LevelInfo}))
}

// fatalError carries a call of Fatal up to the code that started the server.
type fatalError struct {
	text string
}

func (e *fatalError) Error() string { return e.text }

// serverLogger writes the server's log through slog.
type serverLogger struct {
	log *slog.Logger
	// stopping is set when the server is being stopped: from then on only
	// Panic and Fatal are written.
	stopping *atomic.Bool
}

var (
	_ serverlog.Logger     = (*serverLogger)(nil)
	_ serverlog.WithLogger = (*serverLogger)(nil)
)

// knownNotices begin the warnings that every start gives and that ask for
// nothing here: no HTTP listener is wanted.
var knownNotices = []string{"HTTP API port has not been set"}

func newServerLogger(l *slog.Logger, stopping *atomic.Bool) *serverLogger {
	return &serverLogger{
		log:      slog.New(minLevel{l.Handler(), slog.LevelWarn}).With("component", "temporal"),
		stopping: stopping,
	}
}

// Debug drops or writes a debug record.
func (l *serverLogger) Debug(msg string, tags ...tag.Tag) { l.write(slog.LevelDebug, msg, tags) }

// Info drops or writes an info record.
func (l *serverLogger) Info(msg string, tags ...tag.Tag) { l.write(slog.LevelInfo, msg, tags) }

// Warn writes a warning.
func (l *serverLogger) Warn(msg string, tags ...tag.Tag) { l.write(slog.LevelWarn, msg, tags) }

// Error writes an error.
func (l *serverLogger) Error(msg string, tags ...tag.Tag) { l.write(slog.LevelError, msg, tags) }

// DPanic writes an error: it panics in development builds of the server only.
func (l *serverLogger) DPanic(msg string, tags ...tag.Tag) { l.write(slog.LevelError, msg, tags) }

// Panic writes an error and panics, as the server expects.
func (l *serverLogger) Panic(msg string, tags ...tag.Tag) {
	l.log.LogAttrs(context.Background(), slog.LevelError, msg, attrs(tags)...)
	panic(describe(msg, tags))
}

// Fatal writes an error and does not return: the server's code goes on with
// values that are not there otherwise. While the server is being built the
// panic comes back to [Start] as an error; later it ends the process, which
// both stores survive. While stopping, only the goroutine ends.
func (l *serverLogger) Fatal(msg string, tags ...tag.Tag) {
	l.log.LogAttrs(context.Background(), slog.LevelError, msg, attrs(tags)...)
	if l.stopping.Load() {
		runtime.Goexit()
	}
	panic(&fatalError{describe(msg, tags)})
}

// With returns a logger that adds the tags to each record.
func (l *serverLogger) With(tags ...tag.Tag) serverlog.Logger {
	return &serverLogger{log: slog.New(l.log.Handler().WithAttrs(attrs(tags))), stopping: l.stopping}
}

func (l *serverLogger) write(level slog.Level, msg string, tags []tag.Tag) {
	ctx := context.Background()
	if !l.log.Enabled(ctx, level) {
		return // reading the value of a tag is slow
	}
	if level == slog.LevelWarn && isKnown(msg) {
		return
	}
	if l.stopping.Load() {
		// Each service now complains about calls that the stop cut short.
		return
	}
	l.log.LogAttrs(ctx, level, msg, attrs(tags)...)
}

func isKnown(msg string) bool {
	return slices.ContainsFunc(knownNotices, func(start string) bool { return strings.HasPrefix(msg, start) })
}

func attrs(tags []tag.Tag) []slog.Attr {
	out := make([]slog.Attr, len(tags))
	for i, t := range tags {
		out[i] = slog.Any(t.Key(), t.Value())
	}
	return out
}

func describe(msg string, tags []tag.Tag) string {
	var b strings.Builder
	b.WriteString(msg)
	for _, t := range tags {
		fmt.Fprintf(&b, ", %s: %v", t.Key(), t.Value())
	}
	return b.String()
}
