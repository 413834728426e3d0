package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Session is somebody who is signed in.
type Session struct {
	// ID tells sessions of an account apart and lets nobody in.
	ID                           string
	StartedAt, UsedAt, ExpiresAt time.Time
	// Agent is in plain words what kind of browser it is.
	Agent string
	// Strong says that the identity provider asked for a second factor.
	Strong bool
}

// NewSession is what a session begins with.
type NewSession struct {
	Account string
	// Life bounds the session however much it is used, Idle how long it lasts unused;
	// 0 for as long as Life.
	Life, Idle time.Duration
	Agent      string
	Strong     bool
}

// sessionID is how many characters of its digest name a session.
const sessionID = 16

// StartSession returns the secret of a new session; only its digest is stored.
// The answer is ErrNotFound when the account is unknown or disabled.
func (s *Store) StartSession(ctx context.Context, account string, lifetime time.Duration) (string, error) {
	return s.BeginSession(ctx, NewSession{Account: account, Life: lifetime})
}

// BeginSession is StartSession of a session about which more is known.
func (s *Store) BeginSession(ctx context.Context, n NewSession) (string, error) {
	text, digest := secret("")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, n.Account); err != nil {
			return err
		}
		now := s.now()
		idle := n.Life
		if n.Idle > 0 {
			idle = min(n.Idle, n.Life)
		}
		return execOne(ctx, tx, "start the session", `INSERT INTO session (digest, account_id, expires_at, started_at, used_at, idle_at, agent, strong)
			SELECT CAST($1 AS TEXT), id, CAST($3 AS TEXT), CAST($4 AS TEXT), CAST($4 AS TEXT), CAST($5 AS TEXT), CAST($6 AS TEXT), CAST($7 AS BIGINT)
			FROM account WHERE id = $2 AND disabled_at = ''`,
			digest, n.Account, instant(now.Add(n.Life)), instant(now), instant(now.Add(idle)), n.Agent, number(n.Strong))
	})
}

const sessionColumns = "digest, started_at, used_at, expires_at, agent, strong"

// into are where the columns of a session are read into.
func (n *Session) into(digest, started, used, expires *string, strong *int) []any {
	return []any{digest, started, used, expires, &n.Agent, strong}
}

func (n *Session) read(digest, started, used, expires string, strong int) error {
	n.ID, n.Strong = digest[:min(sessionID, len(digest))], strong != 0
	var errs [3]error
	n.StartedAt, errs[0] = parseInstant(started)
	n.UsedAt, errs[1] = parseInstant(used)
	n.ExpiresAt, errs[2] = parseInstant(expires)
	if err := errors.Join(errs[:]...); err != nil {
		return fmt.Errorf("read the session: %w", err)
	}
	return nil
}

// sessionRow reads an account with its session behind it.
type sessionRow struct {
	row     scanner
	session *Session
}

// Scan implements scanner.
func (r sessionRow) Scan(into ...any) error {
	var digest, started, used, expires string
	var strong int
	if err := r.row.Scan(append(into, r.session.into(&digest, &started, &used, &expires, &strong)...)...); err != nil {
		return err
	}
	return r.session.read(digest, started, used, expires, strong)
}

// SessionOf returns the account of a live session, and the session. A session of a
// disabled account is none.
func (s *Store) SessionOf(ctx context.Context, secret string) (Account, Session, error) {
	var session Session
	now := instant(s.now())
	a, err := scanAccount(sessionRow{s.read.QueryRowContext(ctx, "SELECT "+accountColumns+", "+sessionColumns+` FROM account
		JOIN session ON account_id = id WHERE digest = $1 AND expires_at > $2 AND idle_at > $2 AND disabled_at = ''`,
		secretDigest(secret), now), &session})
	return a, session, err
}

// SessionAccount returns the account of a live session.
func (s *Store) SessionAccount(ctx context.Context, secret string) (Account, error) {
	a, _, err := s.SessionOf(ctx, secret)
	return a, err
}

// TouchSession notes that a live session is used, so that it lasts for idle from now
// on, and never longer than its end.
func (s *Store) TouchSession(ctx context.Context, secret string, idle time.Duration) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		now := s.now()
		if _, err := tx.ExecContext(ctx, "UPDATE session SET used_at = $2, idle_at = $3 WHERE digest = $1 AND expires_at > $2 AND idle_at > $2",
			secretDigest(secret), instant(now), instant(now.Add(idle))); err != nil {
			return fmt.Errorf("note the use of the session: %w", err)
		}
		return nil
	})
}

// Sessions lists the live sessions of an account, the last used first.
func (s *Store) Sessions(ctx context.Context, account string) ([]Session, error) {
	return collect(ctx, s.read, "list sessions", into(func(row scanner, n *Session) error {
		return sessionRow{row, n}.Scan()
	}), "SELECT "+sessionColumns+` FROM session
		WHERE account_id = $1 AND expires_at > $2 AND idle_at > $2 ORDER BY used_at DESC, digest`, account, instant(s.now()))
}

// EndSession forgets a session.
func (s *Store) EndSession(ctx context.Context, secret string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE digest = $1", secretDigest(secret)); err != nil {
			return fmt.Errorf("end the session: %w", err)
		}
		return nil
	})
}

// EndOwnSession forgets the session of an account that has the id. One that is gone
// already is no fault.
func (s *Store) EndOwnSession(ctx context.Context, account, id string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE account_id = $1 AND substr(digest, 1, 16) = $2", account, id); err != nil {
			return fmt.Errorf("end the session: %w", err)
		}
		return nil
	})
}

// EndOtherSessions forgets every session of an account but one.
func (s *Store) EndOtherSessions(ctx context.Context, account, secret string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, account); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE account_id = $1 AND digest <> $2", account, secretDigest(secret)); err != nil {
			return fmt.Errorf("end the other sessions: %w", err)
		}
		return nil
	})
}

// EndSessions forgets every session of an account, and records that it was done.
func (s *Store) EndSessions(ctx context.Context, account string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, account, AccountSessions, true, func() error { return nil })
	})
}

func deleteSessions(ctx context.Context, tx *sql.Tx, account string) error {
	if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE account_id = $1", account); err != nil {
		return fmt.Errorf("end the account's sessions: %w", err)
	}
	return nil
}

// PurgeSessions forgets the sessions that have ended, and what was begun before one
// and never finished.
func (s *Store) PurgeSessions(ctx context.Context) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		now := instant(s.now())
		if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE expires_at <= $1 OR idle_at <= $1", now); err != nil {
			return fmt.Errorf("purge the sessions: %w", err)
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM sign_in_step WHERE expires_at <= $1", now); err != nil {
			return fmt.Errorf("purge what was begun: %w", err)
		}
		return nil
	})
}

// SignInStep is what lies between the beginning of signing in and a session.
type SignInStep struct {
	// Kind says what it waits for.
	Kind string
	// Account is empty while nobody is known.
	Account string
	Data    string
}

// BeginStep keeps a step for a while and returns the secret that it is known by.
func (s *Store) BeginStep(ctx context.Context, step SignInStep, life time.Duration) (string, error) {
	text, digest := secret("")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "INSERT INTO sign_in_step (digest, kind, account_id, data, expires_at) VALUES ($1, $2, $3, $4, $5)",
			digest, step.Kind, step.Account, step.Data, instant(s.now().Add(life))); err != nil {
			return fmt.Errorf("begin to sign in: %w", err)
		}
		return nil
	})
}

// Step returns a step that is not over, or ErrNotFound.
func (s *Store) Step(ctx context.Context, kind, secret string) (SignInStep, error) {
	return scanStep(s.read.QueryRowContext(ctx, "SELECT kind, account_id, data FROM sign_in_step WHERE digest = $1 AND kind = $2 AND expires_at > $3",
		secretDigest(secret), kind, instant(s.now())))
}

// TakeStep is Step, once: the step is over with it.
func (s *Store) TakeStep(ctx context.Context, kind, secret string) (SignInStep, error) {
	var step SignInStep
	return step, s.inTx(ctx, func(tx *sql.Tx) (err error) {
		step, err = scanStep(tx.QueryRowContext(ctx, "DELETE FROM sign_in_step WHERE digest = $1 AND kind = $2 AND expires_at > $3 RETURNING kind, account_id, data",
			secretDigest(secret), kind, instant(s.now())))
		return err
	})
}

func scanStep(row scanner) (SignInStep, error) {
	var step SignInStep
	err := row.Scan(&step.Kind, &step.Account, &step.Data)
	if errors.Is(err, sql.ErrNoRows) {
		return step, ErrNotFound
	}
	if err != nil {
		return step, fmt.Errorf("read where signing in stands: %w", err)
	}
	return step, nil
}
