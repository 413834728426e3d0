package record

import (
	"cmp"
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"slices"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations
var migrations embed.FS

// overlay reads the steps that both databases share and those of one dialect
// as one folder.
type overlay []fs.FS

func (o overlay) Open(name string) (fs.File, error) {
	for _, layer := range o {
		file, err := layer.Open(name)
		if !errors.Is(err, fs.ErrNotExist) {
			return file, err
		}
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

func (o overlay) ReadDir(name string) ([]fs.DirEntry, error) {
	var all []fs.DirEntry
	for _, layer := range o {
		entries, err := fs.ReadDir(layer, name)
		if err != nil {
			return nil, err
		}
		all = append(all, entries...)
	}
	slices.SortFunc(all, func(a, b fs.DirEntry) int { return cmp.Compare(a.Name(), b.Name()) })
	return all, nil
}

// migrate brings the schema up to date, forward only. On PostgreSQL an
// advisory lock keeps two starting processes apart; on SQLite the data folder
// is locked already.
func migrate(ctx context.Context, db *sql.DB, dialect goose.Dialect) error {
	name := "sqlite"
	var options []goose.ProviderOption
	if dialect == goose.DialectPostgres {
		name = "postgres"
		// Asked for every second, as the other process is ready in no time.
		locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
		if err != nil {
			return fmt.Errorf("prepare the migration lock: %w", err)
		}
		options = append(options, goose.WithSessionLocker(locker))
	}
	var layers overlay
	for _, dir := range []string{"migrations/common", "migrations/" + name} {
		layer, err := fs.Sub(migrations, dir)
		if err != nil {
			return fmt.Errorf("read migrations: %w", err)
		}
		layers = append(layers, layer)
	}
	provider, err := goose.NewProvider(dialect, db, layers, options...)
	if err != nil {
		return fmt.Errorf("prepare migrations: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("migrate the record store: %w", err)
	}
	return nil
}
