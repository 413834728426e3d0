package record

import (
	"context"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/journey"
)

// Trace is an entry without what was given with it: who did what kind of thing to whom,
// and when.
type Trace struct {
	Candidate  string
	Seq        int64
	Kind       journey.Kind
	Actor      string
	Role       journey.Role
	OccurredAt time.Time
	RecordedAt time.Time
	Hash       string
}

// TraceQuery selects entries of every candidate. An empty member is no restriction.
type TraceQuery struct {
	Candidate, Actor string
	Kind             journey.Kind
	// From and To bound when an entry was recorded: the first is within and the second
	// not.
	From, To time.Time
	// After is the entry that those selected come after, which are older.
	After *Trace
	Limit int
}

// Traces returns entries from the newest to the oldest, at most Limit of them.
func (s *Store) Traces(ctx context.Context, q TraceQuery) ([]Trace, error) {
	var where []string
	var args []any
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	is := func(column, value string) {
		if value != "" {
			where = append(where, column+" = "+arg(value))
		}
	}
	is("candidate_id", q.Candidate)
	is("actor", q.Actor)
	is("kind", string(q.Kind))
	if !q.From.IsZero() {
		where = append(where, "recorded_at >= "+arg(instant(q.From)))
	}
	if !q.To.IsZero() {
		where = append(where, "recorded_at < "+arg(instant(q.To)))
	}
	if q.After != nil {
		where = append(where, "(recorded_at, candidate_id, seq) < ("+arg(instant(q.After.RecordedAt))+", "+arg(q.After.Candidate)+", "+arg(q.After.Seq)+")")
	}
	text := "SELECT candidate_id, seq, kind, actor, role, occurred_at, recorded_at, hash FROM entry"
	if len(where) > 0 {
		text += " WHERE " + strings.Join(where, " AND ")
	}
	text += " ORDER BY recorded_at DESC, candidate_id DESC, seq DESC LIMIT " + strconv.Itoa(q.Limit)
	return collect(ctx, s.read, "read the trail", into(func(row scanner, t *Trace) error {
		return row.Scan(&t.Candidate, &t.Seq, &t.Kind, &t.Actor, &t.Role, moment{&t.OccurredAt}, moment{&t.RecordedAt}, &t.Hash)
	}), text, args...)
}

// CandidatesLike returns the ids of candidates that begin with a text, at most two: one
// is meant, or more than one.
func (s *Store) CandidatesLike(ctx context.Context, prefix string) ([]string, error) {
	return texts(ctx, s.read, "find the candidate", "SELECT id FROM candidate WHERE substr(id, 1, CAST($2 AS INTEGER)) = $1 ORDER BY id LIMIT 2", prefix, len(prefix))
}
