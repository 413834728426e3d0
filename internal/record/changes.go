package record

import (
	"cmp"
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

// Change is one change of an account or a client with who made it, chained to the one
// before it.
type Change[K ~string] struct {
	// Of is the id of what was changed.
	Of    string
	Seq   int64
	At    time.Time
	Actor string
	Role  journey.Role
	Kind  K
	// State is what was changed as it stood afterwards, as JSON.
	State json.RawMessage
	Hash  string
}

func (c Change[K]) digest(prev string) string {
	return digestOf(prev, c.Of, strconv.FormatInt(c.Seq, 10), instant(c.At), c.Actor, string(c.Role), string(c.Kind), string(c.State))
}

// digestOf is SHA-256 over texts in their order, each with its length in front.
func digestOf(parts ...string) string {
	var b []byte
	for _, text := range parts {
		b = binary.BigEndian.AppendUint64(b, uint64(len(text)))
		b = append(b, text...)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// ledger is a kind of thing whose changes are kept: the table of that name holds how
// each stands with the end of its chain, and the one beside it the changes.
type ledger string

const (
	accountLedger ledger = "account"
	clientLedger  ledger = "client"
)

// subject is the column of what was changed.
func (l ledger) subject() string { return string(l) + "_id" }

func (l ledger) table() string { return string(l) + "_change" }

// ChangesQuery selects changes. An empty member is no restriction.
type ChangesQuery struct {
	// Of is the id of what was changed.
	Of, Actor string
	// From and To bound when: the first is within and the second not.
	From, To time.Time
	Limit    int
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

// limited is the clause that bounds the rows of a query; 0 bounds nothing.
func limited(most int) string {
	if most == 0 {
		return ""
	}
	return " LIMIT " + strconv.Itoa(most)
}

// append adds a change to the end of a chain.
func (l ledger) append(ctx context.Context, tx *sql.Tx, last head, of string, at time.Time, by changer, kind string, state []byte) (head, error) {
	c := Change[string]{Of: of, Seq: last.seq + 1, At: at, Actor: by.id, Role: by.role, Kind: kind, State: state}
	c.Hash = c.digest(last.hash)
	_, err := tx.ExecContext(ctx, "INSERT INTO "+l.table()+" ("+l.subject()+", seq, at, actor, role, kind, state, prev_hash, hash) VALUES "+placeholders(1, 9),
		c.Of, c.Seq, instant(c.At), c.Actor, string(c.Role), c.Kind, string(c.State), last.hash, c.Hash)
	if err != nil {
		return last, fmt.Errorf("record the change of the %s: %w", l, err)
	}
	return head{c.Seq, c.Hash}, nil
}

// changes returns what was done, the newest first.
func changes[K ~string](ctx context.Context, q queryer, l ledger, query ChangesQuery) ([]Change[K], error) {
	var w restriction
	w.text(l.subject()+" =", query.Of)
	w.text("actor =", query.Actor)
	w.moment("at >=", query.From)
	w.moment("at <", query.To)
	return collect(ctx, q, "read the changes of each "+string(l), into(func(row scanner, c *Change[K]) error {
		return row.Scan(&c.Of, &c.Seq, moment{&c.At}, &c.Actor, &c.Role, &c.Kind, (*[]byte)(&c.State), &c.Hash)
	}), "SELECT "+l.subject()+", seq, at, actor, role, kind, state, hash FROM "+l.table()+w.where()+" ORDER BY at DESC, "+l.subject()+", seq DESC"+limited(query.Limit), w.args...)
}

// verifyChanges walks the chain of everything in a ledger and compares its end with how
// it stands: the head that its row names, and its state. A thing that has no row is
// ErrNotFound. It returns how many changes there are, and adds each head to the digest.
func verifyChanges(ctx context.Context, q queryer, l ledger, digest io.Writer, stands func(id string) (head, string, error)) (int, error) {
	ids := "SELECT " + l.subject() + " FROM " + l.table() + " UNION SELECT id FROM " + string(l) + " ORDER BY 1"
	return verifyEach(ctx, q, digest, string(l), ids, func(id, chain string) (last head, err error) {
		list, err := changes[string](ctx, q, l, ChangesQuery{Of: id})
		if err != nil {
			return last, err
		}
		slices.SortFunc(list, func(a, b Change[string]) int { return cmp.Compare(a.Seq, b.Seq) })
		var state string
		for _, c := range list {
			if err := last.follow(chain, c.Seq, c.digest, c.Hash); err != nil {
				return last, err
			}
			state = string(c.State)
		}
		standing, now, err := stands(id)
		switch {
		case errors.Is(err, ErrNotFound):
			return last, &BrokenChain{chain, last.seq, "the " + string(l) + " of these changes is missing"}
		case err != nil:
			return last, err
		case last.seq == 0:
			return last, &BrokenChain{chain, 1, "the row is missing"}
		case standing != last:
			return last, &BrokenChain{chain, last.seq, "the last change is not the one that was recorded"}
		case now != state:
			return last, &BrokenChain{chain, last.seq, "the " + string(l) + " differs from what its last change made of it"}
		}
		return last, nil
	})
}
