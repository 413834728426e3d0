package main

import (
	"errors"
	"fmt"
	"log/slog"

	"github.com/spf13/cobra"

	"candidacy/internal/system"
)

func workerCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "worker",
		Short: "Work on a Temporal cluster without serving anything",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if s.temporal == "" {
				return errors.New("--temporal-address: missing; the embedded engine has its worker in serve")
			}
			options, err := s.options(slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelWarn})))
			if err != nil {
				return err
			}
			sys, err := system.Open(cmd.Context(), options)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, sys.Close()) }()
			fmt.Fprintln(cmd.OutOrStdout(), "Working.")
			<-cmd.Context().Done()
			fmt.Fprintln(cmd.OutOrStdout(), "Stopping.")
			return nil
		},
	}
	cmd.Flags().StringVar(&s.data, "data", defaultData("worker"), "folder for the lock, and for the payload keys unless CANDIDACY_PAYLOAD_KEYS is set")
	s.bindParts(cmd)
	return cmd
}
