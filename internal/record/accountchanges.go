package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

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

// AccountChange is one change of an account with who made it, chained to the one
// before it.
type AccountChange struct {
	Account string
	Seq     int64
	At      time.Time
	Actor   string
	Role    journey.Role
	Kind    AccountChangeKind
	// State is the account after the change, as JSON: see AccountState.
	State json.RawMessage
	Hash  string
}

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

func (c AccountChange) digest(prev string) string {
	var b []byte
	for _, text := range []string{
		prev, c.Account, strconv.FormatInt(c.Seq, 10), instant(c.At), c.Actor, string(c.Role), string(c.Kind), string(c.State),
	} {
		b = binary.BigEndian.AppendUint64(b, uint64(len(text)))
		b = append(b, text...)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
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
	by := changerOf(ctx)
	done := AccountChange{Account: a.ID, Seq: last.seq + 1, At: s.now(), Actor: by.id, Role: by.role, Kind: kind, State: state}
	done.Hash = done.digest(last.hash)
	if _, err := tx.ExecContext(ctx, `INSERT INTO account_change (account_id, seq, at, actor, role, kind, state, prev_hash, hash)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		done.Account, done.Seq, instant(done.At), done.Actor, string(done.Role), string(done.Kind), string(done.State), last.hash, done.Hash); err != nil {
		return fmt.Errorf("record the change of the account: %w", err)
	}
	return execOne(ctx, tx, "record the change of the account", "UPDATE account SET seq = $2, head = $3 WHERE id = $1", a.ID, done.Seq, done.Hash)
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

// restriction collects the conditions of a query. An empty value is none.
type restriction struct {
	conditions []string
	args       []any
}

func (r *restriction) text(condition, value string) {
	if value != "" {
		r.args = append(r.args, value)
		r.conditions = append(r.conditions, condition+" $"+strconv.Itoa(len(r.args)))
	}
}

func (r *restriction) moment(condition string, at time.Time) {
	if !at.IsZero() {
		r.text(condition, instant(at))
	}
}

func (r *restriction) where() string {
	if len(r.conditions) == 0 {
		return ""
	}
	return " WHERE " + strings.Join(r.conditions, " AND ")
}

// ChangesQuery selects changes of accounts. An empty member is no restriction.
type ChangesQuery struct {
	Account, Actor string
	// From and To bound when: the first is within and the second not.
	From, To time.Time
	Limit    int
}

// AccountChanges returns what was done to accounts, the newest first.
func (s *Store) AccountChanges(ctx context.Context, q ChangesQuery) ([]AccountChange, error) {
	var w restriction
	w.text("account_id =", q.Account)
	w.text("actor =", q.Actor)
	w.moment("at >=", q.From)
	w.moment("at <", q.To)
	text := "SELECT " + changeColumns + " FROM account_change" + w.where() + " ORDER BY at DESC, account_id, seq DESC"
	if q.Limit > 0 {
		text += " LIMIT " + strconv.Itoa(q.Limit)
	}
	return accountChanges(ctx, s.read, text, w.args...)
}

const changeColumns = "account_id, seq, at, actor, role, kind, state, hash"

func accountChanges(ctx context.Context, q queryer, text string, args ...any) ([]AccountChange, error) {
	rows, err := q.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, fmt.Errorf("read the changes of accounts: %w", err)
	}
	defer rows.Close()
	var list []AccountChange
	for rows.Next() {
		var c AccountChange
		var at, state string
		if err := rows.Scan(&c.Account, &c.Seq, &at, &c.Actor, &c.Role, &c.Kind, &state, &c.Hash); err != nil {
			return nil, fmt.Errorf("read the changes of accounts: %w", err)
		}
		c.State = json.RawMessage(state)
		if c.At, err = parseInstant(at); err != nil {
			return nil, fmt.Errorf("read the changes of accounts: %w", err)
		}
		list = append(list, c)
	}
	return list, rows.Err()
}

// verifyAccounts walks the chain of every account's changes and compares its end with
// the account. It returns how many changes there are, and adds each head to the digest.
func verifyAccounts(ctx context.Context, q queryer, digest io.Writer) (int, error) {
	ids, err := texts(ctx, q, "list accounts", "SELECT account_id FROM account_change UNION SELECT id FROM account ORDER BY 1")
	if err != nil {
		return 0, err
	}
	total := 0
	for _, id := range ids {
		chain := "account " + id
		changes, err := accountChanges(ctx, q, "SELECT "+changeColumns+" FROM account_change WHERE account_id = $1 ORDER BY seq", id)
		if err != nil {
			return total, err
		}
		var last head
		var state string
		for _, c := range changes {
			if err := last.follow(chain, c.Seq, c.digest, c.Hash); err != nil {
				return total, err
			}
			state = string(c.State)
			total++
		}
		if err := verifyAccount(ctx, q, id, last, state); err != nil {
			return total, err
		}
		fmt.Fprintf(digest, "account %s %d %s\n", id, last.seq, last.hash)
	}
	return total, nil
}

// verifyAccount compares an account with the end of its chain.
func verifyAccount(ctx context.Context, q queryer, id string, last head, state string) error {
	chain := "account " + id
	a, err := scanAccount(q.QueryRowContext(ctx, "SELECT "+accountColumns+" FROM account WHERE id = $1", id))
	if errors.Is(err, ErrNotFound) {
		return &BrokenChain{chain, last.seq, "the account of these changes is missing"}
	}
	if err != nil {
		return err
	}
	var stands head
	if err := q.QueryRowContext(ctx, "SELECT seq, head FROM account WHERE id = $1", id).Scan(&stands.seq, &stands.hash); err != nil {
		return fmt.Errorf("read the account: %w", err)
	}
	standing, err := json.Marshal(a.state())
	switch {
	case err != nil:
		return fmt.Errorf("encode the account: %w", err)
	case last.seq == 0:
		return &BrokenChain{chain, 1, "the row is missing"}
	case stands != last:
		return &BrokenChain{chain, last.seq, "the last change is not the one that was recorded"}
	case string(standing) != state:
		return &BrokenChain{chain, last.seq, "the account differs from what its last change made of it"}
	}
	return nil
}
