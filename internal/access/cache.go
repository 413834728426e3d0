package access

import (
	"context"
	"crypto/sha256"
	"sync"
	"time"

	"candidacy/internal/record"
)

const (
	// remember is how long a token is not looked up again, and so how late it may
	// be noticed that it was revoked. Its expiry is noticed at once.
	remember = 30 * time.Second
	// mostRemembered bounds the memory that tokens can take.
	mostRemembered = 1024
)

type remembered struct {
	bearer record.Bearer
	at     time.Time
}

// cache keeps no token, only digests: a memory dump gives nobody access.
type cache struct {
	store Tokens
	now   func() time.Time

	mu    sync.Mutex
	known map[[sha256.Size]byte]remembered
}

// Cache returns Tokens that remember for 30 seconds by the clock who a token
// speaks for, so that reads do not each ask the store. Tokens that are not
// known are never remembered. It is safe for concurrent use, and one may serve
// several interfaces: a cache is not put around another.
func Cache(store Tokens, now func() time.Time) Tokens {
	if already, ok := store.(*cache); ok {
		return already
	}
	return &cache{store: store, now: now, known: map[[sha256.Size]byte]remembered{}}
}

// TokenBearer implements Tokens.
func (c *cache) TokenBearer(ctx context.Context, token string) (record.Bearer, error) {
	digest, at := sha256.Sum256([]byte(token)), c.now()
	c.mu.Lock()
	r, ok := c.known[digest]
	c.mu.Unlock()
	if ok && r.fresh(at) {
		return r.bearer, nil
	}
	bearer, err := c.store.TokenBearer(ctx, token)
	c.mu.Lock()
	defer c.mu.Unlock()
	if err != nil {
		delete(c.known, digest)
		return record.Bearer{}, err
	}
	c.makeRoom(at)
	c.known[digest] = remembered{bearer, at}
	return bearer, nil
}

// fresh is false for an entry of the future too: the clock was set back, and
// nothing says how old the entry is.
func (r remembered) fresh(at time.Time) bool {
	age := at.Sub(r.at)
	return age >= 0 && age < remember && (r.bearer.Expires.IsZero() || at.Before(r.bearer.Expires))
}

// makeRoom drops what is too old, and when that is not enough any one entry:
// all that it costs is another look-up.
func (c *cache) makeRoom(at time.Time) {
	if len(c.known) < mostRemembered {
		return
	}
	for digest, r := range c.known {
		if !r.fresh(at) {
			delete(c.known, digest)
		}
	}
	for digest := range c.known {
		if len(c.known) < mostRemembered {
			return
		}
		delete(c.known, digest)
	}
}
