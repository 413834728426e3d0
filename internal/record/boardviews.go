package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"github.com/google/uuid"
)

// BoardView is a list of candidates that somebody keeps under a name. Query is what it
// is narrowed to and ordered by, as an address holds it.
type BoardView struct {
	ID      string
	Account string
	Name    string
	Query   string
}

// MostBoardViews bounds the views of one account.
const MostBoardViews = 40

// ErrTooManyViews says that there is no room for another.
var ErrTooManyViews = errors.New("too many")

// SaveBoardView keeps a view under its name, in the place of the one of that name, and
// returns its id. It is ErrTooManyViews where the account has MostBoardViews others.
func (s *Store) SaveBoardView(ctx context.Context, v BoardView) (string, error) {
	id := ""
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM board_view WHERE account_id = $1 AND name <> $2", v.Account, v.Name).Scan(&n); err != nil {
			return fmt.Errorf("count the views: %w", err)
		}
		if n >= MostBoardViews {
			return ErrTooManyViews
		}
		err := tx.QueryRowContext(ctx, `INSERT INTO board_view (id, account_id, name, query, created_at) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (account_id, name) DO UPDATE SET query = excluded.query RETURNING id`,
			uuid.NewString(), v.Account, v.Name, v.Query, instant(s.now())).Scan(&id)
		if err != nil {
			return fmt.Errorf("save the view: %w", err)
		}
		return nil
	})
	return id, err
}

// RemoveBoardView removes a view of the account; ErrNotFound where it has none of that id.
func (s *Store) RemoveBoardView(ctx context.Context, account, id string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, "DELETE FROM board_view WHERE id = $1 AND account_id = $2", id, account)
		if err != nil {
			return fmt.Errorf("remove the view: %w", err)
		}
		n, err := done.RowsAffected()
		if err == nil && n == 0 {
			err = ErrNotFound
		}
		return err
	})
}

// BoardView returns a view by its id, whoever keeps it.
func (s *Store) BoardView(ctx context.Context, id string) (BoardView, error) {
	var v BoardView
	err := s.read.QueryRowContext(ctx, "SELECT id, account_id, name, query FROM board_view WHERE id = $1", id).Scan(&v.ID, &v.Account, &v.Name, &v.Query)
	if errors.Is(err, sql.ErrNoRows) {
		return v, ErrNotFound
	}
	if err != nil {
		return v, fmt.Errorf("read the view: %w", err)
	}
	return v, nil
}

// BoardViews lists the views of an account by their names.
func (s *Store) BoardViews(ctx context.Context, account string) ([]BoardView, error) {
	return collect(ctx, s.read, "list the views", into(func(row scanner, v *BoardView) error {
		return row.Scan(&v.ID, &v.Account, &v.Name, &v.Query)
	}), "SELECT id, account_id, name, query FROM board_view WHERE account_id = $1 ORDER BY name, id", account)
}
