package bulk

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"github.com/google/uuid"

	"candidacy/internal/record"
)

// Policy says how long things last, all by common practice.
type Policy struct {
	// Lease is how long a process keeps an export without saying that it is still
	// at it.
	Lease time.Duration
	// Beat is how often it says so.
	Beat time.Duration
	// Attempts is how often an export is begun before it counts as failed.
	Attempts int
	// Keep is how long files stay, and how long a failure can be asked for.
	Keep time.Duration
	// Unfinished is how many exports one client may have waiting or under way.
	Unfinished int
	// Sweep is how often files are looked for that nobody needs.
	Sweep time.Duration
	Sizes Sizes
}

// DefaultPolicy is that of the program.
var DefaultPolicy = Policy{
	Lease: time.Minute, Beat: 2 * time.Second, Attempts: 5, Keep: 24 * time.Hour, Unfinished: 4, Sweep: 10 * time.Minute, Sizes: DefaultSizes,
}

// Plan is what an export comes to.
type Plan struct {
	Scans []record.Scan
	// Shape makes of a resource what is exported; nil is the resource as it stands.
	Shape func(typ string, body []byte) ([]byte, error)
	// Further returns what else goes out, of the same moment; it may be nil.
	Further func(context.Context, *record.View) ([]Lines, error)
}

// Lines are resources of a type that go into another section than the output.
type Lines struct {
	Section, Type string
	Lines         [][]byte
}

// Runner carries out the exports that are queued in the store. Any number of
// processes may have one.
type Runner struct {
	Store *record.Store
	Vault Vault
	// Plan reads what a client asked for.
	Plan   func(record.Export) (Plan, error)
	Policy Policy
	Now    func() time.Time
	Log    *slog.Logger

	wake  chan struct{}
	once  sync.Once
	swept time.Time
}

// The classes of failures.
const (
	failedPlan     = "plan"
	failedStore    = "store"
	failedTooOften = "interrupted"
)

func (r *Runner) waker() chan struct{} {
	r.once.Do(func() { r.wake = make(chan struct{}, 1) })
	return r.wake
}

// Wake tells that there may be something to do.
func (r *Runner) Wake() {
	select {
	case r.waker() <- struct{}{}:
	default:
	}
}

// Run carries out what is queued, whenever it is told to and when it is woken,
// until the context ends. An export under way is then left to whoever comes next.
func (r *Runner) Run(ctx context.Context, tick <-chan time.Time) {
	for {
		for {
			did, err := r.Once(ctx)
			if err != nil && ctx.Err() == nil {
				r.Log.Error("exports", "error", err)
			}
			if err != nil || !did {
				break
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick:
		case <-r.waker():
		}
	}
}

// Start queues an export, and returns its id.
func (r *Runner) Start(ctx context.Context, e record.Export) (string, error) {
	id, err := r.Store.CreateExport(ctx, e, r.Policy.Unfinished)
	if err == nil {
		r.Wake()
	}
	return id, err
}

// Once tidies up, carries out one export, and reports whether there was one.
func (r *Runner) Once(ctx context.Context) (bool, error) {
	if err := r.tidy(ctx); err != nil {
		return false, err
	}
	e, err := r.Store.ClaimExport(ctx, uuid.NewString(), r.Now().Add(r.Policy.Lease))
	if errors.Is(err, record.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return true, r.carryOut(ctx, e)
}

// tidy ends what has expired, and removes files that nobody needs: of attempts
// that were given up, and of exports that were cancelled elsewhere.
func (r *Runner) tidy(ctx context.Context) error {
	now := r.Now()
	if !r.swept.IsZero() && now.Sub(r.swept) < r.Policy.Sweep {
		return nil
	}
	if err := r.Store.ExpireExports(ctx); err != nil {
		return err
	}
	// In this order: an attempt that begins meanwhile is not among the first.
	claims, err := r.Vault.Claims(ctx)
	if err != nil {
		return err
	}
	needed, err := r.Store.ExportClaims(ctx)
	if err != nil {
		return err
	}
	for _, claim := range claims {
		if !needed[claim] {
			if err := r.Vault.Remove(ctx, claim); err != nil {
				return err
			}
		}
	}
	r.swept = now
	return nil
}

// Cancel ends an export and removes its files. It is record.ErrNotFound when there
// is nothing to cancel.
func (r *Runner) Cancel(ctx context.Context, e record.Export) error {
	if err := r.Store.CancelExport(ctx, e.ID); err != nil {
		return err
	}
	if e.State != record.ExportComplete {
		return nil // whoever writes the files notices, and removes them
	}
	return r.Vault.Remove(ctx, e.Claim)
}

// carryOut does an export, and says in the store what came of it.
func (r *Runner) carryOut(ctx context.Context, e record.Export) error {
	expires := r.Now().Add(r.Policy.Keep)
	if e.Attempts > r.Policy.Attempts {
		return r.Store.FailExport(ctx, e.Claim, failedTooOften, expires)
	}
	plan, err := r.Plan(e)
	if err != nil {
		r.Log.Error("an export can't be planned", "error", err)
		return r.Store.FailExport(ctx, e.Claim, failedPlan, expires)
	}
	err = r.export(ctx, e, plan)
	if err == nil {
		return nil
	}
	// What has been written is of no use. The context may have ended.
	last := context.WithoutCancel(ctx)
	removed := r.Vault.Remove(last, e.Claim)
	switch {
	case errors.Is(err, record.ErrNotFound): // cancelled, or another's by now
		return removed
	case ctx.Err() != nil:
		return errors.Join(err, removed, r.Store.ReleaseExport(last, e.Claim, "", false))
	default:
		return errors.Join(err, removed, r.Store.ReleaseExport(last, e.Claim, failedStore, true))
	}
}

func (r *Runner) export(ctx context.Context, e record.Export, plan Plan) (err error) {
	view, err := r.Store.View(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, view.Close()) }()
	if counted(plan.Scans) {
		if e.Total, err = view.Count(ctx, plan.Scans); err != nil {
			return err
		}
	}
	beat := r.Now()
	p := newPacker(ctx, r.Vault, e.Claim, r.Policy.Sizes)
	e.Done, err = copyTo(ctx, view, plan, p, func(done int64) error {
		now := r.Now()
		if now.Sub(beat) < r.Policy.Beat {
			return nil
		}
		beat = now
		return r.Store.KeepExport(ctx, e.Claim, now.Add(r.Policy.Lease), done, e.Total)
	})
	if err != nil {
		p.stop()
		return err
	}
	further, err := plan.batches(ctx, view)
	if err != nil {
		p.stop()
		return err
	}
	files, err := p.finish(further...)
	if err != nil {
		return err
	}
	e.TakenAt, e.ExpiresAt = view.At, r.Now().Add(r.Policy.Keep)
	return r.Store.FinishExport(ctx, e, files)
}

// batches are the plan's further lines.
func (p Plan) batches(ctx context.Context, view *record.View) ([]batch, error) {
	if p.Further == nil {
		return nil, nil
	}
	further, err := p.Further(ctx, view)
	if err != nil {
		return nil, err
	}
	var list []batch
	for _, f := range further {
		if len(f.Lines) == 0 {
			continue
		}
		b := batch{section: f.Section, typ: f.Type, resources: int64(len(f.Lines))}
		for _, line := range f.Lines {
			b.data = append(append(b.data, line...), '\n')
		}
		list = append(list, b)
	}
	return list, nil
}
