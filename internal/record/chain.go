package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"candidacy/internal/journey"
)

// Entry is one acknowledged command of one candidate, chained to the one
// before it.
type Entry struct {
	Candidate   string
	Seq         int64
	Command     string
	CommandHash string
	Kind        journey.Kind
	Actor       string
	Role        journey.Role
	OccurredAt  time.Time
	RecordedAt  time.Time
	// Body is what was given with the command: values, reasons, findings.
	Body json.RawMessage
	// Event is the coded outcome that the process is the fold of.
	Event    json.RawMessage
	PrevHash string
	Hash     string
}

// Decode returns the entry's event.
func (e Entry) Decode() (journey.Event, error) {
	var event journey.Event
	if err := json.Unmarshal(e.Event, &event); err != nil {
		return event, fmt.Errorf("entry %d holds no readable event: %w", e.Seq, err)
	}
	return event, nil
}

// digest is SHA-256 over the fields in a fixed order, each with its length in
// front: not over whatever JSON an encoder happened to write.
func (e Entry) digest() string {
	h := sha256.New()
	var seq [8]byte
	binary.BigEndian.PutUint64(seq[:], uint64(e.Seq)) //nolint:gosec // sequence numbers start at 1
	for _, field := range [][]byte{
		[]byte(e.PrevHash), []byte(e.Candidate), seq[:], []byte(e.Command), []byte(e.CommandHash),
		[]byte(e.Kind), []byte(e.Actor), []byte(e.Role), []byte(instant(e.OccurredAt)),
		[]byte(instant(e.RecordedAt)), e.Body, e.Event,
	} {
		var length [8]byte
		binary.BigEndian.PutUint64(length[:], uint64(len(field)))
		h.Write(length[:])
		h.Write(field)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Broken says where a chain does not hold.
type Broken struct {
	Candidate string
	Seq       int64
	Problem   string
}

// Error names the first bad entry.
func (b *Broken) Error() string {
	return fmt.Sprintf("candidate %s, entry %d: %s", b.Candidate, b.Seq, b.Problem)
}

// Verified summarises a walk over every chain.
type Verified struct {
	Candidates int
	Entries    int
	// The others count the rows of the other kinds of chain.
	ClientChanges, AccountChanges, MeetingChanges, Letters int
	Emergencies, Documents                                 int
	Accesses                                               int64
	// Digest covers every chain's head. Kept outside, it shows later that no
	// tail was cut off, not even by someone who can recompute hashes.
	Digest string
}

// Verify walks every chain, and compares each head with the candidate's row so
// that a missing tail shows. The first bad entry is returned as a *Broken, a bad
// row of the access log or of the changes of a client or an account as a *BrokenChain. It
// reads one moment of the store, so that entries written meanwhile are no fault.
func (s *Store) Verify(ctx context.Context) (Verified, error) {
	options := &sql.TxOptions{ReadOnly: true}
	if s.postgres() {
		options.Isolation = sql.LevelRepeatableRead
	}
	tx, err := s.read.BeginTx(ctx, options)
	if err != nil {
		return Verified{}, fmt.Errorf("begin to verify: %w", err)
	}
	v, err := verify(ctx, tx)
	// Nothing was written: there is nothing to lose by rolling back.
	if errRollback := tx.Rollback(); err == nil && errRollback != nil {
		return v, fmt.Errorf("end verifying: %w", errRollback)
	}
	return v, err
}

// head is the last entry of a chain.
type head struct {
	seq  int64
	hash string
}

// follow moves the head on to the next row of a chain. The digest is what the row's
// hash has to be after the one before it.
func (h *head) follow(chain string, seq int64, digest func(prev string) string, hash string) error {
	if seq != h.seq+1 {
		return &BrokenChain{chain, h.seq + 1, "the row is missing"}
	}
	if digest(h.hash) != hash {
		return &BrokenChain{chain, seq, "the row was changed after it was written, or does not follow the one before it"}
	}
	*h = head{seq, hash}
	return nil
}

// verifyEach walks every chain of a kind. Ids is the query for what has one, and walk
// checks a chain and returns how far it holds. It returns how many rows hold, and adds
// the end of each chain to the digest.
func verifyEach(ctx context.Context, q queryer, digest io.Writer, kind, ids string, walk func(id, chain string) (head, error)) (int, error) {
	list, err := texts(ctx, q, "list the chains of each "+kind, ids)
	if err != nil {
		return 0, err
	}
	total := 0
	for _, id := range list {
		chain := kind + " " + id
		last, err := walk(id, chain)
		total += int(last.seq)
		if err != nil {
			return total, err
		}
		fmt.Fprintf(digest, "%s %d %s\n", chain, last.seq, last.hash)
	}
	return total, nil
}

func verify(ctx context.Context, q queryer) (Verified, error) {
	var v Verified
	expected, err := heads(ctx, q)
	if err != nil {
		return v, err
	}
	ids, err := texts(ctx, q, "list chains", "SELECT DISTINCT candidate_id FROM entry")
	if err != nil {
		return v, err
	}
	for id := range expected {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	digest := sha256.New()
	for _, id := range slices.Compact(ids) {
		last, err := walk(ctx, q, id)
		v.Entries += int(last.seq)
		if err != nil {
			return v, err
		}
		want, ok := expected[id]
		switch {
		case !ok:
			return v, &Broken{id, last.seq, "the candidate of these entries is missing"}
		case want.seq > last.seq:
			return v, &Broken{id, last.seq + 1, "the entry is missing"}
		case want != last:
			return v, &Broken{id, last.seq, "the entry is not the head that was recorded"}
		}
		fmt.Fprintf(digest, "%s %d %s\n", id, last.seq, last.hash)
		v.Candidates++
	}
	if v.ClientChanges, err = verifyChanges(ctx, q, clientLedger, digest, func(id string) (head, string, error) { return clientStands(ctx, q, id) }); err != nil {
		return v, err
	}
	if v.AccountChanges, err = verifyChanges(ctx, q, accountLedger, digest, func(id string) (head, string, error) { return accountStands(ctx, q, id) }); err != nil {
		return v, err
	}
	if v.Emergencies, err = verifyEmergencies(ctx, q, digest); err != nil {
		return v, err
	}
	if v.MeetingChanges, err = verifyMeetings(ctx, q, digest); err != nil {
		return v, err
	}
	if v.Letters, err = verifyLetters(ctx, q, digest); err != nil {
		return v, err
	}
	if v.Documents, err = verifyDocuments(ctx, q, digest); err != nil {
		return v, err
	}
	last, err := verifyAccess(ctx, q)
	v.Accesses = last.seq
	if err != nil {
		return v, err
	}
	fmt.Fprintf(digest, "access %d %s\n", last.seq, last.hash)
	v.Digest = hex.EncodeToString(digest.Sum(nil))
	return v, nil
}

// walk checks one chain and returns how far it holds.
func walk(ctx context.Context, q queryer, candidate string) (head, error) {
	var last head
	for e, err := range each(ctx, q, "read entries", scanEntry, "SELECT "+entryColumns+" FROM entry WHERE candidate_id = $1 ORDER BY seq", candidate) {
		// No entry is written with a malformed instant: it was changed.
		changed := errors.Is(err, errMalformed)
		if err != nil && !changed {
			return last, err
		}
		switch {
		case e.Seq != last.seq+1:
			return last, &Broken{candidate, last.seq + 1, "the entry is missing"}
		case e.PrevHash != last.hash:
			return last, &Broken{candidate, e.Seq, "the entry does not follow the one before it"}
		case changed, e.digest() != e.Hash:
			return last, &Broken{candidate, e.Seq, "the entry was changed after it was written"}
		}
		last = head{e.Seq, e.Hash}
	}
	return last, nil
}

// heads reads the head that each candidate's row names.
func heads(ctx context.Context, q queryer) (map[string]head, error) {
	type standing struct {
		id   string
		last head
	}
	expected := map[string]head{}
	for c, err := range each(ctx, q, "list candidates", into(func(row scanner, c *standing) error {
		return row.Scan(&c.id, &c.last.seq, &c.last.hash)
	}), "SELECT id, seq, head FROM candidate") {
		if err != nil {
			return nil, err
		}
		expected[c.id] = c.last
	}
	return expected, nil
}

const entryColumns = `candidate_id, seq, command_id, command_hash, kind, actor, role,
	occurred_at, recorded_at, body, event, prev_hash, hash`

func scanEntry(row scanner) (Entry, error) {
	var e Entry
	var occurred, recorded, body, event string
	if err := row.Scan(&e.Candidate, &e.Seq, &e.Command, &e.CommandHash, &e.Kind, &e.Actor, &e.Role,
		&occurred, &recorded, &body, &event, &e.PrevHash, &e.Hash); err != nil {
		return e, err
	}
	e.Body, e.Event = json.RawMessage(body), json.RawMessage(event)
	var errA, errB error
	e.OccurredAt, errA = parseInstant(occurred)
	e.RecordedAt, errB = parseInstant(recorded)
	return e, errors.Join(errA, errB)
}

// Entries returns a candidate's chain from its beginning.
func (s *Store) Entries(ctx context.Context, candidate string) ([]Entry, error) {
	return collect(ctx, s.read, "read entries", scanEntry, "SELECT "+entryColumns+" FROM entry WHERE candidate_id = $1 ORDER BY seq", candidate)
}

// Events returns a candidate's events, for folding.
func (s *Store) Events(ctx context.Context, candidate string) ([]journey.Event, error) {
	entries, err := s.Entries(ctx, candidate)
	if err != nil {
		return nil, err
	}
	events := make([]journey.Event, len(entries))
	for i, e := range entries {
		if events[i], err = e.Decode(); err != nil {
			return nil, err
		}
	}
	return events, nil
}
