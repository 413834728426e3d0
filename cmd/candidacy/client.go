package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/smart"
)

func clientCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "client",
		Short: "Systems that read or write through FHIR with SMART Backend Services",
	}
	cmd.AddCommand(clientAdd(), clientList(), clientShow(), clientSwitch(true), clientSwitch(false), clientKeys(), clientScopes())
	return cmd
}

// operator is who gives commands on the command line: the account of the machine
// that runs them.
func operator() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return "os-account " + u.Username
	}
	return "os-account"
}

// keyFlags say where the keys of a client come from.
type keyFlags struct{ file, url string }

func (k *keyFlags) bind(cmd *cobra.Command) {
	cmd.Flags().StringVar(&k.file, "jwks", "", "file with the client's JSON Web Key Set, public keys alone; - reads it from the input")
	cmd.Flags().StringVar(&k.url, "jwks-url", "", "https address where the client publishes its key set; http for loopback alone")
}

func (k *keyFlags) put(cmd *cobra.Command, c *record.Client) error {
	c.Keys, c.KeysURL = nil, k.url
	if k.file == "" {
		return nil
	}
	const most = 1 << 20
	in := cmd.InOrStdin()
	if k.file != "-" {
		file, err := os.Open(k.file)
		if err != nil {
			return fmt.Errorf("--jwks: %w", err)
		}
		defer file.Close()
		in = file
	}
	raw, err := io.ReadAll(io.LimitReader(in, most))
	if err != nil {
		return fmt.Errorf("--jwks: %w", err)
	}
	c.Keys = raw
	return nil
}

// asFlag names the flag that a fault of a registration is about.
func asFlag(err error) error {
	var f *smart.Fault
	if !errors.As(err, &f) {
		return err
	}
	flag := map[string]string{"name": "--name", "role": "--role", "scopes": "--scope", "jwks": "--jwks", "jwks_url": "--jwks-url"}[f.Field]
	return fmt.Errorf("%s: %w", flag, f.Err)
}

func clientAdd() *cobra.Command {
	var s site
	var name, role, scopes string
	var keys keyFlags
	cmd := &cobra.Command{
		Use:   "add",
		Short: "Register a client and print its client_id",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c := record.Client{ID: uuid.NewString(), Name: name, Role: record.ClientRole(role), Scopes: scopes}
			if err := keys.put(cmd, &c); err != nil {
				return err
			}
			if err := smart.Check(&c); err != nil {
				return asFlag(err)
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				if err := store.AddClient(cmd.Context(), c, operator(), journey.Administrator); err != nil {
					return err
				}
				_, err := fmt.Fprintln(cmd.OutOrStdout(), c.ID)
				return err
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&name, "name", "", "what system it is")
	cmd.Flags().StringVar(&role, "role", string(record.ClientReader), "reader, or laboratory for one that may also create and update")
	cmd.Flags().StringVar(&scopes, "scope", "", `the most that it may be granted, such as "system/*.rs"`)
	keys.bind(cmd)
	return cmd
}

func clientList() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the clients: client_id, state, role, registered, scopes, name",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				clients, err := store.Clients(cmd.Context())
				if err != nil {
					return err
				}
				for _, c := range clients {
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%s\t%s\t%s\n", c.ID, clientState(c), c.Role, c.CreatedAt.Format(time.RFC3339), c.Scopes, c.Name)
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func clientState(c record.Client) string {
	if c.Disabled {
		return "disabled"
	}
	return "enabled"
}

func clientShow() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "show CLIENT_ID",
		Short: "Show a client with its keys, and who changed what",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				c, err := store.Client(cmd.Context(), args[0])
				if err != nil {
					return clientFault(err)
				}
				out := cmd.OutOrStdout()
				fmt.Fprintf(out, "client_id %s\nname      %s\nstate     %s\nrole      %s\n", c.ID, c.Name, clientState(c), c.Role)
				for scope := range strings.FieldsSeq(c.Scopes) {
					fmt.Fprintf(out, "scope     %s\n", scope)
				}
				if c.KeysURL != "" {
					fmt.Fprintf(out, "keys at   %s\n", c.KeysURL)
				} else {
					keys, err := smart.ParseKeys(c.Keys)
					if err != nil {
						return err
					}
					for _, k := range keys {
						fmt.Fprintf(out, "key       %s  %s  %s  thumbprint %s\n", k.ID, k.Algorithm, k.Kind(), k.Thumbprint)
					}
				}
				changes, err := store.ClientChanges(cmd.Context(), record.ChangesQuery{Of: c.ID})
				if err != nil {
					return err
				}
				for _, change := range slices.Backward(changes) {
					fmt.Fprintf(out, "change    %d  %s  %s  by %s (%s)\n", change.Seq, change.At.Format(time.RFC3339), change.Kind, change.Actor, change.Role)
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func clientFault(err error) error {
	if errors.Is(err, record.ErrNotFound) {
		return errors.New("CLIENT_ID: no client has this id; client list shows the ids")
	}
	return asFlag(err)
}

// changeClient changes a client in the name of the operator and says so.
func changeClient(ctx context.Context, out io.Writer, s site, id string, kind record.ClientChangeKind, done string, change func(*record.Client) error) error {
	return withStore(ctx, s, func(store *record.Store) error {
		if _, err := store.ChangeClient(ctx, id, kind, operator(), journey.Administrator, change); err != nil {
			return clientFault(err)
		}
		_, err := fmt.Fprintf(out, "client %s: %s\n", id, done)
		return err
	})
}

func clientSwitch(on bool) *cobra.Command {
	var s site
	use, short, kind, done := "disable", "Keep a client out, with the tokens that it has", record.ClientDisabled, "disabled"
	if on {
		use, short, kind, done = "enable", "Let a client in again", record.ClientEnabled, "enabled"
	}
	cmd := &cobra.Command{
		Use:   use + " CLIENT_ID",
		Short: short,
		Long:  short + ".\n\nA running server knows it within 30 seconds; a new token is refused or issued at once.",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return changeClient(cmd.Context(), cmd.OutOrStdout(), s, args[0], kind, done, func(c *record.Client) error {
				c.Disabled = !on
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func clientKeys() *cobra.Command {
	var s site
	var keys keyFlags
	cmd := &cobra.Command{
		Use:   "keys CLIENT_ID",
		Short: "Replace the keys of a client",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var with record.Client
			if err := keys.put(cmd, &with); err != nil {
				return err
			}
			if err := smart.CheckKeys(&with); err != nil {
				return asFlag(err)
			}
			return changeClient(cmd.Context(), cmd.OutOrStdout(), s, args[0], record.ClientRekeyed, "keys replaced", func(c *record.Client) error {
				c.Keys, c.KeysURL = with.Keys, with.KeysURL
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	keys.bind(cmd)
	return cmd
}

func clientScopes() *cobra.Command {
	var s site
	var scopes, role string
	cmd := &cobra.Command{
		Use:   "scopes CLIENT_ID",
		Short: "Replace the scopes of a client, and its role",
		Long:  "Replace the scopes of a client, and its role.\n\nTokens that it has already keep theirs until they expire, within 5 minutes.",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return changeClient(cmd.Context(), cmd.OutOrStdout(), s, args[0], record.ClientRescoped, "scopes replaced", func(c *record.Client) error {
				c.Scopes = scopes
				if role != "" {
					c.Role = record.ClientRole(role)
				}
				return smart.Check(c)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&scopes, "scope", "", `the most that it may be granted, such as "system/*.rs"`)
	cmd.Flags().StringVar(&role, "role", "", "reader or laboratory; without it the role stays")
	return cmd
}
