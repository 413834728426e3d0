package record

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// ErrExpired says that something was kept for a while and is not any more.
var ErrExpired = errors.New("expired")

// An order is what a sorted search found, kept until its pages have been read:
// what it is sorted by may change meanwhile, and the ids of one page would then
// return or be missed. First only the ids of the first page are kept, since few
// clients ask for a second; with it come all others, in blocks.

// blockOfOrder is how many ids one row holds.
const blockOfOrder = 1000

// KeepOrder keeps the ids of the first page until an instant, and returns the
// name of the order.
func (s *Store) KeepOrder(ctx context.Context, first []string, until time.Time) (string, error) {
	name := strings.ToLower(rand.Text())
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM kept_order WHERE expires_at < $1", instant(s.now())); err != nil {
			return fmt.Errorf("forget old orders: %w", err)
		}
		return keepBlock(ctx, tx, name, 0, first, len(first), until)
	})
	return name, err
}

func keepBlock(ctx context.Context, tx *sql.Tx, name string, number int, ids []string, total int, until time.Time) error {
	if _, err := tx.ExecContext(ctx, "INSERT INTO kept_order (id, block, ids, total, expires_at) VALUES ($1, $2, $3, $4, $5)",
		name, number, strings.Join(ids, " "), total, instant(until)); err != nil {
		return fmt.Errorf("keep the order: %w", err)
	}
	return nil
}

// CompleteOrder keeps all that comes after the first page. Whoever comes second
// changes nothing.
func (s *Store) CompleteOrder(ctx context.Context, name string, rest []string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		first, until, err := s.block(ctx, tx, name, 0)
		if err != nil {
			return err
		}
		if _, _, err := s.block(ctx, tx, name, 1); !errors.Is(err, ErrExpired) {
			return err
		}
		total := len(first.ids) + len(rest)
		number := 1
		for ids := range slices.Chunk(rest, blockOfOrder) {
			if err := keepBlock(ctx, tx, name, number, ids, total, until); err != nil {
				return err
			}
			number++
		}
		if number == 1 { // nothing is left, and that is known
			return keepBlock(ctx, tx, name, 1, nil, total, until)
		}
		return nil
	})
}

type orderBlock struct {
	ids   []string
	total int
}

// block reads one row of an order, or ErrExpired.
func (s *Store) block(ctx context.Context, q queryer, name string, number int) (b orderBlock, until time.Time, err error) {
	var ids, expires string
	err = q.QueryRowContext(ctx, "SELECT ids, total, expires_at FROM kept_order WHERE id = $1 AND block = $2 AND expires_at >= $3", name, number, instant(s.now())).
		Scan(&ids, &b.total, &expires)
	if errors.Is(err, sql.ErrNoRows) {
		return b, until, ErrExpired
	}
	if err != nil {
		return b, until, fmt.Errorf("read the kept order: %w", err)
	}
	b.ids = strings.Fields(ids)
	until, err = parseInstant(expires)
	return b, until, err
}

// FirstOfOrder returns the ids of the first page, or ErrExpired.
func (s *Store) FirstOfOrder(ctx context.Context, name string) ([]string, error) {
	first, _, err := s.block(ctx, s.read, name, 0)
	return first.ids, err
}

// OrderedPage returns at most count ids of an order behind the first ones, and
// how many there are in all. It is ErrExpired where the order is not kept, or
// not complete, which CompleteOrder then makes it.
func (s *Store) OrderedPage(ctx context.Context, name string, offset, count int) (ids []string, total int, err error) {
	first, _, err := s.block(ctx, s.read, name, 0)
	if err != nil {
		return nil, 0, err
	}
	offset -= len(first.ids)
	if offset < 0 {
		return nil, 0, ErrExpired // no page begins there
	}
	number, skip := 1+offset/blockOfOrder, offset%blockOfOrder
	for {
		b, _, err := s.block(ctx, s.read, name, number)
		if errors.Is(err, ErrExpired) && number > 1 {
			return ids, total, nil // behind the last block
		}
		if err != nil {
			return nil, 0, err
		}
		total = b.total
		ids = append(ids, b.ids[min(skip, len(b.ids)):]...)
		if len(ids) >= count || len(b.ids) < blockOfOrder {
			return ids[:min(count, len(ids))], total, nil
		}
		number, skip = number+1, 0
	}
}
