package record

import (
	"context"
	"database/sql"
	"sync"
)

// statements keeps prepared reads by their text: on SQLite preparing one costs
// as much as running it.
type statements struct {
	db *sql.DB
	// lasting runs reads without cancellation. The SQLite driver starts a
	// goroutine for each that can be cancelled, which doubles the cost of a
	// read by key and gains nothing on a read that short.
	lasting bool
	mu      sync.RWMutex
	known   map[string]*sql.Stmt
}

// mostStatements bounds the texts that are kept; a search has few shapes.
const mostStatements = 200

func newStatements(db *sql.DB, lasting bool) *statements {
	return &statements{db: db, lasting: lasting, known: map[string]*sql.Stmt{}}
}

// QueryContext runs a read, prepared when there is room to keep it.
func (s *statements) QueryContext(ctx context.Context, text string, args ...any) (*sql.Rows, error) {
	if s.lasting {
		ctx = context.WithoutCancel(ctx)
	}
	statement, err := s.prepared(ctx, text) //nolint:sqlclosecheck // kept until close
	if err != nil {
		return nil, err
	}
	if statement == nil {
		return s.db.QueryContext(ctx, text, args...)
	}
	return statement.QueryContext(ctx, args...)
}

// queryRow is QueryContext for at most one row.
func (s *statements) queryRow(ctx context.Context, text string, args ...any) scanner {
	if s.lasting {
		ctx = context.WithoutCancel(ctx)
	}
	statement, err := s.prepared(ctx, text) //nolint:sqlclosecheck // kept until close
	if err != nil {
		return failed{err}
	}
	if statement == nil {
		return s.db.QueryRowContext(ctx, text, args...)
	}
	return statement.QueryRowContext(ctx, args...)
}

// find returns the statement if it is kept, and whether there is no room for
// another.
func (s *statements) find(text string) (statement *sql.Stmt, full bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.known[text], len(s.known) >= mostStatements
}

// prepared returns the statement, nil when there is no room for another.
func (s *statements) prepared(ctx context.Context, text string) (*sql.Stmt, error) {
	if statement, full := s.find(text); statement != nil || full { //nolint:sqlclosecheck // kept until close
		return statement, nil
	}
	// The lock is not held meanwhile: whoever has the only writing connection may
	// ask for a statement.
	statement, err := s.db.PrepareContext(ctx, text) //nolint:sqlclosecheck // kept until close
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if known, ok := s.known[text]; ok {
		_ = statement.Close() //nolint:sqlclosecheck // another one was faster
		return known, nil
	}
	s.known[text] = statement
	return statement, nil
}

func (s *statements) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for text, statement := range s.known {
		_ = statement.Close() // the database is closed next
		delete(s.known, text)
	}
}

// failed is a row that could not be asked for.
type failed struct{ err error }

func (f failed) Scan(...any) error { return f.err }
