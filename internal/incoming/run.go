package incoming

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"candidacy/internal/dispatch"
	"candidacy/internal/record"
)

const (
	// batch is how many messages a process takes at once, and atOnce how many of
	// them it works on.
	batch  = 32
	atOnce = 4
	// poll is how often other processes' messages are looked for.
	poll = 5 * time.Second
	// firstPause doubles with every failed attempt, up to longestPause.
	firstPause   = 2 * time.Second
	longestPause = 5 * time.Minute
)

// Wake lets Run look for messages now.
func (q *Queue) Wake() {
	select {
	case q.wake <- struct{}{}:
	default: // it looks anyway
	}
}

// Run carries out what is received and waits, until the context ends.
func (q *Queue) Run(ctx context.Context) {
	ticker := time.NewTicker(poll)
	defer ticker.Stop()
	for {
		if err := q.CarryOutWaiting(ctx); err != nil && ctx.Err() == nil {
			q.log.ErrorContext(ctx, "messages wait", "cause", fmt.Sprintf("%T", err))
		}
		select {
		case <-ctx.Done():
			return
		case <-q.wake:
		case <-ticker.C:
		}
	}
}

// CarryOutWaiting carries out every message that is due. One that fails is put
// off, and does not hold up the others.
func (q *Queue) CarryOutWaiting(ctx context.Context) error {
	for {
		list, err := q.store.ClaimIncoming(ctx, uuid.NewString(), q.now().Add(lease), batch)
		if err != nil || len(list) == 0 {
			return err
		}
		group := errgroup.Group{}
		group.SetLimit(atOnce)
		for _, m := range list {
			group.Go(func() error {
				if err := q.CarryOut(ctx, m.ID); err != nil {
					q.trouble(ctx, m.ID, err)
				}
				return nil
			})
		}
		if err := group.Wait(); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// trouble puts a message off that could not be carried out for a fault of ours.
func (q *Queue) trouble(ctx context.Context, id string, cause error) {
	ctx = context.WithoutCancel(ctx)
	var pending *dispatch.Pending
	if !errors.As(cause, &pending) {
		// The text may hold anything; the type does not.
		q.log.ErrorContext(ctx, "a message could not be carried out and is tried again", "message", id, "cause", fmt.Sprintf("%T", root(cause)))
	}
	m, err := q.store.Incoming(ctx, id)
	if err == nil && m.State == Received {
		err = q.store.PutOffIncoming(ctx, id, m.Revision, m.Attempts+1, q.now().Add(pause(m.Attempts)))
	}
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		q.log.ErrorContext(ctx, "a message could not be put off; its lease ends by itself", "message", id, "cause", fmt.Sprintf("%T", root(err)))
	}
}

func pause(attempts int) time.Duration {
	p := firstPause
	for range attempts {
		if p *= 2; p >= longestPause {
			return longestPause
		}
	}
	return p
}

func root(err error) error {
	for {
		next := errors.Unwrap(err)
		if next == nil {
			return err
		}
		err = next
	}
}
