package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"candidacy/internal/journey"
)

// Access is one answered or refused request. Every field is a code, an id or a
// name from a fixed list; none holds a value that was asked for.
type Access struct {
	// Seq and At are set when the row is written. At is when the row was written,
	// which is before the answer left.
	Seq int64
	At  time.Time
	// Actor is the account, the client or the token that asked; empty when
	// nobody knows.
	Actor string
	Role  journey.Role
	// Credential is the id of the token that was shown, if one was.
	Credential string
	// Interaction is a code of http://hl7.org/fhir/restful-interaction, an
	// operation such as $everything, or one of the codes below.
	Interaction string
	// Type and ID are the resource, or the thing of ours, that was asked for.
	Type string
	ID   string
	// Parameters are the names of the search parameters.
	Parameters []string
	// Candidates are those whom the answer told of. Where they are too many to be
	// listed, Everybody is set instead: the answer may have told of anybody.
	Candidates []string
	Everybody  bool
	// Status is the HTTP status of the answer.
	Status  int
	Request string
	Address string
	// Hash chains the row to the one before it.
	Hash string
}

// What people do on pages and through the JSON API, what asks for tokens, and who signs
// in.
const (
	AccessView    = "view"
	AccessList    = "list"
	AccessCommand = "command"
	AccessToken   = "token"
	AccessSignIn  = "sign-in"
	// AccessEmergency is opening what is kept from whoever asks otherwise.
	AccessEmergency = "emergency"
	// AccessNotesRead and AccessNoteWritten are reading and writing an advocate's own
	// notes.
	AccessNotesRead   = "notes-read"
	AccessNoteWritten = "note-written"
)

// mostListed bounds the candidates that one row names: a page of a search holds
// no more, and a longer list is as good as everybody.
const mostListed = 200

// everybody stands in the stored list for all candidates.
const everybody = "*"

// listed is how the candidates are stored.
func (a Access) listed() string {
	if a.Everybody {
		return everybody
	}
	return strings.Join(a.Candidates, " ")
}

// digest is SHA-256 over the fields in a fixed order, each with its length in
// front, as that of an entry.
func (a Access) digest(prev string) string {
	// A row is written for every answer: one buffer and one hash, not many.
	b := make([]byte, 0, 640)
	field := func(text string) {
		b = binary.BigEndian.AppendUint64(b, uint64(len(text)))
		b = append(b, text...)
	}
	field(prev)
	field(strconv.FormatInt(a.Seq, 10))
	field(instant(a.At))
	field(a.Actor)
	field(string(a.Role))
	field(a.Credential)
	field(a.Interaction)
	field(a.Type)
	field(a.ID)
	field(strings.Join(a.Parameters, " "))
	field(a.listed())
	field(strconv.Itoa(a.Status))
	field(a.Request)
	field(a.Address)
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// accessWriter gathers rows that are to be written and writes those that wait
// together in one transaction: an fsync is what a row costs, and many share it.
type accessWriter struct {
	mu      sync.Mutex
	waiting []*pendingAccess
	writing bool
	// kept are the prepared statements by their text. Only whoever writes uses
	// them, and there is one.
	kept map[string]*sql.Stmt
}

type pendingAccess struct {
	access Access
	done   chan error
}

// mostAtOnce bounds the rows of one transaction, and so how long it keeps
// commands waiting.
const mostAtOnce = 512

// LogAccess appends a row to the access log and returns once it is durable: the
// answer that it is about may leave then and not before. Rows of requests that
// come at the same time are written together.
func (s *Store) LogAccess(ctx context.Context, a Access) error {
	slices.Sort(a.Candidates)
	a.Candidates = slices.Compact(a.Candidates)
	if len(a.Candidates) > mostListed {
		a.Everybody = true
	}
	if a.Everybody {
		a.Candidates = nil
	}
	// Whoever gave up waiting for the answer was told of it all the same.
	ctx = context.WithoutCancel(ctx)
	w, p := &s.access, &pendingAccess{access: a, done: make(chan error, 1)}
	w.mu.Lock()
	w.waiting = append(w.waiting, p)
	lead := !w.writing
	w.writing = true
	w.mu.Unlock()
	if lead {
		// The first to come writes what waits, its own row among it. What comes
		// meanwhile is written by a goroutine that ends when nothing is left.
		if s.writeWaiting(ctx) {
			go func() {
				// Those who were just answered may come again: let them, so that their
				// rows are written with those that wait.
				for runtime.Gosched(); s.writeWaiting(ctx); runtime.Gosched() {
				}
			}()
		}
	}
	return <-p.done
}

// writeWaiting writes one transaction of rows, and reports whether more wait.
func (s *Store) writeWaiting(ctx context.Context) bool {
	w := &s.access
	w.mu.Lock()
	batch := w.waiting
	if len(batch) > mostAtOnce {
		batch, w.waiting = batch[:mostAtOnce:mostAtOnce], batch[mostAtOnce:]
	} else {
		w.waiting = nil
	}
	w.mu.Unlock()
	rows := make([]Access, len(batch))
	for i, p := range batch {
		rows[i] = p.access
	}
	err := s.prepareAccess(ctx)
	if err == nil {
		err = s.inTx(ctx, func(tx *sql.Tx) error { return s.appendAccess(ctx, tx, rows) })
	}
	if err != nil {
		err = fmt.Errorf("write the access log: %w", err)
	}
	for _, p := range batch {
		p.done <- err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.writing = len(w.waiting) > 0
	return w.writing
}

// accessLock is what writers of the log on PostgreSQL wait for: the chain has
// one end.
const accessLock = "access log"

func (s *Store) appendAccess(ctx context.Context, tx *sql.Tx, rows []Access) error {
	if err := s.lock(ctx, tx, accessLock); err != nil {
		return err
	}
	var seq int64
	var prev string
	if err := tx.StmtContext(ctx, s.access.kept[accessEnd]).QueryRowContext(ctx).Scan(&seq, &prev); err != nil && !errors.Is(err, sql.ErrNoRows) { //nolint:sqlclosecheck // of the transaction, which closes it
		return fmt.Errorf("read the end of the access log: %w", err)
	}
	now := s.now()
	values := make([]any, 0, len(rows)*insertAccess.width)
	var about []any
	for i := range rows {
		a := &rows[i]
		seq++
		a.Seq, a.At = seq, now
		a.Hash = a.digest(prev)
		prev = a.Hash
		values = append(values, a.Seq, instant(a.At), a.Actor, string(a.Role), a.Credential, a.Interaction, a.Type, a.ID,
			strings.Join(a.Parameters, " "), a.listed(), a.Status, a.Request, a.Address, a.Hash)
		for _, candidate := range a.Candidates {
			about = append(about, candidate, a.Seq)
		}
	}
	if err := s.insertMany(ctx, tx, insertAccess, values); err != nil {
		return err
	}
	return s.insertMany(ctx, tx, insertAbout, about)
}

const (
	accessColumns = "seq, at, actor, role, credential, interaction, resource_type, resource_id, parameters, candidates, status, request, address, hash"
	accessEnd     = "SELECT seq, hash FROM access_log ORDER BY seq DESC LIMIT 1"
	// rowsTogether is how many rows one statement inserts while there are so many:
	// on PostgreSQL each statement is a journey to the server.
	rowsTogether = 16
)

// insertion is the statement that inserts one row, and the one for several.
type insertion struct {
	width     int
	one, some string
}

func newInsertion(insert string, width int) insertion {
	return insertion{width, insert + placeholders(1, width), insert + placeholders(rowsTogether, width)}
}

var (
	insertAccess     = newInsertion("INSERT INTO access_log ("+accessColumns+") VALUES ", 14)
	insertAbout      = newInsertion("INSERT INTO access_about (candidate_id, seq) VALUES ", 2)
	accessStatements = []string{accessEnd, insertAccess.one, insertAccess.some, insertAbout.one, insertAbout.some}
)

func (s *Store) insertMany(ctx context.Context, tx *sql.Tx, in insertion, values []any) error {
	for len(values) > 0 {
		n, text := 1, in.one
		if len(values) >= rowsTogether*in.width {
			n, text = rowsTogether, in.some
		}
		if _, err := tx.StmtContext(ctx, s.access.kept[text]).ExecContext(ctx, values[:n*in.width]...); err != nil { //nolint:sqlclosecheck // of the transaction, which closes it
			return fmt.Errorf("append to the access log: %w", err)
		}
		values = values[n*in.width:]
	}
	return nil
}

// placeholders are those of n rows: ($1, $2), ($3, $4).
func placeholders(n, width int) string {
	var b strings.Builder
	for i := range n * width {
		switch {
		case i == 0:
			b.WriteByte('(')
		case i%width == 0:
			b.WriteString("), (")
		default:
			b.WriteString(", ")
		}
		b.WriteByte('$')
		b.WriteString(strconv.Itoa(i + 1))
	}
	b.WriteByte(')')
	return b.String()
}

// prepareAccess prepares what the log needs, before a transaction takes the only
// connection that SQLite writes through.
func (s *Store) prepareAccess(ctx context.Context) error {
	if len(s.access.kept) == len(accessStatements) {
		return nil
	}
	kept := map[string]*sql.Stmt{}
	for _, text := range accessStatements {
		statement, err := s.write.PrepareContext(ctx, text) //nolint:sqlclosecheck // kept until close
		if err != nil {
			for _, done := range kept {
				_ = done.Close() // the failure to prepare is what is told
			}
			return fmt.Errorf("prepare: %w", err)
		}
		kept[text] = statement
	}
	s.access.kept = kept
	return nil
}

func (w *accessWriter) close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for text, statement := range w.kept {
		_ = statement.Close() // the database is closed next
		delete(w.kept, text)
	}
}
