package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"

	"candidacy/internal/journey"
)

// AccountChangeKind names what was done to an account.
type AccountChangeKind string

// The changes of an account.
const (
	// AccountFound is how an account stood when changes began to be recorded.
	AccountFound        AccountChangeKind = "found"
	AccountAdded        AccountChangeKind = "add"
	AccountRenamed      AccountChangeKind = "name"
	AccountRole         AccountChangeKind = "role"
	AccountEmail        AccountChangeKind = "email"
	AccountDisabled     AccountChangeKind = "disable"
	AccountEnabled      AccountChangeKind = "enable"
	AccountPassword     AccountChangeKind = "password"
	AccountOwnPassword  AccountChangeKind = "own-password"
	AccountSessions     AccountChangeKind = "sessions"
	AccountFactor       AccountChangeKind = "second-factor"
	AccountNoFactor     AccountChangeKind = "second-factor-removed"
	AccountCodes        AccountChangeKind = "recovery-codes"
	AccountCodeUsed     AccountChangeKind = "recovery-code-used"
	AccountLinked       AccountChangeKind = "link"
	AccountUnlinked     AccountChangeKind = "unlink"
	AccountLinkFollowed AccountChangeKind = "link-followed"
)

// acts are changes that are recorded although nothing of the account's state differs
// afterwards.
var acts = []AccountChangeKind{AccountPassword, AccountOwnPassword, AccountSessions, AccountFactor, AccountCodes, AccountCodeUsed}

// AccountChange is one change of an account. Its state is an AccountState.
type AccountChange = Change[AccountChangeKind]

// AccountState is what a change keeps of an account: no password and no secret.
type AccountState struct {
	Username     string       `json:"username"`
	Name         string       `json:"name"`
	Role         journey.Role `json:"role"`
	Email        string       `json:"email,omitempty"`
	Disabled     bool         `json:"disabled,omitempty"`
	MustChange   bool         `json:"must_change_password,omitempty"`
	SecondFactor bool         `json:"second_factor,omitempty"`
	Link         *Link        `json:"link,omitempty"`
}

func (a Account) state() AccountState {
	s := AccountState{
		Username: a.Username, Name: a.Name, Role: a.Role, Email: a.Email, Disabled: a.Disabled,
		MustChange: a.MustChange, SecondFactor: a.SecondFactor,
	}
	if a.Link != (Link{}) {
		s.Link = &a.Link
	}
	return s
}

// actorKey is where a context holds who changes accounts.
type actorKey struct{}

type changer struct {
	id   string
	role journey.Role
}

// As says who makes the changes of accounts that are made with the context. Without
// it they are the program's own.
func As(ctx context.Context, actor string, role journey.Role) context.Context {
	return context.WithValue(ctx, actorKey{}, changer{actor, role})
}

// ByProgram is who changes an account where nobody is named.
const ByProgram = "candidacy"

func changerOf(ctx context.Context) changer {
	if by, ok := ctx.Value(actorKey{}).(changer); ok {
		return by
	}
	return changer{ByProgram, journey.System}
}

// changeAccount runs a statement that changes one account and records the change,
// and ends the account's sessions where the change asks for it. The answer is
// ErrNotFound when there is no such account. What changes nothing is not recorded.
func (s *Store) changeAccount(ctx context.Context, id string, kind AccountChangeKind, endSessions bool, statement string, args ...any) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, id, kind, endSessions, func() error {
			return execOne(ctx, tx, "change the account", statement, args...)
		})
	})
}

func (s *Store) changeAccountIn(ctx context.Context, tx *sql.Tx, id string, kind AccountChangeKind, endSessions bool, change func() error) error {
	// A session that starts meanwhile must be seen here, or see the change.
	if err := s.lock(ctx, tx, id); err != nil {
		return err
	}
	before, err := scanAccount(tx.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE id = $1", id))
	if err != nil {
		return err
	}
	if err := change(); err != nil {
		return err
	}
	after, err := scanAccount(tx.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE id = $1", id))
	if err != nil {
		return err
	}
	before.password, after.password = "", ""
	if before != after || slices.Contains(acts, kind) {
		if err := s.recordChange(ctx, tx, after, kind); err != nil {
			return err
		}
	}
	if !endSessions {
		return nil
	}
	return deleteSessions(ctx, tx, id)
}

// recordChange appends a change to the chain of an account.
func (s *Store) recordChange(ctx context.Context, tx *sql.Tx, a Account, kind AccountChangeKind) error {
	var last head
	if err := tx.QueryRowContext(ctx, "SELECT seq, head FROM account WHERE id = $1", a.ID).Scan(&last.seq, &last.hash); err != nil {
		return fmt.Errorf("read the account: %w", err)
	}
	state, err := json.Marshal(a.state())
	if err != nil {
		return fmt.Errorf("encode the account: %w", err)
	}
	last, err = accountLedger.append(ctx, tx, last, a.ID, s.now(), changerOf(ctx), string(kind), state)
	if err != nil {
		return err
	}
	return execOne(ctx, tx, "record the change of the account", "UPDATE account SET seq = $2, head = $3 WHERE id = $1", a.ID, last.seq, last.hash)
}

// chainedSetting says that the accounts from before their changes were recorded have
// the beginning of a chain.
const chainedSetting = "accounts-chained"

// beginAccountChains records once how the accounts stood that are older than their
// chains. Afterwards an account without one was not made here.
func (s *Store) beginAccountChains(ctx context.Context) error {
	if value, err := s.Setting(ctx, chainedSetting); err != nil || value != "" {
		return err
	}
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, chainedSetting); err != nil {
			return err
		}
		done, err := tx.ExecContext(ctx, "INSERT INTO setting (name, value) VALUES ($1, $2) ON CONFLICT DO NOTHING", chainedSetting, instant(s.now()))
		if err != nil {
			return fmt.Errorf("begin the chains of accounts: %w", err)
		}
		if n, err := done.RowsAffected(); err != nil || n == 0 {
			return err
		}
		list, err := accounts(ctx, tx)
		if err != nil {
			return err
		}
		for _, a := range list {
			if err := s.recordChange(ctx, tx, a, AccountFound); err != nil {
				return err
			}
		}
		return nil
	})
}

// AccountChanges returns what was done to accounts, the newest first.
func (s *Store) AccountChanges(ctx context.Context, q ChangesQuery) ([]AccountChange, error) {
	return changes[AccountChangeKind](ctx, s.read, accountLedger, q)
}

// accountStands returns the end of an account's chain that its row names, and its state.
func accountStands(ctx context.Context, q queryer, id string) (head, string, error) {
	var last head
	a, err := scanAccount(q.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE id = $1", id))
	if err != nil {
		return last, "", err
	}
	if err := q.QueryRowContext(ctx, "SELECT seq, head FROM account WHERE id = $1", id).Scan(&last.seq, &last.hash); err != nil {
		return last, "", fmt.Errorf("read the account: %w", err)
	}
	state, err := json.Marshal(a.state())
	if err != nil {
		return last, "", fmt.Errorf("encode the account: %w", err)
	}
	return last, string(state), nil
}
