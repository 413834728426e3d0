package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"candidacy/internal/record"
)

// accessPage is how many rows are read at a time.
const accessPage = 500

func auditAccess() *cobra.Command {
	var s site
	var candidate, actor, since string
	cmd := &cobra.Command{
		Use:   "access",
		Short: "List who looked at a candidate, the newest first",
		Long: "List who looked at a candidate, or what somebody looked at, the newest first.\n\n" +
			"The columns are: number of the row, instant, who, role, what was asked for, the type and\n" +
			"id of a resource, HTTP status, address, and the names of search parameters. A row about\n" +
			"(anybody) is of an answer that told of more people than are listed, such as an export or\n" +
			"the board of all candidates.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			q := record.AccessQuery{Limit: accessPage}
			if candidate == "" && actor == "" {
				return errors.New("--candidate or --actor: one of them is needed")
			}
			if candidate != "" {
				if id, err := uuid.Parse(candidate); err != nil || id.String() != candidate {
					return errors.New("--candidate: not the id of a candidate")
				}
				q.Candidates, q.OrEverybody = []string{candidate}, true
			}
			if actor != "" {
				q.Actors = []string{actor}
			}
			if since != "" {
				from, err := time.Parse(time.RFC3339, since)
				if err != nil {
					if from, err = time.Parse(time.DateOnly, since); err != nil {
						return errors.New("--since: a day such as 2026-03-01 or an instant such as 2026-03-01T08:00:00Z")
					}
				}
				q.Written = [][]record.Span{{{From: record.AccessInstant(from)}}}
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				return listAccess(cmd.Context(), cmd.OutOrStdout(), store, q)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&candidate, "candidate", "", "id of the candidate")
	cmd.Flags().StringVar(&actor, "actor", "", "id of an account, a client or a token")
	cmd.Flags().StringVar(&since, "since", "", "only from this day or instant on")
	return cmd
}

func listAccess(ctx context.Context, out io.Writer, store *record.Store, q record.AccessQuery) error {
	names, err := actorNames(ctx, store)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for {
		rows, err := store.Accesses(ctx, q)
		if err != nil {
			return err
		}
		for _, a := range rows {
			what := a.Interaction
			if a.Everybody {
				what += " (anybody)"
			}
			fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\t%d\t%s\t%s\n", a.Seq, a.At.Format(time.RFC3339), dash(names(a.Actor)), dash(string(a.Role)),
				dash(what), dash(strings.Trim(a.Type+"/"+a.ID, "/")), a.Status, dash(a.Address), strings.Join(a.Parameters, " "))
			q.Before = a.Seq
		}
		if len(rows) < q.Limit {
			return table.Flush()
		}
	}
}

func dash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

// actorNames says who an actor is: the name of an account or a client beside its
// id.
func actorNames(ctx context.Context, store *record.Store) (func(string) string, error) {
	known := map[string]string{}
	accounts, err := store.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	for _, a := range accounts {
		known[a.ID] = a.Username
	}
	clients, err := store.Clients(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range clients {
		known[c.ID] = c.Name
	}
	return func(actor string) string {
		if name, ok := known[actor]; ok {
			return name + " (" + actor + ")"
		}
		return actor
	}, nil
}
