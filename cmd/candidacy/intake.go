package main

import (
	"bytes"
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
	"candidacy/internal/dispatch"
	"candidacy/internal/engine"
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
			"file again changes nothing.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			raw, err := readFile(cmd.InOrStdin(), args[0])
			if err != nil {
				return err
			}
			message, err := intake.ReadBundle(raw)
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), intakeTimeout)
			defer cancel()
			if address, err := os.ReadFile(addressFile(s.data)); err == nil && held(s.data) {
				return intakeThrough(ctx, cmd.OutOrStdout(), s, strings.TrimSpace(string(address)), raw)
			}
			return intakeHere(ctx, cmd.OutOrStdout(), s, message, intake.Key(record.IntakeActor, raw))
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
		token, err = store.IssueToken(ctx, journey.Coordinator, record.IntakeActor, intakeTimeout)
		return err
	}); err != nil {
		return err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+address+"/api/intake", bytes.NewReader(raw))
	if err != nil {
		return fmt.Errorf("prepare the request: %w", err)
	}
	request.Header.Set("Authorization", "Bearer "+token)
	request.Header.Set("Content-Type", "application/fhir+json")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return fmt.Errorf("reach the server: %w", err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(io.LimitReader(response.Body, command.MaxBytes))
	if err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	if response.StatusCode >= http.StatusMultipleChoices {
		var problem struct {
			Title  string `json:"title"`
			Detail string `json:"detail"`
		}
		if json.Unmarshal(body, &problem) != nil || problem.Detail == "" {
			return fmt.Errorf("the server answered %s", response.Status)
		}
		return errors.New(problem.Detail)
	}
	var receipt dispatch.Receipt
	if err := json.Unmarshal(body, &receipt); err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	return printReceipt(out, receipt)
}

// intakeHere opens the system just for the bundle.
func intakeHere(ctx context.Context, out io.Writer, s site, message intake.Message, key string) (err error) {
	options, err := s.options(slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	sys, err := system.Open(ctx, options)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sys.Close()) }()
	candidate, err := sys.Store.CandidateByIdentifier(ctx, message.Subject)
	if errors.Is(err, record.ErrNotFound) {
		return errors.New("no candidate on record has the bundle's subject identifier")
	}
	if err != nil {
		return err
	}
	receipt, err := sys.Dispatcher.Submit(ctx, dispatch.Request{
		Candidate: candidate.ID, Key: key, Kind: journey.RecordResults,
		Actor: record.IntakeActor, Role: journey.Coordinator, Body: &command.RecordResults{Results: message.Results},
	})
	if err != nil {
		return err
	}
	return printReceipt(out, receipt)
}

func printReceipt(out io.Writer, r dispatch.Receipt) error {
	what := "recorded"
	if r.Repeated {
		what = "on record already"
	}
	_, err := fmt.Fprintf(out, "candidate %s: results %s as entry %d, stage %s\n", r.Candidate, what, r.Seq, r.Stage)
	return err
}
