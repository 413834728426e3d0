package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"candidacy/fhir"
	"candidacy/internal/bulk"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// exportsFolder is where a data folder keeps the files of exports.
func exportsFolder(data string) string { return filepath.Join(data, "exports") }

// newExports returns what carries out the exports that clients ask for. On a
// database that several processes share, so are the files.
func newExports(ctx context.Context, sys *system.System, data string, log *slog.Logger) (*bulk.Runner, error) {
	r := &bulk.Runner{
		Store: sys.Store, Vault: bulk.Database{Store: sys.Store}, Plan: fhir.PlanExport, Policy: bulk.DefaultPolicy, Now: time.Now, Log: log,
	}
	if !sys.Store.Shared() {
		r.Vault = bulk.Folder(exportsFolder(data))
		// This process has the folder to itself: what another was at, it left.
		if err := sys.Store.ReleaseExports(ctx); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// exportsEvery is how often a process looks for exports that another began or was
// asked for.
const exportsEvery = 5 * time.Second

// runExports carries out exports until it is stopped. One under way is given up
// then, and begun anew by whichever process comes next.
func runExports(ctx context.Context, r *bulk.Runner) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	ticker := time.NewTicker(exportsEvery)
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.Run(ctx, ticker.C)
	}()
	return func() {
		cancel()
		<-done
		ticker.Stop()
	}
}

func exportCommand() *cobra.Command {
	var s site
	var out, since string
	var types []string
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Copy the published FHIR resources to a new folder, one NDJSON file for each type",
		Long: "Copy the published FHIR resources, as they stand at one moment, to a new folder: one NDJSON\n" +
			"file for each type, and manifest.json. It may run beside a server. The files name people:\n" +
			"keep them as the records are kept.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return errors.New("--out: missing")
			}
			var from time.Time
			if since != "" {
				var err error
				if from, err = time.Parse(time.RFC3339, since); err != nil {
					return errors.New("--since: accepted: an instant with its zone, such as 2026-03-02T09:30:00Z")
				}
			}
			scans, err := fhir.AllExports(types, from)
			if err != nil {
				return fmt.Errorf("--type: %w", err)
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				copied, err := bulk.ToFolder(cmd.Context(), store, scans, out, copying(cmd))
				if err != nil {
					return err
				}
				var all int64
				for _, f := range copied.Output {
					all += f.Count
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%d resources of %s in %s\n", all, copied.TransactionTime.Format(time.RFC3339), out)
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.AddCommand(exportList())
	cmd.Flags().StringVar(&out, "out", "", "folder to make")
	cmd.Flags().StringVar(&since, "since", "", "only what was published since this instant")
	cmd.Flags().StringSliceVar(&types, "type", nil, "only these types, such as Patient,Observation")
	return cmd
}

// copying shows how far a copy has come, at every twentieth of it.
func copying(cmd *cobra.Command) func(done, total int64) {
	var shown int64 = -1
	return func(done, total int64) {
		step := max(total/20, 1)
		if total == 0 || done/step == shown {
			return
		}
		shown = done / step
		fmt.Fprintf(cmd.ErrOrStderr(), "%d of %d resources\n", done, total)
	}
}

func exportList() *cobra.Command {
	var s site
	var limit int
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the exports that clients asked for, the newest first: created, client, state, resources, attempts, last failure, expires",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if limit < 1 {
				return errors.New("--limit: accepted: 1 or more")
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				list, err := store.Exports(cmd.Context(), limit)
				if err != nil {
					return err
				}
				for _, e := range list {
					// Its id is left out: with it, and the client's token, the files can be had.
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%d\t%d\t%s\t%s\n", moment(e.CreatedAt), e.Client, e.State, e.Done, e.Attempts,
						orDash(e.Error), moment(e.ExpiresAt))
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().IntVar(&limit, "limit", 100, "at most so many")
	return cmd
}
