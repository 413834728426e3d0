package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/protocol"
	"candidacy/internal/subscription"
	"candidacy/internal/system"
	"candidacy/internal/web"
)

// site are the flags that say where data lives and where to listen.
type site struct {
	data, listen, temporal, database, protocol string
	publicURL, trustedProxy                    string
	secure, noWorker                           bool
	signIn                                     signInFlags
	mail                                       mailFlags
	mllp                                       mllpFlags
	// background runs work beside requests.
	background func(func(context.Context))
	// allow are the hosts that notifications may go to, and hosts those in read form.
	allow []string
	hosts subscription.Hosts
}

func (s *site) bind(cmd *cobra.Command, data string) {
	f := cmd.Flags()
	f.StringVar(&s.data, "data", data, "folder for records, engine and keys")
	f.StringVar(&s.listen, "listen", "127.0.0.1:8080", "address to listen on")
	s.bindParts(cmd)
	s.mllp.bind(cmd)
	f.StringVar(&s.publicURL, "public-url", "", "address that clients use, such as https://candidacy.example; needed behind a proxy")
	f.StringVar(&s.trustedProxy, "trusted-proxy", "", "network of the proxy whose X-Forwarded-For counts, such as 10.0.0.0/8")
	f.BoolVar(&s.secure, "secure-cookies", false, "mark cookies Secure; implied by an https --public-url")
	f.StringSliceVar(&s.allow, "subscription-allow", nil, "hosts that clients may be told at of what they subscribed to, such as ehr.example.org")
	s.signIn.bind(cmd)
	f.BoolVar(&s.noWorker, "no-worker", false, "leave the work to candidacy worker processes on the same cluster")
}

func (s *site) bindParts(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&s.temporal, "temporal-address", "", "Temporal cluster to use instead of the embedded engine")
	f.StringVar(&s.database, "database-url", "", "PostgreSQL URL to use instead of records.db (or DATABASE_URL)")
	f.StringVar(&s.protocol, "protocol", "", "programme protocol file; the embedded default otherwise")
}

func (s *site) options(log *slog.Logger) (system.Options, error) {
	o := system.Options{
		DataDir: s.data, DatabaseURL: s.database, TemporalAddress: s.temporal,
		PayloadKeys: os.Getenv("CANDIDACY_PAYLOAD_KEYS"), Now: time.Now, Log: log, NoWorker: s.noWorker,
	}
	if s.noWorker && s.temporal == "" {
		return o, errors.New("--no-worker: only with --temporal-address; nobody else works on an embedded engine")
	}
	if o.DatabaseURL == "" {
		o.DatabaseURL = os.Getenv("DATABASE_URL")
	}
	if s.protocol == "" {
		return o, nil
	}
	source, err := os.ReadFile(s.protocol)
	if err != nil {
		return o, fmt.Errorf("read the protocol: %w", err)
	}
	o.Protocol, err = protocol.Parse(source)
	return o, err
}

func serveCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Serve the pages, the API and the FHIR endpoint",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return serve(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), s, nil)
		},
	}
	s.bind(cmd, defaultData("data"))
	s.mail.bind(cmd)
	return cmd
}

// prepared is what is done between opening the system and listening.
type prepared func(ctx context.Context, out io.Writer, sys *system.System) ([]web.SignIn, error)

// serve opens the system, listens, and stops cleanly when the context ends.
func serve(ctx context.Context, out, errs io.Writer, s site, prepare prepared) (err error) {
	log := slog.New(slog.NewTextHandler(errs, &slog.HandlerOptions{Level: slog.LevelWarn}))
	options, err := s.options(log)
	if err != nil {
		return err
	}
	mailServer, err := s.mail.server(s.publicURL)
	if err != nil {
		return err
	}
	messages, err := s.mllp.server(log)
	if err != nil {
		return err
	}
	if s.hosts, err = subscription.ParseHosts(s.allow); err != nil {
		return fmt.Errorf("--subscription-allow: %w", err)
	}
	data, err := filepath.Abs(s.data)
	if err != nil {
		return fmt.Errorf("find the data folder: %w", err)
	}
	fmt.Fprintf(out, "Data folder: %s\n", data)
	listener, err := net.Listen("tcp", s.listen)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	var senders net.Listener
	if messages != nil {
		if senders, err = net.Listen("tcp", s.mllp.address); err != nil {
			return errors.Join(fmt.Errorf("listen for HL7 v2: %w", err), listener.Close())
		}
		defer senders.Close()
	}
	// The pages answer from the first moment; until the system is ready they
	// say so.
	gate := &gate{}
	server := &http.Server{
		Handler: gate, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute,
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	defer func() {
		shutdown, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		err = errors.Join(err, server.Shutdown(shutdown))
		if failed := <-served; !errors.Is(failed, http.ErrServerClosed) {
			err = errors.Join(err, failed)
		}
	}()

	options.Progress = progress(out, "Restarting open candidates from the record")
	options.Republishing = progress(out, "Publishing candidates as this version does")
	sys, err := system.Open(ctx, options)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sys.Close()) }()
	var signIns []web.SignIn
	if prepare != nil {
		if signIns, err = prepare(ctx, out, sys); err != nil {
			return err
		}
	}
	stopTelling, err := runSubscriptions(ctx, sys, s.hosts, log)
	if err != nil {
		return err
	}
	defer stopTelling()
	exports, err := newExports(ctx, sys, s.data, log)
	if err != nil {
		return err
	}
	var stopBackground func()
	s.background, stopBackground = inBackground(ctx)
	defer stopBackground()
	handler, err := routes(sys, s, log, signIns, exports)
	if err != nil {
		return err
	}
	if err := writeAddress(s.data, listener.Addr().String()); err != nil {
		return err
	}
	defer os.Remove(addressFile(s.data))
	defer sendNotices(ctx, sys, mailServer, s.publicURL, log)()
	defer runExports(ctx, exports)()
	defer carryOut(ctx, sys)()
	gate.open(handler)
	if messages != nil {
		stop := takeMessages(ctx, out, sys, messages, senders)
		defer func() { err = errors.Join(err, stop()) }()
	}
	fmt.Fprintf(out, "Ready: http://%s\n", listener.Addr())
	announce(ctx, out, sys, signIns)
	select {
	case <-ctx.Done():
		fmt.Fprintln(out, "Stopping.")
		return nil
	case failed := <-served:
		served <- failed
		return failed
	}
}

// inBackground returns what starts work beside requests, and what ends it and waits.
func inBackground(ctx context.Context) (start func(func(context.Context)), stop func()) {
	running, cancel := context.WithCancel(ctx)
	var group sync.WaitGroup
	return func(do func(context.Context)) { group.Go(func() { do(running) }) }, func() { cancel(); group.Wait() }
}

func announce(ctx context.Context, out io.Writer, sys *system.System, signIns []web.SignIn) {
	for _, each := range signIns {
		fmt.Fprintf(out, "  sign in as %-14s password %s   (%s)\n", each.Username, each.Password, each.Role)
	}
	accounts, err := sys.Store.Accounts(ctx)
	if err == nil && len(accounts) == 0 {
		fmt.Fprintln(out, "Nobody can sign in yet: candidacy account add --data DIR --username NAME --role coordinator")
	}
}

// progress reports on one line, not more often than a reader can see.
func progress(out io.Writer, what string) func(done, all int) {
	return func(done, all int) {
		step := max(all/20, 1)
		if done%step == 0 || done == all {
			fmt.Fprintf(out, "%s: %d of %d\n", what, done, all)
		}
	}
}

// addressFile tells other commands where the server of a folder listens.
func addressFile(data string) string { return filepath.Join(data, "address") }

func writeAddress(data, address string) error {
	if err := os.WriteFile(addressFile(data), []byte(address+"\n"), 0o600); err != nil {
		return fmt.Errorf("note the address: %w", err)
	}
	return nil
}
