package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

func protocolCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "protocol", Short: "Programme protocols: check, compare and adopt them, explain a candidate's plan, move candidates"}
	cmd.AddCommand(protocolCheckCommand(), protocolSchemaCommand(), protocolShowCommand(), protocolDiffCommand(), protocolExplainCommand(),
		protocolAdoptCommand(), protocolMoveCommand())
	return cmd
}

// defaultProtocol names the embedded protocol where a file is asked for.
const defaultProtocol = "default"

func protocolCheckCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE",
		Short: "Check a protocol file and name every mistake with its line",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			p, err := readProtocol(args[0])
			if faults := protocol.Faults(err); len(faults) > 0 {
				for _, f := range faults {
					rule := f.Rule
					if rule != "" {
						rule += ": "
					}
					fmt.Fprintf(cmd.OutOrStdout(), "%s:%d: %s%s\n", args[0], f.Line, rule, f.Message)
				}
				return fmt.Errorf("the protocol has %s", count(len(faults), "mistake"))
			}
			if err != nil {
				return err
			}
			conditions := 0
			for _, r := range p.Requirements {
				if r.When != "" || len(r.WhenFlagged) > 0 {
					conditions++
				}
			}
			fmt.Fprintf(cmd.OutOrStdout(), "version %s is sound: %d requirements (%d of them conditional), %d flags, %d facts, %d observations\ndigest %s\n",
				p.Version, len(p.Requirements), conditions, len(p.Flags), len(p.Facts), len(p.Observations), p.Digest())
			return nil
		},
	}
}

func protocolSchemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of a protocol file, for editors",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return printJSON(cmd.OutOrStdout(), protocol.Schema())
		},
	}
}

func protocolShowCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show",
		Short: "Print the embedded default protocol, to be copied and changed",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := io.WriteString(cmd.OutOrStdout(), protocol.Default().Source())
			return err
		},
	}
}

// readProtocol reads a file, or the embedded protocol.
func readProtocol(name string) (*protocol.Protocol, error) {
	if name == defaultProtocol {
		return protocol.Default(), nil
	}
	source, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read the protocol: %w", err)
	}
	return protocol.Parse(source)
}

func protocolDiffCommand() *cobra.Command {
	var s site
	var effects bool
	cmd := &cobra.Command{
		Use:   "diff A B",
		Short: "Show what differs between two protocols, and what that does to the open candidates",
		Long: "Show what differs between two protocol files, and with --candidates what that does to the\n" +
			"open candidates: who gains or loses a requirement or a flag. \"default\" is the embedded\n" +
			"protocol. Nothing is changed; candidates stay on the version they have.",
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			from, err := readProtocol(args[0])
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			to, err := readProtocol(args[1])
			if err != nil {
				return fmt.Errorf("%s: %w", args[1], err)
			}
			printChanges(cmd.OutOrStdout(), from, to)
			if !effects {
				return nil
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				return printEffects(cmd.Context(), cmd.OutOrStdout(), store, from, to)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().BoolVar(&effects, "candidates", false, "compare what both make of every open candidate")
	return cmd
}

func printChanges(out io.Writer, from, to *protocol.Protocol) {
	changes := protocol.Diff(from, to)
	fmt.Fprintf(out, "version %s to %s: %s\n", from.Version, to.Version, count(len(changes), "difference"))
	for _, c := range changes {
		fmt.Fprintf(out, "%-8s %s %s\n", c.Kind, c.Part, c.ID)
		for _, f := range c.Fields {
			fmt.Fprintf(out, "         %s\n           from %s\n           to   %s\n", f.Field, orNothing(f.From), orNothing(f.To))
		}
	}
}

func orNothing(text string) string {
	if text == "" {
		return "(nothing)"
	}
	return text
}

// eachOpen calls fn for every candidate whose journey is before the operation.
func eachOpen(ctx context.Context, store *record.Store, fn func(record.Candidate) error) error {
	const page = 200
	after := ""
	for {
		list, err := store.List(ctx, record.Filter{OpenOnly: true}, after, page)
		if err != nil {
			return err
		}
		for _, c := range list {
			after = c.ID
			if c.State.Operated != "" {
				continue // eligibility is a question before the operation
			}
			if err := fn(c); err != nil {
				return err
			}
		}
		if len(list) < page {
			return nil
		}
	}
}

// errStopped ends the reading of candidates whom nobody asks for any more.
var errStopped = errors.New("stopped")

func printEffects(ctx context.Context, out io.Writer, store *record.Store, from, to *protocol.Protocol) error {
	today := journey.DateOf(time.Now(), to.Zone())
	all, affected := 0, 0
	var failed error
	open := func(yield func(record.Candidate, protocol.Case) bool) {
		failed = eachOpen(ctx, store, func(c record.Candidate) error {
			results, err := store.Results(ctx, c.ID)
			if err != nil {
				return err
			}
			all++
			person := activities.PersonOf(c)
			if !yield(c, protocol.Case{Person: person, Results: results}) {
				return errStopped
			}
			return nil
		})
	}
	for c, effect := range protocol.Effects(from, to, today, open) {
		if effect.None() {
			continue
		}
		affected++
		fmt.Fprintf(out, "candidate %s (%s)\n", c.ID, c.State.Stage)
		for _, id := range effect.Gained {
			fmt.Fprintf(out, "  gains requirement %s\n", id)
		}
		for _, id := range effect.Lost {
			fmt.Fprintf(out, "  loses requirement %s\n", id)
		}
		for _, f := range effect.Flags {
			fmt.Fprintf(out, "  flag %s: %s to %s\n", f.ID, orNothing(string(f.From)), orNothing(string(f.To)))
		}
	}
	if failed != nil {
		return failed
	}
	fmt.Fprintf(out, "%d of %d open candidates are affected\n", affected, all)
	return nil
}

func protocolExplainCommand() *cobra.Command {
	var s site
	var candidate string
	cmd := &cobra.Command{
		Use:   "explain --candidate ID",
		Short: "Explain a candidate's plan: each requirement, why it applies, and what it rests on",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				return explain(cmd.Context(), cmd.OutOrStdout(), store, candidate)
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&candidate, "candidate", "", "id of the candidate")
	// It fails only for a flag that does not exist.
	_ = cmd.MarkFlagRequired("candidate")
	return cmd
}

func explain(ctx context.Context, out io.Writer, store *record.Store, id string) error {
	c, err := store.Candidate(ctx, id)
	if errors.Is(err, record.ErrNotFound) {
		return errors.New("there is no candidate with this id")
	}
	if err != nil {
		return err
	}
	p, err := protocol.NewRegistry(store.Protocol, protocol.Default()).Get(ctx, c.Protocol)
	if err != nil {
		return err
	}
	results, err := store.Results(ctx, id)
	if err != nil {
		return err
	}
	today := journey.DateOf(time.Now(), p.Zone())
	report := p.Assess(activities.PersonOf(c), results, today)
	fmt.Fprintf(out, "candidate %s, %s, protocol version %s\n", c.ID, c.State.Stage, p.Version)
	for _, r := range p.Requirements {
		state, _ := c.State.Find(r.ID)
		fmt.Fprintf(out, "\n%s: %s\n  %s; for the %s\n", r.ID, state.Status, r.Title, r.Gate)
		explainCondition(out, r, report)
		for _, f := range report.Flags {
			if f.Requirement == r.ID {
				fmt.Fprintf(out, "  flag %s: %s %s; %s\n", f.ID, f.Band, strings.TrimSpace(f.Shown+" "+f.Unit), f.Threshold)
			}
		}
		if state.ValidUntil != "" {
			fmt.Fprintf(out, "  valid until %s\n", state.ValidUntil)
		}
		fmt.Fprintf(out, "  source: %s\n", r.Source)
	}
	return explainOrder(out, p, c.State, today)
}

func explainOrder(out io.Writer, p *protocol.Protocol, state journey.State, today journey.Date) error {
	if !state.Stage.BeforeOperation() {
		return nil
	}
	plan, err := p.Order(state, today)
	if err != nil {
		fmt.Fprintf(out, "\nno order can be computed: %v\n", err)
		return nil
	}
	fmt.Fprintf(out, "\nthe order that finishes earliest: committee %s, operation %s; %d visits, %d repeats\n", plan.Committee, plan.Operation, len(plan.Visits), plan.Repeats)
	if a := plan.OperationAnswer; a != nil && !a.Feasible {
		fmt.Fprintf(out, "  the planned day %s is not possible; the next is %s\n", a.Asked, a.Next)
	}
	for _, v := range plan.Visits {
		fmt.Fprintf(out, "  %s %-15s %s\n", v.On, v.Kind, strings.Join(v.Tasks, ", "))
	}
	for _, t := range plan.Tasks {
		for _, d := range t.Do {
			fmt.Fprintf(out, "  %s on %s, slack %d days: %s\n", t.ID, d.On, d.SlackDays, d.Reason)
		}
	}
	return nil
}

func explainCondition(out io.Writer, r protocol.Requirement, report protocol.Report) {
	if len(r.WhenFlagged) > 0 {
		fmt.Fprintf(out, "  applies while one of these flags is raised: %s\n", strings.Join(r.WhenFlagged, ", "))
	}
	for _, c := range report.Conditions {
		if c.Requirement != r.ID {
			continue
		}
		fmt.Fprintf(out, "  applies when %s: %s\n", c.Expression, c.Holds)
		for _, f := range c.Facts {
			value := strings.TrimSpace(f.Value + " " + f.Unit)
			switch {
			case f.Value == "" && f.Reason != "":
				value = "not usable: " + f.Reason
			case f.Value == "":
				value = "not on record"
			default:
				value += " of " + string(f.Date)
			}
			fmt.Fprintf(out, "    %s = %s\n", f.ID, value)
		}
	}
}

// count is a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
