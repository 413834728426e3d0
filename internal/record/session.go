package record

import (
	"context"
	"database/sql"
	"slices"
)

// executor carries out statements: a transaction, or a session in one.
type executor interface {
	queryer
	ExecContext(context.Context, string, ...any) (sql.Result, error)
}

// session is a transaction that carries out statements which are kept prepared:
// on SQLite preparing one costs as much as running it, and the driver starts a
// goroutine for each that can be cancelled. The PostgreSQL driver keeps them by
// itself.
type session struct {
	*sql.Tx
	kept *statements
	// wanted are texts that were not prepared yet. They can't be inside the
	// transaction, which has the only writing connection.
	wanted []string
}

// prepared returns the statement in this transaction, nil when it is not kept.
func (s *session) prepared(ctx context.Context, text string) *sql.Stmt {
	statement, full := s.kept.find(text)
	switch {
	case statement != nil:
		return s.StmtContext(ctx, statement)
	case !full && !slices.Contains(s.wanted, text):
		s.wanted = append(s.wanted, text)
	}
	return nil
}

// ExecContext implements executor.
func (s *session) ExecContext(ctx context.Context, text string, args ...any) (sql.Result, error) {
	ctx = context.WithoutCancel(ctx)
	if statement := s.prepared(ctx, text); statement != nil { //nolint:sqlclosecheck // the transaction closes it
		return statement.ExecContext(ctx, args...)
	}
	return s.Tx.ExecContext(ctx, text, args...)
}

// QueryContext implements executor.
func (s *session) QueryContext(ctx context.Context, text string, args ...any) (*sql.Rows, error) {
	ctx = context.WithoutCancel(ctx)
	if statement := s.prepared(ctx, text); statement != nil { //nolint:sqlclosecheck // the transaction closes it
		return statement.QueryContext(ctx, args...)
	}
	return s.Tx.QueryContext(ctx, text, args...)
}

// QueryRowContext implements executor.
func (s *session) QueryRowContext(ctx context.Context, text string, args ...any) *sql.Row {
	ctx = context.WithoutCancel(ctx)
	if statement := s.prepared(ctx, text); statement != nil { //nolint:sqlclosecheck // the transaction closes it
		return statement.QueryRowContext(ctx, args...)
	}
	return s.Tx.QueryRowContext(ctx, text, args...)
}

// inSession runs fn in one writing transaction whose statements are kept
// prepared from the second time on.
func (s *Store) inSession(ctx context.Context, fn func(executor) error) error {
	if s.postgres() {
		return s.inTx(ctx, func(tx *sql.Tx) error { return fn(tx) })
	}
	var wanted []string
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		session := &session{Tx: tx, kept: s.writes}
		defer func() { wanted = session.wanted }()
		return fn(session)
	})
	for _, text := range wanted {
		if _, err := s.writes.prepared(context.WithoutCancel(ctx), text); err != nil { //nolint:sqlclosecheck // kept until close
			break // it runs unprepared
		}
	}
	return err
}
