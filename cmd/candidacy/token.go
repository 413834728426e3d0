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
	"candidacy/internal/smart"
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

// longestDays bounds how long a token that nobody remembers stays good.
const longestDays = 366

func tokenCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "token", Short: "Bearer tokens for /api and /fhir"}
	cmd.AddCommand(tokenIssue(), tokenList(), tokenRevoke())
	return cmd
}

func tokenIssue() *cobra.Command {
	var s site
	var role, account, scopes string
	var days int
	cmd := &cobra.Command{
		Use:   "issue",
		Short: "Print a new token; only its digest is stored",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			granted, err := roleNamed(role)
			if err != nil {
				return err
			}
			if scopes, err = tokenScopes(scopes, granted); err != nil {
				return err
			}
			if days < 1 || days > longestDays {
				return fmt.Errorf("--days: from 1 to %d", longestDays)
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
					if a.Disabled {
						return fmt.Errorf("--account: %s is disabled", account)
					}
					id = a.ID
				}
				token, err := store.IssueScopedToken(cmd.Context(), granted, id, scopes, time.Duration(days)*24*time.Hour)
				if err != nil {
					return err
				}
				fmt.Fprintln(cmd.OutOrStdout(), token)
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&role, "role", "", "coordinator, clinician, advocate, committee, auditor, ehr or administrator")
	cmd.Flags().StringVar(&account, "account", "", "username the token acts for; without it the token is its own actor")
	cmd.Flags().StringVar(&scopes, "scope", "", "SMART scopes that a token of the role ehr is good for; without them it reads all but AuditEvent")
	cmd.Flags().IntVar(&days, "days", 30, fmt.Sprintf("days until the token expires, at most %d", longestDays))
	return cmd
}

// tokenScopes checks the scopes of a token that is issued by hand.
func tokenScopes(text string, role journey.Role) (string, error) {
	if text == "" {
		return "", nil
	}
	if role != journey.EHR {
		return "", fmt.Errorf("--scope: only for the role %s", journey.EHR)
	}
	if _, err := smart.CheckScopes(text, record.ClientLaboratory); err != nil {
		return "", fmt.Errorf("--scope: %w", err)
	}
	return strings.Join(strings.Fields(text), " "), nil
}

func tokenList() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the tokens that have not expired: id, role, account, issued, expires",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				accounts, err := store.Accounts(cmd.Context())
				if err != nil {
					return err
				}
				// A token that is its own actor has no account.
				names := map[string]string{"": "-"}
				for _, a := range accounts {
					names[a.ID] = a.Username
				}
				tokens, err := store.Tokens(cmd.Context())
				if err != nil {
					return err
				}
				for _, t := range tokens {
					account, ok := names[t.Account]
					if !ok {
						account = t.Account
					}
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%s\t%s\n", t.ID, t.Role, account,
						t.CreatedAt.Format(time.RFC3339), t.ExpiresAt.Format(time.RFC3339))
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func tokenRevoke() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "revoke ID",
		Short: "Make a token worthless; token list shows the ids",
		Long: "Make a token worthless; token list shows the ids.\n\n" +
			"A running server refuses the token within 30 seconds.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				err := store.RevokeToken(cmd.Context(), args[0])
				if errors.Is(err, record.ErrNotFound) {
					// The argument is not repeated: it may be the token itself.
					return errors.New("ID: no token has this id; token list shows the ids")
				}
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "token %s revoked\n", args[0])
				return err
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}
