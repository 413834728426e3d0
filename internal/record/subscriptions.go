package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"candidacy/internal/journey"
)

// Subscription says that a client is to be told when something of a kind is
// published.
type Subscription struct {
	ID string
	// Client is whose it is.
	Client    string
	Version   int64
	Status    SubscriptionStatus
	CreatedAt time.Time
	UpdatedAt time.Time
	// EndsAt is when it ends by itself; the zero time is never.
	EndsAt time.Time
	// Criteria is the search as the client wrote it, and Query what it comes to
	// under the client's grant.
	Criteria string
	Query    Query
	// Base is the address of the endpoint that references in the criteria may begin
	// with.
	Base string
	// Granted are the searches that narrowed the grant, by the letter of the
	// permission.
	Granted map[string][]string
	Reason  string
	// Contact is JSON, as the client wrote it.
	Contact  json.RawMessage
	Endpoint string
	// Headers are lines that go with each request. They may hold a secret.
	Headers []string
	// Error is the class of the last failure; it names no address.
	Error string
	// Failures is how many attempts failed in a row, and DueAt when the next is.
	Failures int
	DueAt    time.Time
	// ReachedAt is when the endpoint was last reached.
	ReachedAt time.Time
	Claim     string
}

// SubscriptionStatus is what a subscription is at.
type SubscriptionStatus string

// The states of a subscription: those of R4, and gone once its client deleted it.
const (
	SubscriptionRequested SubscriptionStatus = "requested"
	SubscriptionActive    SubscriptionStatus = "active"
	SubscriptionError     SubscriptionStatus = "error"
	SubscriptionOff       SubscriptionStatus = "off"
	SubscriptionGone      SubscriptionStatus = "gone"
)

// Live reports whether what is published is looked at for it.
func (s SubscriptionStatus) Live() bool {
	return s == SubscriptionRequested || s == SubscriptionActive || s == SubscriptionError
}

const liveSubscriptions = "('requested', 'active', 'error')"

// SubscriptionEvent is something that a client has to be told of.
type SubscriptionEvent struct {
	ID           string
	Subscription string
	CreatedAt    time.Time
	// Resources is how many versions were published that meet the criteria.
	Resources int
	State     SubscriptionEventState
	Attempts  int
	Error     string
	SettledAt time.Time
}

// SubscriptionEventState is what has become of an event.
type SubscriptionEventState string

// The states of an event.
const (
	EventQueued  SubscriptionEventState = "queued"
	EventSent    SubscriptionEventState = "sent"
	EventDropped SubscriptionEventState = "dropped"
)

const subscriptionColumns = `id, client, version, status, created_at, updated_at, ends_at, criteria, base, query, granted, reason, contact, endpoint, headers,
	error, failures, due_at, reached_at, claim`

func scanSubscription(row scanner) (Subscription, error) {
	var s Subscription
	var query, granted, contact, headers string
	err := row.Scan(&s.ID, &s.Client, &s.Version, &s.Status, moment{&s.CreatedAt}, moment{&s.UpdatedAt}, moment{&s.EndsAt}, &s.Criteria, &s.Base,
		&query, &granted, &s.Reason, &contact, &s.Endpoint, &headers, &s.Error, &s.Failures, moment{&s.DueAt}, moment{&s.ReachedAt}, &s.Claim)
	if errors.Is(err, sql.ErrNoRows) {
		return s, ErrNotFound
	}
	if err == nil {
		s.Contact = json.RawMessage(contact)
		err = errors.Join(json.Unmarshal([]byte(query), &s.Query), json.Unmarshal([]byte(granted), &s.Granted), json.Unmarshal([]byte(headers), &s.Headers))
	}
	if err != nil {
		return s, fmt.Errorf("read a subscription: %w", err)
	}
	return s, nil
}

// write stores every column that may change.
func (s Subscription) write(ctx context.Context, tx *sql.Tx) error {
	query, errQuery := json.Marshal(s.Query)
	granted, errGranted := json.Marshal(s.Granted)
	headers, errHeaders := json.Marshal(s.Headers)
	if err := errors.Join(errQuery, errGranted, errHeaders); err != nil {
		return fmt.Errorf("write a subscription: %w", err)
	}
	return execOne(ctx, tx, "write a subscription", `UPDATE subscription SET version = $2, status = $3, updated_at = $4, ends_at = $5, criteria = $6,
		type = $7, query = $8, reason = $9, contact = $10, endpoint = $11, headers = $12, error = $13, failures = $14, due_at = $15, granted = $16, base = $17 WHERE id = $1`,
		s.ID, s.Version, string(s.Status), instant(s.UpdatedAt), instant(s.EndsAt), s.Criteria, s.Query.Type, string(query), s.Reason,
		string(s.Contact), s.Endpoint, string(headers), s.Error, s.Failures, instant(s.DueAt), string(granted), s.Base)
}

// aloneWithPublishers waits until no transaction is under way that has not looked
// for subscriptions again: whatever is published after this one commits is looked
// at with what it wrote.
func (s *Store) aloneWithPublishers(ctx context.Context, tx *sql.Tx) error {
	if !s.postgres() {
		// It is alone, and whoever publishes next looks again.
		s.watched.Store(watchedUnknown)
		return nil
	}
	if _, err := tx.ExecContext(ctx, "SELECT pg_advisory_xact_lock($1)", publishing); err != nil {
		return fmt.Errorf("wait for those who publish: %w", err)
	}
	return nil
}

// AddSubscription stores a new subscription under an id of its own. A client that
// has as many as it may gets ErrTooMany.
func (s *Store) AddSubscription(ctx context.Context, sub Subscription, most int) (Subscription, error) {
	sub.ID, sub.Version, sub.CreatedAt = uuid.NewString(), 1, s.now()
	sub.UpdatedAt, sub.DueAt = sub.CreatedAt, sub.CreatedAt
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.aloneWithPublishers(ctx, tx); err != nil {
			return err
		}
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM subscription WHERE client = $1 AND status <> $2", sub.Client, string(SubscriptionGone)).Scan(&n); err != nil {
			return fmt.Errorf("count the subscriptions: %w", err)
		}
		if n >= most {
			return ErrTooMany
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO subscription ("+subscriptionColumns+`, type, claimed_until)
			VALUES ($1, $2, 0, '', $3, '', '', '', '', '', '', '', '', '', '', '', 0, '', '', '', '', '')`, sub.ID, sub.Client, instant(sub.CreatedAt)); err != nil {
			return fmt.Errorf("add a subscription: %w", err)
		}
		return sub.write(ctx, tx)
	})
	return sub, err
}

// ChangeSubscription changes what a client may see of a subscription, and makes a
// new version of it. What waited is dropped with a subscription that ends.
func (s *Store) ChangeSubscription(ctx context.Context, id string, change func(*Subscription) error) (Subscription, error) {
	var sub Subscription
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.aloneWithPublishers(ctx, tx); err != nil {
			return err
		}
		var err error
		if sub, err = scanSubscription(tx.QueryRowContext(ctx, "SELECT "+subscriptionColumns+" FROM subscription WHERE id = $1", id)); err != nil {
			return err
		}
		if err := change(&sub); err != nil {
			return err
		}
		sub.Version++
		sub.UpdatedAt = s.now()
		if err := sub.write(ctx, tx); err != nil {
			return err
		}
		if sub.Status.Live() {
			return nil
		}
		return dropEvents(ctx, tx, id, string(sub.Status), sub.UpdatedAt)
	})
	return sub, err
}

func dropEvents(ctx context.Context, tx *sql.Tx, subscription, class string, now time.Time) error {
	if _, err := tx.ExecContext(ctx, "UPDATE subscription_event SET state = $2, error = $3, settled_at = $4 WHERE subscription_id = $1 AND state = $5",
		subscription, string(EventDropped), class, instant(now), string(EventQueued)); err != nil {
		return fmt.Errorf("drop the events of a subscription: %w", err)
	}
	return nil
}

// Subscription returns a subscription, ErrNotFound, or ErrDeleted.
func (s *Store) Subscription(ctx context.Context, id string) (Subscription, error) {
	sub, err := scanSubscription(s.read.QueryRowContext(ctx, "SELECT "+subscriptionColumns+" FROM subscription WHERE id = $1", id))
	if err == nil && sub.Status == SubscriptionGone {
		return sub, ErrDeleted
	}
	return sub, err
}

// Subscriptions lists the subscriptions of a client, or of all if it is empty, in
// the order of their ids; not those that were deleted.
func (s *Store) Subscriptions(ctx context.Context, client string) ([]Subscription, error) {
	return collect(ctx, s.read, "list subscriptions", scanSubscription, "SELECT "+subscriptionColumns+" FROM subscription WHERE (client = $1 OR $1 = '') AND status <> $2 ORDER BY id",
		client, string(SubscriptionGone))
}

// tell writes an event for each subscription whose criteria a new version meets.
// Changed are the ids of the resources that have one, by type.
func (t *Tx) tell(changed map[string][]string) error {
	if len(changed) == 0 {
		return nil
	}
	watching, err := t.watching()
	if err != nil {
		return err
	}
	for _, w := range watching {
		ids := changed[w.query.Type]
		if len(ids) == 0 {
			continue
		}
		q := w.query
		q.IDs = narrow(q.IDs, ids)
		var b statement
		b.add("SELECT COUNT(*) FROM resource r WHERE ")
		b.where(q, "r", -1)
		if b.err != nil {
			return b.err
		}
		var n int
		if err := t.tx.QueryRowContext(t.ctx, b.String(), b.args...).Scan(&n); err != nil {
			return fmt.Errorf("look at a subscription: %w", err)
		}
		if n == 0 {
			continue
		}
		if _, err := t.tx.ExecContext(t.ctx, `INSERT INTO subscription_event (id, subscription_id, created_at, resources, state, attempts, error, settled_at, claim)
			VALUES ($1, $2, $3, $4, $5, 0, '', '', '')`, uuid.NewString(), w.id, instant(t.now), n, string(EventQueued)); err != nil {
			return fmt.Errorf("tell a subscription: %w", err)
		}
	}
	return nil
}

// watch is what of a subscription concerns those who publish.
type watch struct {
	id    string
	query Query
}

func (t *Tx) watching() ([]watch, error) {
	if !t.store.postgres() && t.store.watched.Load() == watchedByNobody {
		return nil, nil
	}
	list, err := collect(t.ctx, t.tx, "read the subscriptions", into(func(row scanner, w *watch) error {
		var query []byte
		if err := row.Scan(&w.id, &query); err != nil {
			return err
		}
		return json.Unmarshal(query, &w.query)
	}), "SELECT id, query FROM subscription WHERE status IN "+liveSubscriptions+" AND (ends_at = '' OR ends_at > $1)", instant(t.now))
	if err != nil {
		return nil, err
	}
	watched := watchedByNobody
	if len(list) > 0 {
		watched = watchedBySomebody
	}
	t.store.watched.Store(watched)
	return list, nil
}

// dueSubscription is the one that has been due longest.
const dueSubscription = `SELECT s.id FROM subscription s WHERE s.status IN ` + liveSubscriptions + ` AND s.claimed_until <= $1 AND s.due_at <= $1
	AND (s.status <> 'active' OR s.ends_at <> '' AND s.ends_at <= $1
		OR EXISTS (SELECT 1 FROM subscription_event e WHERE e.subscription_id = s.id AND e.state = 'queued'))
	ORDER BY s.due_at, s.id LIMIT 1`

// ClaimSubscription takes a subscription that something has to be sent for: because
// it is new, because the last attempt failed, or because there are events, all of
// which are claimed with it. ErrNotFound is none.
func (s *Store) ClaimSubscription(ctx context.Context, claim string, until time.Time) (sub Subscription, events int, err error) {
	// Whoever only looks writes nothing.
	var id string
	err = s.read.QueryRowContext(ctx, dueSubscription, instant(s.now())).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return sub, 0, ErrNotFound
	}
	if err != nil {
		return sub, 0, fmt.Errorf("look for a subscription that is due: %w", err)
	}
	return sub, events, s.inTx(ctx, func(tx *sql.Tx) error {
		// The condition on the claim stands twice, as for notices.
		sub, err = scanSubscription(tx.QueryRowContext(ctx, `UPDATE subscription SET claim = $2, claimed_until = $3
			WHERE claimed_until <= $1 AND id = (`+dueSubscription+`) RETURNING `+subscriptionColumns, instant(s.now()), claim, instant(until)))
		if err != nil {
			return err
		}
		done, err := tx.ExecContext(ctx, "UPDATE subscription_event SET claim = $1 WHERE subscription_id = $2 AND state = $3", claim, sub.ID, string(EventQueued))
		if err != nil {
			return fmt.Errorf("claim the events of a subscription: %w", err)
		}
		n, err := done.RowsAffected()
		events = int(n)
		return err
	})
}

// ReleaseSubscription gives a claim back before anything was sent.
func (s *Store) ReleaseSubscription(ctx context.Context, claim string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE subscription SET claimed_until = '' WHERE claim = $1", claim); err != nil {
			return fmt.Errorf("release a subscription: %w", err)
		}
		return nil
	})
}

// ReleaseSubscriptions gives every claim back. Only a process that is alone on the
// records may ask for it.
func (s *Store) ReleaseSubscriptions(ctx context.Context) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE subscription SET claimed_until = ''"); err != nil {
			return fmt.Errorf("release the subscriptions: %w", err)
		}
		return nil
	})
}

// SettleSubscription notes what came of an attempt: the subscription's new status,
// the class of the failure, if there was one, and when it is tried again. What was
// claimed with it is sent, waits on, or is dropped with a subscription that ends.
// One that was changed meanwhile keeps its status.
func (s *Store) SettleSubscription(ctx context.Context, sub Subscription, status SubscriptionStatus, class string, due time.Time) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		now := s.now()
		failures, reached := 0, instant(now)
		if class != "" {
			failures, reached = sub.Failures+1, instant(sub.ReachedAt)
		}
		version := sub.Version
		if status != sub.Status || class != sub.Error {
			version++
		}
		done, err := tx.ExecContext(ctx, `UPDATE subscription SET status = $3, error = $4, failures = $5, due_at = $6, reached_at = $7, version = $8,
			updated_at = CASE WHEN version = $8 THEN updated_at ELSE $9 END, claimed_until = '' WHERE id = $1 AND claim = $2 AND version = $10`,
			sub.ID, sub.Claim, string(status), class, failures, instant(due), reached, version, instant(now), sub.Version)
		if err != nil {
			return fmt.Errorf("settle a subscription: %w", err)
		}
		n, err := done.RowsAffected()
		if err != nil {
			return fmt.Errorf("settle a subscription: %w", err)
		}
		if n == 0 {
			// Changed by its client meanwhile, or another's by now.
			if _, err := tx.ExecContext(ctx, "UPDATE subscription SET claimed_until = '' WHERE id = $1 AND claim = $2", sub.ID, sub.Claim); err != nil {
				return fmt.Errorf("settle a subscription: %w", err)
			}
		}
		state, settled := EventSent, instant(now)
		if class != "" {
			state, settled = EventQueued, ""
		}
		if _, err := tx.ExecContext(ctx, `UPDATE subscription_event SET state = $3, attempts = attempts + 1, error = $4, settled_at = $5
			WHERE subscription_id = $1 AND claim = $2 AND state = $6`, sub.ID, sub.Claim, string(state), class, settled, string(EventQueued)); err != nil {
			return fmt.Errorf("settle the events of a subscription: %w", err)
		}
		if n == 0 || status.Live() {
			return nil
		}
		return dropEvents(ctx, tx, sub.ID, class, now)
	})
}

// SubscriptionEvents lists the events of a subscription, or of all if it is empty,
// the newest first.
func (s *Store) SubscriptionEvents(ctx context.Context, subscription string, limit int) ([]SubscriptionEvent, error) {
	return collect(ctx, s.read, "list the events of subscriptions", into(func(row scanner, e *SubscriptionEvent) error {
		return row.Scan(&e.ID, &e.Subscription, moment{&e.CreatedAt}, &e.Resources, &e.State, &e.Attempts, &e.Error, moment{&e.SettledAt})
	}), `SELECT id, subscription_id, created_at, resources, state, attempts, error, settled_at FROM subscription_event
		WHERE subscription_id = $1 OR $1 = '' ORDER BY created_at DESC, id LIMIT $2`, subscription, limit)
}

// ForgetSubscriptionEvents removes the settled events from before an instant.
func (s *Store) ForgetSubscriptionEvents(ctx context.Context, before time.Time) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM subscription_event WHERE created_at < $1 AND state <> $2", instant(before), string(EventQueued)); err != nil {
			return fmt.Errorf("forget the events of subscriptions: %w", err)
		}
		return nil
	})
}

// ActorBearer is what an actor's token would be good for now: a client's for all
// that it is registered for. It is ErrNotFound where the client or the account is
// disabled, or the token has expired or was revoked.
func (s *Store) ActorBearer(ctx context.Context, actor string) (Bearer, error) {
	b := Bearer{Actor: actor}
	c, err := s.Client(ctx, actor)
	switch {
	case err == nil && c.Disabled:
		return b, ErrNotFound
	case err == nil:
		b.Role, b.Scopes = journey.EHR, c.Scopes
		return b, nil
	case !errors.Is(err, ErrNotFound):
		return b, err
	}
	err = s.read.QueryRowContext(ctx, `SELECT role, '' FROM account WHERE id = $1 AND disabled_at = ''
		UNION ALL SELECT role, scopes FROM token WHERE id = $1 AND account_id = '' AND client_id = '' AND expires_at > $2
		LIMIT 1`, actor, instant(s.now())).Scan(&b.Role, &b.Scopes)
	if errors.Is(err, sql.ErrNoRows) {
		return b, ErrNotFound
	}
	if err != nil {
		return b, fmt.Errorf("read who somebody is: %w", err)
	}
	return b, nil
}
