package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"candidacy/internal/journey"
)

// Document is a document about a candidate that somebody brought in from outside, or
// the statement that one was entered in error.
type Document struct {
	Candidate string       `json:"-"`
	Seq       int64        `json:"-"`
	At        time.Time    `json:"-"`
	By        string       `json:"-"`
	Role      journey.Role `json:"-"`
	Kind      string       `json:"kind,omitempty"`
	Title     string       `json:"title,omitempty"`
	// On is the day that the document bears.
	On journey.Date `json:"on,omitempty"`
	// Media is the media type that the first bytes agree with, Size the number of bytes
	// and Digest their SHA-256 in hexadecimal.
	Media  string `json:"media,omitempty"`
	Size   int    `json:"size,omitempty"`
	Digest string `json:"digest,omitempty"`
	// InError is the document that was entered in error, with the Reason; then this is
	// none itself.
	InError int64  `json:"in_error,omitempty"`
	Reason  string `json:"reason,omitempty"`
}

// What keeps a document from being kept.
var (
	ErrSameDocument = errors.New("the same document is on record")
	ErrNoDocument   = errors.New("there is no such document, or it was entered in error already")
)

// KeepDocument keeps a document with its bytes, once for each key of a candidate, and
// returns it with its number. It is ErrSameDocument where the same bytes are on record of
// the candidate and were not entered in error.
func (s *Store) KeepDocument(ctx context.Context, key string, d Document, data []byte) (Document, error) {
	sum := sha256.Sum256(data)
	d.Digest, d.Size = hex.EncodeToString(sum[:]), len(data)
	return s.addDocument(ctx, key, d, func(tx *sql.Tx, standing map[int64]Document) error {
		for _, other := range standing {
			if other.Digest == d.Digest {
				return ErrSameDocument
			}
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO document_file (candidate_id, digest, data) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", d.Candidate, d.Digest, data)
		return err
	})
}

// WithdrawDocument says that a document was entered in error. It stays on record, and is
// ErrNoDocument where it does not stand.
func (s *Store) WithdrawDocument(ctx context.Context, key string, d Document) (Document, error) {
	return s.addDocument(ctx, key, d, func(_ *sql.Tx, standing map[int64]Document) error {
		if _, ok := standing[d.InError]; !ok {
			return ErrNoDocument
		}
		return nil
	})
}

// Standing are the documents of a list that were not entered in error, by their number.
func Standing(list []Document) map[int64]Document {
	standing := map[int64]Document{}
	for _, d := range list {
		if d.InError > 0 {
			delete(standing, d.InError)
		} else {
			standing[d.Seq] = d
		}
	}
	return standing
}

func (s *Store) addDocument(ctx context.Context, key string, d Document, allow func(*sql.Tx, map[int64]Document) error) (Document, error) {
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, d.Candidate); err != nil {
			return err
		}
		list, raw, err := documents(ctx, tx, d.Candidate)
		if err != nil {
			return err
		}
		for i := range list {
			if raw[i].key == key { // the same form again
				d = list[i]
				return nil
			}
		}
		if err := allow(tx, Standing(list)); err != nil {
			return err
		}
		prev := ""
		if n := len(list); n > 0 {
			prev = raw[n-1].hash
		}
		d.Seq, d.At = int64(len(list))+1, s.now().UTC().Truncate(time.Microsecond)
		body, err := json.Marshal(d)
		if err != nil {
			return fmt.Errorf("encode the document: %w", err)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO candidate_document (candidate_id, seq, document_key, at, actor, role, body, prev_hash, hash)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			d.Candidate, d.Seq, key, instant(d.At), d.By, string(d.Role), string(body), prev, documentDigest(prev, d, string(body)))
		return err
	})
	if err != nil && !errors.Is(err, ErrSameDocument) && !errors.Is(err, ErrNoDocument) {
		err = fmt.Errorf("keep the document: %w", err)
	}
	return d, err
}

func documentDigest(prev string, d Document, body string) string {
	return digestOf(prev, d.Candidate, strconv.FormatInt(d.Seq, 10), instant(d.At), d.By, string(d.Role), body)
}

// Documents lists a candidate's documents and what was said of them, the oldest first.
func (s *Store) Documents(ctx context.Context, candidate string) ([]Document, error) {
	list, _, err := documents(ctx, s.read, candidate)
	return list, err
}

// keyed is a row as it is written, with its place in a chain and its key.
type keyed struct{ key, body, prev, hash string }

func documents(ctx context.Context, q queryer, candidate string) ([]Document, []keyed, error) {
	var raw []keyed
	list, err := collect(ctx, q, "read documents", into(func(row scanner, d *Document) error {
		var k keyed
		if err := row.Scan(&d.Seq, &k.key, moment{&d.At}, &d.By, &d.Role, &k.body, &k.prev, &k.hash); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(k.body), d); err != nil {
			return fmt.Errorf("a stored document is unreadable: %w", err)
		}
		d.Candidate = candidate
		raw = append(raw, k)
		return nil
	}), "SELECT seq, document_key, at, actor, role, body, prev_hash, hash FROM candidate_document WHERE candidate_id = $1 ORDER BY seq", candidate)
	return list, raw, err
}

// DocumentData returns the bytes of a candidate's document by their digest, or
// ErrNotFound.
func (s *Store) DocumentData(ctx context.Context, candidate, digest string) ([]byte, error) {
	return documentData(ctx, s.read, candidate, digest)
}

func documentData(ctx context.Context, q queryer, candidate, digest string) ([]byte, error) {
	var data []byte
	err := q.QueryRowContext(ctx, "SELECT data FROM document_file WHERE candidate_id = $1 AND digest = $2", candidate, digest).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("read the document: %w", err)
	}
	return data, nil
}

// verifyDocuments walks the chains of documents, and compares the bytes with what the
// chain says of them.
func verifyDocuments(ctx context.Context, q queryer, heads io.Writer) (int, error) {
	const ids = "SELECT DISTINCT candidate_id FROM candidate_document ORDER BY 1"
	return verifyEach(ctx, q, heads, "documents", ids, func(id, chain string) (last head, err error) {
		list, raw, err := documents(ctx, q, id)
		if err != nil {
			return last, err
		}
		for n, d := range list {
			if raw[n].prev != last.hash {
				return last, &BrokenChain{chain, d.Seq, "the row does not follow the one before it"}
			}
			if err := last.follow(chain, d.Seq, func(prev string) string { return documentDigest(prev, d, raw[n].body) }, raw[n].hash); err != nil {
				return last, err
			}
			if d.InError > 0 {
				continue
			}
			data, err := documentData(ctx, q, id, d.Digest)
			if err != nil && !errors.Is(err, ErrNotFound) {
				return last, err
			}
			if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != d.Digest {
				return last, &BrokenChain{chain, d.Seq, "the bytes of the document were changed or are missing"}
			}
		}
		return last, nil
	})
}

// tellPeople notes whom the parts of a message are about.
func tellPeople(ctx context.Context, tx *sql.Tx, message string, parts json.RawMessage) error {
	var list []struct {
		Candidate string `json:"candidate"`
	}
	if len(parts) == 0 {
		return nil
	}
	if err := json.Unmarshal(parts, &list); err != nil {
		return fmt.Errorf("read whom a message is about: %w", err)
	}
	for _, part := range list {
		if part.Candidate == "" {
			continue
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO incoming_person (candidate_id, message_id) VALUES ($1, $2) ON CONFLICT DO NOTHING", part.Candidate, message); err != nil {
			return fmt.Errorf("note whom a message is about: %w", err)
		}
	}
	return nil
}

// IncomingAbout are the newest messages of which a part was matched with a candidate at
// some time: what became of each part says whether it still is.
func (s *Store) IncomingAbout(ctx context.Context, candidate string, limit int) ([]string, error) {
	return texts(ctx, s.read, "list a candidate's messages", `SELECT p.message_id FROM incoming_person p JOIN incoming i ON i.id = p.message_id
		WHERE p.candidate_id = $1 ORDER BY i.received_at DESC, i.id DESC LIMIT $2`, candidate, limit)
}
