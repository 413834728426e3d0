package main

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"candidacy/internal/engine"
	"candidacy/internal/system"
)

func rebuildCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Make the engine's file anew and restart every open candidate from the record",
		Long: "Make the engine's file anew and restart every open candidate from the record.\n\n" +
			"With --temporal-address nothing is removed: runs that the cluster has lost are started again.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if s.temporal == "" {
				if err := discardEngine(s.data); err != nil {
					return err
				}
			}
			options, err := s.options(slog.New(slog.DiscardHandler))
			if err != nil {
				return err
			}
			options.Rebuild = true
			options.Progress = progress(cmd.OutOrStdout(), "Restarting open candidates from the record")
			sys, err := system.Open(cmd.Context(), options)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, sys.Close()) }()
			open, err := sys.Store.CountOpen(cmd.Context())
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d open candidates go on from the record\n", open)
			return nil
		},
	}
	cmd.Flags().StringVar(&s.data, "data", defaultData("data"), "folder of the records")
	s.bindParts(cmd)
	return cmd
}

// discardEngine removes the engine's files, which hold nothing that the record
// does not, after making sure that no server uses them.
func discardEngine(data string) error {
	lock, err := engine.AcquireLock(data)
	if err != nil {
		return err
	}
	for _, name := range []string{"engine.db", "engine.db-wal", "engine.db-shm", "engine.json"} {
		if err := os.Remove(filepath.Join(data, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return errors.Join(fmt.Errorf("remove the engine's file: %w", err), lock.Release())
		}
	}
	return lock.Release()
}
