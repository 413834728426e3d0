package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"candidacy/internal/record"
)

func auditCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "audit", Short: "The integrity of the records"}
	var s site
	verify := &cobra.Command{
		Use:   "verify",
		Short: "Walk every chain and name the first bad entry",
		Long: "Walk every candidate's chain of entries, the changes of every client, account and meeting, the letters, the\ndocuments and the access log, and name the first bad entry or row.\n\n" +
			"A chain shows changes by somebody who can't recompute it. Against an administrator,\n" +
			"keep the printed digest outside: it covers the head of every chain.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				v, err := store.Verify(cmd.Context())
				if err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%d candidates, %d entries, %d changes of clients, %d of accounts, %d of meetings, %d letters, %d documents and corrections of them, %d emergency accesses, %d rows of the access log: every chain holds\ndigest %s\n",
					v.Candidates, v.Entries, v.ClientChanges, v.AccountChanges, v.MeetingChanges, v.Letters, v.Documents, v.Emergencies, v.Accesses, v.Digest)
				return nil
			})
		},
	}
	bindStore(verify, &s)
	cmd.AddCommand(verify, auditAccess())
	return cmd
}

func backupCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the records to a new file, also while the server runs",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				if err := store.Snapshot(cmd.Context(), args[0]); err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "copied to %s; back up payload.keys beside it\n", args[0])
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}
