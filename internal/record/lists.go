package record

import "context"

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
	return collect(ctx, s.read, "list the heads", into(func(row scanner, h *Head) error {
		return row.Scan(&h.ID, &h.Seq, &h.Advocate, &h.Recipient)
	}), "SELECT id, seq, advocate, recipient FROM candidate")
}

// Called is what a candidate is found by.
type Called struct{ Candidate, Given, Family, Identifier string }

// Calls calls fn with what each candidate is called, in no order.
func (s *Store) Calls(ctx context.Context, fn func(Called)) error {
	for c, err := range each(ctx, s.read, "read what candidates are called", into(func(row scanner, c *Called) error {
		return row.Scan(&c.Candidate, &c.Given, &c.Family, &c.Identifier)
	}), "SELECT candidate_id, given, family, identifier_value FROM identity") {
		if err != nil {
			return err
		}
		fn(c)
	}
	return nil
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
	return collect(ctx, s.read, "read candidates", scanCandidate, b.String(), b.args...)
}
