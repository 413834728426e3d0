package record

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"time"
)

// asker is whatever a query is put to: a database, a transaction, or the statements
// that are kept prepared.
type asker interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
}

// scanner is a row whose columns are read from left to right.
type scanner interface{ Scan(...any) error }

// each runs a query when it is ranged over and gives its rows as they come, each as scan
// reads it, so that nothing is collected. What is the query for: it stands in front of
// every error, that of a scan too, and the cause is wrapped. An error is the last that is
// given; beside it stands what scan made of the row, if it was one that could not be
// read. Leaving the loop early ends the query.
func each[T any](ctx context.Context, q asker, what string, scan func(scanner) (T, error), query string, args ...any) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		rows, err := q.QueryContext(ctx, query, args...)
		if err != nil {
			yield(none, fmt.Errorf("%s: %w", what, err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			v, err := scan(rows)
			if err != nil {
				yield(v, fmt.Errorf("%s: %w", what, err))
				return
			}
			if !yield(v, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(none, fmt.Errorf("%s: %w", what, err))
		}
	}
}

// collect is each with the rows in a list, nil when there are none. It is all of them or
// an error.
func collect[T any](ctx context.Context, q asker, what string, scan func(scanner) (T, error), query string, args ...any) ([]T, error) {
	var list []T
	for v, err := range each(ctx, q, what, scan, query, args...) {
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, nil
}

// into makes a scan of a function that says where the columns of a row go. Every row is
// read into the same place, emptied before: with a place of its own for each, a long list
// would cost one more allocation a row.
func into[T any](columns func(scanner, *T) error) func(scanner) (T, error) {
	var row, none T
	return func(from scanner) (T, error) {
		row = none
		err := columns(from, &row)
		return row, err
	}
}

// texts is collect for one column of text.
func texts(ctx context.Context, q asker, what, query string, args ...any) ([]string, error) {
	return collect(ctx, q, what, into(scanText), query, args...)
}

func scanText(row scanner, text *string) error { return row.Scan(text) }

// textSet is texts as a set, which is never nil.
func textSet(ctx context.Context, q asker, what, query string, args ...any) (map[string]bool, error) {
	found := map[string]bool{}
	for text, err := range each(ctx, q, what, into(scanText), query, args...) {
		if err != nil {
			return nil, err
		}
		found[text] = true
	}
	return found, nil
}

// pairs runs a query for two columns and returns the second by the first, in a map that
// is never nil.
func pairs[K comparable, V any](ctx context.Context, q asker, what, query string, args ...any) (map[K]V, error) {
	type pair struct {
		key   K
		value V
	}
	by := map[K]V{}
	for p, err := range each(ctx, q, what, into(func(row scanner, p *pair) error {
		return row.Scan(&p.key, &p.value)
	}), query, args...) {
		if err != nil {
			return nil, err
		}
		by[p.key] = p.value
	}
	return by, nil
}

// moment is where a column with an instant is read into: Scan(moment{&e.At}). What is
// none is errMalformed, and what stands behind it in the row is not read.
type moment struct{ into *time.Time }

// Scan implements sql.Scanner.
func (m moment) Scan(column any) error {
	var err error
	switch column := column.(type) {
	case string:
		*m.into, err = parseInstant(column)
	case []byte:
		*m.into, err = parseInstant(string(column))
	default:
		err = fmt.Errorf("%w: it is a %T", errMalformed, column)
	}
	return err
}
