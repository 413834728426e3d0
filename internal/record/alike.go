package record

import "context"

// Known is who somebody on record is.
type Known struct {
	Candidate string
	Identity
}

// Near calls fn, in no order, with who could be the same person as somebody: whoever was
// born between two days or on one of others, or has the number, in whatever system.
func (s *Store) Near(ctx context.Context, from, to string, days []string, number string, fn func(Known)) error {
	const columns = "SELECT candidate_id, given, family, birth_date, sex, identifier_system, identifier_value FROM identity WHERE "
	b := s.statement()
	b.add(columns, "birth_date BETWEEN ", b.arg(from), " AND ", b.arg(to))
	if len(days) > 0 {
		b.add(" UNION ", columns)
		b.in("birth_date", days)
	}
	b.add(" UNION ", columns, "identifier_value = ", b.arg(number))
	for k, err := range each(ctx, s.read, "find who may be the same person", into(func(row scanner, k *Known) error {
		return row.Scan(&k.Candidate, &k.Given, &k.Family, &k.BirthDate, &k.Sex, &k.Identifier.System, &k.Identifier.Value)
	}), b.String(), b.args...) {
		if err != nil {
			return err
		}
		fn(k)
	}
	return nil
}
