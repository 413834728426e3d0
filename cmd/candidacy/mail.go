package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/command"
	"candidacy/internal/notify"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// mailFlags say which mail server takes the notices. Without an address none is
// sent, and they wait until they are too old.
type mailFlags struct {
	address, from, username, passwordFile, tls string
}

func (m *mailFlags) bind(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&m.address, "smtp-address", "", "mail server for notices, as host:port; without it none is sent")
	f.StringVar(&m.from, "smtp-from", "", "address that notices come from")
	f.StringVar(&m.username, "smtp-username", "", "name to sign in to the mail server with")
	f.StringVar(&m.passwordFile, "smtp-password-file", "", "file with the password for it")
	f.StringVar(&m.tls, "smtp-tls", string(notify.StartTLS), "starttls (refuses a server without it), opportunistic, implicit or none")
}

// server reads the flags; nil when no mail is sent.
func (m *mailFlags) server(publicURL string) (*notify.SMTP, error) {
	if m.address == "" {
		if m.from != "" || m.username != "" || m.passwordFile != "" {
			return nil, errors.New("--smtp-address: missing; the other --smtp flags need it")
		}
		return nil, nil
	}
	if publicURL == "" {
		return nil, errors.New("--public-url: missing; notices lead to the pages")
	}
	if !command.IsEmail(m.from) {
		return nil, errors.New("--smtp-from: accepted: an address alone, such as candidacy@example.org")
	}
	server := &notify.SMTP{Address: m.address, From: m.from, Username: m.username, TLS: notify.TLS(m.tls)}
	if m.passwordFile != "" {
		password, err := os.ReadFile(m.passwordFile)
		if err != nil {
			return nil, fmt.Errorf("--smtp-password-file: %w", err)
		}
		server.Password = strings.TrimRight(string(password), "\r\n")
	}
	if err := server.Check(); err != nil {
		return nil, fmt.Errorf("--smtp: %w", err)
	}
	return server, nil
}

// lookEvery is how often the store is asked for notices that are due. Common
// practice: nobody waits for an e-mail by the second.
const lookEvery = 30 * time.Second

// lastMessage is how long the message under way is waited for when the program
// stops; common practice.
const lastMessage = 10 * time.Second

// sendNotices sends notices until it is stopped; stop waits for the one that is
// being sent.
func sendNotices(ctx context.Context, sys *system.System, server *notify.SMTP, publicURL string, log *slog.Logger) (stop func()) {
	if server == nil {
		return func() {}
	}
	quit := make(chan struct{})
	n := &notify.Notifier{
		Store: sys.Store, Protocols: sys.Protocols, Sender: server, BaseURL: strings.TrimRight(publicURL, "/"), Domain: server.Domain(),
		Policy: notify.DefaultPolicy, Now: time.Now, Jitter: rand.Float64, Log: log, Quit: quit,
	}
	// A signal ends the context; the message under way may still be finished.
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	ticker := time.NewTicker(lookEvery)
	done := make(chan struct{})
	go func() {
		defer close(done)
		n.Run(ctx, ticker.C)
	}()
	return func() {
		close(quit)
		patience := time.AfterFunc(lastMessage, cancel)
		<-done
		patience.Stop()
		cancel()
		ticker.Stop()
	}
}

func noticesCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "notices", Short: "Messages that deadlines asked for"}
	cmd.AddCommand(noticesList())
	return cmd
}

func noticesList() *cobra.Command {
	var s site
	var state string
	var limit int
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List notices, the newest first: id, state, addressee, text, deadline, candidate, due, attempts, last error",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if state != "" && !slices.Contains(record.NoticeStates, record.NoticeState(state)) {
				return fmt.Errorf("--state: %q is not a state; accepted: %v", state, record.NoticeStates)
			}
			if limit < 1 {
				return errors.New("--limit: accepted: 1 or more")
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				list, err := store.Notices(cmd.Context(), record.NoticeState(state), limit)
				if err != nil {
					return err
				}
				for _, n := range list {
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%d\t%s\n", n.ID, n.State, n.Addressee, n.Text, n.Deadline,
						n.Candidate, n.DueAt.Format(time.RFC3339), n.Attempts, n.Error)
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&state, "state", "", "queued, sent, failed or dropped; any otherwise")
	cmd.Flags().IntVar(&limit, "limit", 100, "at most so many")
	return cmd
}

// accountSet changes what an account's holder is reached by.
func accountSet() *cobra.Command {
	var email string
	cmd := accountChange("set", "Set an account's e-mail address",
		"Notices for the account's role go there. An empty --email takes the address away.",
		func(cmd *cobra.Command, store *record.Store, a record.Account) error {
			if !cmd.Flags().Changed("email") {
				return errors.New("--email: missing")
			}
			if email != "" && !command.IsEmail(email) {
				return errors.New("--email: accepted: an address alone, such as name@example.org")
			}
			if err := store.SetEmail(cmd.Context(), a.ID, email); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\nemail %s\n", a.ID, a.Username, email)
			return err
		})
	cmd.Flags().StringVar(&email, "email", "", "e-mail address; empty takes it away")
	return cmd
}
