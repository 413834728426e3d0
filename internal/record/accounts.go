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
	Email string
	// MustChange is set while the password is one that somebody else chose.
	MustChange bool
	// SecondFactor says that a code is asked for beside the password.
	SecondFactor bool
	Link         Link
	password     string
}

// Link is who an account's holder is at an identity provider. An administrator gives
// the subject, or the e-mail address that the provider vouches for; the subject is
// kept then when it is first seen with it.
type Link struct {
	Issuer  string `json:"issuer"`
	Subject string `json:"subject,omitempty"`
	Email   string `json:"email,omitempty"`
}

const accountColumns = "id, username, name, role, password, disabled_at, email, must_change, second_factor, link_issuer, link_subject, link_email"

func scanAccount(row scanner) (Account, error) {
	var a Account
	var disabledAt string
	var mustChange, secondFactor int
	err := row.Scan(&a.ID, &a.Username, &a.Name, &a.Role, &a.password, &disabledAt, &a.Email, &mustChange, &secondFactor,
		&a.Link.Issuer, &a.Link.Subject, &a.Link.Email)
	a.Disabled, a.MustChange, a.SecondFactor = disabledAt != "", mustChange != 0, secondFactor != 0
	if errors.Is(err, sql.ErrNoRows) {
		return a, ErrNotFound
	}
	if err != nil {
		return a, fmt.Errorf("read the account: %w", err)
	}
	return a, nil
}

// TakenError says that another account has the username.
type TakenError struct{ Username string }

// Error names the username.
func (e *TakenError) Error() string { return fmt.Sprintf("the username %q is taken", e.Username) }

// AddAccount creates an account. A username that is taken is a *TakenError.
func (s *Store) AddAccount(ctx context.Context, id, username, name string, role journey.Role, password string) (Account, error) {
	return s.CreateAccount(ctx, Account{ID: id, Username: username, Name: name, Role: role}, password)
}

// CreateAccount is AddAccount of an account that has an e-mail address from the
// beginning, or a password that has to be changed.
func (s *Store) CreateAccount(ctx context.Context, a Account, password string) (Account, error) {
	a.password = hashPassword(password)
	if _, err := s.AccountByName(ctx, a.Username); err == nil {
		return a, &TakenError{a.Username}
	}
	return a, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, a.ID); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO account (id, username, name, role, password, created_at, email, must_change) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
			a.ID, a.Username, a.Name, string(a.Role), a.password, instant(s.now()), a.Email, number(a.MustChange))
		if err != nil {
			return fmt.Errorf("create the account: %w", err)
		}
		return s.recordChange(ctx, tx, a, AccountAdded)
	})
}

func number(yes bool) int {
	if yes {
		return 1
	}
	return 0
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
func (s *Store) Accounts(ctx context.Context) ([]Account, error) { return accounts(ctx, s.read) }

func accounts(ctx context.Context, q queryer) ([]Account, error) {
	return collect(ctx, q, "list accounts", scanAccount, "SELECT "+accountColumns+" FROM account ORDER BY username")
}

// DisableAccount keeps an account out until EnableAccount: it ends its sessions
// and refuses its password and the tokens bound to it.
func (s *Store) DisableAccount(ctx context.Context, id string) error {
	return s.changeAccount(ctx, id, AccountDisabled, true,
		"UPDATE account SET disabled_at = CASE WHEN disabled_at = '' THEN $2 ELSE disabled_at END WHERE id = $1", id, instant(s.now()))
}

// EnableAccount lets an account in again. Its password and the tokens bound to
// it are good again; the sessions that it had are not.
func (s *Store) EnableAccount(ctx context.Context, id string) error {
	return s.changeAccount(ctx, id, AccountEnabled, false, "UPDATE account SET disabled_at = '' WHERE id = $1", id)
}

// SetPassword replaces an account's password and ends its sessions. Tokens
// bound to the account stay.
func (s *Store) SetPassword(ctx context.Context, id, password string) error {
	return s.setPassword(ctx, id, password, AccountPassword, false)
}

// SetFirstPassword is SetPassword of one that its owner has to change.
func (s *Store) SetFirstPassword(ctx context.Context, id, password string) error {
	return s.setPassword(ctx, id, password, AccountPassword, true)
}

// SetOwnPassword is SetPassword by the account's owner.
func (s *Store) SetOwnPassword(ctx context.Context, id, password string) error {
	return s.setPassword(ctx, id, password, AccountOwnPassword, false)
}

func (s *Store) setPassword(ctx context.Context, id, password string, kind AccountChangeKind, mustChange bool) error {
	return s.changeAccount(ctx, id, kind, true,
		"UPDATE account SET password = $2, must_change = $3 WHERE id = $1", id, hashPassword(password), number(mustChange))
}

// SetRole gives an account another role and ends its sessions, so that nobody goes on
// with what they no longer may. Tokens bound to the account are refused.
func (s *Store) SetRole(ctx context.Context, id string, role journey.Role) error {
	return s.changeAccount(ctx, id, AccountRole, true, "UPDATE account SET role = $2 WHERE id = $1", id, string(role))
}

// SetName says how an account's holder is called.
func (s *Store) SetName(ctx context.Context, id, name string) error {
	return s.changeAccount(ctx, id, AccountRenamed, false, "UPDATE account SET name = $2 WHERE id = $1", id, name)
}

// ErrLinked says that another account has the link.
var ErrLinked = errors.New("another account is linked to this person at the identity provider")

// SetLink says who an account's holder is at the identity provider; the empty link
// that they sign in with their password alone. Sessions end. The answer is ErrLinked
// where another account has the subject or the e-mail address.
func (s *Store) SetLink(ctx context.Context, id string, link Link) error {
	kind := AccountLinked
	if link == (Link{}) {
		kind = AccountUnlinked
	}
	return s.inTx(ctx, func(tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, `SELECT COUNT(*) FROM account WHERE id <> $1 AND link_issuer = $2
			AND (link_subject <> '' AND link_subject = $3 OR link_email <> '' AND link_email = $4)`, id, link.Issuer, link.Subject, link.Email).Scan(&n); err != nil {
			return fmt.Errorf("look for the link: %w", err)
		}
		if n > 0 {
			return ErrLinked
		}
		return s.changeAccountIn(ctx, tx, id, kind, true, func() error { return writeLink(ctx, tx, id, link) })
	})
}

func writeLink(ctx context.Context, tx *sql.Tx, id string, link Link) error {
	return execOne(ctx, tx, "link the account", "UPDATE account SET link_issuer = $2, link_subject = $3, link_email = $4 WHERE id = $1",
		id, link.Issuer, link.Subject, link.Email)
}

// AccountLinkedTo returns the account whose holder an identity provider names, by the
// subject, or by an e-mail address that the provider vouches for (an empty one finds
// nobody). Who is found by the address is known by the subject from then on: an
// address may be given to somebody else later. ErrNotFound where nobody is linked.
func (s *Store) AccountLinkedTo(ctx context.Context, issuer, subject, email string) (Account, error) {
	a, err := scanAccount(s.read.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE link_issuer = $1 AND link_subject = $2 AND link_subject <> '' AND disabled_at = ''", issuer, subject))
	if !errors.Is(err, ErrNotFound) || email == "" {
		return a, err
	}
	const byAddress = " FROM account WHERE link_issuer = $1 AND link_email = $2 AND link_subject = '' AND disabled_at = ''"
	a, err = scanAccount(s.read.QueryRowContext(ctx, "SELECT "+accountColumns+byAddress, issuer, email))
	if err != nil {
		return a, err
	}
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, a.ID, AccountLinkFollowed, false, func() error {
			return execOne(ctx, tx, "keep the subject", "UPDATE account SET link_subject = $3 WHERE link_issuer = $1 AND link_email = $2 AND link_subject = '' AND disabled_at = '' AND id = $4",
				issuer, email, subject, a.ID)
		})
	})
	a.Link.Subject = subject
	return a, err
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
	return collect(ctx, s.read, "list tokens", into(func(row scanner, t *Token) error {
		return row.Scan(&t.ID, &t.Role, &t.Account, &t.Scopes, moment{&t.CreatedAt}, moment{&t.ExpiresAt})
	}), "SELECT id, role, account_id, scopes, created_at, expires_at FROM token WHERE expires_at > $1 AND client_id = '' ORDER BY created_at, id", instant(s.now()))
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
	var account, client string
	err := s.kept.queryRow(ctx, `SELECT id, role, account_id, client_id, scopes, expires_at FROM token WHERE digest = $1 AND expires_at > $2
		AND (account_id IN ('', $3) OR EXISTS (
			SELECT 1 FROM account a WHERE a.id = token.account_id AND a.role = token.role AND a.disabled_at = ''))
		AND (client_id = '' OR EXISTS (SELECT 1 FROM client c WHERE c.id = token.client_id AND c.enabled = 1))`,
		secretDigest(token), instant(s.now()), IntakeActor).Scan(&b.Token, &b.Role, &account, &client, &b.Scopes, moment{&b.Expires})
	if errors.Is(err, sql.ErrNoRows) {
		return b, ErrNotFound
	}
	if err != nil {
		return b, fmt.Errorf("read the token: %w", err)
	}
	b.Actor = cmp.Or(account, client, b.Token)
	return b, nil
}
