package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Incoming is one message as it was received, with what became of it. The store
// knows nothing of what it says: Issues, Parts and Decisions are JSON of whoever
// reads it.
type Incoming struct {
	ID string
	// Channel is the way that the message came in by.
	Channel string
	Sender  string
	// ControlID is the sender's own id of the message.
	ControlID string
	// Digest is the SHA-256 of Raw in hexadecimal.
	Digest      string
	ContentType string
	// Request is what came beside the bytes.
	Request string
	Raw     []byte
	// Actor and Role are in whose name its commands are given.
	Actor string
	Role  journey.Role
	// SentAt is when the sender made it, as the sender says; it may be empty.
	SentAt     string
	ReceivedAt time.Time

	State IncomingState
	// Rejected says that the sender was told that the same can never be taken.
	Rejected  bool
	Issues    json.RawMessage
	Parts     json.RawMessage
	Decisions json.RawMessage
	// Revision counts what people did with it: whoever looked at one does not
	// overwrite the next.
	Revision int64
	Attempts int
	DueAt    time.Time
	// ChangedAt is when its state last changed.
	ChangedAt time.Time
}

// IncomingState is what has become of a message.
type IncomingState string

// The states of a message.
const (
	// IncomingReceived: it is kept and acknowledged, and not yet carried out.
	IncomingReceived IncomingState = "received"
	// IncomingApplied: everything in it is on record.
	IncomingApplied IncomingState = "applied"
	// IncomingHeld: it waits for a person, and the sender was told that it is kept.
	IncomingHeld IncomingState = "held"
	// IncomingRefused: the sender was told that it was not taken. It is shown to a
	// person all the same.
	IncomingRefused IncomingState = "refused"
	// IncomingSettled: a person has put it aside, with a reason.
	IncomingSettled IncomingState = "settled"
)

// IncomingStates lists the states.
var IncomingStates = []IncomingState{IncomingReceived, IncomingApplied, IncomingHeld, IncomingRefused, IncomingSettled}

// Open reports whether the message waits for a person.
func (s IncomingState) Open() bool { return s == IncomingHeld || s == IncomingRefused }

// IncomingAct is what a person did with a message.
type IncomingAct struct {
	Seq int64
	// Key is the idempotency key of the act.
	Key    string
	At     time.Time
	Actor  string
	Role   journey.Role
	Kind   string
	Reason string
	// Detail is JSON: what was decided.
	Detail json.RawMessage
}

// ErrChanged says that somebody else has changed what was looked at.
var ErrChanged = errors.New("it has changed meanwhile")

const incomingColumns = `id, channel, sender, control_id, digest, content_type, request, raw, actor, role, sent_at, received_at,
	state, rejected, issues, parts, decisions, revision, attempts, due_at, changed_at`

func scanIncoming(row scanner) (Incoming, error) {
	var m Incoming
	var issues, parts, decisions string
	var rejected int
	err := row.Scan(&m.ID, &m.Channel, &m.Sender, &m.ControlID, &m.Digest, &m.ContentType, &m.Request, &m.Raw, &m.Actor, &m.Role,
		&m.SentAt, moment{&m.ReceivedAt}, &m.State, &rejected, &issues, &parts, &decisions, &m.Revision, &m.Attempts, moment{&m.DueAt}, moment{&m.ChangedAt})
	m.Issues, m.Parts, m.Decisions, m.Rejected = json.RawMessage(issues), json.RawMessage(parts), json.RawMessage(decisions), rejected == 1
	return m, err
}

// incomingID follows from what makes a message the same as another.
func incomingID(m Incoming) string {
	sum := sha256.Sum256([]byte(strings.Join([]string{m.Channel, m.Sender, m.ControlID, m.Digest}, "\x00")))
	return "m-" + hex.EncodeToString(sum[:16])
}

// KeepIncoming writes a message down as received, to be carried out from an
// instant on. When the same bytes came from the same sender under the same
// control id before, that message is returned instead, and repeated is true.
// Judge is asked when other bytes came under its control id before: where it
// returns issues, the message is kept in the state that it names.
func (s *Store) KeepIncoming(ctx context.Context, m Incoming, due time.Time, judge func(before []Incoming) (IncomingState, json.RawMessage)) (kept Incoming, repeated bool, err error) {
	sum := sha256.Sum256(m.Raw)
	m.Digest = hex.EncodeToString(sum[:])
	m.ID = incomingID(m)
	if m.Raw == nil {
		m.Raw = []byte{} // an empty message is one too
	}
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		now := s.now()
		if m.ReceivedAt.IsZero() {
			m.ReceivedAt = now
		}
		before, err := collect(ctx, tx, "look for the control id", scanIncoming,
			"SELECT "+incomingColumns+" FROM incoming WHERE channel = $1 AND sender = $2 AND control_id = $3", m.Channel, m.Sender, m.ControlID)
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(before, func(b Incoming) bool { return b.ID == m.ID }); i >= 0 {
			kept, repeated = before[i], true
			return nil
		}
		m.State, m.Issues, m.Parts, m.Decisions, m.DueAt, m.ChangedAt = IncomingReceived, nil, nil, nil, due, now
		if len(before) > 0 {
			if state, issues := judge(before); len(issues) > 0 {
				m.State, m.Issues = state, issues
			}
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO incoming (`+incomingColumns+`, claim, claimed_until)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, 0, $14, '[]', '[]', 0, 0, $15, $16, '', '')`,
			m.ID, m.Channel, m.Sender, m.ControlID, m.Digest, m.ContentType, m.Request, m.Raw, m.Actor, string(m.Role), m.SentAt,
			instant(m.ReceivedAt), string(m.State), text(m.Issues), instant(due), instant(now)); err != nil {
			return fmt.Errorf("keep the message: %w", err)
		}
		kept, repeated = m, false
		return nil
	})
	return kept, repeated, err
}

// Incoming returns a message, or ErrNotFound.
func (s *Store) Incoming(ctx context.Context, id string) (Incoming, error) {
	m, err := scanIncoming(s.read.QueryRowContext(ctx, "SELECT "+incomingColumns+" FROM incoming WHERE id = $1", id))
	if errors.Is(err, sql.ErrNoRows) {
		return m, ErrNotFound
	}
	if err != nil {
		return m, fmt.Errorf("read the message: %w", err)
	}
	return m, nil
}

// Incomings lists the messages in any of the states, the longest waiting first. It is
// an error to name none.
func (s *Store) Incomings(ctx context.Context, limit int, states ...IncomingState) ([]Incoming, error) {
	return s.incomings(ctx, "received_at, id", limit, states)
}

// LatestIncomings is Incomings with the newest first.
func (s *Store) LatestIncomings(ctx context.Context, limit int, states ...IncomingState) ([]Incoming, error) {
	return s.incomings(ctx, "received_at DESC, id", limit, states)
}

func (s *Store) incomings(ctx context.Context, order string, limit int, states []IncomingState) ([]Incoming, error) {
	if len(states) == 0 {
		return nil, errors.New("list the messages: no state is named")
	}
	var b statement
	b.add("SELECT ", incomingColumns, " FROM incoming WHERE ")
	b.in("state", plain(states))
	b.add(" ORDER BY ", order, " LIMIT ", b.arg(limit))
	return collect(ctx, s.read, "list the messages", scanIncoming, b.String(), b.args...)
}

// CountIncoming counts the messages by state.
func (s *Store) CountIncoming(ctx context.Context) (map[IncomingState]int, error) {
	return pairs[IncomingState, int](ctx, s.read, "count the messages", "SELECT state, COUNT(*) FROM incoming GROUP BY state")
}

// ClaimIncoming takes received messages that are due, the oldest first, for one
// process until an instant. Nobody else gets them before that; one that dies
// leaves them to whoever asks after it.
func (s *Store) ClaimIncoming(ctx context.Context, claim string, until time.Time, limit int) ([]Incoming, error) {
	var list []Incoming
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		now := instant(s.now())
		var err error
		list, err = collect(ctx, tx, "claim messages", scanIncoming, `UPDATE incoming SET claim = $1, claimed_until = $2
			WHERE claimed_until <= $3 AND state = $4 AND id IN (
				SELECT id FROM incoming WHERE state = $4 AND due_at <= $3 AND claimed_until <= $3 ORDER BY received_at, id LIMIT $5)
			RETURNING `+incomingColumns, claim, instant(until), now, string(IncomingReceived), limit)
		return err
	})
	slices.SortFunc(list, func(a, b Incoming) int {
		if c := a.ReceivedAt.Compare(b.ReceivedAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return list, err
}

// FreeIncoming makes every received message due at once. It is for the only
// process of a data folder, when it starts: whoever had them is gone.
func (s *Store) FreeIncoming(ctx context.Context) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE incoming SET due_at = '', claim = '', claimed_until = '' WHERE state = $1", string(IncomingReceived)); err != nil {
			return fmt.Errorf("free the messages: %w", err)
		}
		return nil
	})
}

// ReconsiderIncoming makes a message that waits for a person received again,
// unless one has dealt with it meanwhile, to be carried out from an instant on.
func (s *Store) ReconsiderIncoming(ctx context.Context, id string, revision int64, due time.Time) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE incoming SET state = $3, attempts = 0, due_at = $4, claim = '', claimed_until = ''
			WHERE id = $1 AND revision = $2 AND state IN ($5, $6)`, id, revision, string(IncomingReceived), instant(due), string(IncomingHeld), string(IncomingRefused)); err != nil {
			return fmt.Errorf("reconsider a message: %w", err)
		}
		return nil
	})
}

// PutOffIncoming tries a received message again at an instant.
func (s *Store) PutOffIncoming(ctx context.Context, id string, revision int64, attempts int, due time.Time) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE incoming SET attempts = $3, due_at = $4, claim = '', claimed_until = ''
			WHERE id = $1 AND revision = $2 AND state = $5`, id, revision, attempts, instant(due), string(IncomingReceived)); err != nil {
			return fmt.Errorf("put off a message: %w", err)
		}
		return nil
	})
}

// FinishIncoming says what became of a received message. What a person decided
// meanwhile stands: the revision is that of the message that was carried out.
func (s *Store) FinishIncoming(ctx context.Context, m Incoming) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		rejected := 0
		if m.Rejected {
			rejected = 1
		}
		if _, err := tx.ExecContext(ctx, `UPDATE incoming SET state = $3, rejected = $4, issues = $5, parts = $6, changed_at = $7, claim = '', claimed_until = '', due_at = ''
			WHERE id = $1 AND revision = $2 AND state = $8`, m.ID, m.Revision, string(m.State), rejected, text(m.Issues), text(m.Parts),
			instant(s.now()), string(IncomingReceived)); err != nil {
			return fmt.Errorf("say what became of a message: %w", err)
		}
		return tellPeople(ctx, tx, m.ID, m.Parts)
	})
}

func text(raw json.RawMessage) string {
	if len(raw) == 0 {
		return "[]"
	}
	return string(raw)
}

// DecideIncoming records what a person did with a message, and puts the message
// in the state that follows, with what was decided. The revision is that of the
// message that the person looked at: ErrChanged when it is not so any more. An
// act under a key that was used is not repeated. An alias is recorded with it.
func (s *Store) DecideIncoming(ctx context.Context, id string, revision int64, act IncomingAct, state IncomingState, decisions, parts json.RawMessage, alias *FurtherIdentifier) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		var done int
		if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM incoming_act WHERE message_id = $1 AND act_key = $2", id, act.Key).Scan(&done); err != nil {
			return fmt.Errorf("decide on a message: %w", err)
		}
		if done > 0 {
			return nil
		}
		if alias != nil {
			if err := s.addIdentifier(ctx, tx, *alias); err != nil {
				return err
			}
		}
		err := execOne(ctx, tx, "decide on a message", `UPDATE incoming SET state = $3, decisions = $4, parts = $5, revision = revision + 1, changed_at = $6,
			attempts = 0, due_at = $6, claim = '', claimed_until = '' WHERE id = $1 AND revision = $2`,
			id, revision, string(state), text(decisions), text(parts), instant(s.now()))
		if errors.Is(err, ErrNotFound) {
			return ErrChanged
		}
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO incoming_act (message_id, seq, act_key, at, actor, role, kind, reason, detail)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			id, revision+1, act.Key, instant(s.now()), act.Actor, string(act.Role), act.Kind, act.Reason, text(act.Detail)); err != nil {
			return fmt.Errorf("record what was done with a message: %w", err)
		}
		return tellPeople(ctx, tx, id, parts)
	})
}

// IncomingActs lists what people did with a message, in order.
func (s *Store) IncomingActs(ctx context.Context, id string) ([]IncomingAct, error) {
	return collect(ctx, s.read, "read what was done with a message", into(func(row scanner, a *IncomingAct) error {
		return row.Scan(&a.Seq, &a.Key, moment{&a.At}, &a.Actor, &a.Role, &a.Kind, &a.Reason, (*[]byte)(&a.Detail))
	}), "SELECT seq, act_key, at, actor, role, kind, reason, detail FROM incoming_act WHERE message_id = $1 ORDER BY seq", id)
}

// FurtherIdentifier is a number of a candidate beside the one of the referral.
type FurtherIdentifier struct {
	Identifier result.Identifier
	Candidate  string
	// Kind is IdentifierAlias or IdentifierMerged.
	Kind       string
	Reason     string
	RecordedBy string
	RecordedAt time.Time
}

// The kinds of a further identifier.
const (
	// IdentifierAlias is the number of another authority, or another form of it.
	IdentifierAlias = "alias"
	// IdentifierMerged is the number of a record that was merged into this one.
	IdentifierMerged = "merged"
)

// IdentifierKinds lists the kinds.
var IdentifierKinds = []string{IdentifierAlias, IdentifierMerged}

// ErrIdentifierTaken says that a number is another candidate's.
var ErrIdentifierTaken = errors.New("another candidate on record has this identifier")

// AddIdentifier records a further number of a candidate. One that the candidate
// has already stays as it is.
func (s *Store) AddIdentifier(ctx context.Context, f FurtherIdentifier) error {
	return s.inTx(ctx, func(tx *sql.Tx) error { return s.addIdentifier(ctx, tx, f) })
}

func (s *Store) addIdentifier(ctx context.Context, tx *sql.Tx, f FurtherIdentifier) error {
	owner, err := ownerOf(ctx, tx, f.Identifier)
	switch {
	case err == nil && owner == f.Candidate:
		return nil
	case err == nil:
		return ErrIdentifierTaken
	case !errors.Is(err, ErrNotFound):
		return err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO candidate_identifier (identifier_system, identifier_value, candidate_id, kind, reason, recorded_by, recorded_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7)`, f.Identifier.System, f.Identifier.Value, f.Candidate, f.Kind, f.Reason, f.RecordedBy, instant(s.now())); err != nil {
		return fmt.Errorf("record a further identifier: %w", err)
	}
	return nil
}

// FurtherIdentifiers lists the further numbers of a candidate.
func (s *Store) FurtherIdentifiers(ctx context.Context, candidate string) ([]FurtherIdentifier, error) {
	return collect(ctx, s.read, "read the further identifiers", into(func(row scanner, f *FurtherIdentifier) error {
		return row.Scan(&f.Identifier.System, &f.Identifier.Value, &f.Candidate, &f.Kind, &f.Reason, &f.RecordedBy, moment{&f.RecordedAt})
	}), `SELECT identifier_system, identifier_value, candidate_id, kind, reason, recorded_by, recorded_at
		FROM candidate_identifier WHERE candidate_id = $1 ORDER BY recorded_at, identifier_system, identifier_value`, candidate)
}

// ownerOf finds whose number an identifier is, the one of the referral or a
// further one.
func ownerOf(ctx context.Context, q queryer, id result.Identifier) (string, error) {
	var candidate string
	err := q.QueryRowContext(ctx, `SELECT candidate_id FROM identity WHERE identifier_system = $1 AND identifier_value = $2
		UNION SELECT candidate_id FROM candidate_identifier WHERE identifier_system = $1 AND identifier_value = $2`, id.System, id.Value).Scan(&candidate)
	if errors.Is(err, sql.ErrNoRows) {
		return "", ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("find whose identifier it is: %w", err)
	}
	return candidate, nil
}

// OwnerOf returns the id of the candidate who has the identifier, the one of the
// referral or a further one; ErrNotFound when nobody has.
func (s *Store) OwnerOf(ctx context.Context, id result.Identifier) (string, error) {
	return ownerOf(ctx, s.read, id)
}

// Reported is a version of a result as it was taken in, with its candidate.
type Reported struct {
	Candidate string
	ID        string
	Version   int64
	// Seq is the entry that made the version.
	Seq  int64
	Body result.Result
}

// ReportedBy returns the version of the result of a source that stands;
// ErrNotFound when the source has reported none.
func (s *Store) ReportedBy(ctx context.Context, id result.Identifier) (Reported, error) {
	var r Reported
	var body string
	err := s.read.QueryRowContext(ctx, `SELECT candidate_id, id, version, seq, body FROM result
		WHERE identifier_system = $1 AND identifier_value = $2 AND current = 1`, id.System, id.Value).Scan(&r.Candidate, &r.ID, &r.Version, &r.Seq, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return r, ErrNotFound
	}
	if err != nil {
		return r, fmt.Errorf("find a result by its source: %w", err)
	}
	if err := json.Unmarshal([]byte(body), &r.Body); err != nil {
		return r, fmt.Errorf("a stored result is unreadable: %w", err)
	}
	return r, nil
}

// MadeBy returns the version of a result that an entry made, if it made one.
func (s *Store) MadeBy(ctx context.Context, candidate string, seq int64, id result.Identifier) (version int64, resultID string, made bool, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT id, version FROM result
		WHERE candidate_id = $1 AND seq = $2 AND identifier_system = $3 AND identifier_value = $4`, candidate, seq, id.System, id.Value).Scan(&resultID, &version)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, "", false, nil
	}
	if err != nil {
		return 0, "", false, fmt.Errorf("find what an entry made: %w", err)
	}
	return version, resultID, true, nil
}

// OutdatedReports returns the reports of a result that came after a newer one.
func (s *Store) OutdatedReports(ctx context.Context, resultID string) ([]Reported, error) {
	return collect(ctx, s.read, "read the outdated reports", into(func(row scanner, r *Reported) error {
		r.ID = resultID
		var body []byte
		if err := row.Scan(&r.Candidate, &r.Seq, &body); err != nil {
			return err
		}
		if err := json.Unmarshal(body, &r.Body); err != nil {
			return fmt.Errorf("a stored result is unreadable: %w", err)
		}
		return nil
	}), "SELECT candidate_id, seq, body FROM result_outdated WHERE result_id = $1 ORDER BY seq", resultID)
}

// writeOutdated keeps the reports that came too late, and when a report that
// changed nothing was made.
func writeOutdated(ctx context.Context, tx executor, e Entry, outdated, confirmed []result.Result) error {
	for _, r := range outdated {
		body, err := json.Marshal(r)
		if err != nil {
			return fmt.Errorf("encode a result: %w", err)
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO result_outdated (result_id, seq, candidate_id, body) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
			r.ID, e.Seq, e.Candidate, string(body)); err != nil {
			return fmt.Errorf("keep an outdated report: %w", err)
		}
	}
	for _, r := range confirmed {
		body, err := json.Marshal(r)
		if err != nil {
			return fmt.Errorf("encode a result: %w", err)
		}
		if _, err := tx.ExecContext(ctx, "UPDATE result SET body = $3 WHERE id = $1 AND version = $2", r.ID, r.Version, string(body)); err != nil {
			return fmt.Errorf("note a repeated report: %w", err)
		}
	}
	return nil
}

// OrderOwner returns the candidate of a published ServiceRequest, by its id or
// by its identifier; ErrNotFound when there is none. An empty system asks for
// the id.
func (s *Store) OrderOwner(ctx context.Context, order result.Identifier) (string, error) {
	query, args := "SELECT candidate_id FROM resource WHERE type = 'ServiceRequest' AND id = $1", []any{order.Value}
	if order.System != "" {
		query = `SELECT r.candidate_id FROM resource_index x JOIN resource r ON r.type = x.type AND r.id = x.id
			WHERE x.type = 'ServiceRequest' AND x.param = 'identifier' AND x.value = $1 AND x.system = $2`
		args = append(args, order.System)
	}
	var candidate string
	err := s.read.QueryRowContext(ctx, query, args...).Scan(&candidate)
	if errors.Is(err, sql.ErrNoRows) {
		return "", ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("find the order: %w", err)
	}
	return candidate, nil
}
