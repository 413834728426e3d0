package main

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"candidacy/internal/record"
)

// shortestPassword follows NIST SP 800-63B: length, and no rule of composition.
const shortestPassword = 12

func accountCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "account", Short: "People who may sign in"}
	cmd.AddCommand(accountAdd(), accountList(), accountTeam())
	return cmd
}

func accountAdd() *cobra.Command {
	var s site
	var username, name, role string
	var read bool
	cmd := &cobra.Command{
		Use:   "add",
		Short: "Add an account and print its first password",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			granted, err := roleNamed(role)
			if err != nil {
				return err
			}
			if strings.TrimSpace(username) == "" {
				return errors.New("--username: missing")
			}
			if name == "" {
				name = username
			}
			password := rand.Text()
			if read {
				line, err := bufio.NewReader(cmd.InOrStdin()).ReadString('\n')
				password = strings.TrimRight(line, "\r\n")
				if err != nil && password == "" {
					return fmt.Errorf("read the password: %w", err)
				}
				if len(password) < shortestPassword {
					return fmt.Errorf("the password is shorter than %d characters", shortestPassword)
				}
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				a, err := store.AddAccount(cmd.Context(), "acc-"+uuid.NewString(), username, name, granted, password)
				if err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\nrole %s\n", a.ID, a.Username, a.Role)
				if !read {
					fmt.Fprintf(cmd.OutOrStdout(), "password %s\n", password)
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&username, "username", "", "name to sign in with")
	cmd.Flags().StringVar(&name, "name", "", "name to show; the username otherwise")
	cmd.Flags().StringVar(&role, "role", "", "coordinator, clinician, advocate, committee, auditor, ehr or administrator")
	cmd.Flags().BoolVar(&read, "password-stdin", false, "read the password from standard input")
	return cmd
}

func accountList() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List accounts",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				accounts, err := store.Accounts(cmd.Context())
				if err != nil {
					return err
				}
				for _, a := range accounts {
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%s\n", a.ID, a.Username, a.Role, a.Name)
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func accountTeam() *cobra.Command {
	var s site
	var username, recipient string
	cmd := &cobra.Command{
		Use:   "recipient-team",
		Short: "Record that an account cares for a recipient, and so may not see or serve that recipient's candidates",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				if recipient == "" {
					return errors.New("--recipient: missing")
				}
				a, err := store.AccountByName(cmd.Context(), username)
				if err != nil {
					return fmt.Errorf("--username: %w", err)
				}
				return store.AddToRecipientTeam(cmd.Context(), recipient, a.ID)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&username, "username", "", "account")
	cmd.Flags().StringVar(&recipient, "recipient", "", "opaque reference of the recipient")
	return cmd
}
