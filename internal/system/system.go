// Package system puts the parts together: data folder, record store, engine,
// worker and dispatcher. Commands of the program and tests of the whole use it;
// it holds no rule of its own.
package system

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/worker"
	"golang.org/x/sync/errgroup"

	"candidacy/activities"
	"candidacy/fhir"
	"candidacy/internal/dispatch"
	"candidacy/internal/engine"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/oru"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/workflows"
)

// Options say what to open.
type Options struct {
	// DataDir holds records.db, engine.db and the payload keys.
	DataDir string
	// DatabaseURL is a PostgreSQL URL that replaces records.db.
	DatabaseURL string
	// TemporalAddress is a Temporal cluster that replaces the embedded engine.
	TemporalAddress string
	// PayloadKeys replaces the key file, for processes without a shared folder.
	PayloadKeys string
	// Rebuild sets the embedded engine's file aside and restarts every open
	// candidate's run, on a cluster those that it has lost.
	Rebuild bool
	// NoWorker leaves the work to other processes on the same cluster.
	NoWorker bool
	// Protocol replaces the embedded default.
	Protocol *protocol.Protocol
	Now      func() time.Time
	Log      *slog.Logger
	// Progress is told how many runs have been restarted from the record.
	Progress func(done, all int)
	// Republishing is told how many candidates have been published again, because
	// another version of the software published them before.
	Republishing func(done, all int)
}

// System is a running set of parts.
type System struct {
	Store      *record.Store
	Client     client.Client
	Protocols  *protocol.Registry
	Current    *protocol.Protocol
	Dispatcher *dispatch.Dispatcher
	// Incoming takes in messages. Run it to carry out what waits.
	Incoming *incoming.Queue
	// Keys are the payload keys, which seal secrets in the store as well.
	Keys engine.Keyring

	options Options
	lock    *engine.Lock
	server  *engine.Server
	worker  worker.Worker
}

// RecordsPath is where a data folder keeps the record store.
func RecordsPath(dir string) string { return filepath.Join(dir, "records.db") }

// OpenStore opens only the record store of a data folder or database, for
// commands that may run beside a server.
func OpenStore(ctx context.Context, o Options) (*record.Store, error) {
	if o.DatabaseURL != "" {
		return record.Open(ctx, o.DatabaseURL, o.Now)
	}
	if err := os.MkdirAll(o.DataDir, 0o700); err != nil {
		return nil, fmt.Errorf("make the data folder: %w", err)
	}
	return record.Open(ctx, RecordsPath(o.DataDir), o.Now)
}

// Open takes the data folder, opens the store, starts the engine and a worker,
// and restarts every open candidate's run when the engine is new.
func Open(ctx context.Context, o Options) (*System, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &System{options: o, Current: o.Protocol}
	if s.Current == nil {
		s.Current = protocol.Default()
	}
	if err := s.open(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *System) open(ctx context.Context) error {
	var err error
	if s.lock, err = engine.AcquireLock(s.options.DataDir); err != nil {
		return err
	}
	if s.Store, err = OpenStore(ctx, s.options); err != nil {
		return err
	}
	if err := s.Store.KeepProtocol(ctx, s.Current.Version, s.Current.Digest(), s.Current.Source()); err != nil {
		return err
	}
	// Nobody waits any more for what an earlier process had staged long ago.
	if _, err := s.Store.PurgeStaged(ctx, s.options.Now().Add(-stagedLife)); err != nil {
		return err
	}
	if err := s.Store.PurgeSessions(ctx); err != nil {
		return err
	}
	s.Protocols = protocol.NewRegistry(s.Store.Protocol, s.Current)
	if err := s.publishForms(ctx); err != nil {
		return err
	}
	if err := s.connect(ctx); err != nil {
		return err
	}
	s.Dispatcher = &dispatch.Dispatcher{
		Store: s.Store, Client: s.Client, Protocols: s.Protocols, Current: s.Current, Now: s.options.Now,
	}
	s.Incoming = incoming.New(s.Store, s.Dispatcher, s.options.Now, s.options.Log)
	s.Incoming.Readers = Readers(s.Current)
	if s.options.DatabaseURL == "" {
		// The folder is locked: nobody else has them.
		if err := s.Store.FreeIncoming(ctx); err != nil {
			return err
		}
	}
	fresh := s.server != nil && s.server.Fresh()
	if fresh || s.options.Rebuild {
		if err := s.restart(ctx); err != nil {
			return err
		}
	}
	if fresh {
		if err := s.server.MarkRebuilt(); err != nil {
			return err
		}
	}
	a := &activities.Activities{Store: s.Store, Protocols: s.Protocols, Publisher: fhir.Publisher{}}
	if err := s.republish(ctx, a); err != nil {
		return err
	}
	if s.options.NoWorker {
		return nil
	}
	s.worker = NewWorker(s.Client, a)
	if err := s.worker.Start(); err != nil {
		return fmt.Errorf("start the worker: %w", err)
	}
	return nil
}

// Readers are those of every form of message, by the mapping of a protocol.
func Readers(p *protocol.Protocol) incoming.Readers {
	return incoming.Readers{intake.ContentType: intake.Reader{}, oru.ContentType: oru.Reader{Protocol: p}}
}

// stagedLife is how long a command may wait for its commit.
const stagedLife = 24 * time.Hour

// connect starts the embedded engine, or reaches a cluster.
func (s *System) connect(ctx context.Context) error {
	ring, fresh, err := s.keys()
	if err != nil {
		return err
	}
	s.Keys = ring
	codec, err := engine.NewCodec(ring)
	if err != nil {
		return err
	}
	address := s.options.TemporalAddress
	if address == "" {
		s.server, err = engine.Start(ctx, engine.Options{
			DataDir: s.options.DataDir, Logger: s.options.Log,
			// An engine whose keys are lost can't be read.
			Reset: fresh || s.options.Rebuild,
		})
		if err != nil {
			return err
		}
		address = s.server.HostPort()
	}
	s.Client, err = engine.Dial(ctx, engine.ClientOptions{HostPort: address, Codec: codec, Logger: s.options.Log})
	if err != nil {
		return err
	}
	if s.server == nil {
		return engine.EnsureNamespace(ctx, s.Client, engine.DefaultNamespace, engine.DefaultRetention, s.options.Log)
	}
	return nil
}

// keys returns the payload keys, and whether they were made just now.
func (s *System) keys() (ring engine.Keyring, fresh bool, err error) {
	if s.options.PayloadKeys != "" {
		ring, err = engine.ParseKeys(s.options.PayloadKeys)
		return ring, false, err
	}
	path := filepath.Join(s.options.DataDir, engine.KeyFile)
	ring, fresh, err = engine.LoadOrCreateKeys(path)
	if fresh {
		s.options.Log.Warn("made new payload keys; back them up beside the records", "path", path)
	}
	return ring, fresh, err
}

// NewWorker returns a worker for candidates.
func NewWorker(c client.Client, a *activities.Activities) worker.Worker {
	w := engine.NewWorker(c, workflows.TaskQueue, worker.Options{})
	w.RegisterWorkflow(workflows.Candidate)
	w.RegisterActivity(a)
	return w
}

// restarts bounds how many runs are started at once.
const restarts = 8

// restart starts the run of every open candidate from the record. It may be
// repeated: a run that exists is left alone.
func (s *System) restart(ctx context.Context) error {
	all, err := s.Store.CountOpen(ctx)
	if err != nil {
		return err
	}
	report := s.options.Progress
	if report == nil {
		report = func(int, int) {}
	}
	done := 0
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(restarts)
	err = s.Store.EachOpen(ctx, func(r record.Resumable) error {
		p, err := s.Protocols.Get(ctx, r.Protocol)
		if err != nil {
			return err
		}
		group.Go(func() error { return dispatch.Resume(ctx, s.Client, p.Rules(), r) })
		done++
		report(done, all)
		return ctx.Err()
	})
	return errors.Join(group.Wait(), err)
}

// Ready reports whether commands can be carried out.
func (s *System) Ready(ctx context.Context) error {
	if err := s.Store.Ping(ctx); err != nil {
		return err
	}
	if _, err := s.Client.CheckHealth(ctx, nil); err != nil {
		return fmt.Errorf("the engine does not answer: %w", err)
	}
	return nil
}

// Close stops the parts in order: worker, client, engine, store, folder.
func (s *System) Close() error {
	var errs []error
	if s.worker != nil {
		s.worker.Stop()
	}
	if s.Client != nil {
		s.Client.Close()
	}
	if s.server != nil {
		errs = append(errs, s.server.Stop())
	}
	if s.Store != nil {
		errs = append(errs, s.Store.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Release())
	}
	return errors.Join(errs...)
}
