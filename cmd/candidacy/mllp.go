package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"candidacy/internal/feed"
	"candidacy/internal/incoming"
	"candidacy/internal/mllp"
	"candidacy/internal/system"
)

// mllpFlags say where HL7 v2 messages come in.
type mllpFlags struct {
	address, certificate, key, clients string
	insecure                           bool
}

func (m *mllpFlags) bind(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&m.address, "mllp", "", "address to take HL7 v2 messages (ORU^R01) at, by MLLP, such as 127.0.0.1:2575")
	f.StringVar(&m.certificate, "mllp-tls-cert", "", "certificate for MLLP over TLS, PEM")
	f.StringVar(&m.key, "mllp-tls-key", "", "key of the certificate, PEM")
	f.StringVar(&m.clients, "mllp-client-ca", "", "authorities of the senders' certificates, PEM: each sender has to have one")
	f.BoolVar(&m.insecure, "mllp-insecure", false, "take messages from other machines without TLS or without certificates of the senders")
}

// The limits of MLLP connections. A laboratory keeps one or two open for good.
const (
	mllpConnections = 64
	mllpIdle        = time.Hour
	mllpTransfer    = time.Minute
)

// server prepares the server; nil where none was asked for.
func (m *mllpFlags) server(log *slog.Logger) (*mllp.Server, error) {
	if m.address == "" {
		if m.certificate != "" || m.key != "" || m.clients != "" || m.insecure {
			return nil, errors.New("--mllp: missing, and the other --mllp flags are of no use without it")
		}
		return nil, nil
	}
	s := &mllp.Server{
		MaxBytes: incoming.MaxBytes, MaxConnections: mllpConnections, Idle: mllpIdle, Transfer: mllpTransfer, Log: log,
	}
	switch {
	case (m.certificate == "") != (m.key == ""):
		return nil, errors.New("--mllp-tls-cert and --mllp-tls-key: one needs the other")
	case m.clients != "" && m.certificate == "":
		return nil, errors.New("--mllp-client-ca: needs --mllp-tls-cert and --mllp-tls-key")
	case m.clients == "" && !m.insecure && !loopback(m.address):
		return nil, errors.New("--mllp: on an address that other machines reach, senders are known by --mllp-client-ca; " +
			"accepted are a loopback address, certificates, or --mllp-insecure")
	case m.certificate == "":
		return s, nil
	}
	pair, err := tls.LoadX509KeyPair(m.certificate, m.key)
	if err != nil {
		return nil, fmt.Errorf("--mllp-tls-cert: %w", err)
	}
	s.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	if m.clients == "" {
		return s, nil
	}
	text, err := os.ReadFile(m.clients)
	if err != nil {
		return nil, fmt.Errorf("--mllp-client-ca: %w", err)
	}
	s.TLS.ClientCAs = x509.NewCertPool()
	if !s.TLS.ClientCAs.AppendCertsFromPEM(text) {
		return nil, errors.New("--mllp-client-ca: no certificate in PEM found")
	}
	s.TLS.ClientAuth = tls.RequireAndVerifyClientCert
	return s, nil
}

// loopback reports whether only this machine reaches an address.
func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// takeMessages serves until stop is called: then the message under way is
// finished and acknowledged.
func takeMessages(ctx context.Context, out io.Writer, sys *system.System, s *mllp.Server, listener net.Listener) (stop func() error) {
	answers := &feed.Feed{
		Receiver: sys.Incoming, Protocol: sys.Current, Now: time.Now, ControlID: ackID, Log: s.Log,
	}
	s.Handler = answers.Handle
	serving, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(serving, listener) }()
	fmt.Fprintf(out, "HL7 v2 by MLLP: %s\n", listener.Addr())
	if len(sys.Current.Laboratory.Senders) == 0 {
		fmt.Fprintln(out, "The protocol names no sender (laboratory.senders), so that every message is refused.")
	}
	return func() error {
		cancel()
		return <-ended
	}
}

// carryOut carries out what was received, in this process and in those before
// it, until stop is called: it waits for what is under way.
func carryOut(ctx context.Context, sys *system.System) (stop func()) {
	running, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		sys.Incoming.Run(running)
	}()
	return func() {
		cancel()
		<-done
	}
}

// ackID is a control id of an acknowledgement: before version 2.6 it has 20
// characters, of which a commit acknowledgement needs one.
func ackID() string {
	id := uuid.New()
	return hex.EncodeToString(id[:9])
}
