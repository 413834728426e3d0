package mllp

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"time"
)

// Peer is who sends on a connection.
type Peer struct {
	Address string
	// Certificate has the names of the client certificate that was verified: its
	// common name, and its DNS and URI names. Without one there are none.
	Certificate []string
}

// Handler answers a frame. The messages that it returns are sent back, each in a
// frame of its own, before the next frame of the connection is read. Its context
// does not end when the server stops: a message that was begun is finished.
type Handler func(context.Context, Peer, Frame) [][]byte

// Server takes messages. Its fields are set before Serve.
type Server struct {
	Handler Handler
	// TLS, where it is set, is what the server speaks.
	TLS *tls.Config
	// MaxBytes bounds a message, and MaxConnections how many senders are served
	// at once: another one waits to be accepted.
	MaxBytes, MaxConnections int
	// Idle is how long a connection may be silent, Transfer how long the parts of
	// one frame, an answer or a handshake may take.
	Idle, Transfer time.Duration
	Log            *slog.Logger

	mu   sync.Mutex
	open map[net.Conn]bool
}

// retry is the pause after an accept that failed, as without free descriptors.
const retry = time.Second

// Serve accepts connections until the context ends. Then idle connections are
// closed, messages under way are finished and answered, and Serve returns when
// the last one is.
func (s *Server) Serve(ctx context.Context, listener net.Listener) error {
	s.open = map[net.Conn]bool{}
	defer context.AfterFunc(ctx, func() {
		listener.Close()
		s.interrupt()
	})()
	places := make(chan struct{}, s.MaxConnections)
	var connections sync.WaitGroup
	defer connections.Wait()
	for {
		select {
		case places <- struct{}{}:
		case <-ctx.Done():
			return nil
		}
		conn, err := listener.Accept()
		switch {
		case ctx.Err() != nil:
			if err == nil {
				conn.Close()
			}
			return nil
		case errors.Is(err, net.ErrClosed):
			return err
		case err != nil:
			s.Log.Warn("mllp: accept", "error", err)
			<-places
			select {
			case <-time.After(retry):
			case <-ctx.Done():
			}
			continue
		}
		connections.Go(func() {
			defer func() { <-places }()
			s.serve(ctx, conn)
		})
	}
}

// interrupt ends every wait for a frame.
func (s *Server) interrupt() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for conn := range s.open {
		_ = conn.SetReadDeadline(time.Unix(1, 0)) // a connection that is gone needs none
	}
}

// until sets the deadline for reading, unless the server stops.
func (s *Server) until(ctx context.Context, conn net.Conn, patience time.Duration) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if ctx.Err() != nil {
		return net.ErrClosed
	}
	return conn.SetReadDeadline(time.Now().Add(patience))
}

func (s *Server) serve(ctx context.Context, conn net.Conn) {
	peer := Peer{Address: conn.RemoteAddr().String()}
	s.mu.Lock()
	s.open[conn] = true
	s.mu.Unlock()
	defer func() {
		if r := recover(); r != nil {
			// The message has no answer, so that its sender sends it again. What a
			// panic says may hold a part of the message, so that only its place is kept.
			s.Log.Error("mllp: panic", "peer", peer.Address, "stack", string(debug.Stack()))
		}
		s.mu.Lock()
		delete(s.open, conn)
		s.mu.Unlock()
		conn.Close()
	}()
	stream := conn
	if s.TLS != nil {
		secure := tls.Server(conn, s.TLS)
		if err := s.shake(ctx, conn, secure); err != nil {
			s.Log.Warn("mllp: handshake", "peer", peer.Address, "error", err)
			return
		}
		peer.Certificate, stream = names(secure.ConnectionState()), secure
	}
	reader := NewReader(stream, s.MaxBytes)
	if err := s.exchange(ctx, conn, stream, reader, peer); err != nil && ctx.Err() == nil {
		s.Log.Warn("mllp: connection", "peer", peer.Address, "error", err)
	}
	if reader.Skipped > 0 {
		s.Log.Warn("mllp: bytes outside frames", "peer", peer.Address, "bytes", reader.Skipped)
	}
}

func (s *Server) shake(ctx context.Context, conn net.Conn, secure *tls.Conn) error {
	if err := s.until(ctx, conn, s.Transfer); err != nil {
		return err
	}
	if err := conn.SetWriteDeadline(time.Now().Add(s.Transfer)); err != nil {
		return err
	}
	return secure.HandshakeContext(ctx)
}

// exchange takes frames and answers them one by one, until the sender closes.
func (s *Server) exchange(ctx context.Context, conn, stream net.Conn, reader *Reader, peer Peer) error {
	for {
		if err := s.until(ctx, conn, s.Idle); err != nil {
			return err
		}
		if err := reader.Wait(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		if err := s.until(ctx, conn, s.Transfer); err != nil {
			return err
		}
		frame, err := reader.Rest()
		if err != nil {
			return err
		}
		for _, answer := range s.Handler(context.WithoutCancel(ctx), peer, frame) {
			if err := conn.SetWriteDeadline(time.Now().Add(s.Transfer)); err != nil {
				return err
			}
			if _, err := stream.Write(Wrap(answer)); err != nil {
				return err
			}
		}
	}
}

// names are those of a verified client certificate.
func names(state tls.ConnectionState) []string {
	if len(state.VerifiedChains) == 0 {
		return nil
	}
	leaf := state.PeerCertificates[0]
	var list []string
	if leaf.Subject.CommonName != "" {
		list = append(list, leaf.Subject.CommonName)
	}
	list = append(list, leaf.DNSNames...)
	for _, uri := range leaf.URIs {
		list = append(list, uri.String())
	}
	return list
}
