package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/result"
)

// Identity is who a candidate is. It lives in its own table and never in an
// entry, so that it can be erased.
type Identity struct {
	Given      string            `json:"given"`
	Family     string            `json:"family"`
	BirthDate  journey.Date      `json:"birth_date"`
	Sex        string            `json:"sex"`
	Identifier result.Identifier `json:"identifier"`
}

// Draft is everything that one command writes.
type Draft struct {
	// Earlier are deadlines that passed before the command: entries of their
	// own, written with it.
	Earlier     []journey.Event
	Event       journey.Event
	Body        json.RawMessage
	CommandHash string
	State       journey.State
	Next        *journey.Upcoming
	// Flags is the complete set of eligibility flags as they stand, as JSON.
	Flags json.RawMessage
	// Refer is set by the first command only.
	Refer *Referral
	// Recipient is the reference to the intended recipient where it is recorded
	// anew.
	Recipient string
	// Protocol is set by a move: the version that the candidate is pinned to from
	// now on.
	Protocol string
	// Meeting is the meeting whose vote a decision was recorded from, and Decided
	// what is recorded in it.
	Meeting string
	Decided meeting.Change
	// Link is set by a command that gives or revokes the link to the donor's own
	// page.
	Link *LinkChange
	// Questionnaire is set by a command that gives a link to a questionnaire, or ends
	// the one that was given.
	Questionnaire *QuestionnaireChange
	// Contact is set when somebody says where the candidate may be written to.
	Contact *Contact
	// Notices are the messages that the deadlines of the draft ask for.
	Notices []Notice
	// Results are new results and new versions of results.
	Results []result.Result
	// Outdated are reports of results that came after a newer one; Confirmed are
	// results as they stand whose same content was reported again later.
	Outdated, Confirmed []result.Result
	// Resources are those that may have changed; unchanged ones get no version.
	Resources []Resource
}

// Referral is what the first command of a candidate fixes, with the protocol
// version that the candidate is pinned to now.
type Referral struct {
	Identity  Identity
	Protocol  string
	Path      string
	Recipient string
	// On is the day of the referral.
	On journey.Date
}

// Tx reads what a command needs inside its own transaction.
type Tx struct {
	store     *Store
	ctx       context.Context
	tx        executor
	candidate string
	command   string
	now       time.Time
	// again is set while resources are published without a command.
	again bool
	// standing is what is published of the candidate, once it was asked for.
	standing []Resource
}

// Now is when the command is recorded.
func (t *Tx) Now() time.Time { return t.now }

// Append writes one command in one transaction: its entry, chained to the one
// before it, the projections and the published resources, or nothing at all.
// When the command is on record already, build is not called and the stored
// event is returned.
func (s *Store) Append(ctx context.Context, candidate, command string, build func(*Tx) (Draft, error)) (journey.Event, error) {
	var event journey.Event
	err := s.inSession(ctx, func(tx executor) error {
		event = journey.Event{}
		if err := s.lock(ctx, tx, candidate); err != nil {
			return err
		}
		stored, err := entryByCommand(ctx, tx, candidate, command)
		if err == nil {
			event, err = stored.Decode()
			return err
		}
		if !errors.Is(err, ErrNotFound) {
			return err
		}
		t := &Tx{store: s, ctx: ctx, tx: tx, candidate: candidate, command: command, now: s.now()}
		draft, err := build(t)
		if err != nil {
			return err
		}
		if draft.Event.Candidate != candidate || draft.Event.ID != command {
			return errors.New("the draft is of another command")
		}
		event = draft.Event
		return t.persist(draft)
	})
	if err != nil {
		return journey.Event{}, err
	}
	return event, nil
}

func (t *Tx) persist(d Draft) error {
	ctx, tx, now := t.ctx, t.tx, t.now
	head, err := headOf(ctx, tx, d)
	if err != nil {
		return err
	}
	for _, event := range d.Earlier {
		if head, err = chain(ctx, tx, Entry{PrevHash: head.Hash, RecordedAt: now}, event); err != nil {
			return err
		}
	}
	e, err := chain(ctx, tx, Entry{PrevHash: head.Hash, RecordedAt: now, CommandHash: d.CommandHash, Body: d.Body}, d.Event)
	if err != nil {
		return err
	}
	if err := project(ctx, tx, d, e, now); err != nil {
		return err
	}
	if d.Meeting != "" {
		if err := t.decideMeeting(d.Meeting, e, d.Decided); err != nil {
			return err
		}
	}
	if d.Link != nil {
		if err := changeLink(ctx, tx, e.Candidate, *d.Link, now); err != nil {
			return err
		}
	}
	if d.Questionnaire != nil {
		if err := changeQuestionnaire(ctx, tx, e.Candidate, *d.Questionnaire, now); err != nil {
			return err
		}
	}
	if err := writeContact(ctx, tx, e.Candidate, d.Contact); err != nil {
		return err
	}
	if err := writeNotices(ctx, tx, d, now); err != nil {
		return err
	}
	for _, r := range d.Results {
		if err := writeResult(ctx, tx, e, r); err != nil {
			return err
		}
	}
	if err := writeOutdated(ctx, tx, e, d.Outdated, d.Confirmed); err != nil {
		return err
	}
	if err := t.publish(d.Resources); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM staged WHERE candidate_id = $1 AND command_id = $2", e.Candidate, e.Command); err != nil {
		return fmt.Errorf("clear the staged command: %w", err)
	}
	return nil
}

// headOf returns the entry before the first that the draft writes.
func headOf(ctx context.Context, tx executor, d Draft) (Entry, error) {
	first := d.Event.Seq - int64(len(d.Earlier))
	var head Entry
	if first <= 1 {
		return head, nil
	}
	err := tx.QueryRowContext(ctx, "SELECT hash FROM entry WHERE candidate_id = $1 AND seq = $2", d.Event.Candidate, first-1).Scan(&head.Hash)
	if err != nil {
		return head, fmt.Errorf("read the head of the chain: %w", err)
	}
	return head, nil
}

// chain completes an entry with its event and appends it.
func chain(ctx context.Context, tx executor, e Entry, event journey.Event) (Entry, error) {
	raw, err := json.Marshal(event)
	if err != nil {
		return e, fmt.Errorf("encode the event: %w", err)
	}
	e.Candidate, e.Seq, e.Command, e.Event = event.Candidate, event.Seq, event.ID, raw
	e.Kind, e.Actor, e.Role, e.OccurredAt = event.Kind, event.Actor, event.Role, event.At
	if len(e.Body) == 0 {
		e.Body = json.RawMessage("{}")
	}
	e.Hash = e.digest()
	if _, err := tx.ExecContext(ctx, `INSERT INTO entry (`+entryColumns+`)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
		e.Candidate, e.Seq, e.Command, e.CommandHash, string(e.Kind), e.Actor, string(e.Role),
		instant(e.OccurredAt), instant(e.RecordedAt), string(e.Body), string(e.Event), e.PrevHash, e.Hash); err != nil {
		return e, fmt.Errorf("append the entry: %w", err)
	}
	return e, nil
}

func project(ctx context.Context, tx executor, d Draft, e Entry, now time.Time) error {
	state, err := json.Marshal(d.State)
	if err != nil {
		return fmt.Errorf("encode the state: %w", err)
	}
	flags := string(d.Flags)
	if flags == "" {
		flags = "[]"
	}
	var next journey.Upcoming
	if d.Next != nil {
		next = *d.Next
	}
	open := 1
	if d.State.Stage.Ended() {
		open = 0
	}
	band := string(journey.Worst(d.State.Flags))
	if r := d.Refer; r != nil {
		if _, err := tx.ExecContext(ctx, `INSERT INTO candidate (id, protocol, path, recipient, stage, open, worst_band,
			seq, head, referred_on, next_kind, next_subject, next_on, next_at, state, flags, updated_at, advocate)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)`,
			e.Candidate, r.Protocol, r.Path, r.Recipient, string(d.State.Stage), open, band, e.Seq, e.Hash,
			string(d.Event.Today), string(next.Kind), next.Subject, string(next.On), instant(next.At), string(state), flags, instant(now),
			d.State.Advocate); err != nil {
			return fmt.Errorf("write the candidate: %w", err)
		}
		i := r.Identity
		if _, err := tx.ExecContext(ctx, `INSERT INTO identity (candidate_id, given, family, birth_date, sex, identifier_system, identifier_value)
			VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			e.Candidate, i.Given, i.Family, string(i.BirthDate), i.Sex, i.Identifier.System, i.Identifier.Value); err != nil {
			return fmt.Errorf("write the identity: %w", err)
		}
		return nil
	}
	if _, err := tx.ExecContext(ctx, `UPDATE candidate SET stage = $2, open = $3, worst_band = $4, seq = $5, head = $6,
		next_kind = $7, next_subject = $8, next_on = $9, next_at = $10, state = $11, flags = $12, updated_at = $13, advocate = $14,
		protocol = CASE WHEN $15 = '' THEN protocol ELSE $15 END WHERE id = $1`,
		e.Candidate, string(d.State.Stage), open, band, e.Seq, e.Hash,
		string(next.Kind), next.Subject, string(next.On), instant(next.At), string(state), flags, instant(now), d.State.Advocate, d.Protocol); err != nil {
		return fmt.Errorf("update the candidate: %w", err)
	}
	if d.Recipient != "" {
		if _, err := tx.ExecContext(ctx, "UPDATE candidate SET recipient = $2 WHERE id = $1", e.Candidate, d.Recipient); err != nil {
			return fmt.Errorf("update the recipient: %w", err)
		}
	}
	return nil
}

func writeResult(ctx context.Context, tx executor, e Entry, r result.Result) error {
	body, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("encode a result: %w", err)
	}
	if _, err := tx.ExecContext(ctx, "UPDATE result SET current = 0 WHERE id = $1 AND current = 1", r.ID); err != nil {
		return fmt.Errorf("supersede a result: %w", err)
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO result (candidate_id, id, version, current, seq, identifier_system, identifier_value, code, status, collected_on, body)
		VALUES ($1, $2, $3, 1, $4, $5, $6, $7, $8, $9, $10)`,
		e.Candidate, r.ID, r.Version, e.Seq, r.Identifier.System, r.Identifier.Value, r.Code.Code, string(r.Status), r.CollectedOn, string(body)); err != nil {
		return fmt.Errorf("write a result: %w", err)
	}
	return nil
}

// State returns the candidate's state; the zero State before the referral.
func (t *Tx) State() (journey.State, error) {
	state, _, err := t.Standing()
	return state, err
}

// Standing returns the candidate's state with the protocol version that it
// stands on; both are empty before the referral.
func (t *Tx) Standing() (state journey.State, protocol string, err error) {
	var text string
	err = t.tx.QueryRowContext(t.ctx, "SELECT state, protocol FROM candidate WHERE id = $1", t.candidate).Scan(&text, &protocol)
	if errors.Is(err, sql.ErrNoRows) {
		return state, "", nil
	}
	if err != nil {
		return state, "", fmt.Errorf("read the state: %w", err)
	}
	state, err = decodeState(text)
	return state, protocol, err
}

func decodeState(text string) (journey.State, error) {
	var state journey.State
	if err := json.Unmarshal([]byte(text), &state); err != nil {
		return state, fmt.Errorf("the stored state is unreadable: %w", err)
	}
	return state, nil
}

// Referral returns what the candidate's first command fixed.
func (t *Tx) Referral() (Referral, error) { return readReferral(t.ctx, t.tx, t.candidate) }

type queryer interface {
	asker
	QueryRowContext(context.Context, string, ...any) *sql.Row
}

func readReferral(ctx context.Context, q queryer, candidate string) (Referral, error) {
	var r Referral
	err := q.QueryRowContext(ctx, `SELECT c.protocol, c.path, c.recipient, c.referred_on, i.given, i.family, i.birth_date, i.sex, i.identifier_system, i.identifier_value
		FROM candidate c JOIN identity i ON i.candidate_id = c.id WHERE c.id = $1`, candidate).
		Scan(&r.Protocol, &r.Path, &r.Recipient, &r.On, &r.Identity.Given, &r.Identity.Family, &r.Identity.BirthDate,
			&r.Identity.Sex, &r.Identity.Identifier.System, &r.Identity.Identifier.Value)
	if errors.Is(err, sql.ErrNoRows) {
		return r, ErrNotFound
	}
	if err != nil {
		return r, fmt.Errorf("read the referral: %w", err)
	}
	return r, nil
}

// Flags returns the stored set of eligibility flags.
func (t *Tx) Flags() (json.RawMessage, error) {
	var text string
	err := t.tx.QueryRowContext(t.ctx, "SELECT flags FROM candidate WHERE id = $1", t.candidate).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return json.RawMessage("[]"), nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the flags: %w", err)
	}
	return json.RawMessage(text), nil
}

// Results returns the current version of each of the candidate's results,
// oldest first.
func (t *Tx) Results() ([]result.Result, error) { return readResults(t.ctx, t.tx, t.candidate) }

func readResults(ctx context.Context, q queryer, candidate string) ([]result.Result, error) {
	var results []result.Result
	for body, err := range each(ctx, q, "read results", into(func(row scanner, body *sql.RawBytes) error {
		return row.Scan(body)
	}), "SELECT body FROM result WHERE candidate_id = $1 AND current = 1 ORDER BY collected_on, id", candidate) {
		if err != nil {
			return nil, err
		}
		results = append(results, result.Result{})
		if err := json.Unmarshal(body, &results[len(results)-1]); err != nil {
			return nil, fmt.Errorf("a stored result is unreadable: %w", err)
		}
	}
	return results, nil
}

// ResultBySource finds the current version of a result by its source's
// identifier, with the candidate it belongs to.
func (t *Tx) ResultBySource(id result.Identifier) (result.Result, string, error) {
	var body, candidate string
	var r result.Result
	err := t.tx.QueryRowContext(t.ctx, `SELECT body, candidate_id FROM result
		WHERE identifier_system = $1 AND identifier_value = $2 AND current = 1`, id.System, id.Value).Scan(&body, &candidate)
	if errors.Is(err, sql.ErrNoRows) {
		return r, "", ErrNotFound
	}
	if err != nil {
		return r, "", fmt.Errorf("find a result by its source: %w", err)
	}
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		return r, "", fmt.Errorf("a stored result is unreadable: %w", err)
	}
	return r, candidate, nil
}

// Staged returns the body that was staged for the command, with its hash.
func (t *Tx) Staged() (body json.RawMessage, hash string, err error) {
	var text string
	err = t.tx.QueryRowContext(t.ctx, "SELECT body, command_hash FROM staged WHERE candidate_id = $1 AND command_id = $2",
		t.candidate, t.command).Scan(&text, &hash)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, "", ErrNotFound
	}
	if err != nil {
		return nil, "", fmt.Errorf("read the staged command: %w", err)
	}
	return json.RawMessage(text), hash, nil
}

// IdentifierTaken reports whether another candidate has the identifier.
func (t *Tx) IdentifierTaken(id result.Identifier) (bool, error) {
	var n int
	err := t.tx.QueryRowContext(t.ctx, `SELECT (SELECT COUNT(*) FROM identity WHERE identifier_system = $1 AND identifier_value = $2 AND candidate_id <> $3)
		+ (SELECT COUNT(*) FROM candidate_identifier WHERE identifier_system = $1 AND identifier_value = $2 AND candidate_id <> $3)`,
		id.System, id.Value, t.candidate).Scan(&n)
	if err != nil {
		return false, fmt.Errorf("look for the identifier: %w", err)
	}
	return n > 0, nil
}

// Account returns an account inside the transaction.
func (t *Tx) Account(id string) (Account, error) {
	return scanAccount(t.tx.QueryRowContext(t.ctx, "SELECT "+accountColumns+" FROM account WHERE id = $1", id))
}

// OnRecipientTeam reports whether the account cares for the recipient.
func (t *Tx) OnRecipientTeam(recipient, account string) (bool, error) {
	var n int
	err := t.tx.QueryRowContext(t.ctx, "SELECT COUNT(*) FROM recipient_team WHERE recipient = $1 AND account_id = $2", recipient, account).Scan(&n)
	if err != nil {
		return false, fmt.Errorf("read the recipient's team: %w", err)
	}
	return n > 0, nil
}
