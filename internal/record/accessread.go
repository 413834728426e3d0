package record

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// AccessQuery selects rows of the access log. Lists are alternatives; a nil list
// is no restriction, and an empty one selects nothing.
type AccessQuery struct {
	Seqs []int64
	// Candidates selects the rows that name any of them, and OrEverybody with them
	// those whose answers were about too many to be listed.
	Candidates   []string
	OrEverybody  bool
	Actors       []string
	Interactions []string
	// Operations selects by interaction too: every operation, whatever its name.
	Operations bool
	// Statuses are ranges of HTTP statuses: the first is within and the second not.
	Statuses [][2]int
	// Written are lists of ranges of instants, of each of which one has to hold.
	Written [][]Span
	// Before and After are rows that bound those selected, 0 for no bound; the
	// rows come from the newest to the oldest, or the other way round.
	Before, After int64
	OldestFirst   bool
	Limit         int
}

func (q AccessQuery) where() (string, []any) {
	var all []string
	var args []any
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	either := func(alternatives []string) {
		if len(alternatives) == 0 {
			alternatives = []string{"1 = 0"}
		}
		all = append(all, "("+strings.Join(alternatives, " OR ")+")")
	}
	texts := func(column string, list []string) string {
		marks := make([]string, len(list))
		for i, v := range list {
			marks[i] = arg(v)
		}
		return column + " IN (" + strings.Join(marks, ", ") + ")"
	}
	if q.Seqs != nil {
		var list []string
		for _, seq := range q.Seqs {
			list = append(list, "l.seq = "+arg(seq))
		}
		either(list)
	}
	if q.Candidates != nil {
		var list []string
		if len(q.Candidates) > 0 {
			list = append(list, "l.seq IN (SELECT b.seq FROM access_about b WHERE "+texts("b.candidate_id", q.Candidates)+")")
		}
		if q.OrEverybody {
			list = append(list, "l.candidates = "+arg(everybody))
		}
		either(list)
	}
	if q.Actors != nil {
		var list []string
		if len(q.Actors) > 0 {
			list = append(list, texts("l.actor", q.Actors))
		}
		either(list)
	}
	if q.Interactions != nil || q.Operations {
		var list []string
		if len(q.Interactions) > 0 {
			list = append(list, texts("l.interaction", q.Interactions))
		}
		if q.Operations {
			list = append(list, "l.interaction >= "+arg("$")+" AND l.interaction < "+arg("%"))
		}
		either(list)
	}
	if q.Statuses != nil {
		var list []string
		for _, r := range q.Statuses {
			list = append(list, "l.status >= "+arg(r[0])+" AND l.status < "+arg(r[1]))
		}
		either(list)
	}
	for _, spans := range q.Written {
		var list []string
		for _, span := range spans {
			within := "1 = 1"
			if span.From != "" {
				within += " AND l.at >= " + arg(span.From)
			}
			if span.To != "" {
				within += " AND l.at < " + arg(span.To)
			}
			list = append(list, within)
		}
		either(list)
	}
	if q.Before > 0 {
		all = append(all, "l.seq < "+arg(q.Before))
	}
	if q.After > 0 {
		all = append(all, "l.seq > "+arg(q.After))
	}
	where := " FROM access_log l"
	if len(all) > 0 {
		where += " WHERE " + strings.Join(all, " AND ")
	}
	return where, args
}

// Accesses returns rows of the access log, at most Limit of them.
func (s *Store) Accesses(ctx context.Context, q AccessQuery) ([]Access, error) {
	where, args := q.where()
	order := "DESC"
	if q.OldestFirst {
		order = "ASC"
	}
	return collect(ctx, s.read, "read the access log", scanAccess, "SELECT "+accessColumns+where+" ORDER BY l.seq "+order+" LIMIT "+strconv.Itoa(q.Limit), args...)
}

// CountAccesses counts what a query selects, whatever its limit.
func (s *Store) CountAccesses(ctx context.Context, q AccessQuery) (int, error) {
	where, args := q.where()
	var n int
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*)"+where, args...).Scan(&n); err != nil {
		return 0, fmt.Errorf("count in the access log: %w", err)
	}
	return n, nil
}

func scanAccess(row scanner) (Access, error) {
	var a Access
	var parameters, candidates string
	if err := row.Scan(&a.Seq, moment{&a.At}, &a.Actor, &a.Role, &a.Credential, &a.Interaction, &a.Type, &a.ID,
		&parameters, &candidates, &a.Status, &a.Request, &a.Address, &a.Hash); err != nil {
		return a, err
	}
	a.Parameters = strings.Fields(parameters)
	if a.Everybody = candidates == everybody; !a.Everybody {
		a.Candidates = strings.Fields(candidates)
	}
	return a, nil
}

// BrokenChain says where the chain of the access log, or that of the changes of a
// client, does not hold.
type BrokenChain struct {
	Chain   string
	Seq     int64
	Problem string
}

// Error names the first bad row.
func (b *BrokenChain) Error() string { return fmt.Sprintf("%s, row %d: %s", b.Chain, b.Seq, b.Problem) }

const accessChain = "access log"

// verifyAccess walks the chain of the access log, and compares whom its rows name
// with what finds the rows by candidate. It returns the last row.
func verifyAccess(ctx context.Context, q queryer) (head, error) {
	var last head
	var named set
	for a, err := range each(ctx, q, "read the access log", scanAccess, "SELECT "+accessColumns+" FROM access_log ORDER BY seq") {
		changed := errors.Is(err, errMalformed)
		if err != nil && !changed {
			return last, err
		}
		switch {
		case a.Seq != last.seq+1:
			return last, &BrokenChain{accessChain, last.seq + 1, "the row is missing"}
		case changed, a.digest(last.hash) != a.Hash:
			return last, &BrokenChain{accessChain, a.Seq, "the row was changed after it was written, or does not follow the one before it"}
		}
		for _, candidate := range a.Candidates {
			named.add(candidate, a.Seq)
		}
		last = head{a.Seq, a.Hash}
	}
	found, err := aboutSet(ctx, q)
	if err != nil {
		return last, err
	}
	if found != named {
		return last, &BrokenChain{accessChain, last.seq, "what finds the rows by candidate differs from whom they name"}
	}
	return last, nil
}

func aboutSet(ctx context.Context, q queryer) (set, error) {
	type about struct {
		candidate string
		seq       int64
	}
	var found set
	for a, err := range each(ctx, q, "read the access log", into(func(row scanner, a *about) error {
		return row.Scan(&a.candidate, &a.seq)
	}), "SELECT candidate_id, seq FROM access_about") {
		if err != nil {
			return found, err
		}
		found.add(a.candidate, a.seq)
	}
	return found, nil
}

// set is a digest of a set of rows that does not depend on their order.
type set [sha256.Size]byte

func (s *set) add(candidate string, seq int64) {
	sum := sha256.Sum256(binary.BigEndian.AppendUint64([]byte(candidate), uint64(seq))) //nolint:gosec // sequence numbers start at 1
	for i := range s {
		s[i] ^= sum[i]
	}
}

// AccessInstant is an instant as Written compares it.
func AccessInstant(t time.Time) string { return instant(t) }
