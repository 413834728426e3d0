package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/journey"
)

// Contact is where a candidate may be written to. It stands beside the identity
// and in no entry.
type Contact struct {
	Email string
	Phone string
	// Permission is given, refused, or empty while nobody has asked.
	Permission string
}

// Notice is a message that a deadline asks for. It holds codes only: whom it
// goes to, and in which words, is looked up when it is sent.
type Notice struct {
	ID        string
	Candidate string
	// Seq is the entry whose deadline fired.
	Seq      int64
	Deadline journey.DeadlineKind
	Subject  string
	// Addressee is a role, the assigned advocate, or the candidate.
	Addressee string
	// Protocol is the version whose Text it is.
	Protocol string
	Text     string

	State     NoticeState
	CreatedAt time.Time
	// DueAt is when it is sent, or tried again.
	DueAt    time.Time
	Attempts int
	// Error is the class of the last failure, or why it was dropped. It never
	// holds an address.
	Error     string
	SettledAt time.Time
}

// NoticeState is what has become of a notice.
type NoticeState string

// The states of a notice.
const (
	NoticeQueued  NoticeState = "queued"
	NoticeSent    NoticeState = "sent"
	NoticeFailed  NoticeState = "failed"
	NoticeDropped NoticeState = "dropped"
)

// NoticeStates lists the states.
var NoticeStates = []NoticeState{NoticeQueued, NoticeSent, NoticeFailed, NoticeDropped}

// Why a notice was dropped by the store itself.
const (
	DroppedEnded = "journey-ended"
	DroppedAside = "set-aside"
)

// noticeID follows from what the notice is, so that whoever meets the message
// twice can tell.
func noticeID(n Notice) string {
	sum := sha256.Sum256([]byte(strings.Join([]string{
		n.Candidate, strconv.FormatInt(n.Seq, 10), string(n.Deadline), n.Subject, n.Addressee,
	}, "\x00")))
	return hex.EncodeToString(sum[:16])
}

// aboutAccess is the deadline of notices that tell of an emergency access: they are about
// whoever looked, and go out however a journey ends.
const aboutAccess = "emergency-opened"

// writeNotices puts the draft's notices in the outbox. Those of a journey that
// has ended go nowhere any more, however it ended.
func writeNotices(ctx context.Context, tx executor, d Draft, now time.Time) error {
	for _, n := range d.Notices {
		n.Candidate = d.Event.Candidate
		if err := writeNotice(ctx, tx, n, now); err != nil {
			return err
		}
	}
	if !d.State.Stage.Ended() {
		return nil
	}
	if _, err := tx.ExecContext(ctx, `UPDATE notice SET state = $2, error = $3, settled_at = $4
		WHERE candidate_id = $1 AND state IN ($5, $6) AND deadline <> $7`,
		d.Event.Candidate, string(NoticeDropped), DroppedEnded, instant(now), string(NoticeQueued), string(NoticeFailed), aboutAccess); err != nil {
		return fmt.Errorf("drop the notices: %w", err)
	}
	return nil
}

func writeContact(ctx context.Context, tx executor, candidate string, c *Contact) error {
	if c == nil {
		return nil
	}
	return execOne(ctx, tx, "write the contact details",
		"UPDATE identity SET email = $2, phone = $3, email_permission = $4 WHERE candidate_id = $1", candidate, c.Email, c.Phone, c.Permission)
}

func writeNotice(ctx context.Context, tx executor, n Notice, now time.Time) error {
	if _, err := tx.ExecContext(ctx, `INSERT INTO notice (id, candidate_id, seq, deadline, subject, addressee, protocol, text,
		state, created_at, due_at, attempts, error, settled_at, claim, claimed_until)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, 0, '', '', '', '') ON CONFLICT DO NOTHING`,
		noticeID(n), n.Candidate, n.Seq, string(n.Deadline), n.Subject, n.Addressee, n.Protocol, n.Text,
		string(NoticeQueued), instant(now), instant(n.DueAt)); err != nil {
		return fmt.Errorf("write a notice: %w", err)
	}
	return nil
}

const noticeColumns = `id, candidate_id, seq, deadline, subject, addressee, protocol, text, state, created_at, due_at, attempts, error, settled_at`

func scanNotice(row scanner) (n Notice, err error) {
	err = row.Scan(&n.ID, &n.Candidate, &n.Seq, &n.Deadline, &n.Subject, &n.Addressee, &n.Protocol, &n.Text,
		&n.State, moment{&n.CreatedAt}, moment{&n.DueAt}, &n.Attempts, &n.Error, moment{&n.SettledAt})
	return n, err
}

// ClaimNotices takes the notices that are due, the longest due first, for one
// process until an instant. Nobody else gets them before that; one that dies
// leaves them to whoever asks after it.
func (s *Store) ClaimNotices(ctx context.Context, claim string, until time.Time, limit int) ([]Notice, error) {
	var list []Notice
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		now := instant(s.now())
		// The condition on the claim stands twice: on PostgreSQL the outer one is
		// asked again once another process has let go of the row.
		var err error
		list, err = collect(ctx, tx, "claim notices", scanNotice, `UPDATE notice SET claim = $1, claimed_until = $2
			WHERE claimed_until <= $3 AND state = $4 AND id IN (
				SELECT id FROM notice WHERE state = $4 AND due_at <= $3 AND claimed_until <= $3 ORDER BY due_at, id LIMIT $5)
			RETURNING `+noticeColumns, claim, instant(until), now, string(NoticeQueued), limit)
		return err
	})
	return list, err
}

// ReleaseNotices lets others have what is left of a claim.
func (s *Store) ReleaseNotices(ctx context.Context, claim string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE notice SET claimed_until = '' WHERE claim = $1 AND state = $2", claim, string(NoticeQueued)); err != nil {
			return fmt.Errorf("release notices: %w", err)
		}
		return nil
	})
}

// Deliveries lists the recipients whom a notice has reached.
func (s *Store) Deliveries(ctx context.Context, notice string) (map[string]bool, error) {
	return textSet(ctx, s.read, "read the deliveries", "SELECT recipient FROM notice_delivery WHERE notice_id = $1", notice)
}

// RecordDelivery notes that a notice has reached a recipient.
func (s *Store) RecordDelivery(ctx context.Context, notice, recipient string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "INSERT INTO notice_delivery (notice_id, recipient, sent_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
			notice, recipient, instant(s.now())); err != nil {
			return fmt.Errorf("record a delivery: %w", err)
		}
		return nil
	})
}

// SettleNotice ends a notice that is queued, with a class of error unless it was
// sent. One that was settled meanwhile stays as it is.
func (s *Store) SettleNotice(ctx context.Context, id string, state NoticeState, class string, attempts int) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE notice SET state = $2, error = $3, attempts = $4, settled_at = $5, claimed_until = '' WHERE id = $1 AND state = $6",
			id, string(state), class, attempts, instant(s.now()), string(NoticeQueued)); err != nil {
			return fmt.Errorf("settle a notice: %w", err)
		}
		return nil
	})
}

// PostponeNotice puts off a notice that could not be sent, as long as the claim
// still holds it.
func (s *Store) PostponeNotice(ctx context.Context, id, claim, class string, attempts int, due time.Time) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE notice SET error = $3, attempts = $4, due_at = $5, claimed_until = '' WHERE id = $1 AND claim = $2 AND state = $6",
			id, claim, class, attempts, instant(due), string(NoticeQueued)); err != nil {
			return fmt.Errorf("put off a notice: %w", err)
		}
		return nil
	})
}

// RetryNotices queues the failed notices among the ids once more, and returns how
// many there were.
func (s *Store) RetryNotices(ctx context.Context, ids []string) (int, error) {
	return s.changeFailed(ctx, ids, "state = 'queued', attempts = 0, settled_at = '', due_at = $2", instant(s.now()))
}

// SetAsideNotices drops the failed notices among the ids, and returns how many
// there were.
func (s *Store) SetAsideNotices(ctx context.Context, ids []string) (int, error) {
	return s.changeFailed(ctx, ids, "state = 'dropped', error = $2", DroppedAside)
}

func (s *Store) changeFailed(ctx context.Context, ids []string, set, value string) (int, error) {
	changed := 0
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		changed = 0
		for _, id := range ids {
			done, err := tx.ExecContext(ctx, "UPDATE notice SET "+set+" WHERE id = $1 AND state = 'failed'", id, value) //nolint:gosec // set is one of ours
			if err != nil {
				return fmt.Errorf("change a failed notice: %w", err)
			}
			n, err := done.RowsAffected()
			if err != nil {
				return fmt.Errorf("change a failed notice: %w", err)
			}
			changed += int(n)
		}
		return nil
	})
	return changed, err
}

// Notices lists the notices in a state, or in any, the newest first.
func (s *Store) Notices(ctx context.Context, state NoticeState, limit int) ([]Notice, error) {
	return collect(ctx, s.read, "list notices", scanNotice, "SELECT "+noticeColumns+` FROM notice WHERE state = $1 OR $1 = ''
		ORDER BY created_at DESC, id LIMIT $2`, string(state), limit)
}

// StuckNotices lists what failed, and what has been tried so often and still
// waits, the newest first.
func (s *Store) StuckNotices(ctx context.Context, attempts, limit int) ([]Notice, error) {
	return collect(ctx, s.read, "list the notices that are stuck", scanNotice, "SELECT "+noticeColumns+` FROM notice WHERE state = $1 OR state = $2 AND attempts >= $3
		ORDER BY created_at DESC, id LIMIT $4`, string(NoticeFailed), string(NoticeQueued), attempts, limit)
}

// CountNotices counts the notices by state.
func (s *Store) CountNotices(ctx context.Context) (map[NoticeState]int, error) {
	return pairs[NoticeState, int](ctx, s.read, "count notices", "SELECT state, COUNT(*) FROM notice GROUP BY state")
}

// SetEmail says where an account's holder is written to; the empty text that
// they are not.
func (s *Store) SetEmail(ctx context.Context, id, email string) error {
	return s.changeAccount(ctx, id, AccountEmail, false, "UPDATE account SET email = $2 WHERE id = $1", id, email)
}

// Reachable lists the enabled accounts with the role that have an e-mail
// address, without those that care for the recipient.
func (s *Store) Reachable(ctx context.Context, role journey.Role, recipient string) ([]Account, error) {
	return collect(ctx, s.read, "list whom to write to", scanAccount, "SELECT "+accountColumns+` FROM account WHERE role = $1 AND disabled_at = '' AND email <> ''
		AND NOT EXISTS (SELECT 1 FROM recipient_team t WHERE t.account_id = account.id AND t.recipient = $2) ORDER BY id`,
		string(role), recipient)
}
