package bulk

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"

	"candidacy/internal/record"
)

// Vault keeps the chunks of files. Those of one attempt at an export stand under
// its claim, so that an attempt which was given up mixes with no other.
type Vault interface {
	// Create begins a file, which exists when it is closed without an error.
	Create(ctx context.Context, claim string, file int) (Part, error)
	// Read returns a chunk, which is at the offset and of the size that its file
	// says. It is record.ErrNotFound when the files are gone.
	Read(ctx context.Context, claim string, file, position int, offset, size int64) ([]byte, error)
	// Claims lists what there is, and Remove removes it.
	Claims(ctx context.Context) ([]string, error)
	Remove(ctx context.Context, claim string) error
}

// Part is a file that is being written, chunk by chunk.
type Part interface {
	Append(ctx context.Context, position int, chunk []byte) error
	Close() error
}

// Folder is a Vault of files, for the one process that has the data folder.
type Folder string

var _ Vault = Folder("")

func (f Folder) path(claim string, file int) string {
	return filepath.Join(string(f), claim, strconv.Itoa(file)+".gz")
}

// Create implements Vault.
func (f Folder) Create(_ context.Context, claim string, file int) (Part, error) {
	path := f.path(claim, file)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of an export: %w", err)
	}
	opened, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("make a file of an export: %w", err)
	}
	return folderPart{opened}, nil
}

type folderPart struct{ file *os.File }

func (p folderPart) Append(_ context.Context, _ int, chunk []byte) error {
	if _, err := p.file.Write(chunk); err != nil {
		return fmt.Errorf("write a file of an export: %w", err)
	}
	return nil
}

// Close makes the file and its name last.
func (p folderPart) Close() error {
	folder, err := os.Open(filepath.Dir(p.file.Name()))
	if err != nil {
		return errors.Join(fmt.Errorf("open the folder of an export: %w", err), p.file.Close())
	}
	if err := errors.Join(p.file.Sync(), p.file.Close(), folder.Sync(), folder.Close()); err != nil {
		return fmt.Errorf("complete a file of an export: %w", err)
	}
	return nil
}

// Read implements Vault.
func (f Folder) Read(_ context.Context, claim string, file, _ int, offset, size int64) ([]byte, error) {
	opened, err := os.Open(f.path(claim, file))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, record.ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("open a file of an export: %w", err)
	}
	defer opened.Close()
	chunk := make([]byte, size)
	if _, err := opened.ReadAt(chunk, offset); err != nil {
		return nil, fmt.Errorf("read a file of an export: %w", err)
	}
	return chunk, nil
}

// Claims implements Vault.
func (f Folder) Claims(context.Context) ([]string, error) {
	entries, err := os.ReadDir(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list the files of exports: %w", err)
	}
	list := make([]string, len(entries))
	for i, e := range entries {
		list[i] = e.Name()
	}
	return list, nil
}

// Remove implements Vault.
func (f Folder) Remove(_ context.Context, claim string) error {
	if err := os.RemoveAll(filepath.Join(string(f), claim)); err != nil {
		return fmt.Errorf("remove the files of an export: %w", err)
	}
	return nil
}

// Database is a Vault in the record store, which every process reaches.
type Database struct{ Store *record.Store }

var _ Vault = Database{}

// Create implements Vault.
func (d Database) Create(_ context.Context, claim string, file int) (Part, error) {
	return databasePart{d.Store, claim, file}, nil
}

type databasePart struct {
	store *record.Store
	claim string
	file  int
}

func (p databasePart) Append(ctx context.Context, position int, chunk []byte) error {
	return p.store.PutChunk(ctx, p.claim, p.file, position, chunk)
}

func (databasePart) Close() error { return nil }

// Read implements Vault.
func (d Database) Read(ctx context.Context, claim string, file, position int, _, _ int64) ([]byte, error) {
	return d.Store.Chunk(ctx, claim, file, position)
}

// Claims implements Vault.
func (d Database) Claims(ctx context.Context) ([]string, error) { return d.Store.ChunkClaims(ctx) }

// Remove implements Vault.
func (d Database) Remove(ctx context.Context, claim string) error {
	return d.Store.DropChunks(ctx, claim)
}
