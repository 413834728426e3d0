package record

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"golang.org/x/crypto/argon2"

	"candidacy/internal/journey"
)

// Account is a person who may sign in.
type Account struct {
	ID       string
	Username string
	Name     string
	Role     journey.Role
	password string
}

const accountColumns = "id, username, name, role, password"

func scanAccount(row scanner) (Account, error) {
	var a Account
	err := row.Scan(&a.ID, &a.Username, &a.Name, &a.Role, &a.password)
	if errors.Is(err, sql.ErrNoRows) {
		return a, ErrNotFound
	}
	if err != nil {
		return a, fmt.Errorf("read the account: %w", err)
	}
	return a, nil
}

// AddAccount creates an account. A username that is taken is an error.
func (s *Store) AddAccount(ctx context.Context, id, username, name string, role journey.Role, password string) (Account, error) {
	a := Account{ID: id, Username: username, Name: name, Role: role, password: hashPassword(password)}
	if _, err := s.AccountByName(ctx, username); err == nil {
		return a, fmt.Errorf("the username %q is taken", username)
	}
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO account (id, username, name, role, password, created_at) VALUES ($1, $2, $3, $4, $5, $6)",
			a.ID, a.Username, a.Name, string(a.Role), a.password, instant(s.now()))
		if err != nil {
			return fmt.Errorf("create the account: %w", err)
		}
		return nil
	})
	return a, err
}

// Account returns the account with the id.
func (s *Store) Account(ctx context.Context, id string) (Account, error) {
	return scanAccount(s.read.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE id = $1", id))
}

// AccountByName returns the account with the username.
func (s *Store) AccountByName(ctx context.Context, username string) (Account, error) {
	return scanAccount(s.read.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE username = $1", username))
}

// Accounts lists every account by username.
func (s *Store) Accounts(ctx context.Context) ([]Account, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT "+accountColumns+" FROM account ORDER BY username")
	if err != nil {
		return nil, fmt.Errorf("list accounts: %w", err)
	}
	defer rows.Close()
	var list []Account
	for rows.Next() {
		a, err := scanAccount(rows)
		if err != nil {
			return nil, err
		}
		list = append(list, a)
	}
	return list, rows.Err()
}

// argon2id parameters: OWASP Password Storage Cheat Sheet, second
// recommendation (m = 19 MiB, t = 2, p = 1).
const (
	argonTime    = 2
	argonMemory  = 19 * 1024
	argonThreads = 1
	argonKey     = 32
)

func hashPassword(password string) string {
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails since Go 1.24
	key := argon2.IDKey([]byte(password), salt, argonTime, argonMemory, argonThreads, argonKey)
	return base64.RawStdEncoding.EncodeToString(salt) + "$" + base64.RawStdEncoding.EncodeToString(key)
}

// CheckPassword returns the account when the password is right. A wrong
// password and an unknown username cost the same and read the same.
func (s *Store) CheckPassword(ctx context.Context, username, password string) (Account, bool, error) {
	a, err := s.AccountByName(ctx, username)
	switch {
	case errors.Is(err, ErrNotFound):
		a.password = decoyPassword
	case err != nil:
		return Account{}, false, err
	}
	salt, key, ok := strings.Cut(a.password, "$")
	saltBytes, errA := base64.RawStdEncoding.DecodeString(salt)
	keyBytes, errB := base64.RawStdEncoding.DecodeString(key)
	if !ok || errA != nil || errB != nil {
		return Account{}, false, errors.New("the stored password is unreadable")
	}
	got := argon2.IDKey([]byte(password), saltBytes, argonTime, argonMemory, argonThreads, argonKey)
	if subtle.ConstantTimeCompare(got, keyBytes) != 1 || a.ID == "" {
		return Account{}, false, nil
	}
	return a, true, nil
}

// decoyPassword is checked for usernames that do not exist.
var decoyPassword = hashPassword("no account has this password")

func secret(prefix string) (text, digest string) {
	random := make([]byte, 32)
	_, _ = rand.Read(random) // never fails since Go 1.24
	text = prefix + base64.RawURLEncoding.EncodeToString(random)
	return text, secretDigest(text)
}

func secretDigest(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// StartSession returns the secret of a new session; only its digest is stored.
func (s *Store) StartSession(ctx context.Context, account string, lifetime time.Duration) (string, error) {
	text, digest := secret("")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO session (digest, account_id, expires_at) VALUES ($1, $2, $3)",
			digest, account, instant(s.now().Add(lifetime)))
		if err != nil {
			return fmt.Errorf("start the session: %w", err)
		}
		return nil
	})
}

// SessionAccount returns the account of a live session.
func (s *Store) SessionAccount(ctx context.Context, secret string) (Account, error) {
	return scanAccount(s.read.QueryRowContext(ctx, `SELECT a.id, a.username, a.name, a.role, a.password
		FROM session s JOIN account a ON a.id = s.account_id WHERE s.digest = $1 AND s.expires_at > $2`,
		secretDigest(secret), instant(s.now())))
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

// PurgeSessions forgets the sessions that have expired.
func (s *Store) PurgeSessions(ctx context.Context) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE expires_at <= $1", instant(s.now())); err != nil {
			return fmt.Errorf("purge the sessions: %w", err)
		}
		return nil
	})
}

// Bearer is who a token speaks for.
type Bearer struct {
	// Actor is the account, or the token itself when it is bound to none.
	Actor string
	Role  journey.Role
}

// IssueToken returns a new bearer token; only its digest is stored. An empty
// account makes the token its own actor.
func (s *Store) IssueToken(ctx context.Context, role journey.Role, account string, lifetime time.Duration) (string, error) {
	text, digest := secret("cdy_")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		now := s.now()
		_, err := tx.ExecContext(ctx, "INSERT INTO token (digest, id, role, account_id, created_at, expires_at) VALUES ($1, $2, $3, $4, $5, $6)",
			digest, "token-"+digest[:12], string(role), account, instant(now), instant(now.Add(lifetime)))
		if err != nil {
			return fmt.Errorf("issue the token: %w", err)
		}
		return nil
	})
}

// TokenBearer returns who a live token speaks for.
func (s *Store) TokenBearer(ctx context.Context, token string) (Bearer, error) {
	var b Bearer
	var id, account string
	err := s.kept.queryRow(ctx, "SELECT id, role, account_id FROM token WHERE digest = $1 AND expires_at > $2",
		secretDigest(token), instant(s.now())).Scan(&id, &b.Role, &account)
	if errors.Is(err, sql.ErrNoRows) {
		return b, ErrNotFound
	}
	if err != nil {
		return b, fmt.Errorf("read the token: %w", err)
	}
	b.Actor = account
	if b.Actor == "" {
		b.Actor = id
	}
	return b, nil
}
