package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"candidacy/internal/journey"
	"candidacy/internal/meeting"
)

// NewMeetingID makes the id of another meeting.
func NewMeetingID() string { return uuid.NewString() }

// ChangeMeeting makes one change of a meeting. Allow is asked with the meeting as
// it stands, inside the transaction: what two people change at once is decided
// one after the other. It may complete the change.
func (s *Store) ChangeMeeting(ctx context.Context, id, actor string, role journey.Role, c meeting.Change, allow func(meeting.Meeting, *meeting.Change) error) (meeting.Meeting, error) {
	var after meeting.Meeting
	return after, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, meetingLock(id)); err != nil {
			return err
		}
		m, last, err := meetingRow(ctx, tx, id)
		if err != nil && !errors.Is(err, ErrNotFound) {
			return err
		}
		change := c
		if err := allow(m, &change); err != nil {
			return err
		}
		after, err = writeMeeting(ctx, tx, m, last, meeting.Entry{Meeting: id, At: s.now(), Actor: actor, Role: role, Change: change})
		return err
	})
}

func meetingLock(id string) string { return "meeting " + id }

func writeMeeting(ctx context.Context, tx executor, m meeting.Meeting, last head, e meeting.Entry) (meeting.Meeting, error) {
	e.Seq, e.At = last.seq+1, e.At.UTC().Truncate(time.Microsecond)
	body, err := json.Marshal(e.Change)
	if err != nil {
		return m, fmt.Errorf("encode the change of the meeting: %w", err)
	}
	e.Hash = meetingDigest(last.hash, e, string(body))
	if _, err := tx.ExecContext(ctx, `INSERT INTO meeting_entry (meeting_id, seq, at, actor, role, body, prev_hash, hash)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		e.Meeting, e.Seq, instant(e.At), e.Actor, string(e.Role), string(body), last.hash, e.Hash); err != nil {
		return m, fmt.Errorf("record the change of the meeting: %w", err)
	}
	m = meeting.Apply(m, e)
	state, err := json.Marshal(m)
	if err != nil {
		return m, fmt.Errorf("encode the meeting: %w", err)
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO meeting (id, seq, head, held_on, state) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (id) DO UPDATE SET seq = excluded.seq, head = excluded.head, held_on = excluded.held_on, state = excluded.state`,
		e.Meeting, e.Seq, e.Hash, string(m.Plan.On), string(state)); err != nil {
		return m, fmt.Errorf("write the meeting: %w", err)
	}
	return m, nil
}

func meetingDigest(prev string, e meeting.Entry, body string) string {
	return digestOf(prev, e.Meeting, strconv.FormatInt(e.Seq, 10), instant(e.At), e.Actor, string(e.Role), body)
}

func meetingRow(ctx context.Context, q queryer, id string) (meeting.Meeting, head, error) {
	var m meeting.Meeting
	var last head
	var state string
	err := q.QueryRowContext(ctx, "SELECT seq, head, state FROM meeting WHERE id = $1", id).Scan(&last.seq, &last.hash, &state)
	if errors.Is(err, sql.ErrNoRows) {
		return m, last, ErrNotFound
	}
	if err == nil {
		err = json.Unmarshal([]byte(state), &m)
	}
	if err != nil {
		return m, last, fmt.Errorf("read the meeting: %w", err)
	}
	return m, last, nil
}

// Meeting returns a meeting, or ErrNotFound.
func (s *Store) Meeting(ctx context.Context, id string) (meeting.Meeting, error) {
	m, _, err := meetingRow(ctx, s.read, id)
	return m, err
}

// Meetings lists every meeting, the latest day first.
func (s *Store) Meetings(ctx context.Context) ([]meeting.Meeting, error) {
	return collect(ctx, s.read, "list meetings", into(func(row scanner, m *meeting.Meeting) error {
		var state []byte
		if err := row.Scan(&state); err != nil {
			return err
		}
		if err := json.Unmarshal(state, m); err != nil {
			return fmt.Errorf("a stored meeting is unreadable: %w", err)
		}
		return nil
	}), "SELECT state FROM meeting ORDER BY held_on DESC, id")
}

// MeetingEntries returns what was done to a meeting from the beginning.
func (s *Store) MeetingEntries(ctx context.Context, id string) ([]meeting.Entry, error) {
	entries, _, err := meetingEntries(ctx, s.read, "WHERE meeting_id = $1 ORDER BY seq", id)
	return entries, err
}

// TrailQuery selects what was done beside the entries of candidates. An empty member is
// no restriction.
type TrailQuery struct {
	Candidate, Actor string
	// From and To bound when: the first is within and the second not.
	From, To time.Time
	// Limit is the most that is returned, 0 for no bound.
	Limit int
}

func (q TrailQuery) restriction() restriction {
	var w restriction
	w.text("actor =", q.Actor)
	w.moment("at >=", q.From)
	w.moment("at <", q.To)
	return w
}

// MeetingTrail returns what was done to meetings, the newest first. Of one candidate it
// is what names them, an agenda among it.
func (s *Store) MeetingTrail(ctx context.Context, q TrailQuery) ([]meeting.Entry, error) {
	w := q.restriction()
	list, _, err := meetingEntries(ctx, s.read, w.where()+" ORDER BY at DESC, meeting_id, seq DESC", w.args...)
	if err != nil {
		return nil, err
	}
	if q.Candidate != "" {
		list = slices.DeleteFunc(list, func(e meeting.Entry) bool { return !slices.Contains(e.Candidates(), q.Candidate) })
	}
	if q.Limit > 0 {
		list = list[:min(q.Limit, len(list))]
	}
	return list, nil
}

// meetingEntries returns the changes that a condition selects, in its order. It also
// returns the bodies as they are written.
func meetingEntries(ctx context.Context, q queryer, condition string, args ...any) ([]meeting.Entry, []string, error) {
	var bodies []string
	list, err := collect(ctx, q, "read what was done to the meeting", into(func(row scanner, e *meeting.Entry) error {
		var body string
		if err := row.Scan(&e.Meeting, &e.Seq, moment{&e.At}, &e.Actor, &e.Role, &body, &e.Hash); err != nil {
			return err
		}
		bodies = append(bodies, body)
		return json.Unmarshal([]byte(body), &e.Change)
	}), "SELECT meeting_id, seq, at, actor, role, body, hash FROM meeting_entry "+condition, args...)
	return list, bodies, err
}

// verifyMeetings walks the chain of every meeting, folds it again and compares
// what comes out with the meeting's row. It returns how many changes there are.
func verifyMeetings(ctx context.Context, q queryer, heads io.Writer) (int, error) {
	const ids = "SELECT meeting_id FROM meeting_entry UNION SELECT id FROM meeting ORDER BY 1"
	return verifyEach(ctx, q, heads, "meeting", ids, func(id, chain string) (last head, err error) {
		entries, bodies, err := meetingEntries(ctx, q, "WHERE meeting_id = $1 ORDER BY seq", id)
		if err != nil {
			return last, err
		}
		var m meeting.Meeting
		for n, e := range entries {
			digest := func(prev string) string { return meetingDigest(prev, e, bodies[n]) }
			if err := last.follow(chain, e.Seq, digest, e.Hash); err != nil {
				return last, err
			}
			m = meeting.Apply(m, e)
		}
		stands, kept, err := meetingRow(ctx, q, id)
		switch {
		case errors.Is(err, ErrNotFound):
			return last, &BrokenChain{chain, last.seq, "the meeting of these changes is missing"}
		case err != nil:
			return last, err
		case kept != last:
			return last, &BrokenChain{chain, last.seq, "the last change is not the one that was recorded"}
		}
		want, err := json.Marshal(m)
		if err != nil {
			return last, fmt.Errorf("encode the meeting: %w", err)
		}
		if got, err := json.Marshal(stands); err != nil || string(got) != string(want) {
			return last, &BrokenChain{chain, last.seq, "the meeting differs from what its changes made of it"}
		}
		return last, nil
	})
}

// Meeting returns a meeting inside the candidate's transaction, which alone
// changes it until it ends.
func (t *Tx) Meeting(id string) (meeting.Meeting, error) {
	if err := t.store.lock(t.ctx, t.tx, meetingLock(id)); err != nil {
		return meeting.Meeting{}, err
	}
	m, _, err := meetingRow(t.ctx, t.tx, id)
	return m, err
}

// decideMeeting records in a meeting what a command of the candidate decided.
func (t *Tx) decideMeeting(id string, e Entry, c meeting.Change) error {
	m, last, err := meetingRow(t.ctx, t.tx, id)
	if err != nil {
		return err
	}
	_, err = writeMeeting(t.ctx, t.tx, m, last, meeting.Entry{Meeting: id, At: t.now, Actor: e.Actor, Role: e.Role, Change: c})
	return err
}

// RecipientTeam lists the accounts that care for a recipient.
func (s *Store) RecipientTeam(ctx context.Context, recipient string) ([]string, error) {
	return recipientTeam(ctx, s.read, recipient)
}

// RecipientTeam lists the accounts that care for a recipient.
func (t *Tx) RecipientTeam(recipient string) ([]string, error) {
	return recipientTeam(t.ctx, t.tx, recipient)
}

func recipientTeam(ctx context.Context, q queryer, recipient string) ([]string, error) {
	if recipient == "" {
		return nil, nil
	}
	return texts(ctx, q, "read the recipient's team", "SELECT account_id FROM recipient_team WHERE recipient = $1 ORDER BY account_id", recipient)
}

// Letter is a letter to a candidate as it was sent.
type Letter struct {
	Candidate string       `json:"-"`
	Seq       int64        `json:"-"`
	At        time.Time    `json:"-"`
	By        string       `json:"-"`
	Role      journey.Role `json:"-"`
	// Hash chains the letter to the one before it.
	Hash string `json:"-"`
	// Kind is what it tells of, and Template the text of the protocol's version that
	// it was made from.
	Kind     string       `json:"kind"`
	Template string       `json:"template"`
	Protocol string       `json:"protocol"`
	Title    string       `json:"title"`
	Text     string       `json:"text"`
	On       journey.Date `json:"on"`
	// Channel is how it went to the candidate.
	Channel string `json:"channel"`
	// After is the number of the candidate's entry that it tells of.
	After int64 `json:"after,omitempty"`
}

// KeepLetter keeps a letter as it was sent. Seen is how many there were of the
// candidate as far as its sender knew: another one is ErrChanged.
func (s *Store) KeepLetter(ctx context.Context, l Letter, seen int64) (Letter, error) {
	return l, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, l.Candidate); err != nil {
			return err
		}
		var last head
		err := tx.QueryRowContext(ctx, "SELECT seq, hash FROM letter WHERE candidate_id = $1 ORDER BY seq DESC LIMIT 1", l.Candidate).Scan(&last.seq, &last.hash)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("read the last letter: %w", err)
		}
		if last.seq != seen {
			return ErrChanged
		}
		l.Seq, l.At = last.seq+1, s.now().UTC().Truncate(time.Microsecond)
		body, err := json.Marshal(l)
		if err != nil {
			return fmt.Errorf("encode the letter: %w", err)
		}
		l.Hash = letterDigest(last.hash, l, string(body))
		if _, err := tx.ExecContext(ctx, `INSERT INTO letter (candidate_id, seq, at, actor, role, body, prev_hash, hash)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			l.Candidate, l.Seq, instant(l.At), l.By, string(l.Role), string(body), last.hash, l.Hash); err != nil {
			return fmt.Errorf("keep the letter: %w", err)
		}
		return nil
	})
}

func letterDigest(prev string, l Letter, body string) string {
	return digestOf(prev, l.Candidate, strconv.FormatInt(l.Seq, 10), instant(l.At), l.By, string(l.Role), body)
}

// Letters returns the letters to a candidate, the oldest first.
func (s *Store) Letters(ctx context.Context, candidate string) ([]Letter, error) {
	list, _, err := letters(ctx, s.read, "WHERE candidate_id = $1 ORDER BY seq", candidate)
	return list, err
}

// LetterTrail returns the letters to everybody, the newest first.
func (s *Store) LetterTrail(ctx context.Context, q TrailQuery) ([]Letter, error) {
	w := q.restriction()
	w.text("candidate_id =", q.Candidate)
	list, _, err := letters(ctx, s.read, w.where()+" ORDER BY at DESC, candidate_id, seq DESC"+limited(q.Limit), w.args...)
	return list, err
}

func letters(ctx context.Context, q queryer, condition string, args ...any) ([]Letter, []string, error) {
	var bodies []string
	list, err := collect(ctx, q, "read letters", into(func(row scanner, l *Letter) error {
		var body string
		if err := row.Scan(&l.Candidate, &l.Seq, moment{&l.At}, &l.By, &l.Role, &body, &l.Hash); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(body), l); err != nil {
			return fmt.Errorf("a stored letter is unreadable: %w", err)
		}
		bodies = append(bodies, body)
		return nil
	}), "SELECT candidate_id, seq, at, actor, role, body, hash FROM letter "+condition, args...)
	return list, bodies, err
}

func verifyLetters(ctx context.Context, q queryer, heads io.Writer) (int, error) {
	const ids = "SELECT DISTINCT candidate_id FROM letter ORDER BY 1"
	return verifyEach(ctx, q, heads, "letters", ids, func(id, chain string) (last head, err error) {
		list, bodies, err := letters(ctx, q, "WHERE candidate_id = $1 ORDER BY seq", id)
		if err != nil {
			return last, err
		}
		for n, l := range list {
			digest := func(prev string) string { return letterDigest(prev, l, bodies[n]) }
			if err := last.follow(chain, l.Seq, digest, l.Hash); err != nil {
				return last, err
			}
		}
		return last, nil
	})
}
