package notify_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log"
	"math/big"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// caught is one message that the catcher took.
type caught struct {
	from string
	to   []string
	*mail.Message
	body string
}

// catcher is a mail server that keeps what it is given, or fails as it is told.
type catcher struct {
	address string

	mu   sync.Mutex
	took []caught
	// fails decides for one step (mail, rcpt, data) and recipient; nil takes it.
	fails func(step, to string) error
	// dropping cuts the connection in the middle of DATA, droppedAfter after the
	// message has been taken and before the answer.
	dropping, droppingAfter bool
	signedIn                int
}

func (c *catcher) messages() []caught {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]caught(nil), c.took...)
}

func (c *catcher) set(change func(*catcher)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	change(c)
}

func (c *catcher) fail(step, to string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fails == nil {
		return nil
	}
	return c.fails(step, to)
}

type session struct {
	*catcher
	conn *smtp.Conn
	from string
	to   []string
}

func (s *session) Reset()        { s.from, s.to = "", nil }
func (s *session) Logout() error { return nil }

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	s.from = from
	return s.fail("mail", "")
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	if err := s.fail("rcpt", to); err != nil {
		return err
	}
	s.to = append(s.to, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	s.mu.Lock()
	dropping, after := s.dropping, s.droppingAfter
	s.mu.Unlock()
	if dropping {
		_, _ = io.CopyN(io.Discard, r, 10)
		return s.conn.Conn().Close()
	}
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if err := s.fail("data", strings.Join(s.to, " ")); err != nil {
		return err
	}
	m, err := mail.ReadMessage(strings.NewReader(string(raw)))
	if err != nil {
		return err
	}
	body, err := io.ReadAll(m.Body)
	if err != nil {
		return err
	}
	s.set(func(c *catcher) { c.took = append(c.took, caught{s.from, s.to, m, string(body)}) })
	if after {
		return s.conn.Conn().Close()
	}
	return nil
}

// AuthMechanisms implements smtp.AuthSession.
func (s *session) AuthMechanisms() []string { return []string{sasl.Plain} }

// Auth implements smtp.AuthSession.
func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, username, password string) error {
		if username != "candidacy" || password != "right" {
			return smtp.ErrAuthFailed
		}
		s.set(func(c *catcher) { c.signedIn++ })
		return nil
	}), nil
}

// newCatcher starts a mail server on loopback. With a certificate it offers
// STARTTLS.
func newCatcher(t *testing.T, certificate *tls.Certificate) *catcher {
	t.Helper()
	c := &catcher{}
	server := smtp.NewServer(smtp.BackendFunc(func(conn *smtp.Conn) (smtp.Session, error) {
		return &session{catcher: c, conn: conn}, nil
	}))
	server.Domain, server.ErrorLog = "catcher.example", log.New(io.Discard, "", 0)
	server.ReadTimeout, server.WriteTimeout = 10*time.Second, 10*time.Second
	if certificate != nil {
		server.TLSConfig = &tls.Config{Certificates: []tls.Certificate{*certificate}, MinVersion: tls.VersionTLS12}
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c.address = listener.Addr().String()
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = server.Serve(listener)
	}()
	t.Cleanup(func() {
		_ = server.Close()
		_ = listener.Close() // the server may not have it yet
		<-done
	})
	return c
}

// certificate is self-signed for loopback.
func certificate(t *testing.T) (*tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}
