package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/signin"
)

func accountCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "account", Short: "People who may sign in"}
	cmd.AddCommand(accountAdd(), accountList(), accountDisable(), accountEnable(), accountPassword(), accountTeam(), accountSet(), accountSecondFactor(), accountLink())
	return cmd
}

// accountNamed finds the account of --username.
func accountNamed(ctx context.Context, store *record.Store, username string) (record.Account, error) {
	if strings.TrimSpace(username) == "" {
		return record.Account{}, errors.New("--username: missing")
	}
	a, err := store.AccountByName(ctx, username)
	if err != nil {
		return a, fmt.Errorf("--username: %w", err)
	}
	return a, nil
}

// readPassword reads the line that --password-stdin asks for.
func readPassword(in io.Reader) (string, error) {
	line, err := bufio.NewReader(in).ReadString('\n')
	password := strings.TrimRight(line, "\r\n")
	if err != nil && password == "" {
		return "", fmt.Errorf("--password-stdin: read the password: %w", err)
	}
	if err := signin.CheckPassword(password); err != nil {
		return "", fmt.Errorf("--password-stdin: the password is %w", err)
	}
	return password, nil
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
				if password, err = readPassword(cmd.InOrStdin()); err != nil {
					return err
				}
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				a, err := store.AddAccount(record.As(cmd.Context(), operator(), journey.Administrator), "acc-"+uuid.NewString(), username, name, granted, password)
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
		Short: "List accounts: id, username, role, name, enabled or disabled, e-mail address",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				accounts, err := store.Accounts(cmd.Context())
				if err != nil {
					return err
				}
				for _, a := range accounts {
					state := "enabled"
					if a.Disabled {
						state = "disabled"
					}
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%s\t%s\t%s\n", a.ID, a.Username, a.Role, a.Name, state, a.Email)
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

// accountChange is a command that changes the account of --username.
func accountChange(use, short, long string, change func(cmd *cobra.Command, store *record.Store, a record.Account) error) *cobra.Command {
	var s site
	var username string
	cmd := &cobra.Command{
		Use:   use,
		Short: short,
		Long:  short + ".\n\n" + long,
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				a, err := accountNamed(cmd.Context(), store, username)
				if err != nil {
					return err
				}
				cmd.SetContext(record.As(cmd.Context(), operator(), journey.Administrator))
				return change(cmd, store, a)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&username, "username", "", "account")
	return cmd
}

func accountDisable() *cobra.Command {
	return accountChange("disable", "Keep an account out",
		"Its sessions end and its password is refused at once. The tokens bound to it are refused too,\n"+
			"on a running server within 30 seconds.",
		func(cmd *cobra.Command, store *record.Store, a record.Account) error {
			if err := store.DisableAccount(cmd.Context(), a.ID); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\ndisabled\n", a.ID, a.Username)
			return err
		})
}

func accountEnable() *cobra.Command {
	return accountChange("enable", "Let a disabled account in again",
		"Its password and the tokens bound to it are good again; what should stay refused is for\n"+
			"account password and token revoke.",
		func(cmd *cobra.Command, store *record.Store, a record.Account) error {
			if err := store.EnableAccount(cmd.Context(), a.ID); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\nenabled\n", a.ID, a.Username)
			return err
		})
}

func accountPassword() *cobra.Command {
	var read bool
	cmd := accountChange("password", "Replace an account's password and print the new one",
		"The account's sessions end. The tokens bound to it stay: see token revoke.",
		func(cmd *cobra.Command, store *record.Store, a record.Account) error {
			password := rand.Text()
			if read {
				var err error
				if password, err = readPassword(cmd.InOrStdin()); err != nil {
					return err
				}
			}
			if err := store.SetPassword(cmd.Context(), a.ID, password); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\n", a.ID, a.Username)
			if !read {
				fmt.Fprintf(cmd.OutOrStdout(), "password %s\n", password)
			}
			return nil
		})
	cmd.Flags().BoolVar(&read, "password-stdin", false, "read the password from standard input")
	return cmd
}

func accountTeam() *cobra.Command {
	var s site
	var username, recipient string
	var remove bool
	cmd := &cobra.Command{
		Use:   "recipient-team",
		Short: "Record that an account cares for a recipient, and so may not see or serve that recipient's candidates",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				if recipient == "" {
					return errors.New("--recipient: missing")
				}
				a, err := accountNamed(cmd.Context(), store, username)
				if err != nil {
					return err
				}
				if !remove {
					return store.AddToRecipientTeam(cmd.Context(), recipient, a.ID)
				}
				err = store.RemoveFromRecipientTeam(cmd.Context(), recipient, a.ID)
				if errors.Is(err, record.ErrNotFound) {
					return errors.New("--recipient: the account is not on the team of this recipient")
				}
				return err
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&username, "username", "", "account")
	cmd.Flags().StringVar(&recipient, "recipient", "", "opaque reference of the recipient")
	cmd.Flags().BoolVar(&remove, "remove", false, "record that the account no longer cares for the recipient")
	return cmd
}

// accountSecondFactor takes a second factor away, for whoever lost the telephone and
// the recovery codes.
func accountSecondFactor() *cobra.Command {
	var remove bool
	cmd := accountChange("second-factor", "Say whether an account has a second factor, or remove it",
		"With --remove the second factor and its recovery codes are gone and the account's sessions end;\n"+
			"the password alone lets its owner in afterwards. Make sure that it is the owner who asks.",
		func(cmd *cobra.Command, store *record.Store, a record.Account) error {
			state := "none"
			switch {
			case remove:
				if err := store.RemoveSecondFactor(cmd.Context(), a.ID); err != nil {
					return err
				}
				state = "removed"
			case a.SecondFactor:
				f, err := store.SecondFactor(cmd.Context(), a.ID)
				if err != nil {
					return err
				}
				state = fmt.Sprintf("set up, %d recovery codes left", f.Codes)
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\nsecond factor %s\n", a.ID, a.Username, state)
			return err
		})
	cmd.Flags().BoolVar(&remove, "remove", false, "remove the second factor and its recovery codes")
	return cmd
}
