package mllp_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"candidacy/internal/mllp"
)

// pipes is a listener of connections in memory.
type pipes struct {
	waiting chan net.Conn
	closed  chan struct{}
	once    sync.Once
}

func newPipes() *pipes { return &pipes{waiting: make(chan net.Conn), closed: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case conn := <-p.waiting:
		return conn, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

func (p *pipes) Addr() net.Addr { return &net.UnixAddr{} }

func (p *pipes) dial() net.Conn {
	ours, theirs := net.Pipe()
	p.waiting <- theirs
	return ours
}

func newServer(handler mllp.Handler) *mllp.Server {
	return &mllp.Server{
		Handler: handler, MaxBytes: 1000, MaxConnections: 4, Idle: time.Hour, Transfer: time.Minute, Log: slog.New(slog.DiscardHandler),
	}
}

func echo(_ context.Context, _ mllp.Peer, f mllp.Frame) [][]byte {
	return [][]byte{append([]byte("re: "), f.Message...)}
}

// exchange sends text and reads one answer.
func exchange(t *testing.T, conn net.Conn, text string) string {
	t.Helper()
	if _, err := io.WriteString(conn, text); err != nil {
		t.Fatal(err)
	}
	return answer(t, conn)
}

func answer(t *testing.T, conn net.Conn) string {
	t.Helper()
	// Byte by byte, so that nothing of the next answer is read.
	r := mllp.NewReader(oneByte{conn}, 1000)
	if err := r.Wait(); err != nil {
		return err.Error()
	}
	f, err := r.Rest()
	if err != nil {
		return err.Error()
	}
	return string(f.Message)
}

type oneByte struct{ io.Reader }

func (o oneByte) Read(p []byte) (int, error) { return o.Reader.Read(p[:1]) }

func serve(ctx context.Context, t *testing.T, s *mllp.Server, l net.Listener) (wait func()) {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	return func() {
		t.Helper()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func TestSeveralMessagesOnAConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l := newPipes()
		wait := serve(ctx, t, newServer(func(ctx context.Context, p mllp.Peer, f mllp.Frame) [][]byte {
			if f.TooLarge {
				return [][]byte{[]byte("too large")}
			}
			if string(f.Message) == "twice" {
				return [][]byte{[]byte("one"), []byte("two")}
			}
			if string(f.Message) == "never" {
				return nil
			}
			return echo(ctx, p, f)
		}), l)
		conn := l.dial()
		for in, want := range map[string]string{
			"\x0bA\x1c\r": "re: A", "garbage\n\x0bB\x1c\r": "re: B", "\x0bnever\x1c\r\x0bC\x1c\r": "re: C",
			"\x0b" + strings.Repeat("x", 1001) + "\x1c\r": "too large",
		} {
			if is := exchange(t, conn, in); is != want {
				t.Errorf("%.20q: %q, want %q", in, is, want)
			}
		}
		// A message in two parts, the second much later.
		if _, err := io.WriteString(conn, "\x0bfirst "); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * time.Second)
		if is := exchange(t, conn, "second\x1c\r"); is != "re: first second" {
			t.Error(is)
		}
		if is := exchange(t, conn, "\x0btwice\x1c\r"); is != "one" {
			t.Error(is)
		}
		if is := answer(t, conn); is != "two" {
			t.Error(is)
		}
		stop()
		wait()
		if is := answer(t, conn); is != io.EOF.Error() {
			t.Errorf("after the stop: %q", is)
		}
	})
}

func TestSilenceEndsAConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l := newPipes()
		wait := serve(ctx, t, newServer(echo), l)
		quiet := l.dial()
		if is := exchange(t, quiet, "\x0bA\x1c\r"); is != "re: A" {
			t.Error(is)
		}
		began := time.Now()
		if is := answer(t, quiet); is != io.EOF.Error() || time.Since(began) != time.Hour {
			t.Errorf("%q after %s", is, time.Since(began))
		}
		slow := l.dial()
		if _, err := io.WriteString(slow, "\x0bhalf"); err != nil {
			t.Fatal(err)
		}
		began = time.Now()
		if is := answer(t, slow); is != io.EOF.Error() || time.Since(began) != time.Minute {
			t.Errorf("half a frame: %q after %s", is, time.Since(began))
		}
		// A sender that does not take its answer holds up nobody for longer.
		deaf := l.dial()
		if _, err := io.WriteString(deaf, "\x0bA\x1c\r"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Minute)
		if is := answer(t, deaf); is != io.EOF.Error() {
			t.Errorf("an answer nobody took: %q", is)
		}
		stop()
		wait()
	})
}

func TestTheMessageUnderWayIsFinished(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l := newPipes()
		begun, release := make(chan struct{}), make(chan struct{})
		wait := serve(ctx, t, newServer(func(ctx context.Context, _ mllp.Peer, f mllp.Frame) [][]byte {
			close(begun)
			<-release
			return [][]byte{fmt.Appendf(nil, "done: %v", ctx.Err())}
		}), l)
		busy, idle := l.dial(), l.dial()
		if _, err := io.WriteString(busy, "\x0bA\x1c\r"); err != nil {
			t.Fatal(err)
		}
		<-begun
		stop()
		if is := answer(t, idle); is != io.EOF.Error() {
			t.Errorf("an idle connection: %q", is)
		}
		close(release)
		if is := answer(t, busy); is != "done: <nil>" {
			t.Error(is)
		}
		if is := answer(t, busy); is != io.EOF.Error() {
			t.Error(is)
		}
		wait()
	})
}

func TestAPanicEndsOnlyItsConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l := newPipes()
		var log bytes.Buffer
		s := newServer(func(ctx context.Context, p mllp.Peer, f mllp.Frame) [][]byte {
			if string(f.Message) == "secret" {
				panic("on " + string(f.Message))
			}
			return echo(ctx, p, f)
		})
		s.Log = slog.New(slog.NewTextHandler(&log, nil))
		wait := serve(ctx, t, s, l)
		other, bad := l.dial(), l.dial()
		if is := exchange(t, bad, "\x0bsecret\x1c\r"); is != io.EOF.Error() {
			t.Errorf("%q", is)
		}
		if is := exchange(t, other, "\x0bA\x1c\r"); is != "re: A" {
			t.Error(is)
		}
		stop()
		wait()
		if text := log.String(); !strings.Contains(text, "panic") || strings.Contains(text, "secret") {
			t.Errorf("the log: %s", text)
		}
	})
}

// Of more senders than places the last one waits until one leaves.
func TestPlacesAreLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l := newPipes()
		wait := serve(ctx, t, newServer(echo), l)
		var first []net.Conn
		for range 4 {
			first = append(first, l.dial())
		}
		served := make(chan net.Conn)
		go func() { served <- l.dial() }()
		synctest.Wait()
		select {
		case <-served:
			t.Error("a fifth sender was served")
		default:
		}
		first[0].Close()
		if is := exchange(t, <-served, "\x0bA\x1c\r"); is != "re: A" {
			t.Error(is)
		}
		stop()
		wait()
	})
}

func TestManySendersAtOnce(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	wait := serve(ctx, t, newServer(echo), l)
	var senders sync.WaitGroup
	for sender := range 12 {
		senders.Go(func() {
			conn, err := net.Dial("tcp", l.Addr().String())
			if err != nil {
				t.Error(err)
				return
			}
			defer conn.Close()
			for n := range 50 {
				text := fmt.Sprintf("sender %d message %d", sender, n)
				if is := exchange(t, conn, "\x0b"+text+"\x1c\r"); is != "re: "+text {
					t.Errorf("%q, want the answer to %q", is, text)
				}
			}
		})
	}
	senders.Wait()
	stop()
	wait()
}

// authority makes certificates for tests.
type authority struct {
	certificate *x509.Certificate
	key         *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) authority {
	t.Helper()
	a := authority{}
	pair := a.issue(t, &x509.Certificate{Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	a.certificate, a.key = pair.Leaf, pair.PrivateKey.(*ecdsa.PrivateKey)
	return a
}

func (a authority) issue(t *testing.T, template *x509.Certificate) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template.SerialNumber = big.NewInt(time.Now().UnixNano())
	template.NotBefore, template.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := a.certificate, a.key
	if parent == nil {
		parent, signer = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
}

func TestSendersProveWhoTheyAre(t *testing.T) {
	ours, others := newAuthority(t), newAuthority(t)
	pool := x509.NewCertPool()
	pool.AddCert(ours.certificate)
	ctx, stop := context.WithCancel(t.Context())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := newServer(func(_ context.Context, p mllp.Peer, _ mllp.Frame) [][]byte {
		return [][]byte{[]byte(strings.Join(p.Certificate, " "))}
	})
	s.TLS = &tls.Config{
		Certificates: []tls.Certificate{ours.issue(t, &x509.Certificate{Subject: pkix.Name{CommonName: "server"}, DNSNames: []string{"localhost"}})},
		ClientAuth:   tls.RequireAndVerifyClientCert, ClientCAs: pool,
	}
	wait := serve(ctx, t, s, l)
	dial := func(certificates ...tls.Certificate) string {
		conn, err := tls.Dial("tcp", l.Addr().String(), &tls.Config{RootCAs: pool, ServerName: "localhost", Certificates: certificates})
		if err != nil {
			return "refused"
		}
		defer conn.Close()
		if _, err := io.WriteString(conn, "\x0bA\x1c\r"); err != nil {
			return "refused"
		}
		is := answer(t, conn)
		if strings.Contains(is, "tls:") {
			return "refused"
		}
		return is
	}
	identity := func() *x509.Certificate {
		return &x509.Certificate{
			Subject: pkix.Name{CommonName: "lis"}, DNSNames: []string{"lis.north.example"}, URIs: []*url.URL{{Scheme: "urn", Opaque: "lis:1"}},
			ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		}
	}
	if is := dial(ours.issue(t, identity())); is != "lis lis.north.example urn:lis:1" {
		t.Errorf("with a certificate: %q", is)
	}
	if is := dial(); is != "refused" {
		t.Errorf("without a certificate: %q", is)
	}
	if is := dial(others.issue(t, identity())); is != "refused" {
		t.Errorf("with another authority's certificate: %q", is)
	}
	plain, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer plain.Close()
	if is := exchange(t, plain, "\x0bMSH|^~\\&|LIS\x1c\r"); strings.Contains(is, "LIS") {
		t.Errorf("without TLS: %q", is)
	}
	stop()
	wait()
}
