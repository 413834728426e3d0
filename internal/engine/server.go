// Package engine runs and reaches the Temporal server that drives the
// candidate workflows: an embedded server on a SQLite file for a single
// machine, a client whose payloads are encrypted, worker set-up, and the lock
// that keeps a data folder to one process.
//
// It does not hold the truth. The record store does, and the engine's file is
// disposable: nothing upgrades it from one server version to the next, so a
// file that does not fit is moved aside and the caller restarts every open
// candidate's workflow from the record store (see [Server.Fresh]). The package
// knows no workflow, no activity and no clinical fact, and it does not
// authenticate callers: the embedded server listens on loopback only, where any
// local account can reach it, which is why content is encrypted.
//
// The package needs a Unix system, for flock and for file modes.
package engine

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/google/uuid"
	enumspb "go.temporal.io/api/enums/v1"
	"go.temporal.io/sdk/client"
	"go.temporal.io/server/common/cluster"
	"go.temporal.io/server/common/config"
	"go.temporal.io/server/common/dynamicconfig"
	"go.temporal.io/server/common/membership/static"
	sqliteplugin "go.temporal.io/server/common/persistence/sql/sqlplugin/sqlite"
	"go.temporal.io/server/common/primitives"
	sqliteschema "go.temporal.io/server/schema/sqlite"
	"go.temporal.io/server/temporal"
	"google.golang.org/protobuf/types/known/durationpb"
)

const (
	// DefaultNamespace is the namespace that holds the candidate workflows.
	DefaultNamespace = "candidacy"
	// DefaultRetention is how long a closed workflow stays readable. It is
	// longer than a year so that a yearly review can still look at it.
	DefaultRetention = 400 * 24 * time.Hour
)

// The custom search attributes. Search attributes are never encrypted, so they
// carry a stage, a due time and a flag, and nothing else.
const (
	// SearchStage is the stage of the candidate, a keyword.
	SearchStage = "Stage"
	// SearchNextDue is the earliest due time, a date-time.
	SearchNextDue = "NextDue"
	// SearchFlagged tells whether a flag is open, a boolean.
	SearchFlagged = "Flagged"
)

const (
	loopback    = "127.0.0.1"
	clusterName = "active"
	// clusterID is fixed: the server writes it into its file and compares.
	clusterID              = "5b0b6a5e-2c0e-4d0c-9a52-6a1f0f7d3c11"
	storeName              = "engine"
	transferPollsPerSecond = 1000
	// startAttempts is two: the ports are free when they are picked, and once
	// in a while another process takes one before the server binds it.
	startAttempts = 2
)

// Options describe how to start the embedded server.
type Options struct {
	// DataDir is the folder that holds engine.db. The caller holds its lock
	// (see [AcquireLock]) from before Start until after Stop.
	DataDir string
	// InMemory keeps everything in memory, for tests. DataDir is not used.
	InMemory bool
	// Namespace is DefaultNamespace when empty.
	Namespace string
	// Retention is DefaultRetention when zero. A changed value is applied to an
	// existing file too.
	Retention time.Duration
	// Reset moves an existing file aside and starts with an empty one: for a
	// rebuild on request, and for when the payload keys were lost.
	Reset bool
	// Now gives the time that names files moved aside. It is time.Now when nil.
	Now func() time.Time
	// Logger receives the server's warnings and errors. Nil discards them.
	Logger *slog.Logger

	// pick replaces the choice of ports in tests.
	pick func() (ports, error)
}

// Server is a running embedded Temporal server.
type Server struct {
	dir       string
	inMemory  bool
	namespace string
	hostPort  string
	fresh     bool
	temporal  temporal.Server
	stopping  *atomic.Bool

	stopOnce sync.Once
	stopErr  error

	markMu sync.Mutex
	marker marker
}

// Start starts the embedded server and returns when its frontend answers. The
// server goes on after ctx ends; ctx bounds only the start.
func Start(ctx context.Context, o Options) (*Server, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}

	s := &Server{dir: o.DataDir, inMemory: o.InMemory, namespace: o.Namespace}
	var sql *config.SQL
	if o.InMemory {
		s.fresh = true
		sql = memorySQL()
		err = createNamespace(sql, o)
	} else {
		sql, err = s.openFile(o)
	}
	if err != nil {
		return nil, err
	}

	if err := s.launch(o, sql); err != nil {
		return nil, fmt.Errorf("starting the embedded temporal server: %w", err)
	}
	if err := s.awaitReady(ctx, o); err != nil {
		return nil, errors.Join(err, s.Stop())
	}
	return s, nil
}

// HostPort returns the address of the frontend, for [Dial].
func (s *Server) HostPort() string { return s.hostPort }

// Namespace returns the namespace that the server was started with.
func (s *Server) Namespace() string { return s.namespace }

// Fresh reports whether the caller must rebuild the workflows from the record
// store: this start made an empty file, or an earlier one did and the rebuild
// was not finished. The answer does not change while the server runs.
func (s *Server) Fresh() bool { return s.fresh }

// MarkRebuilt records durably that every workflow was rebuilt, so that the next
// start finds the file complete.
func (s *Server) MarkRebuilt() error {
	if s.inMemory {
		return nil
	}
	s.markMu.Lock()
	defer s.markMu.Unlock()

	done := s.marker
	done.Complete = true
	if err := writeMarker(s.dir, done); err != nil {
		return fmt.Errorf("marking the engine as rebuilt: %w", err)
	}
	s.marker = done
	return nil
}

// Stop drains and stops the server. Stop workers and close clients first. More
// calls return what the first one returned.
func (s *Server) Stop() error {
	s.stopOnce.Do(func() {
		s.stopping.Store(true)
		if err := s.temporal.Stop(); err != nil {
			s.stopErr = fmt.Errorf("stopping the embedded temporal server: %w", err)
		}
	})
	return s.stopErr
}

func (o Options) withDefaults() (Options, error) {
	if o.Namespace == "" {
		o.Namespace = DefaultNamespace
	}
	if o.Retention == 0 {
		o.Retention = DefaultRetention
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.pick == nil {
		o.pick = freePorts
	}
	if o.InMemory {
		return o, nil
	}
	if o.DataDir == "" {
		return o, errors.New("starting the engine: no data folder given")
	}
	dir, err := filepath.Abs(o.DataDir)
	if err != nil {
		return o, fmt.Errorf("finding the data folder: %w", err)
	}
	o.DataDir = dir
	return o, nil
}

// openFile decides whether the file in the folder can be used, replaces it when
// it cannot, and returns how to connect to it.
func (s *Server) openFile(o Options) (*config.SQL, error) {
	if err := os.MkdirAll(o.DataDir, 0o700); err != nil {
		return nil, fmt.Errorf("making the data folder: %w", err)
	}
	want := currentMarker(o.Namespace)
	found, reason, err := inspect(o.DataDir, want)
	if err != nil {
		return nil, err
	}
	if o.Reset {
		reason = "a fresh start was asked for"
	}
	sql := fileSQL(o.DataDir)

	if reason == "" {
		s.fresh = !found.Complete
		want.Complete = found.Complete
		if found != want {
			// Same schema, other server version: keep the note current.
			if err := writeMarker(o.DataDir, want); err != nil {
				return nil, err
			}
		}
		s.marker = want
		return sql, nil
	}

	moved, err := moveAside(o.DataDir, o.Now())
	if err != nil {
		return nil, err
	}
	if len(moved) > 0 {
		o.Logger.Warn("engine file moved aside", "reason", reason, "files", moved)
	}
	if err := createFile(o, sql); err != nil {
		return nil, err
	}
	// The marker comes last: a crash before this line leaves a file without a
	// marker, which the next start does not trust.
	if err := writeMarker(o.DataDir, want); err != nil {
		return nil, err
	}
	s.fresh, s.marker = true, want
	return sql, nil
}

func createFile(o Options, sql *config.SQL) error {
	// SQLite would create the file readable by others; its -wal and -shm files
	// take over the mode of the main one.
	f, err := os.OpenFile(filepath.Join(o.DataDir, dbFile), os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("creating the engine file: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("creating the engine file: %w", err)
	}
	if err := sqliteschema.SetupSchema(sql); err != nil {
		return fmt.Errorf("setting up the engine file: %w", err)
	}
	return createNamespace(sql, o)
}

func createNamespace(sql *config.SQL, o Options) error {
	ns, err := sqliteschema.NewNamespaceConfig(clusterName, o.Namespace, false, searchAttributes())
	if err != nil {
		return fmt.Errorf("describing namespace %s: %w", o.Namespace, err)
	}
	// The helper fixes retention at one day.
	ns.Detail.Config.Retention = durationpb.New(o.Retention)
	if err := sqliteschema.CreateNamespaces(sql, ns); err != nil {
		return fmt.Errorf("creating namespace %s: %w", o.Namespace, err)
	}
	return nil
}

func searchAttributes() map[string]enumspb.IndexedValueType {
	return map[string]enumspb.IndexedValueType{
		SearchStage:   enumspb.INDEXED_VALUE_TYPE_KEYWORD,
		SearchNextDue: enumspb.INDEXED_VALUE_TYPE_DATETIME,
		SearchFlagged: enumspb.INDEXED_VALUE_TYPE_BOOL,
	}
}

func fileSQL(dir string) *config.SQL {
	// The name goes into a URI without being escaped.
	escape := strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23")
	return &config.SQL{
		PluginName:   sqliteplugin.PluginName,
		DatabaseName: escape.Replace(filepath.Join(dir, dbFile)),
		ConnectAttributes: map[string]string{
			"mode":         "rwc",
			"journal_mode": "wal",
			"synchronous":  "full",
			"busy_timeout": "10000",
			// The plugin keeps one connection for each connection string for
			// the life of the process. A new value each time keeps a second
			// start in one process from using the connection of a file that
			// was since moved or deleted. Any value but "true" does nothing.
			"setup": uuid.NewString(),
		},
	}
}

func memorySQL() *config.SQL {
	return &config.SQL{
		PluginName:        sqliteplugin.PluginName,
		DatabaseName:      uuid.NewString(),
		ConnectAttributes: map[string]string{"mode": "memory", "cache": "private"},
	}
}

// launch starts the server, and once more on other ports when one was taken.
func (s *Server) launch(o Options, sql *config.SQL) error {
	var last error
	for range startAttempts {
		p, err := o.pick()
		if err != nil {
			return err
		}
		stopping := new(atomic.Bool)
		srv, err := build(o, sql, p, stopping)
		if err == nil {
			s.temporal, s.stopping, s.hostPort = srv, stopping, p.address(p.frontend)
			if err = srv.Start(); err == nil {
				return nil
			}
			stopping.Store(true)
			err = errors.Join(err, srv.Stop())
		}
		if !addressInUse(err) {
			return err
		}
		last = err
	}
	return last
}

// build makes the server, which binds its listeners. A failure there reaches us
// as a call of the logger's Fatal, on this goroutine; it becomes an error.
func build(o Options, sql *config.SQL, p ports, stopping *atomic.Bool) (srv temporal.Server, err error) {
	defer func() {
		r := recover()
		if r == nil {
			return
		}
		fatal, ok := r.(*fatalError)
		if !ok {
			panic(r)
		}
		err = fatal
	}()
	return temporal.NewServer(
		temporal.WithConfig(serverConfig(sql, p)),
		temporal.ForServices(temporal.DefaultServices),
		temporal.WithStaticHosts(p.hosts()),
		temporal.WithLogger(newServerLogger(o.Logger, stopping)),
		temporal.WithDynamicConfigClient(dynamicSettings()),
	)
}

func serverConfig(sql *config.SQL, p ports) *config.Config {
	service := func(port int) config.Service {
		return config.Service{RPC: config.RPC{GRPCPort: port, BindOnIP: loopback}}
	}
	return &config.Config{
		Global: config.Global{
			Membership: config.Membership{MaxJoinDuration: 30 * time.Second, BroadcastAddress: loopback},
		},
		Persistence: config.Persistence{
			DefaultStore:     storeName,
			VisibilityStore:  storeName,
			NumHistoryShards: 1, // fixed for the life of the file
			DataStores:       map[string]config.DataStore{storeName: {SQL: sql}},
		},
		ClusterMetadata: &cluster.Config{
			FailoverVersionIncrement: 10,
			MasterClusterName:        clusterName,
			CurrentClusterName:       clusterName,
			ClusterInformation: map[string]cluster.ClusterInformation{
				clusterName: {
					Enabled:                true,
					InitialFailoverVersion: 1,
					RPCAddress:             p.address(p.frontend),
					ClusterID:              clusterID,
				},
			},
		},
		DCRedirectionPolicy: config.DCRedirectionPolicy{Policy: "noop"},
		Services: map[string]config.Service{
			string(primitives.FrontendService): service(p.frontend),
			string(primitives.HistoryService):  service(p.history),
			string(primitives.MatchingService): service(p.matching),
			string(primitives.WorkerService):   service(p.worker),
		},
		Archival: config.Archival{
			History:    config.HistoryArchival{State: "disabled"},
			Visibility: config.VisibilityArchival{State: "disabled"},
		},
		NamespaceDefaults: config.NamespaceDefaults{
			Archival: config.ArchivalNamespaceDefaults{
				History:    config.HistoryArchivalNamespaceDefaults{State: "disabled"},
				Visibility: config.VisibilityArchivalNamespaceDefaults{State: "disabled"},
			},
		},
		PublicClient: config.PublicClient{HostPort: p.address(p.frontend)},
	}
}

func dynamicSettings() dynamicconfig.StaticClient {
	return dynamicconfig.StaticClient{
		// The check would send a request to the vendor; nothing leaves the host.
		dynamicconfig.EnableServerVersionCheck.Key(): false,
		// Each step after an activity goes through the transfer queue, which
		// by default is read 20 times a second for each shard. That suits
		// hundreds of shards; with one it holds each update up by 40 ms.
		dynamicconfig.TransferProcessorMaxPollRPS.Key(): transferPollsPerSecond,
		// Partitions spread a queue over hosts. There is one host, and each
		// further partition costs pollers and forwarding.
		dynamicconfig.MatchingNumTaskqueueReadPartitions.Key():  1,
		dynamicconfig.MatchingNumTaskqueueWritePartitions.Key(): 1,
	}
}

// awaitReady asks the frontend for the namespace, which needs a server that
// serves, and brings an existing file's namespace up to the options.
func (s *Server) awaitReady(ctx context.Context, o Options) error {
	c, err := client.DialContext(ctx, client.Options{
		HostPort:  s.hostPort,
		Namespace: o.Namespace,
		Identity:  DefaultIdentity,
		Logger:    newSDKLogger(o.Logger),
	})
	if err != nil {
		return fmt.Errorf("reaching the embedded temporal server: %w", err)
	}
	defer c.Close()
	return reconcileNamespace(ctx, c, o.Namespace, o.Retention)
}

func addressInUse(err error) bool {
	// The server's logger passes the error on as text.
	return err != nil && strings.Contains(err.Error(), syscall.EADDRINUSE.Error())
}

// ports are the four loopback ports of the server.
type ports struct {
	frontend, history, matching, worker int
}

func (ports) address(port int) string { return fmt.Sprintf("%s:%d", loopback, port) }

func (p ports) hosts() map[primitives.ServiceName]static.Hosts {
	return map[primitives.ServiceName]static.Hosts{
		primitives.FrontendService: static.SingleLocalHost(p.address(p.frontend)),
		primitives.HistoryService:  static.SingleLocalHost(p.address(p.history)),
		primitives.MatchingService: static.SingleLocalHost(p.address(p.matching)),
		primitives.WorkerService:   static.SingleLocalHost(p.address(p.worker)),
	}
}

// freePorts lets the system choose four different ports. All four are held
// until the last is known, so that none is given twice.
func freePorts() (ports, error) {
	var p ports
	for _, port := range []*int{&p.frontend, &p.history, &p.matching, &p.worker} {
		l, err := net.Listen("tcp", net.JoinHostPort(loopback, "0"))
		if err != nil {
			return ports{}, fmt.Errorf("finding a free port: %w", err)
		}
		defer l.Close()
		*port = l.Addr().(*net.TCPAddr).Port
	}
	return p, nil
}
