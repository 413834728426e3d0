package record

import (
	"context"
	"fmt"
)

// Head is where a candidate's record stands: what a list has to read again of a
// candidate is told by the number of the last entry.
type Head struct {
	ID        string
	Seq       int64
	Advocate  string
	Recipient string
}

// Heads lists where the record of every candidate stands, in no order.
func (s *Store) Heads(ctx context.Context) ([]Head, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT id, seq, advocate, recipient FROM candidate")
	if err != nil {
		return nil, fmt.Errorf("list the heads: %w", err)
	}
	defer rows.Close()
	var list []Head
	for rows.Next() {
		var h Head
		if err := rows.Scan(&h.ID, &h.Seq, &h.Advocate, &h.Recipient); err != nil {
			return nil, fmt.Errorf("list the heads: %w", err)
		}
		list = append(list, h)
	}
	return list, rows.Err()
}

// Called is what a candidate is found by.
type Called struct{ Candidate, Given, Family, Identifier string }

// Calls calls fn with what each candidate is called, in no order.
func (s *Store) Calls(ctx context.Context, fn func(Called)) error {
	rows, err := s.read.QueryContext(ctx, "SELECT candidate_id, given, family, identifier_value FROM identity")
	if err != nil {
		return fmt.Errorf("read what candidates are called: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var c Called
		if err := rows.Scan(&c.Candidate, &c.Given, &c.Family, &c.Identifier); err != nil {
			return fmt.Errorf("read what candidates are called: %w", err)
		}
		fn(c)
	}
	return rows.Err()
}

// mostAsked bounds how many candidates one statement asks for.
const mostAsked = 500

// CandidatesOf reads candidates by their ids, in no order. Those that there are not
// are left out.
func (s *Store) CandidatesOf(ctx context.Context, ids []string) ([]Candidate, error) {
	var list []Candidate
	for len(ids) > 0 {
		n := min(len(ids), mostAsked)
		some, err := s.candidatesOf(ctx, ids[:n])
		if err != nil {
			return nil, err
		}
		list, ids = append(list, some...), ids[n:]
	}
	return list, nil
}

func (s *Store) candidatesOf(ctx context.Context, ids []string) ([]Candidate, error) {
	b := s.statement()
	b.add("SELECT ", candidateColumns, candidateFrom, "WHERE ")
	b.in("c.id", ids)
	rows, err := s.read.QueryContext(ctx, b.String(), b.args...)
	if err != nil {
		return nil, fmt.Errorf("read candidates: %w", err)
	}
	defer rows.Close()
	var list []Candidate
	for rows.Next() {
		c, err := scanCandidate(rows)
		if err != nil {
			return nil, fmt.Errorf("read candidates: %w", err)
		}
		list = append(list, c)
	}
	return list, rows.Err()
}
