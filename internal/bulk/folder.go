package bulk

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"candidacy/internal/record"
)

// Copied is what ToFolder has written, and the content of manifest.json.
type Copied struct {
	TransactionTime time.Time    `json:"transactionTime"`
	Output          []CopiedFile `json:"output"`
}

// CopiedFile is a file of one type.
type CopiedFile struct {
	Type  string `json:"type"`
	File  string `json:"file"`
	Count int64  `json:"count"`
}

// ToFolder copies what the scans select into a new folder, a file for each type,
// and says how far it has come; a total of 0 is not known. The folder appears
// when it is complete.
func ToFolder(ctx context.Context, store *record.Store, scans []record.Scan, folder string, progress func(done, total int64)) (c Copied, err error) {
	entries, err := os.ReadDir(folder)
	if err == nil && len(entries) > 0 {
		return c, errors.New("the folder is not empty")
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return c, fmt.Errorf("look into the folder: %w", err)
	}
	part := filepath.Clean(folder) + ".part"
	if err := os.Mkdir(part, 0o700); err != nil {
		return c, fmt.Errorf("make the folder: %w", err)
	}
	done := false
	defer func() {
		if !done {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	if c, err = toFolder(ctx, store, scans, part, progress); err != nil {
		return c, err
	}
	if err := os.Remove(folder); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return c, fmt.Errorf("replace the empty folder: %w", err)
	}
	if err := os.Rename(part, folder); err != nil {
		return c, fmt.Errorf("name the folder: %w", err)
	}
	done = true
	return c, nil
}

func toFolder(ctx context.Context, store *record.Store, scans []record.Scan, folder string, progress func(done, total int64)) (c Copied, err error) {
	view, err := store.View(ctx)
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, view.Close()) }()
	var total int64
	if counted(scans) {
		if total, err = view.Count(ctx, scans); err != nil {
			return c, err
		}
	}
	files := plainFiles{folder: folder, open: map[string]*plainFile{}}
	_, err = copyTo(ctx, view, Plan{Scans: scans}, &files, func(done int64) error {
		progress(done, total)
		return nil
	})
	list, closed := files.close()
	if err := errors.Join(err, closed); err != nil {
		return c, err
	}
	c = Copied{TransactionTime: view.At, Output: list}
	manifest, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		return c, fmt.Errorf("write the manifest: %w", err)
	}
	if err := os.WriteFile(filepath.Join(folder, "manifest.json"), append(manifest, '\n'), 0o600); err != nil {
		return c, fmt.Errorf("write the manifest: %w", err)
	}
	return c, nil
}

// plainFiles is a sink of files as they are, one for each type.
type plainFiles struct {
	folder string
	open   map[string]*plainFile
}

type plainFile struct {
	file  *os.File
	to    *bufio.Writer
	count int64
}

func (p *plainFiles) add(typ string, body []byte) error {
	f := p.open[typ]
	if f == nil {
		opened, err := os.OpenFile(filepath.Join(p.folder, typ+".ndjson"), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if err != nil {
			return fmt.Errorf("make a file: %w", err)
		}
		f = &plainFile{file: opened, to: bufio.NewWriterSize(opened, 256<<10)}
		p.open[typ] = f
	}
	f.count++
	// A failed write is told by each that follows, and when the file is closed.
	_, _ = f.to.Write(body)
	if err := f.to.WriteByte('\n'); err != nil {
		return fmt.Errorf("write a file: %w", err)
	}
	return nil
}

func (p *plainFiles) close() ([]CopiedFile, error) {
	list := []CopiedFile{}
	var failed error
	for typ, f := range p.open {
		failed = errors.Join(failed, f.to.Flush(), f.file.Sync(), f.file.Close())
		list = append(list, CopiedFile{Type: typ, File: typ + ".ndjson", Count: f.count})
	}
	slices.SortFunc(list, func(a, b CopiedFile) int {
		if a.Type < b.Type {
			return -1
		}
		return 1
	})
	if failed != nil {
		return nil, fmt.Errorf("write the files: %w", failed)
	}
	return list, nil
}
