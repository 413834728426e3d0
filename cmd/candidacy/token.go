package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// withStore opens the records of a folder beside a server that may be running.
func withStore(ctx context.Context, s site, fn func(*record.Store) error) (err error) {
	options, err := s.options(slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	store, err := system.OpenStore(ctx, options)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	return fn(store)
}

func bindStore(cmd *cobra.Command, s *site) {
	cmd.Flags().StringVar(&s.data, "data", defaultData("data"), "folder of the records")
	cmd.Flags().StringVar(&s.database, "database-url", "", "PostgreSQL URL that replaces records.db (or DATABASE_URL)")
}

// roleNamed reads a role and says which there are.
func roleNamed(name string) (journey.Role, error) {
	role := journey.Role(name)
	if slices.Contains(journey.Roles, role) {
		return role, nil
	}
	names := make([]string, len(journey.Roles))
	for i, r := range journey.Roles {
		names[i] = string(r)
	}
	return "", fmt.Errorf("--role: %q is not a role; accepted: %s", name, strings.Join(names, ", "))
}

func tokenCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "token", Short: "Bearer tokens for /api and /fhir"}
	var s site
	var role, account string
	var days int
	issue := &cobra.Command{
		Use:   "issue",
		Short: "Print a new token; only its digest is stored",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			granted, err := roleNamed(role)
			if err != nil {
				return err
			}
			if days < 1 {
				return errors.New("--days: at least 1")
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				id := ""
				if account != "" {
					a, err := store.AccountByName(cmd.Context(), account)
					if err != nil {
						return fmt.Errorf("--account: %w", err)
					}
					if a.Role != granted {
						return fmt.Errorf("--account: %s has the role %s", account, a.Role)
					}
					id = a.ID
				}
				token, err := store.IssueToken(cmd.Context(), granted, id, time.Duration(days)*24*time.Hour)
				if err != nil {
					return err
				}
				fmt.Fprintln(cmd.OutOrStdout(), token)
				return nil
			})
		},
	}
	bindStore(issue, &s)
	issue.Flags().StringVar(&role, "role", "", "coordinator, clinician, advocate, committee, auditor, ehr or administrator")
	issue.Flags().StringVar(&account, "account", "", "username the token acts for; without it the token is its own actor")
	issue.Flags().IntVar(&days, "days", 30, "days until the token expires")
	cmd.AddCommand(issue)
	return cmd
}
