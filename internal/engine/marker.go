package engine

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.temporal.io/server/common/headers"
	sqliteschema "go.temporal.io/server/schema/sqlite"
)

const (
	dbFile     = "engine.db"
	markerFile = "engine.json"
)

// marker is the note beside engine.db that says what wrote it. The server has
// no way to upgrade the file, so the note is what tells whether it still fits.
type marker struct {
	Schema           string `json:"schema"`
	VisibilitySchema string `json:"visibilitySchema"`
	Server           string `json:"server"`
	Namespace        string `json:"namespace"`
	// Complete is set when every workflow was rebuilt into the file.
	Complete bool `json:"complete"`
}

func currentMarker(namespace string) marker {
	return marker{
		Schema:           sqliteschema.Version,
		VisibilitySchema: sqliteschema.VisibilityVersion,
		Server:           headers.ServerVersion,
		Namespace:        namespace,
	}
}

// inspect reads what is in the folder. A reason means that the file cannot be
// used. An error means that this could not be found out: then nothing is moved.
func inspect(dir string, want marker) (found marker, reason string, err error) {
	switch _, err := os.Lstat(filepath.Join(dir, dbFile)); {
	case errors.Is(err, fs.ErrNotExist):
		return marker{}, "there is no engine file", nil
	case err != nil:
		return marker{}, "", fmt.Errorf("looking for the engine file: %w", err)
	}

	raw, err := os.ReadFile(filepath.Join(dir, markerFile))
	if errors.Is(err, fs.ErrNotExist) {
		return marker{}, "the engine file was not set up to the end", nil
	}
	if err != nil {
		return marker{}, "", fmt.Errorf("reading %s: %w", markerFile, err)
	}
	if err := json.Unmarshal(raw, &found); err != nil {
		return marker{}, markerFile + " cannot be read", nil
	}

	switch {
	case found.Schema != want.Schema || found.VisibilitySchema != want.VisibilitySchema:
		return found, fmt.Sprintf("its schema is %s and %s, this program needs %s and %s",
			found.Schema, found.VisibilitySchema, want.Schema, want.VisibilitySchema), nil
	case found.Namespace != want.Namespace:
		return found, fmt.Sprintf("it holds namespace %q, not %q", found.Namespace, want.Namespace), nil
	}
	return found, "", nil
}

func writeMarker(dir string, m marker) error {
	raw, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return fmt.Errorf("encoding %s: %w", markerFile, err)
	}
	if err := writeFileAtomic(filepath.Join(dir, markerFile), append(raw, '\n')); err != nil {
		return fmt.Errorf("writing %s: %w", markerFile, err)
	}
	return nil
}

// moveAside renames the engine's files, so that an empty one can be made. The
// marker goes first: if the move is cut short, a file without a marker stays,
// and the next start moves it. SQLite pairs a file with its -wal by name, so
// the time goes between the two parts.
func moveAside(dir string, now time.Time) ([]string, error) {
	stamp, err := freeStamp(dir, now.UTC().Format("20060102T150405Z"))
	if err != nil {
		return nil, err
	}
	moves := asideNames(stamp)
	var moved []string
	for _, m := range moves {
		err := os.Rename(filepath.Join(dir, m.from), filepath.Join(dir, m.to))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return moved, fmt.Errorf("moving %s aside: %w", m.from, err)
		}
		moved = append(moved, m.to)
	}
	if err := syncDir(dir); err != nil {
		return moved, fmt.Errorf("moving the engine file aside: %w", err)
	}
	return moved, nil
}

type rename struct{ from, to string }

func asideNames(stamp string) []rename {
	return []rename{
		{markerFile, markerFile + "." + stamp},
		{dbFile, dbFile + "." + stamp},
		{dbFile + "-wal", dbFile + "." + stamp + "-wal"},
		{dbFile + "-shm", dbFile + "." + stamp + "-shm"},
	}
}

// freeStamp adds a number to the stamp until no file with it exists: two moves
// in one second must not overwrite each other.
func freeStamp(dir, base string) (string, error) {
	stamp := base
	for n := 2; ; n++ {
		taken := false
		for _, m := range asideNames(stamp) {
			_, err := os.Lstat(filepath.Join(dir, m.to))
			if err == nil {
				taken = true
				break
			}
			if !errors.Is(err, fs.ErrNotExist) {
				return "", fmt.Errorf("looking for %s: %w", m.to, err)
			}
		}
		if !taken {
			return stamp, nil
		}
		stamp = fmt.Sprintf("%s-%d", base, n)
	}
}

// writeFileAtomic replaces the file at path, readable by its owner only, so that
// after a crash either the old or the new content is there in full.
func writeFileAtomic(path string, data []byte) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, filepath.Base(path)+".tmp-*") // mode 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, ignoreMissing(os.Remove(f.Name())))
		}
	}()
	if _, err := f.Write(data); err != nil {
		return errors.Join(err, f.Close())
	}
	if err := f.Sync(); err != nil {
		return errors.Join(err, f.Close())
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncDir(dir)
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// syncDir makes a rename in the folder survive a power loss.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
