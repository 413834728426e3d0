package system_test

import (
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"

	"candidacy/activities"
	"candidacy/fhir"
	"candidacy/internal/command"
	"candidacy/internal/engine"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

// atOnce is how many journeys run at the same time.
const atOnce = 8

// Bare is a workflow that does nothing but answer Updates, each with one empty
// activity: what the engine alone can do.
func Bare(ctx workflow.Context, updates int) error {
	done := 0
	if err := workflow.SetUpdateHandler(ctx, "step", func(ctx workflow.Context) error {
		ctx = workflow.WithActivityOptions(ctx, workflow.ActivityOptions{StartToCloseTimeout: 10 * time.Second})
		err := workflow.ExecuteActivity(ctx, Empty).Get(ctx, nil)
		done++
		return err
	}); err != nil {
		return err
	}
	return workflow.Await(ctx, func() bool { return done == updates && workflow.AllHandlersFinished(ctx) })
}

// Empty does nothing.
func Empty() error { return nil }

// BenchmarkJourneys plays whole journeys, and as many Updates against the bare
// engine in the same process, and reports the ratio of the two: by the clock, and
// by the time on the processor, which says more where others use the machine too.
func BenchmarkJourneys(b *testing.B) {
	sys := open(b, b.TempDir())
	defer closed(b, sys)
	employ(b, sys)
	bare := engine.NewWorker(sys.Client, "bare", worker.Options{})
	bare.RegisterWorkflow(Bare)
	bare.RegisterActivity(Empty)
	if err := bare.Start(); err != nil {
		b.Fatal(err)
	}
	defer bare.Stop()
	updates := len(walk.New(0, begin).Whole().Steps())
	var number atomic.Int64
	journeys := func(n int) time.Duration {
		return spread(n, func() {
			i := int(number.Add(1))
			play(b, walk.NewPlayer(sys.Dispatcher), fmt.Sprintf("bench/%d", i), walk.New(i, begin).Whole().Steps())
		})
	}
	plain := func(n int) time.Duration {
		return spread(n, func() {
			run, err := sys.Client.ExecuteWorkflow(b.Context(), client.StartWorkflowOptions{ID: "bare/" + uuid.NewString(), TaskQueue: "bare"}, Bare, updates)
			if err != nil {
				b.Error(err)
				return
			}
			for range updates {
				handle, err := sys.Client.UpdateWorkflow(b.Context(), client.UpdateWorkflowOptions{WorkflowID: run.GetID(), UpdateName: "step", WaitForStage: client.WorkflowUpdateStageCompleted})
				if err == nil {
					err = handle.Get(b.Context(), nil)
				}
				if err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	// Warm both up.
	journeys(atOnce)
	plain(atOnce)
	b.ResetTimer()
	var ours, theirs, oursWorked, theirsWorked time.Duration
	for range b.N {
		start := processorTime(b)
		ours += journeys(atOnce)
		between := processorTime(b)
		theirs += plain(atOnce)
		oursWorked, theirsWorked = oursWorked+between-start, theirsWorked+processorTime(b)-between
	}
	n := float64(b.N * atOnce)
	b.ReportMetric(float64(oursWorked.Microseconds())/n/float64(updates), "cpu-us/command")
	b.ReportMetric(float64(theirsWorked.Microseconds())/n/float64(updates), "cpu-us/bare")
	b.ReportMetric(theirsWorked.Seconds()/oursWorked.Seconds(), "cpu-ratio")
	b.ReportMetric(n/ours.Seconds(), "journeys/s")
	b.ReportMetric(n/theirs.Seconds(), "bare/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "ratio")
	b.ReportMetric(float64(updates), "updates/journey")
}

// spread runs n pieces of work at the same time.
func spread(n int, work func()) time.Duration {
	var group sync.WaitGroup
	start := time.Now()
	for range n {
		group.Go(work)
	}
	group.Wait()
	return time.Since(start)
}

// straight opens a store with the activity that commits, and no engine.
func straight(b *testing.B, dir string) (*record.Store, *activities.Activities) {
	b.Helper()
	store, err := system.OpenStore(b.Context(), system.Options{DataDir: dir, Now: time.Now})
	if err != nil {
		b.Fatal(err)
	}
	p := protocoltest.Brief()
	if err := store.KeepProtocol(b.Context(), p.Version, p.Digest(), p.Source()); err != nil {
		b.Fatal(err)
	}
	return store, &activities.Activities{Store: store, Protocols: protocol.NewRegistry(store.Protocol, p), Publisher: fhir.Publisher{}}
}

// give commits one step of a candidate and returns the number of their last
// entry.
func give(b *testing.B, a *activities.Activities, candidate string, seq int64, step walk.Step) int64 {
	b.Helper()
	p := protocoltest.Brief()
	if results, ok := step.Body.(*command.RecordResults); ok {
		p.Complete(results.Results)
	}
	body, hash, err := command.Canonical(step.Kind, step.Actor, step.Body)
	if err != nil {
		b.Fatal(err)
	}
	c := journey.Command{
		ID: fmt.Sprintf("%s-%d", step.Kind, seq), Candidate: candidate, Kind: step.Kind, Actor: step.Actor, Role: step.Role,
		At: step.At, Today: journey.DateOf(step.At, p.Zone()), BackEntry: step.Kind == journey.Refer,
	}
	step.Body.Code(&c)
	if _, err := a.Store.Stage(b.Context(), candidate, c.ID, hash, body); err != nil {
		b.Fatal(err)
	}
	committed, err := a.Commit(b.Context(), activities.CommitInput{Command: c, Protocol: p.Version, Seq: seq})
	if err != nil {
		b.Fatal(err)
	}
	return committed.Events[len(committed.Events)-1].Seq
}

// crowd fills a data folder with open candidates, without an engine.
func crowd(b *testing.B, dir string, n int) {
	b.Helper()
	store, a := straight(b, dir)
	now := time.Now()
	for i := range n {
		give(b, a, uuid.NewString(), 0, walk.New(i, now).Refer().Steps()[0])
	}
	if err := store.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkStart measures the time from start to ready with 10,000 open
// candidates, and the memory then: first with the engine lost, so that every
// run is restarted from the record, then as usual.
func BenchmarkStart(b *testing.B) {
	const open = 10_000
	dir := b.TempDir()
	crowd(b, dir, open)
	b.ResetTimer()
	for i := range b.N + 1 {
		start := time.Now()
		sys, err := system.Open(b.Context(), system.Options{DataDir: dir, Protocol: protocoltest.Brief()})
		if err != nil {
			b.Fatal(err)
		}
		if err := sys.Ready(b.Context()); err != nil {
			b.Fatal(err)
		}
		took := time.Since(start)
		if i == 0 {
			b.ReportMetric(took.Seconds(), "s/rebuild")
		} else {
			b.ReportMetric(took.Seconds(), "s/start")
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			b.ReportMetric(float64(m.HeapInuse)/(1<<20), "MiB-heap")
			b.ReportMetric(float64(m.Sys)/(1<<20), "MiB-sys")
		}
		closed(b, sys)
	}
}

// BenchmarkCommit plays whole journeys without an engine: the commands go
// straight to the activity that commits them. It reports the time on the
// processor, which says more than the clock where a disk is waited for.
func BenchmarkCommit(b *testing.B) {
	store, a := straight(b, b.TempDir())
	defer func() {
		if err := store.Close(); err != nil {
			b.Error(err)
		}
	}()
	if err := walk.Employ(b.Context(), store); err != nil {
		b.Fatal(err)
	}
	number, commands := 0, 0
	journeys := func(n int) {
		for range n {
			number++
			candidate, seq := uuid.NewString(), int64(0)
			for _, step := range walk.New(number, begin).Whole().Steps() {
				seq = give(b, a, candidate, seq, step)
				commands++
			}
		}
	}
	journeys(3)
	commands = 0
	b.ReportAllocs()
	b.ResetTimer()
	before := processorTime(b)
	journeys(b.N)
	b.ReportMetric(float64((processorTime(b)-before).Microseconds())/float64(commands), "cpu-us/command")
	b.ReportMetric(float64(commands)/float64(b.N), "commands/op")
}

// processorTime is what this process has used of the processors.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var usage syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &usage); err != nil {
		b.Fatal(err)
	}
	return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
}
