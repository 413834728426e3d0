package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/command"
	"candidacy/internal/engine"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// intakeTimeout is generous: a refused eleventh concurrent Update waits.
const intakeTimeout = 2 * time.Minute

func intakeCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "intake FILE",
		Short: "Take in a FHIR R4 Bundle of one candidate's results; - reads standard input",
		Long: "Take in a FHIR R4 Bundle of one candidate's results.\n\n" +
			"While a server runs on the data folder the bundle goes through it. Taking in the same\n" +
			"file again changes nothing. What has to be looked at is kept for a person: see\n" +
			"candidacy incoming.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			raw, err := readFile(cmd.InOrStdin(), args[0])
			if err != nil {
				return err
			}
			if len(raw) > incoming.MaxBytes {
				return fmt.Errorf("the bundle is larger than %d bytes", incoming.MaxBytes)
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), intakeTimeout)
			defer cancel()
			if address, err := os.ReadFile(addressFile(s.data)); err == nil && held(s.data) {
				return intakeThrough(ctx, cmd.OutOrStdout(), s, strings.TrimSpace(string(address)), raw)
			}
			return intakeHere(ctx, cmd.OutOrStdout(), s, raw)
		},
	}
	cmd.Flags().StringVar(&s.data, "data", defaultData("data"), "folder of the records")
	cmd.Flags().StringVar(&s.database, "database-url", "", "PostgreSQL URL that replaces records.db (or DATABASE_URL)")
	return cmd
}

func readFile(in io.Reader, name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(io.LimitReader(in, command.MaxBytes+1))
	}
	raw, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read the bundle: %w", err)
	}
	return raw, nil
}

// held reports whether a server holds the data folder.
func held(data string) bool {
	lock, err := engine.AcquireLock(data)
	var locked *engine.LockedError
	if errors.As(err, &locked) {
		return true
	}
	if err == nil {
		_ = lock.Release() // taken only to look
	}
	return false
}

// intakeThrough posts the bundle to the running server, under a token that
// lives just for it.
func intakeThrough(ctx context.Context, out io.Writer, s site, address string, raw []byte) error {
	var token string
	if err := withStore(ctx, s, func(store *record.Store) error {
		var err error
		token, err = store.IssueToken(ctx, journey.Laboratory, record.IntakeActor, intakeTimeout)
		return err
	}); err != nil {
		return err
	}
	_, body, err := askServer(ctx, http.MethodPost, "http://"+address+"/api/intake", token, http.Header{"Content-Type": {intake.ContentType}}, raw)
	if err != nil {
		return err
	}
	var taken struct {
		Message  string
		Repeated bool
	}
	if err := json.Unmarshal(body, &taken); err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	return withStore(ctx, s, func(store *record.Store) error {
		m, err := store.Incoming(ctx, taken.Message)
		if err != nil {
			return err
		}
		outcome, err := incoming.OutcomeOf(m, taken.Repeated)
		if err != nil {
			return err
		}
		return printOutcome(out, outcome)
	})
}

// intakeHere opens the system just for the bundle.
func intakeHere(ctx context.Context, out io.Writer, s site, raw []byte) error {
	return withSystem(ctx, s, func(sys *system.System) error {
		outcome, err := sys.Incoming.Take(ctx, incoming.Delivery{
			Channel: incoming.CLI, Sender: record.IntakeActor, ContentType: intake.ContentType, Raw: raw,
		})
		if err != nil {
			return err
		}
		return printOutcome(out, outcome)
	})
}

// withSystem opens the system for one command.
func withSystem(ctx context.Context, s site, fn func(*system.System) error) (err error) {
	options, err := s.options(slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	sys, err := system.Open(ctx, options)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sys.Close()) }()
	return fn(sys)
}

// printOutcome says what became of a message. What is not on record is an error,
// so that a script notices.
func printOutcome(out io.Writer, o incoming.Outcome) error {
	for _, p := range o.Parts {
		if p.State != incoming.Applied {
			continue
		}
		what := "recorded"
		if o.Repeated {
			what = "on record already"
		}
		if _, err := fmt.Fprintf(out, "candidate %s: results %s as entry %d\n", p.Candidate, what, p.Seq); err != nil {
			return err
		}
	}
	var why []string
	for _, i := range o.Issues {
		why = append(why, i.Error())
	}
	switch o.State {
	case incoming.Applied:
		return nil
	case incoming.Received:
		return fmt.Errorf("message %s is kept and still being carried out", o.ID)
	case incoming.Settled:
		return fmt.Errorf("message %s was set aside by a person", o.ID)
	default:
		return fmt.Errorf("message %s is kept for a person: %s", o.ID, strings.Join(why, "; "))
	}
}
