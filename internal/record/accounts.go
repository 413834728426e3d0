package record

import (
	"cmp"
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
	// Disabled accounts can't sign in, and their tokens are refused.
	Disabled bool
	// Email is where notices go; empty for nowhere.
	Email    string
	password string
}

const accountColumns = "id, username, name, role, password, disabled_at, email"

func scanAccount(row scanner) (Account, error) {
	var a Account
	var disabledAt string
	err := row.Scan(&a.ID, &a.Username, &a.Name, &a.Role, &a.password, &disabledAt, &a.Email)
	a.Disabled = disabledAt != ""
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

// DisableAccount keeps an account out until EnableAccount: it ends its sessions
// and refuses its password and the tokens bound to it.
func (s *Store) DisableAccount(ctx context.Context, id string) error {
	return s.changeAccount(ctx, id, "disable the account", true,
		"UPDATE account SET disabled_at = CASE WHEN disabled_at = '' THEN $2 ELSE disabled_at END WHERE id = $1", id, instant(s.now()))
}

// EnableAccount lets an account in again. Its password and the tokens bound to
// it are good again; the sessions that it had are not.
func (s *Store) EnableAccount(ctx context.Context, id string) error {
	return s.changeAccount(ctx, id, "enable the account", false, "UPDATE account SET disabled_at = '' WHERE id = $1", id)
}

// SetPassword replaces an account's password and ends its sessions. Tokens
// bound to the account stay.
func (s *Store) SetPassword(ctx context.Context, id, password string) error {
	return s.changeAccount(ctx, id, "set the password", true, "UPDATE account SET password = $2 WHERE id = $1", id, hashPassword(password))
}

// changeAccount runs a statement that changes one account, and ends the
// account's sessions where the change asks for it. The answer is ErrNotFound
// when there is no such account.
func (s *Store) changeAccount(ctx context.Context, id, what string, endSessions bool, statement string, args ...any) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		// A session that starts meanwhile must be seen here, or see the change.
		if err := s.lock(ctx, tx, id); err != nil {
			return err
		}
		if err := execOne(ctx, tx, what, statement, args...); err != nil || !endSessions {
			return err
		}
		return deleteSessions(ctx, tx, id)
	})
}

// execOne runs a statement that finds its row; ErrNotFound when it finds none.
func execOne(ctx context.Context, tx executor, what, statement string, args ...any) error {
	done, err := tx.ExecContext(ctx, statement, args...)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	n, err := done.RowsAffected()
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if n == 0 {
		return ErrNotFound
	}
	return nil
}

func deleteSessions(ctx context.Context, tx *sql.Tx, account string) error {
	if _, err := tx.ExecContext(ctx, "DELETE FROM session WHERE account_id = $1", account); err != nil {
		return fmt.Errorf("end the account's sessions: %w", err)
	}
	return nil
}

// RemoveFromRecipientTeam forgets that an account cares for a recipient. The
// answer is ErrNotFound when that was not recorded.
func (s *Store) RemoveFromRecipientTeam(ctx context.Context, recipient, account string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return execOne(ctx, tx, "change the recipient's team", "DELETE FROM recipient_team WHERE recipient = $1 AND account_id = $2", recipient, account)
	})
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
// password, an unknown username and a disabled account cost the same and read
// the same.
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
	if subtle.ConstantTimeCompare(got, keyBytes) != 1 || a.ID == "" || a.Disabled {
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
// The answer is ErrNotFound when the account is unknown or disabled.
func (s *Store) StartSession(ctx context.Context, account string, lifetime time.Duration) (string, error) {
	text, digest := secret("")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, account); err != nil {
			return err
		}
		return execOne(ctx, tx, "start the session", `INSERT INTO session (digest, account_id, expires_at)
			SELECT CAST($1 AS TEXT), id, CAST($3 AS TEXT) FROM account WHERE id = $2 AND disabled_at = ''`,
			digest, account, instant(s.now().Add(lifetime)))
	})
}

// SessionAccount returns the account of a live session. A session of a disabled
// account is none.
func (s *Store) SessionAccount(ctx context.Context, secret string) (Account, error) {
	return scanAccount(s.read.QueryRowContext(ctx, "SELECT "+accountColumns+` FROM account
		JOIN session ON account_id = id WHERE digest = $1 AND expires_at > $2 AND disabled_at = ''`,
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

// EndSessions forgets every session of an account.
func (s *Store) EndSessions(ctx context.Context, account string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, account); err != nil {
			return err
		}
		return deleteSessions(ctx, tx, account)
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

// IntakeActor is the one name without an account that tokens may be bound to:
// under it the command line brings results to a running server.
const IntakeActor = "laboratory-intake"

// Bearer is who a token speaks for.
type Bearer struct {
	// Actor is the account or the client, or the token itself when it is bound to
	// neither.
	Actor string
	Role  journey.Role
	// Scopes, where there are any, narrow what the role may do through FHIR.
	Scopes string
	// Token is the id of the token, and Expires when it stops being good.
	Token   string
	Expires time.Time
}

// IssueToken returns a new bearer token; only its digest is stored. An empty
// account makes the token its own actor. A token bound to an account is good
// only while the account is enabled and has the token's role.
func (s *Store) IssueToken(ctx context.Context, role journey.Role, account string, lifetime time.Duration) (string, error) {
	return s.IssueScopedToken(ctx, role, account, "", lifetime)
}

// IssueScopedToken is IssueToken for a token that is good for the scopes alone.
func (s *Store) IssueScopedToken(ctx context.Context, role journey.Role, account, scopes string, lifetime time.Duration) (string, error) {
	text, digest := secret("cdy_")
	return text, s.inTx(ctx, func(tx *sql.Tx) error {
		now := s.now()
		_, err := tx.ExecContext(ctx, "INSERT INTO token (digest, id, role, account_id, created_at, expires_at, scopes) VALUES ($1, $2, $3, $4, $5, $6, $7)",
			digest, "token-"+digest[:12], string(role), account, instant(now), instant(now.Add(lifetime)), scopes)
		if err != nil {
			return fmt.Errorf("issue the token: %w", err)
		}
		return nil
	})
}

// Token is an issued token without its secret.
type Token struct {
	ID   string
	Role journey.Role
	// Account is empty when the token is its own actor.
	Account string
	// Scopes are what the token is good for, where it is not for all that its role
	// may do.
	Scopes    string
	CreatedAt time.Time
	ExpiresAt time.Time
}

// Tokens lists the tokens that were issued by hand and have not expired, the
// oldest first. Those of a disabled account are among them: enabling it makes them
// good again. Those of clients, which last minutes, are not.
func (s *Store) Tokens(ctx context.Context) ([]Token, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT id, role, account_id, scopes, created_at, expires_at FROM token WHERE expires_at > $1 AND client_id = '' ORDER BY created_at, id",
		instant(s.now()))
	if err != nil {
		return nil, fmt.Errorf("list tokens: %w", err)
	}
	defer rows.Close()
	var list []Token
	for rows.Next() {
		var t Token
		var created, expires string
		if err := rows.Scan(&t.ID, &t.Role, &t.Account, &t.Scopes, &created, &expires); err != nil {
			return nil, fmt.Errorf("list tokens: %w", err)
		}
		var errA, errB error
		t.CreatedAt, errA = parseInstant(created)
		t.ExpiresAt, errB = parseInstant(expires)
		if err := errors.Join(errA, errB); err != nil {
			return nil, fmt.Errorf("list tokens: %w", err)
		}
		list = append(list, t)
	}
	return list, rows.Err()
}

// RevokeToken makes a token worthless. The answer is ErrNotFound when no token
// has the id.
func (s *Store) RevokeToken(ctx context.Context, id string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return execOne(ctx, tx, "revoke the token", "DELETE FROM token WHERE id = $1", id)
	})
}

// TokenBearer returns who a live token speaks for. A token bound to an account
// that is gone, is disabled or has another role by now speaks for nobody, and so
// does that of a client that is disabled.
func (s *Store) TokenBearer(ctx context.Context, token string) (Bearer, error) {
	var b Bearer
	var account, client, expires string
	err := s.kept.queryRow(ctx, `SELECT id, role, account_id, client_id, scopes, expires_at FROM token WHERE digest = $1 AND expires_at > $2
		AND (account_id IN ('', $3) OR EXISTS (
			SELECT 1 FROM account a WHERE a.id = token.account_id AND a.role = token.role AND a.disabled_at = ''))
		AND (client_id = '' OR EXISTS (SELECT 1 FROM client c WHERE c.id = token.client_id AND c.enabled = 1))`,
		secretDigest(token), instant(s.now()), IntakeActor).Scan(&b.Token, &b.Role, &account, &client, &b.Scopes, &expires)
	if errors.Is(err, sql.ErrNoRows) {
		return b, ErrNotFound
	}
	if err != nil {
		return b, fmt.Errorf("read the token: %w", err)
	}
	if b.Expires, err = parseInstant(expires); err != nil {
		return b, fmt.Errorf("read the token: %w", err)
	}
	b.Actor = cmp.Or(account, client, b.Token)
	return b, nil
}
