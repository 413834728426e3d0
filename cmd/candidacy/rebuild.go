package main

import (
	"errors"
	"fmt"
	"log/slog"

	"github.com/spf13/cobra"

	"candidacy/internal/system"
)

func rebuildCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Make the engine's file anew and restart every open candidate from the record",
		Long: "Set the engine's file aside, make a new one, and restart every open candidate from the\n" +
			"record.\n\nWith --temporal-address nothing is removed: runs that the cluster has lost are started again.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			options, err := s.options(slog.New(slog.DiscardHandler))
			if err != nil {
				return err
			}
			options.Rebuild = true
			options.Progress = progress(cmd.OutOrStdout(), "Restarting open candidates from the record")
			options.Republishing = progress(cmd.OutOrStdout(), "Publishing candidates as this version does")
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
