package protocol

import (
	"context"
	"fmt"
	"sync"
)

// Registry hands out the protocol version that a candidate is pinned to. It is
// safe for concurrent use.
type Registry struct {
	load  func(ctx context.Context, version string) (string, error)
	mu    sync.RWMutex
	known map[string]*Protocol
}

// NewRegistry returns a registry that knows the given protocols and reads the
// text of others with load.
func NewRegistry(load func(ctx context.Context, version string) (string, error), known ...*Protocol) *Registry {
	r := &Registry{load: load, known: map[string]*Protocol{}}
	for _, p := range known {
		r.known[p.Version] = p
	}
	return r
}

// Get returns the protocol of the version.
func (r *Registry) Get(ctx context.Context, version string) (*Protocol, error) {
	r.mu.RLock()
	p, ok := r.known[version]
	r.mu.RUnlock()
	if ok {
		return p, nil
	}
	source, err := r.load(ctx, version)
	if err != nil {
		return nil, fmt.Errorf("load protocol %s: %w", version, err)
	}
	p, err = Parse([]byte(source))
	if err != nil {
		return nil, fmt.Errorf("load protocol %s: %w", version, err)
	}
	if p.Version != version {
		return nil, fmt.Errorf("load protocol %s: the text is that of version %s", version, p.Version)
	}
	r.mu.Lock()
	r.known[version] = p
	r.mu.Unlock()
	return p, nil
}
