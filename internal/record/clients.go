package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/journey"
)

// ClientRole narrows what a client may ever be granted.
type ClientRole string

// The roles of clients: one that reads, and a laboratory that also sends results.
const (
	ClientReader     ClientRole = "reader"
	ClientLaboratory ClientRole = "laboratory"
)

// Client is a system that asks for tokens by a signed assertion. Whoever writes
// one has checked it; the store keeps what it is given.
type Client struct {
	ID   string     `json:"-"`
	Name string     `json:"name"`
	Role ClientRole `json:"role"`
	// Scopes are the most that it may be granted, separated by blanks.
	Scopes string `json:"scopes"`
	// Keys is its JSON Web Key Set with public keys, or KeysURL is where it
	// publishes one.
	Keys    json.RawMessage `json:"jwks,omitempty"`
	KeysURL string          `json:"jwks_url,omitempty"`
	// Disabled clients get no token, and those that they have are refused.
	Disabled  bool      `json:"disabled,omitempty"`
	CreatedAt time.Time `json:"-"`
}

// ClientChangeKind names what was done to a client.
type ClientChangeKind string

// The changes of a client.
const (
	ClientRegistered ClientChangeKind = "register"
	ClientRescoped   ClientChangeKind = "scopes"
	ClientRekeyed    ClientChangeKind = "keys"
	ClientDisabled   ClientChangeKind = "disable"
	ClientEnabled    ClientChangeKind = "enable"
)

// ClientChange is one change of a client. Its state is a Client.
type ClientChange = Change[ClientChangeKind]

// AddClient registers a client under its id, which must be new.
func (s *Store) AddClient(ctx context.Context, c Client, actor string, role journey.Role) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, c.ID); err != nil {
			return err
		}
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM client WHERE id = $1", c.ID).Scan(&n); err != nil {
			return fmt.Errorf("look for the client: %w", err)
		}
		if n > 0 {
			return errors.New("a client with this id is registered already")
		}
		return s.writeClient(ctx, tx, c, head{}, ClientRegistered, actor, role)
	})
}

// ChangeClient changes a client with what change makes of it, and records who did
// it. The answer is ErrNotFound when there is no such client. A change that
// changes nothing is not recorded.
func (s *Store) ChangeClient(ctx context.Context, id string, kind ClientChangeKind, actor string, role journey.Role, change func(*Client) error) (Client, error) {
	var c Client
	return c, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, id); err != nil {
			return err
		}
		var last head
		var err error
		if c, last, err = scanClient(tx.QueryRowContext(ctx, "SELECT "+clientColumns+" FROM client WHERE id = $1", id)); err != nil {
			return err
		}
		before, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("encode the client: %w", err)
		}
		if err := change(&c); err != nil {
			return err
		}
		after, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("encode the client: %w", err)
		}
		if string(before) == string(after) {
			return nil
		}
		return s.writeClient(ctx, tx, c, last, kind, actor, role)
	})
}

func (s *Store) writeClient(ctx context.Context, tx *sql.Tx, c Client, last head, kind ClientChangeKind, actor string, role journey.Role) error {
	state, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("encode the client: %w", err)
	}
	at := s.now()
	last, err = clientLedger.append(ctx, tx, last, c.ID, at, changer{actor, role}, string(kind), state)
	if err != nil {
		return err
	}
	enabled := 1
	if c.Disabled {
		enabled = 0
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO client (id, seq, head, state, enabled, created_at) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (id) DO UPDATE SET seq = excluded.seq, head = excluded.head, state = excluded.state, enabled = excluded.enabled`,
		c.ID, last.seq, last.hash, string(state), enabled, instant(at)); err != nil {
		return fmt.Errorf("write the client: %w", err)
	}
	return nil
}

const clientColumns = "id, seq, head, state, created_at"

func scanClient(row scanner) (Client, head, error) {
	var c Client
	var last head
	var state string
	err := row.Scan(&c.ID, &last.seq, &last.hash, &state, moment{&c.CreatedAt})
	if errors.Is(err, sql.ErrNoRows) {
		return c, last, ErrNotFound
	}
	if err == nil {
		err = json.Unmarshal([]byte(state), &c)
	}
	if err != nil {
		return c, last, fmt.Errorf("read the client: %w", err)
	}
	return c, last, nil
}

// Client returns the client with the id, or ErrNotFound.
func (s *Store) Client(ctx context.Context, id string) (Client, error) {
	c, _, err := scanClient(s.read.QueryRowContext(ctx, "SELECT "+clientColumns+" FROM client WHERE id = $1", id))
	return c, err
}

// Clients lists every client, the oldest first.
func (s *Store) Clients(ctx context.Context) ([]Client, error) {
	return collect(ctx, s.read, "list clients", func(row scanner) (Client, error) {
		c, _, err := scanClient(row)
		return c, err
	}, "SELECT "+clientColumns+" FROM client ORDER BY created_at, id")
}

// ClientChanges returns what was done to clients, the newest first.
func (s *Store) ClientChanges(ctx context.Context, q ChangesQuery) ([]ClientChange, error) {
	return changes[ClientChangeKind](ctx, s.read, clientLedger, q)
}

// clientStands returns the end of a client's chain that its row names, and its state.
func clientStands(ctx context.Context, q queryer, id string) (last head, state string, err error) {
	err = q.QueryRowContext(ctx, "SELECT seq, head, state FROM client WHERE id = $1", id).Scan(&last.seq, &last.hash, &state)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return last, "", ErrNotFound
	case err != nil:
		return last, "", fmt.Errorf("read the client: %w", err)
	}
	return last, state, nil
}

// ErrReplayed says that an assertion was used before.
var ErrReplayed = errors.New("the assertion was used before")

// Exchange is an assertion that has been checked, and what it is exchanged for.
type Exchange struct {
	Client string
	// Assertion is the unique name of the assertion (its jti claim), and Until when
	// it stops being accepted anyway.
	Assertion string
	Until     time.Time
	// Scopes are what the token is good for. Without any the assertion is used up
	// and no token issued.
	Scopes   string
	Lifetime time.Duration
}

// forgetAfter is how much longer than needed used assertions and expired tokens of
// clients are kept, so that a clock that is set back makes none good again.
const forgetAfter = time.Hour

// ExchangeAssertion uses up an assertion and issues a token for it, both or
// neither. The answer is ErrReplayed when it was used before, in whatever process,
// and ErrNotFound when the client is unknown or disabled.
func (s *Store) ExchangeAssertion(ctx context.Context, x Exchange) (string, error) {
	text, digest := secret("cdy_")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		now := s.now()
		old := instant(now.Add(-forgetAfter))
		if _, err := tx.ExecContext(ctx, "DELETE FROM assertion WHERE expires_at <= $1", old); err != nil {
			return fmt.Errorf("forget old assertions: %w", err)
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM token WHERE client_id <> '' AND expires_at <= $1", old); err != nil {
			return fmt.Errorf("forget old tokens: %w", err)
		}
		done, err := tx.ExecContext(ctx, `INSERT INTO assertion (client_id, digest, expires_at)
			SELECT id, CAST($2 AS TEXT), CAST($3 AS TEXT) FROM client WHERE id = $1 AND enabled = 1
			ON CONFLICT DO NOTHING`, x.Client, secretDigest(x.Assertion), instant(x.Until))
		if err != nil {
			return fmt.Errorf("use the assertion: %w", err)
		}
		n, err := done.RowsAffected()
		if err != nil {
			return fmt.Errorf("use the assertion: %w", err)
		}
		if n == 0 {
			return s.whyNotUsed(ctx, tx, x.Client)
		}
		if x.Scopes == "" {
			return nil
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO token (digest, id, role, account_id, created_at, expires_at, client_id, scopes)
			VALUES ($1, $2, $3, '', $4, $5, $6, $7)`,
			digest, "token-"+digest[:12], string(journey.EHR), instant(now), instant(now.Add(x.Lifetime)), x.Client, x.Scopes); err != nil {
			return fmt.Errorf("issue the token: %w", err)
		}
		return nil
	})
}

func (s *Store) whyNotUsed(ctx context.Context, tx *sql.Tx, client string) error {
	var n int
	if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM client WHERE id = $1 AND enabled = 1", client).Scan(&n); err != nil {
		return fmt.Errorf("look for the client: %w", err)
	}
	if n == 0 {
		return ErrNotFound
	}
	return ErrReplayed
}
