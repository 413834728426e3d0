package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Candidate is one row of the board, with who it is.
type Candidate struct {
	ID         string
	Protocol   string
	Path       string
	Recipient  string
	ReferredOn journey.Date
	WorstBand  journey.Band
	State      journey.State
	Next       *journey.Upcoming
	Flags      json.RawMessage
	UpdatedAt  time.Time
	Identity   Identity
	Contact    Contact
}

const candidateColumns = `c.id, c.protocol, c.path, c.recipient, c.referred_on, c.worst_band, c.state, c.flags,
	c.next_kind, c.next_subject, c.next_on, c.next_at, c.updated_at,
	i.given, i.family, i.birth_date, i.sex, i.identifier_system, i.identifier_value, i.email, i.phone, i.email_permission`

const candidateFrom = ` FROM candidate c JOIN identity i ON i.candidate_id = c.id `

func scanCandidate(row scanner) (Candidate, error) {
	var c Candidate
	var state, flags, nextAt, updated string
	var next journey.Upcoming
	if err := row.Scan(&c.ID, &c.Protocol, &c.Path, &c.Recipient, &c.ReferredOn, &c.WorstBand, &state, &flags,
		&next.Kind, &next.Subject, &next.On, &nextAt, &updated,
		&c.Identity.Given, &c.Identity.Family, &c.Identity.BirthDate, &c.Identity.Sex,
		&c.Identity.Identifier.System, &c.Identity.Identifier.Value,
		&c.Contact.Email, &c.Contact.Phone, &c.Contact.Permission); err != nil {
		return c, err
	}
	c.Flags = json.RawMessage(flags)
	var errs [3]error
	c.State, errs[0] = decodeState(state)
	next, errs[1] = upcoming(next.Deadline, nextAt)
	c.UpdatedAt, errs[2] = parseInstant(updated)
	if next.Kind != "" {
		c.Next = &next
	}
	return c, errors.Join(errs[:]...)
}

// upcoming puts a deadline together with its instant as it was stored.
func upcoming(d journey.Deadline, at string) (journey.Upcoming, error) {
	t, err := parseInstant(at)
	if err == nil && d.Kind.AtInstant() {
		d.At = journey.InstantOf(t)
	}
	return journey.Upcoming{Deadline: d, At: t}, err
}

// Candidate returns one candidate, or ErrNotFound.
func (s *Store) Candidate(ctx context.Context, id string) (Candidate, error) {
	c, err := scanCandidate(s.read.QueryRowContext(ctx, "SELECT "+candidateColumns+candidateFrom+"WHERE c.id = $1", id))
	if errors.Is(err, sql.ErrNoRows) {
		return c, ErrNotFound
	}
	if err != nil {
		return c, fmt.Errorf("read the candidate: %w", err)
	}
	return c, nil
}

// CandidateByIdentifier finds a candidate by the hospital's identifier.
func (s *Store) CandidateByIdentifier(ctx context.Context, id result.Identifier) (Candidate, error) {
	c, err := scanCandidate(s.read.QueryRowContext(ctx, "SELECT "+candidateColumns+candidateFrom+
		"WHERE i.identifier_system = $1 AND i.identifier_value = $2", id.System, id.Value))
	if errors.Is(err, sql.ErrNoRows) {
		return c, ErrNotFound
	}
	if err != nil {
		return c, fmt.Errorf("find the candidate: %w", err)
	}
	return c, nil
}

// Filter narrows a list of candidates; what is empty does not.
type Filter struct {
	Stage journey.Stage
	// Advocate is the account of the assigned advocate.
	Advocate string
	// OpenOnly leaves out journeys that have ended.
	OpenOnly bool
	// Born is the date of birth.
	Born journey.Date
}

// List lists the candidates of a filter after the id, in id order, at most
// limit. Only what the filter names is asked for, so that its index serves.
func (s *Store) List(ctx context.Context, f Filter, after string, limit int) ([]Candidate, error) {
	where, args := "WHERE c.id > $1", []any{after}
	equal := func(column, value string) {
		if value != "" {
			args = append(args, value)
			where += fmt.Sprintf(" AND %s = $%d", column, len(args))
		}
	}
	equal("c.stage", string(f.Stage))
	equal("c.advocate", f.Advocate)
	equal("i.birth_date", string(f.Born))
	if f.OpenOnly {
		where += " AND c.open = 1"
	}
	args = append(args, limit)
	query := "SELECT " + candidateColumns + candidateFrom + where + fmt.Sprintf(" ORDER BY c.id LIMIT $%d", len(args))
	return collect(ctx, s.read, "list candidates", scanCandidate, query, args...)
}

// Candidates lists candidates after the id, in id order, at most limit.
// An empty stage lists all stages.
func (s *Store) Candidates(ctx context.Context, stage journey.Stage, after string, limit int) ([]Candidate, error) {
	return s.List(ctx, Filter{Stage: stage}, after, limit)
}

// Resumable is what a workflow needs to go on from the record.
type Resumable struct {
	ID       string
	Protocol string
	State    journey.State
	Next     *journey.Upcoming
}

// CandidateIDs lists at most limit candidates after one, in id order.
func (s *Store) CandidateIDs(ctx context.Context, after string, limit int) ([]string, error) {
	b := s.statement()
	b.add("SELECT id FROM candidate WHERE id > ", b.arg(after), " ORDER BY id LIMIT ", b.arg(limit))
	return s.ids(ctx, b)
}

// EachOpen calls fn for every candidate whose journey has not ended.
func (s *Store) EachOpen(ctx context.Context, fn func(Resumable) error) error {
	after := ""
	for {
		page, err := s.openAfter(ctx, after, 500)
		if err != nil || len(page) == 0 {
			return err
		}
		for _, r := range page {
			if err := fn(r); err != nil {
				return err
			}
			after = r.ID
		}
	}
}

func (s *Store) openAfter(ctx context.Context, after string, limit int) ([]Resumable, error) {
	return collect(ctx, s.read, "list open candidates", scanResumable, `SELECT id, protocol, state, next_kind, next_subject, next_on, next_at
		FROM candidate WHERE open = 1 AND id > $1 ORDER BY id LIMIT $2`, after, limit)
}

func scanResumable(row scanner) (Resumable, error) {
	var r Resumable
	var state, nextAt string
	var next journey.Upcoming
	if err := row.Scan(&r.ID, &r.Protocol, &state, &next.Kind, &next.Subject, &next.On, &nextAt); err != nil {
		return r, err
	}
	var errA, errB error
	r.State, errA = decodeState(state)
	next, errB = upcoming(next.Deadline, nextAt)
	if next.Kind != "" {
		r.Next = &next
	}
	return r, errors.Join(errA, errB)
}

// Resumable returns what one candidate's workflow goes on from.
func (s *Store) Resumable(ctx context.Context, id string) (Resumable, error) {
	r, err := scanResumable(s.read.QueryRowContext(ctx, `SELECT id, protocol, state, next_kind, next_subject, next_on, next_at
		FROM candidate WHERE id = $1`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return r, ErrNotFound
	}
	if err != nil {
		return r, fmt.Errorf("read the candidate's state: %w", err)
	}
	return r, nil
}

// Pinned returns the protocol version that a candidate is pinned to.
func (s *Store) Pinned(ctx context.Context, id string) (string, error) {
	var version string
	err := s.kept.queryRow(ctx, "SELECT protocol FROM candidate WHERE id = $1", id).Scan(&version)
	if errors.Is(err, sql.ErrNoRows) {
		return "", ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("read the candidate's protocol: %w", err)
	}
	return version, nil
}

// CountOpen counts the candidates whose journey has not ended.
func (s *Store) CountOpen(ctx context.Context) (int, error) {
	var n int
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*) FROM candidate WHERE open = 1").Scan(&n); err != nil {
		return 0, fmt.Errorf("count open candidates: %w", err)
	}
	return n, nil
}

// Results returns the current version of each of a candidate's results.
func (s *Store) Results(ctx context.Context, candidate string) ([]result.Result, error) {
	return readResults(ctx, s.read, candidate)
}

// OnRecipientTeam reports whether the account cares for the recipient.
func (s *Store) OnRecipientTeam(ctx context.Context, recipient, account string) (bool, error) {
	var n int
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*) FROM recipient_team WHERE recipient = $1 AND account_id = $2", recipient, account).Scan(&n); err != nil {
		return false, fmt.Errorf("read the recipient's team: %w", err)
	}
	return n > 0, nil
}

// RecipientsOf returns the recipients whom the account cares for.
func (s *Store) RecipientsOf(ctx context.Context, account string) (map[string]bool, error) {
	return textSet(ctx, s.read, "read the recipients' teams", "SELECT recipient FROM recipient_team WHERE account_id = $1", account)
}

// AddToRecipientTeam records that an account cares for a recipient.
func (s *Store) AddToRecipientTeam(ctx context.Context, recipient, account string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "INSERT INTO recipient_team (recipient, account_id) VALUES ($1, $2) ON CONFLICT DO NOTHING", recipient, account); err != nil {
			return fmt.Errorf("record the recipient's team: %w", err)
		}
		return nil
	})
}

// KeepProtocol stores a protocol version for ever. The same version with another
// text is refused.
func (s *Store) KeepProtocol(ctx context.Context, version, digest, source string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO protocol (version, digest, source, stored_at) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
			version, digest, source, instant(s.now())); err != nil {
			return fmt.Errorf("store the protocol: %w", err)
		}
		var stored string
		if err := tx.QueryRowContext(ctx, "SELECT digest FROM protocol WHERE version = $1", version).Scan(&stored); err != nil {
			return fmt.Errorf("store the protocol: %w", err)
		}
		if stored != digest {
			return fmt.Errorf("protocol version %s is stored with another text, of digest %s; this one has digest %s: give the changed protocol a new version", version, stored, digest)
		}
		return nil
	})
}

// Protocol returns the text of a stored protocol version.
func (s *Store) Protocol(ctx context.Context, version string) (string, error) {
	var source string
	err := s.read.QueryRowContext(ctx, "SELECT source FROM protocol WHERE version = $1", version).Scan(&source)
	if errors.Is(err, sql.ErrNoRows) {
		return "", ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("read the protocol: %w", err)
	}
	return source, nil
}

// Cohort lists the candidates in one of the stages, nil being all, in id order, or
// those of them that are among the ids, if these are not nil. It also tells when
// anything about any candidate last changed; the zero time is never.
func (s *Store) Cohort(ctx context.Context, stages []journey.Stage, ids []string) (members []string, updated time.Time, err error) {
	var last sql.NullString
	if err := s.read.QueryRowContext(ctx, "SELECT MAX(updated_at) FROM candidate").Scan(&last); err != nil {
		return nil, updated, fmt.Errorf("read when a candidate last changed: %w", err)
	}
	if updated, err = parseInstant(last.String); err != nil {
		return nil, updated, err
	}
	if ids != nil && len(ids) == 0 {
		return nil, updated, nil
	}
	b := s.statement()
	b.add("SELECT id FROM candidate WHERE 1 = 1")
	if stages != nil {
		b.add(" AND ")
		b.in("stage", plain(stages))
	}
	if ids != nil {
		b.add(" AND ")
		b.in("id", ids)
	}
	b.add(" ORDER BY id")
	members, err = texts(ctx, s.read, "list a cohort", b.String(), b.args...)
	return members, updated, err
}

// plain makes texts of names that have a type of their own.
func plain[T ~string](names []T) []string {
	list := make([]string, len(names))
	for i, name := range names {
		list[i] = string(name)
	}
	return list
}

// CountCandidates counts all candidates.
func (s *Store) CountCandidates(ctx context.Context) (int, error) {
	var n int
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*) FROM candidate").Scan(&n); err != nil {
		return 0, fmt.Errorf("count candidates: %w", err)
	}
	return n, nil
}
