package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Export is a job that copies published resources to files.
type Export struct {
	// ID can't be guessed.
	ID string
	// Client is who asked, and the only one who may have the files.
	Client string
	// Request is the URL of the request, and Spec what it comes to.
	Request string
	Spec    json.RawMessage

	State     ExportState
	CreatedAt time.Time
	// TakenAt is the moment of the snapshot, FinishedAt when the files were
	// complete, and ExpiresAt when they go.
	TakenAt, FinishedAt, ExpiresAt time.Time
	// Done of Total resources are written; a total of 0 is not known.
	Done, Total int64
	Attempts    int
	// Error is the class of the last failure.
	Error string
	// Claim names the attempt that wrote, or writes, the files.
	Claim string
}

// ExportState is what has become of an export.
type ExportState string

// The states of an export.
const (
	ExportQueued    ExportState = "queued"
	ExportRunning   ExportState = "running"
	ExportComplete  ExportState = "complete"
	ExportFailed    ExportState = "failed"
	ExportCancelled ExportState = "cancelled"
	ExportExpired   ExportState = "expired"
)

// ExportFile is one file of an export.
type ExportFile struct {
	Name string
	// Position is the file's number under its claim.
	Position int
	// Section is output, error or deleted.
	Section   string
	Type      string
	Resources int64
	Chunks    []ExportChunk
}

// ExportChunk holds the sizes in bytes of a chunk of a file: of what it says, and
// as it is kept. It is written as two numbers.
type ExportChunk [2]int64

// ErrTooMany says that there are as many as are allowed.
var ErrTooMany = errors.New("there are too many")

const exportColumns = "id, client, request, spec, state, created_at, taken_at, finished_at, expires_at, done, total, attempts, error, claim"

func scanExport(row scanner) (Export, error) {
	var e Export
	var spec string
	err := row.Scan(&e.ID, &e.Client, &e.Request, &spec, &e.State, moment{&e.CreatedAt}, moment{&e.TakenAt}, moment{&e.FinishedAt}, moment{&e.ExpiresAt},
		&e.Done, &e.Total, &e.Attempts, &e.Error, &e.Claim)
	if errors.Is(err, sql.ErrNoRows) {
		return e, ErrNotFound
	}
	if err != nil {
		return e, fmt.Errorf("read an export: %w", err)
	}
	e.Spec = json.RawMessage(spec)
	return e, nil
}

// CreateExport queues an export under an id of its own. A client that has as many
// unfinished ones as it may gets ErrTooMany.
func (s *Store) CreateExport(ctx context.Context, e Export, most int) (id string, err error) {
	id, _ = secret("")
	return id, s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, e.Client); err != nil {
			return err
		}
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM export WHERE client = $1 AND state IN ($2, $3)",
			e.Client, string(ExportQueued), string(ExportRunning)).Scan(&n); err != nil {
			return fmt.Errorf("count the exports: %w", err)
		}
		if n >= most {
			return ErrTooMany
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO export ("+exportColumns+`, claimed_until)
			VALUES ($1, $2, $3, $4, $5, $6, '', '', '', 0, 0, 0, '', '', '')`,
			id, e.Client, e.Request, string(e.Spec), string(ExportQueued), instant(s.now())); err != nil {
			return fmt.Errorf("queue an export: %w", err)
		}
		return nil
	})
}

// Export returns an export, or ErrNotFound.
func (s *Store) Export(ctx context.Context, id string) (Export, error) {
	return scanExport(s.read.QueryRowContext(ctx, "SELECT "+exportColumns+" FROM export WHERE id = $1", id))
}

// Exports lists exports, the newest first.
func (s *Store) Exports(ctx context.Context, limit int) ([]Export, error) {
	return collect(ctx, s.read, "list exports", scanExport, "SELECT "+exportColumns+" FROM export ORDER BY created_at DESC, id LIMIT $1", limit)
}

// ClaimExport takes the export that has waited longest, for one process until an
// instant; ErrNotFound when none waits. One whose process died is among them.
func (s *Store) ClaimExport(ctx context.Context, claim string, until time.Time) (e Export, err error) {
	// Whoever only looks writes nothing.
	var n int
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*) FROM export WHERE state IN ($1, $2) AND claimed_until <= $3",
		string(ExportRunning), string(ExportQueued), instant(s.now())).Scan(&n); err != nil {
		return e, fmt.Errorf("look for an export that waits: %w", err)
	}
	if n == 0 {
		return e, ErrNotFound
	}
	return e, s.inTx(ctx, func(tx *sql.Tx) error {
		// The condition on the claim stands twice: on PostgreSQL the outer one is
		// asked again once another process has let go of the row.
		e, err = scanExport(tx.QueryRowContext(ctx, `UPDATE export SET state = $1, claim = $2, claimed_until = $3,
				attempts = attempts + 1, done = 0, total = 0
			WHERE claimed_until <= $4 AND state IN ($1, $5) AND id = (
				SELECT id FROM export WHERE state IN ($1, $5) AND claimed_until <= $4 ORDER BY created_at, id LIMIT 1)
			RETURNING `+exportColumns, string(ExportRunning), claim, instant(until), instant(s.now()), string(ExportQueued)))
		return err
	})
}

// KeepExport holds a claim until a later instant and notes how far the export
// has come. It is ErrNotFound once the export is cancelled, or another's.
func (s *Store) KeepExport(ctx context.Context, claim string, until time.Time, done, total int64) error {
	return s.changeExport(ctx, "hold an export", "claimed_until = $2, done = $3, total = $4 WHERE claim = $1 AND state = $5",
		claim, instant(until), done, total, string(ExportRunning))
}

// ReleaseExport lets another process begin the export anew. An attempt that was
// nobody's fault does not count.
func (s *Store) ReleaseExport(ctx context.Context, claim, class string, counts bool) error {
	one := 1
	if counts {
		one = 0
	}
	return s.changeExport(ctx, "release an export", "claimed_until = '', error = $2, attempts = attempts - $3 WHERE claim = $1 AND state = $4",
		claim, class, one, string(ExportRunning))
}

// ReleaseExports lets go of every claim. Only a process that is alone on the
// records may ask for it.
func (s *Store) ReleaseExports(ctx context.Context) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE export SET claimed_until = '' WHERE state = $1", string(ExportRunning)); err != nil {
			return fmt.Errorf("release the exports: %w", err)
		}
		return nil
	})
}

// FailExport ends an export that can't be done.
func (s *Store) FailExport(ctx context.Context, claim, class string, expires time.Time) error {
	return s.changeExport(ctx, "fail an export", "state = $2, error = $3, finished_at = $4, expires_at = $5 WHERE claim = $1 AND state = $6",
		claim, string(ExportFailed), class, instant(s.now()), instant(expires), string(ExportRunning))
}

func (s *Store) changeExport(ctx context.Context, what, change string, args ...any) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return execOne(ctx, tx, what, "UPDATE export SET "+change, args...)
	})
}

// FinishExport makes the files of a claim those of its export.
func (s *Store) FinishExport(ctx context.Context, e Export, files []ExportFile) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := execOne(ctx, tx, "finish an export", `UPDATE export SET state = $3, taken_at = $4, finished_at = $5, expires_at = $6,
			done = $7, error = '', claimed_until = '' WHERE id = $1 AND claim = $2 AND state = $8`,
			e.ID, e.Claim, string(ExportComplete), instant(e.TakenAt), instant(s.now()), instant(e.ExpiresAt), e.Done, string(ExportRunning)); err != nil {
			return err
		}
		for _, f := range files {
			chunks, err := json.Marshal(f.Chunks)
			if err != nil {
				return fmt.Errorf("write the file of an export: %w", err)
			}
			if _, err := tx.ExecContext(ctx, `INSERT INTO export_file (export_id, name, position, section, type, resources, chunks)
				VALUES ($1, $2, $3, $4, $5, $6, $7)`, e.ID, f.Name, f.Position, f.Section, f.Type, f.Resources, string(chunks)); err != nil {
				return fmt.Errorf("write the file of an export: %w", err)
			}
		}
		return nil
	})
}

// ExportFiles lists the files of a complete export.
func (s *Store) ExportFiles(ctx context.Context, id string) ([]ExportFile, error) {
	return collect(ctx, s.read, "list the files of an export", scanExportFile, `SELECT f.name, f.position, f.section, f.type, f.resources, f.chunks FROM export_file f
		JOIN export e ON e.id = f.export_id WHERE e.id = $1 AND e.state = $2 ORDER BY f.position`, id, string(ExportComplete))
}

// ExportFile returns one file of a complete export, or ErrNotFound.
func (s *Store) ExportFile(ctx context.Context, id, name string) (ExportFile, error) {
	return scanExportFile(s.read.QueryRowContext(ctx, `SELECT f.name, f.position, f.section, f.type, f.resources, f.chunks FROM export_file f
		JOIN export e ON e.id = f.export_id WHERE e.id = $1 AND f.name = $2 AND e.state = $3`, id, name, string(ExportComplete)))
}

func scanExportFile(row scanner) (ExportFile, error) {
	var f ExportFile
	var chunks string
	err := row.Scan(&f.Name, &f.Position, &f.Section, &f.Type, &f.Resources, &chunks)
	if errors.Is(err, sql.ErrNoRows) {
		return f, ErrNotFound
	}
	if err == nil {
		err = json.Unmarshal([]byte(chunks), &f.Chunks)
	}
	if err != nil {
		return f, fmt.Errorf("read the file of an export: %w", err)
	}
	return f, nil
}

// CancelExport ends an export that is under way, or gives up the files of one that
// has ended. It is ErrNotFound when there is nothing to give up.
func (s *Store) CancelExport(ctx context.Context, id string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return execOne(ctx, tx, "cancel an export", "UPDATE export SET state = $2, finished_at = $3 WHERE id = $1 AND state IN ($4, $5, $6, $7)",
			id, string(ExportCancelled), instant(s.now()),
			string(ExportQueued), string(ExportRunning), string(ExportComplete), string(ExportFailed))
	})
}

// ExpireExports ends the exports whose time is over.
func (s *Store) ExpireExports(ctx context.Context) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "UPDATE export SET state = $1 WHERE state IN ($2, $3) AND expires_at <= $4",
			string(ExportExpired), string(ExportComplete), string(ExportFailed), instant(s.now())); err != nil {
			return fmt.Errorf("expire the exports: %w", err)
		}
		return nil
	})
}

// ExportClaims returns the claims whose files are needed: those of complete
// exports and of exports under way.
func (s *Store) ExportClaims(ctx context.Context) (map[string]bool, error) {
	return textSet(ctx, s.read, "list the claims of exports", "SELECT claim FROM export WHERE state IN ($1, $2) AND claim <> ''", string(ExportRunning), string(ExportComplete))
}

// PutChunk keeps a chunk of a file in the store. It need not be on disk until the
// export is finished: that commit takes all before it along.
func (s *Store) PutChunk(ctx context.Context, claim string, file, position int, data []byte) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if s.postgres() {
			if _, err := tx.ExecContext(ctx, "SET LOCAL synchronous_commit = off"); err != nil {
				return fmt.Errorf("keep a chunk: %w", err)
			}
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO export_chunk (claim, file, position, data) VALUES ($1, $2, $3, $4)", claim, file, position, data); err != nil {
			return fmt.Errorf("keep a chunk: %w", err)
		}
		return nil
	})
}

// Chunk returns a chunk that was kept, or ErrNotFound.
func (s *Store) Chunk(ctx context.Context, claim string, file, position int) ([]byte, error) {
	var data []byte
	err := s.read.QueryRowContext(ctx, "SELECT data FROM export_chunk WHERE claim = $1 AND file = $2 AND position = $3", claim, file, position).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("read a chunk: %w", err)
	}
	return data, nil
}

// ChunkClaims lists the claims that chunks are kept of.
func (s *Store) ChunkClaims(ctx context.Context) ([]string, error) {
	return texts(ctx, s.read, "list the claims of chunks", "SELECT DISTINCT claim FROM export_chunk")
}

// DropChunks removes the chunks of a claim.
func (s *Store) DropChunks(ctx context.Context, claim string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM export_chunk WHERE claim = $1", claim); err != nil {
			return fmt.Errorf("drop the chunks of an export: %w", err)
		}
		return nil
	})
}
