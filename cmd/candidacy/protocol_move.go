package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/mover"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

func protocolAdoptCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "adopt FILE",
		Short: "Store an approved protocol, so that candidates can be moved to it",
		Long: "Store an approved protocol, so that candidates can be moved to it.\n\n" +
			"The file names who approved it (approved_by, approved_on). The text of a version never\n" +
			"changes: another text under the same version is refused. Nobody is moved, and new\n" +
			"candidates get the version that the server was started with (serve --protocol).",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			p, err := readProtocol(args[0])
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				if err := mover.Adopt(cmd.Context(), store, p); err != nil {
					return fmt.Errorf("%s: %w", args[0], err)
				}
				if err := system.PublishForms(cmd.Context(), store, p); err != nil {
					return err
				}
				_, err := fmt.Fprintf(cmd.OutOrStdout(), "version %s is stored, approved by %s on %s\ndigest %s\n", p.Version, p.ApprovedBy, p.ApprovedOn, p.Digest())
				return err
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

// moving is what is asked of a move.
type moving struct {
	site
	to, from, reason       string
	server, token, account string
	preview, confirm       bool
}

// tokenVariable keeps a token out of the list of processes.
const tokenVariable = "CANDIDACY_TOKEN"

func protocolMoveCommand() *cobra.Command {
	var m moving
	cmd := &cobra.Command{
		Use:   "move --to VERSION",
		Short: "Move the open candidates to a stored protocol version; shows what that does unless --confirm is given",
		Long: "Move the open candidates to a stored protocol version, one command for each.\n\n" +
			"Without --confirm nothing is changed: it prints, for each open candidate, which\n" +
			"requirements and flags come and go. With --confirm it moves one candidate after the\n" +
			"other. A move that was interrupted is given again and goes on with those who are left.\n\n" +
			"It works on a data folder, through its server while one runs, or on another server with\n" +
			"--server and an administrator's token (--token or " + tokenVariable + ").",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return m.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	bindStore(cmd, &m.site)
	f := cmd.Flags()
	f.StringVar(&m.to, "to", "", "version to move to")
	f.StringVar(&m.from, "from", "", "only candidates on this version")
	f.StringVar(&m.reason, "reason", "", "reason, kept with each candidate's entry; name nobody")
	f.BoolVar(&m.preview, "preview", false, "only show what would change; so it is without --confirm")
	f.BoolVar(&m.confirm, "confirm", false, "move the candidates")
	f.StringVar(&m.server, "server", "", "address of a server, such as https://candidacy.example, instead of a data folder")
	f.StringVar(&m.token, "token", "", "administrator's token for --server (or "+tokenVariable+")")
	f.StringVar(&m.account, "account", "", "username of the administrator who moves, for --data")
	// It fails only for a flag that does not exist.
	_ = cmd.MarkFlagRequired("to")
	cmd.MarkFlagsMutuallyExclusive("preview", "confirm")
	cmd.MarkFlagsMutuallyExclusive("server", "data")
	return cmd
}

// programme is what a move works on: a data folder or a server.
type programme interface {
	// changes lists what the move does to each candidate that it takes.
	changes(ctx context.Context) ([]mover.Change, error)
	// move moves one of them.
	move(ctx context.Context, c mover.Change) error
}

func (m *moving) run(ctx context.Context, out io.Writer) error {
	if err := command.Validate(&command.MoveProtocol{Version: m.to, Reason: m.reason}); err != nil {
		return err
	}
	if m.server != "" {
		return m.carryOut(ctx, out, &remote{moving: m, address: strings.TrimRight(m.server, "/"), token: cmp.Or(m.token, os.Getenv(tokenVariable))})
	}
	if !m.confirm {
		return withStore(ctx, m.site, func(store *record.Store) error {
			p, err := m.local(ctx, store, protocol.NewRegistry(store.Protocol), nil)
			if err != nil {
				return err
			}
			return m.carryOut(ctx, out, p)
		})
	}
	if address, err := os.ReadFile(addressFile(m.data)); err == nil && held(m.data) {
		return m.through(ctx, out, "http://"+strings.TrimSpace(string(address)))
	}
	return m.here(ctx, out)
}

// carryOut shows what the move does, and with --confirm does it.
func (m *moving) carryOut(ctx context.Context, out io.Writer, p programme) error {
	changes, err := p.changes(ctx)
	if err != nil {
		return err
	}
	if !m.confirm {
		return printMove(out, m.to, changes)
	}
	var failed []string
	for i, c := range changes {
		err := p.move(ctx, c)
		if ctx.Err() != nil {
			return fmt.Errorf("stopped after %d of %d; give the same command again to go on", i, len(changes))
		}
		word := "moved"
		if err != nil {
			word = "not moved"
			failed = append(failed, c.Candidate+": "+err.Error())
		}
		fmt.Fprintf(out, "%d of %d  %s  %s\n", i+1, len(changes), c.Candidate, word)
	}
	fmt.Fprintf(out, "%d of %d candidates were moved to version %s\n", len(changes)-len(failed), len(changes), m.to)
	if len(failed) == 0 {
		return nil
	}
	fmt.Fprintln(out, "Not moved:")
	for _, line := range failed {
		fmt.Fprintln(out, "  "+line)
	}
	return fmt.Errorf("%d candidates were not moved; give the same command again to try them", len(failed))
}

func printMove(out io.Writer, to string, changes []mover.Change) error {
	affected, counts := 0, map[string]int{}
	list := func(what string, ids []string) {
		for _, id := range ids {
			counts[what]++
			fmt.Fprintf(out, "  %s %s\n", what, id)
		}
	}
	for _, c := range changes {
		if c.None() {
			continue
		}
		affected++
		fmt.Fprintf(out, "candidate %s (%s, from version %s)\n", c.Candidate, c.Stage, c.From)
		list("gains requirement", c.Gained)
		list("loses requirement", c.Lost)
		list("has to be done again:", c.Again)
		for _, f := range c.Flags {
			counts["flag"]++
			fmt.Fprintf(out, "  flag %s: %s to %s\n", f.ID, orNothing(string(f.From)), orNothing(string(f.To)))
		}
		for _, d := range c.Fired {
			counts["deadline"]++
			fmt.Fprintf(out, "  deadline passed by the new version: %s %s\n", d.Kind, d.On)
		}
	}
	fmt.Fprintf(out, "%d open candidates would be moved to version %s; for %d of them something changes:\n"+
		"%d requirements gained, %d lost, %d to be done again, %d flags in another band, %d deadlines passed\n",
		len(changes), to, affected, counts["gains requirement"], counts["loses requirement"], counts["has to be done again:"], counts["flag"], counts["deadline"])
	_, err := fmt.Fprintln(out, "Nothing was moved. Add --confirm to move them.")
	return err
}

// folder is a data folder without a server.
type folder struct {
	*moving
	plan      mover.Plan
	store     *record.Store
	protocols *protocol.Registry
	// dispatcher is nil for a preview.
	dispatcher *dispatch.Dispatcher
	actor      string
}

func (m *moving) local(ctx context.Context, store *record.Store, protocols *protocol.Registry, d *dispatch.Dispatcher) (*folder, error) {
	f := &folder{moving: m, store: store, protocols: protocols, dispatcher: d, plan: mover.Plan{From: m.from}}
	var err error
	if f.plan.To, err = storedVersion(ctx, store, protocols, "--to", m.to); err != nil {
		return nil, err
	}
	if m.from != "" {
		if _, err := storedVersion(ctx, store, protocols, "--from", m.from); err != nil {
			return nil, err
		}
	}
	f.actor, err = m.actor(ctx, store)
	return f, err
}

func storedVersion(ctx context.Context, store *record.Store, protocols *protocol.Registry, flag, version string) (*protocol.Protocol, error) {
	p, err := protocols.Get(ctx, version)
	if !errors.Is(err, record.ErrNotFound) {
		return p, err
	}
	stored, err := store.Protocols(ctx)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, v := range stored {
		names = append(names, v.Version)
	}
	return nil, fmt.Errorf("%s: version %s is not stored; accepted: %s (candidacy protocol adopt stores one)", flag, version, strings.Join(names, ", "))
}

// commandLine is who moves without an account.
const commandLine = "command-line"

// actor is the account that moves.
func (m *moving) actor(ctx context.Context, store *record.Store) (string, error) {
	if m.account == "" {
		return commandLine, nil
	}
	a, err := store.AccountByName(ctx, m.account)
	switch {
	case err != nil:
		return "", fmt.Errorf("--account: %w", err)
	case a.Role != journey.Administrator || a.Disabled:
		return "", fmt.Errorf("--account: %s is disabled or has not the role administrator", m.account)
	}
	return a.ID, nil
}

func (f *folder) changes(ctx context.Context) ([]mover.Change, error) {
	var list []mover.Change
	err := mover.Preview(ctx, f.store, f.protocols, f.plan, "", time.Now(), func(c mover.Change) (bool, error) {
		list = append(list, c)
		return true, nil
	})
	return list, err
}

func (f *folder) move(ctx context.Context, c mover.Change) error {
	ctx, cancel := context.WithTimeout(ctx, moveTimeout)
	defer cancel()
	return mover.Give(ctx, f.dispatcher, f.to, c, f.actor, f.reason)
}

// moveTimeout bounds the move of one candidate.
const moveTimeout = time.Minute

// here opens the system just for the move.
func (m *moving) here(ctx context.Context, out io.Writer) error {
	return withSystem(ctx, m.site, func(sys *system.System) error {
		p, err := m.local(ctx, sys.Store, sys.Protocols, sys.Dispatcher)
		if err != nil {
			return err
		}
		return m.carryOut(ctx, out, p)
	})
}

// tokenLife is longer than a move takes. The token is written nowhere.
const tokenLife = 6 * time.Hour

// through moves by the server that holds the folder, under a token that lives
// just for it.
func (m *moving) through(ctx context.Context, out io.Writer, address string) error {
	return withStore(ctx, m.site, func(store *record.Store) (err error) {
		account := ""
		if m.account != "" {
			if account, err = m.actor(ctx, store); err != nil {
				return err
			}
		}
		token, err := store.IssueToken(ctx, journey.Administrator, account, tokenLife)
		if err != nil {
			return err
		}
		return m.carryOut(ctx, out, &remote{moving: m, address: address, token: token})
	})
}

// remote is a server.
type remote struct {
	*moving
	address, token string
}

func (r *remote) changes(ctx context.Context) ([]mover.Change, error) {
	if r.token == "" {
		return nil, errors.New("--token: missing; an administrator's token is needed (candidacy token issue --role administrator)")
	}
	var list []mover.Change
	query := url.Values{"to": {r.to}, "limit": {"100"}}
	if r.from != "" {
		query.Set("from", r.from)
	}
	for {
		var page struct {
			Candidates []mover.Change `json:"candidates"`
			Next       string         `json:"next"`
		}
		if _, err := r.ask(ctx, http.MethodGet, "/api/protocol/move?"+query.Encode(), "", nil, &page); err != nil {
			return nil, err
		}
		list = append(list, page.Candidates...)
		if page.Next == "" {
			return list, nil
		}
		query.Set("after", page.Next)
	}
}

func (r *remote) move(ctx context.Context, c mover.Change) error {
	ctx, cancel := context.WithTimeout(ctx, moveTimeout)
	defer cancel()
	path := "/api/candidates/" + c.Candidate + "/commands/" + string(journey.MoveProtocol)
	key := mover.Key(r.to, c, r.token, r.reason)
	for {
		status, err := r.ask(ctx, http.MethodPost, path, key, command.MoveProtocol{Version: r.to, Reason: r.reason}, nil)
		var refused *serverRefusal
		switch {
		case errors.As(err, &refused) && refused.status == http.StatusConflict && refused.names("version"):
			return nil // it is there by a command whose answer was lost
		case err != nil || status != http.StatusAccepted:
			return err
		}
		// Still under way: the same key learns the outcome.
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Second):
		}
	}
}

// ask sends one request and reads a JSON answer.
func (r *remote) ask(ctx context.Context, method, path, key string, body, into any) (status int, err error) {
	header := http.Header{}
	var raw []byte
	if body != nil {
		if raw, err = json.Marshal(body); err != nil {
			return 0, fmt.Errorf("encode the request: %w", err)
		}
		header = http.Header{"Content-Type": {"application/json"}, "Idempotency-Key": {key}}
	}
	status, answer, err := askServer(ctx, method, r.address+path, r.token, header, raw)
	if err != nil || into == nil {
		return status, err
	}
	if err := json.Unmarshal(answer, into); err != nil {
		return 0, fmt.Errorf("read the answer: %w", err)
	}
	return status, nil
}
