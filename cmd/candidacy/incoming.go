package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/system"
)

func incomingCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "incoming", Short: "Messages of laboratories, and those that wait for a person",
		Long: "Messages of laboratories, and those that wait for a person.\n\n" +
			"They hold names and values: whoever has the folder of the records reads all of it.\n" +
			"A decision is made in the name of a coordinator (--by), and kept with the reason.",
	}
	cmd.AddCommand(incomingList(), incomingShow(), incomingApply(), incomingSetAside(), incomingNumber())
	return cmd
}

func incomingList() *cobra.Command {
	var s site
	var state string
	var limit int
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List messages that wait, the longest waiting first: id, state, received, channel, sender, kinds of issues",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			states := []incoming.State{incoming.Held, incoming.Refused}
			if state != "" {
				if !slices.Contains(record.IncomingStates, incoming.State(state)) {
					return fmt.Errorf("--state: %q is not a state; accepted: %v", state, record.IncomingStates)
				}
				states = []incoming.State{incoming.State(state)}
			}
			if limit < 1 {
				return errors.New("--limit: accepted: 1 or more")
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				list, err := store.Incomings(cmd.Context(), limit, states...)
				if err != nil {
					return err
				}
				for _, m := range list {
					if err := printLine(cmd.OutOrStdout(), m); err != nil {
						return err
					}
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&state, "state", "", "received, applied, held, refused or settled; held and refused otherwise")
	cmd.Flags().IntVar(&limit, "limit", 100, "at most so many")
	return cmd
}

func printLine(out io.Writer, m record.Incoming) error {
	o, err := incoming.OutcomeOf(m, false)
	if err != nil {
		return err
	}
	var kinds []string
	for _, i := range o.Issues {
		if !slices.Contains(kinds, string(i.Kind)) {
			kinds = append(kinds, string(i.Kind))
		}
	}
	_, err = fmt.Fprintf(out, "%s\t%s\t%s\t%s\t%s\t%s\n", m.ID, m.State, m.ReceivedAt.Format(time.RFC3339), m.Channel, m.Sender, strings.Join(kinds, ","))
	return err
}

func incomingShow() *cobra.Command {
	var s site
	var raw bool
	cmd := &cobra.Command{
		Use:   "show ID",
		Short: "Show a message as it is understood; --raw writes it as it came",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				m, err := store.Incoming(cmd.Context(), args[0])
				if err != nil {
					return fmt.Errorf("message %s: %w", args[0], err)
				}
				if raw {
					_, err := cmd.OutOrStdout().Write(m.Raw)
					return err
				}
				return showMessage(cmd.Context(), cmd.OutOrStdout(), s, store, m)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&s.protocol, "protocol", "", "programme protocol file whose mapping reads the message; the embedded default otherwise")
	cmd.Flags().BoolVar(&raw, "raw", false, "write the message as it came")
	return cmd
}

func showMessage(ctx context.Context, out io.Writer, s site, store *record.Store, m record.Incoming) error {
	p := protocol.Default()
	if s.protocol != "" {
		var err error
		if p, err = readProtocol(s.protocol); err != nil {
			return fmt.Errorf("%s: %w", s.protocol, err)
		}
	}
	q := incoming.New(store, nil, time.Now, nil)
	q.Readers = system.Readers(p)
	v, err := q.View(ctx, "", m.ID)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "message %s\nstate %s\nrevision %d\nreceived %s\nchannel %s\nsender %s\ncontrol id %s\ntype %s\n",
		m.ID, m.State, m.Revision, m.ReceivedAt.Format(time.RFC3339), m.Channel, m.Sender, m.ControlID, m.ContentType)
	for _, i := range v.Outcome.Issues {
		fmt.Fprintf(out, "issue %s: %s\n", i.Kind, i.Error())
	}
	for n, g := range v.Groups {
		fmt.Fprintf(out, "group %d: %s\n", n, g.Part.State)
		for _, id := range g.Identifiers {
			fmt.Fprintf(out, "  identifier %s|%s\n", id.System, id.Value)
		}
		fmt.Fprintf(out, "  person %s, %s, born %s, %s\n", g.Person.Family, g.Person.Given, g.Person.BirthDate, g.Person.Sex)
		if g.Candidate != nil {
			fmt.Fprintf(out, "  candidate %s\n", g.Candidate.ID)
		}
		for _, r := range g.Results {
			value, err := json.Marshal(map[string]any{"quantity": r.Quantity, "coded": r.Coded, "text": r.Text, "components": r.Components})
			if err != nil {
				return fmt.Errorf("encode a result: %w", err)
			}
			fmt.Fprintf(out, "  result %s|%s %s %s %s %s\n", r.Identifier.System, r.Identifier.Value, r.Status, r.Code.Code, r.Effective, value)
		}
		fmt.Fprintf(out, "  can %v\n", g.Can)
	}
	for _, a := range v.Done {
		fmt.Fprintf(out, "done %s %s by %s: %s\n", a.At.Format(time.RFC3339), a.Kind, a.Actor, a.Reason)
	}
	return nil
}

// deciding are the flags of a decision.
type deciding struct {
	site
	by, reason, candidate, birthDate string
	group                            int
	accept, rest, takeBack           bool
}

func (d *deciding) bind(cmd *cobra.Command) {
	bindStore(cmd, &d.site)
	f := cmd.Flags()
	f.StringVar(&d.by, "by", "", "username of the coordinator who decides")
	f.StringVar(&d.reason, "reason", "", "why; it is kept")
}

func incomingApply() *cobra.Command {
	var d deciding
	cmd := &cobra.Command{
		Use:   "apply ID",
		Short: "Read a message anew and carry it out; or assign it, accept a conflict, take the rest or take a result back",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			act := incoming.Again
			switch {
			case d.candidate != "":
				act = incoming.Assign
			case d.accept:
				act = incoming.Accept
			case d.rest:
				act = incoming.Rest
			case d.takeBack:
				act = incoming.TakeBack
			}
			return d.decide(cmd.Context(), cmd.OutOrStdout(), args[0], act)
		},
	}
	d.bind(cmd)
	f := cmd.Flags()
	f.StringVar(&d.protocol, "protocol", "", "programme protocol file; the embedded default otherwise; a running server uses its own")
	f.StringVar(&d.candidate, "candidate", "", "id of the candidate whom it is about, with --birth-date")
	f.StringVar(&d.birthDate, "birth-date", "", "date of birth of the candidate, as it was compared")
	f.IntVar(&d.group, "group", 0, "which part of the message, as show numbers them")
	f.BoolVar(&d.accept, "accept", false, "let in what goes against the order of reports")
	f.BoolVar(&d.rest, "take-rest", false, "carry out what was understood without the rest")
	f.BoolVar(&d.takeBack, "take-back", false, "mark as entered in error what was reported of a wrong person")
	cmd.MarkFlagsMutuallyExclusive("candidate", "accept", "take-rest", "take-back")
	return cmd
}

func incomingSetAside() *cobra.Command {
	var d deciding
	cmd := &cobra.Command{
		Use:   "set-aside ID",
		Short: "End the matter of a message without any of it on record; it stays kept",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return d.decide(cmd.Context(), cmd.OutOrStdout(), args[0], incoming.SetAside)
		},
	}
	d.bind(cmd)
	return cmd
}

// decide makes a decision in the name of a coordinator, through the server while
// one runs on the folder.
func (d *deciding) decide(ctx context.Context, out io.Writer, id string, act incoming.Act) error {
	ctx, cancel := context.WithTimeout(ctx, intakeTimeout)
	defer cancel()
	deed := incoming.Deed{
		Message: id, Key: uuid.NewString(), Act: act, Group: d.group, Candidate: d.candidate, BirthDate: journey.Date(d.birthDate),
		Reason: d.reason, Role: journey.Coordinator,
	}
	token := ""
	address, errAddress := os.ReadFile(addressFile(d.data))
	through := errAddress == nil && held(d.data)
	err := withStore(ctx, d.site, func(store *record.Store) error {
		account, err := coordinatorNamed(ctx, store, d.by)
		if err != nil {
			return err
		}
		deed.Actor = account.ID
		m, err := store.Incoming(ctx, id)
		if err != nil {
			return fmt.Errorf("message %s: %w", id, err)
		}
		deed.Revision = m.Revision
		if through {
			token, err = store.IssueToken(ctx, journey.Coordinator, account.ID, intakeTimeout)
		}
		return err
	})
	if err != nil {
		return err
	}
	if through {
		if err := decideThrough(ctx, strings.TrimSpace(string(address)), token, deed); err != nil {
			return err
		}
		return withStore(ctx, d.site, func(store *record.Store) error {
			m, err := store.Incoming(ctx, id)
			if err != nil {
				return err
			}
			return printLine(out, m)
		})
	}
	return withSystem(ctx, d.site, func(sys *system.System) error {
		if _, err := sys.Incoming.Decide(ctx, deed); err != nil {
			return err
		}
		m, err := sys.Store.Incoming(ctx, id)
		if err != nil {
			return err
		}
		return printLine(out, m)
	})
}

func coordinatorNamed(ctx context.Context, store *record.Store, username string) (record.Account, error) {
	if strings.TrimSpace(username) == "" {
		return record.Account{}, errors.New("--by: missing: the username of the coordinator who decides")
	}
	a, err := store.AccountByName(ctx, username)
	switch {
	case err != nil:
		return a, fmt.Errorf("--by: %w", err)
	case a.Role != journey.Coordinator || a.Disabled:
		return a, errors.New("--by: accepted: an enabled account of the role coordinator")
	}
	return a, nil
}

// decideThrough gives a decision to the running server.
func decideThrough(ctx context.Context, address, token string, d incoming.Deed) error {
	members := map[string]any{"act": d.Act, "revision": d.Revision, "group": d.Group, "reason": d.Reason}
	if d.Candidate != "" {
		members["candidate"], members["birth_date"] = d.Candidate, d.BirthDate
	}
	body, err := json.Marshal(members)
	if err != nil {
		return fmt.Errorf("encode the decision: %w", err)
	}
	_, _, err = askServer(ctx, http.MethodPost, "http://"+address+"/api/incoming/"+d.Message+"/decisions", token,
		http.Header{"Content-Type": {"application/json"}, "Idempotency-Key": {d.Key}}, body)
	return err
}

func incomingNumber() *cobra.Command {
	var s site
	var by, candidate, system, value, kind, reason string
	cmd := &cobra.Command{
		Use:   "number",
		Short: "Record a further patient number of a candidate, so that messages with it find them",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for flag, given := range map[string]string{"candidate": candidate, "system": system, "value": value, "reason": reason} {
				if strings.TrimSpace(given) == "" {
					return fmt.Errorf("--%s: missing", flag)
				}
			}
			if !slices.Contains(record.IdentifierKinds, kind) {
				return fmt.Errorf("--kind: accepted: %v", record.IdentifierKinds)
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				account, err := coordinatorNamed(cmd.Context(), store, by)
				if err != nil {
					return err
				}
				if _, err := store.Candidate(cmd.Context(), candidate); err != nil {
					return fmt.Errorf("--candidate: %w", err)
				}
				if err := store.AddIdentifier(cmd.Context(), record.FurtherIdentifier{
					Identifier: result.Identifier{System: system, Value: value}, Candidate: candidate, Kind: kind, Reason: reason, RecordedBy: account.ID,
				}); err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "candidate %s\t%s\n", candidate, kind)
				return err
			})
		},
	}
	bindStore(cmd, &s)
	f := cmd.Flags()
	f.StringVar(&by, "by", "", "username of the coordinator who records it")
	f.StringVar(&candidate, "candidate", "", "id of the candidate")
	f.StringVar(&system, "system", "", "URI of the authority that gave the number")
	f.StringVar(&value, "value", "", "the number")
	f.StringVar(&kind, "kind", record.IdentifierAlias, "alias or merged")
	f.StringVar(&reason, "reason", "", "why; it is kept")
	return cmd
}
