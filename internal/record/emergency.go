package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"candidacy/internal/journey"
)

// Emergency is one time that somebody opened a candidate whom they are kept from
// otherwise, or what is kept from them of one.
type Emergency struct {
	Seq       int64
	Candidate string
	Actor     string
	Role      journey.Role
	// Reason is what they gave as the reason, in their words.
	Reason string
	At     time.Time
	// Until is when the candidate is closed to them again.
	Until time.Time
	Hash  string
}

func (e Emergency) digest(prev string) string {
	return digestOf(prev, strconv.FormatInt(e.Seq, 10), e.Candidate, e.Actor, string(e.Role), e.Reason, instant(e.At), instant(e.Until))
}

const emergencyColumns = "seq, candidate_id, actor, role, reason, at, until, hash"

func scanEmergency(row scanner) (Emergency, error) {
	var e Emergency
	err := row.Scan(&e.Seq, &e.Candidate, &e.Actor, &e.Role, &e.Reason, moment{&e.At}, moment{&e.Until}, &e.Hash)
	return e, err
}

// emergencyChain is what those who open a candidate at once wait for, and how the chain
// is called.
const emergencyChain = "emergency accesses"

// OpenInEmergency opens a candidate for a while, and puts the notices that tell of it in
// the outbox. Whoever may is for the caller to decide. It needs no engine, which may be
// what fails at night.
func (s *Store) OpenInEmergency(ctx context.Context, e Emergency, life time.Duration, notices ...Notice) (Emergency, error) {
	return e, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, emergencyChain); err != nil {
			return err
		}
		var last head
		err := tx.QueryRowContext(ctx, "SELECT seq, hash FROM emergency_access ORDER BY seq DESC LIMIT 1").Scan(&last.seq, &last.hash)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("read the emergency accesses: %w", err)
		}
		e.Seq, e.At = last.seq+1, s.now()
		e.Until = e.At.Add(life)
		e.Hash = e.digest(last.hash)
		if _, err := tx.ExecContext(ctx, "INSERT INTO emergency_access ("+emergencyColumns+") VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
			e.Seq, e.Candidate, e.Actor, string(e.Role), e.Reason, instant(e.At), instant(e.Until), e.Hash); err != nil {
			return fmt.Errorf("open in an emergency: %w", err)
		}
		for _, n := range notices {
			n.Candidate, n.Seq, n.DueAt = e.Candidate, e.Seq, e.At
			if err := writeNotice(ctx, tx, n, e.At); err != nil {
				return err
			}
		}
		return nil
	})
}

// EmergencyQuery selects emergency accesses. An empty member is no restriction.
type EmergencyQuery struct {
	Candidate, Actor string
	// From and To bound when: the first is within and the second not.
	From, To time.Time
	// OpenAt selects those that are open at a moment.
	OpenAt time.Time
}

// Emergencies returns emergency accesses, the newest first.
func (s *Store) Emergencies(ctx context.Context, q EmergencyQuery) ([]Emergency, error) {
	var w restriction
	w.text("candidate_id =", q.Candidate)
	w.text("actor =", q.Actor)
	w.moment("at >=", q.From)
	w.moment("at <", q.To)
	w.moment("at <=", q.OpenAt)
	w.moment("until >", q.OpenAt)
	return emergencies(ctx, s.read, "SELECT "+emergencyColumns+" FROM emergency_access"+w.where()+" ORDER BY seq DESC", w.args...)
}

func emergencies(ctx context.Context, q queryer, text string, args ...any) ([]Emergency, error) {
	return collect(ctx, q, "read the emergency accesses", scanEmergency, text, args...)
}

// KnownBy returns the candidates whose hospital has the number for somebody born on the
// day. There may be two with the same number from two hospitals.
func (s *Store) KnownBy(ctx context.Context, number string, born journey.Date) ([]string, error) {
	return texts(ctx, s.read, "find the candidate", "SELECT candidate_id FROM identity WHERE identifier_value = $1 AND birth_date = $2 ORDER BY 1 LIMIT 2", number, string(born))
}

// verifyEmergencies walks the chain of emergency accesses. It returns how many there
// are, and adds the last to the digest.
func verifyEmergencies(ctx context.Context, q queryer, digest io.Writer) (int, error) {
	list, err := emergencies(ctx, q, "SELECT "+emergencyColumns+" FROM emergency_access ORDER BY seq")
	if err != nil {
		return 0, err
	}
	var last head
	for n, e := range list {
		if err := last.follow(emergencyChain, e.Seq, e.digest, e.Hash); err != nil {
			return n, err
		}
	}
	if last.seq > 0 {
		fmt.Fprintf(digest, "%s %d %s\n", emergencyChain, last.seq, last.hash)
	}
	return len(list), nil
}
