package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"candidacy/internal/calculation"
	"candidacy/internal/clinical"
)

func calcCommand() *cobra.Command {
	var asJSON, list bool
	cmd := &cobra.Command{
		Use:   "calc",
		Short: "Compute one formula from the command line or from JSON, with its derivation",
		Long: "Compute one formula from the command line or from JSON, with its derivation.\n\n" +
			"A quantity is a number, a space and a UCUM unit, such as \"0.9 mg/dL\". In JSON it may\n" +
			"also be {\"value\": 0.9, \"unit\": \"mg/dL\", \"date\": \"2026-02-03\", \"ref\": \"obs-1\"}.\n" +
			"Nothing is stored. The software advises; people decide.",
		Args: noArguments(&asJSON),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if !list {
				return cmd.Help()
			}
			return listCalculations(cmd.OutOrStdout(), asJSON)
		},
	}
	cmd.PersistentFlags().BoolVar(&asJSON, "json", false, "print JSON, errors included")
	cmd.Flags().BoolVar(&list, "list", false, "list the calculations; with --json, each with its schema and an example")
	// The errors of the flags themselves repeat what was typed.
	cmd.SetFlagErrorFunc(func(cmd *cobra.Command, _ error) error {
		return report(cmd.OutOrStdout(), asJSON, &clinical.Error{
			Code: calculation.UnknownField, Field: "flags", Message: "a flag is not known or lacks its value",
			Accepted: []string{"the flags that " + cmd.CommandPath() + " --help lists"},
		})
	})
	for _, c := range calculation.All() {
		cmd.AddCommand(calculationCommand(c, &asJSON))
	}
	return cmd
}

// noArguments is cobra.NoArgs without repeating the argument.
func noArguments(asJSON *bool) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		return report(cmd.OutOrStdout(), *asJSON, &clinical.Error{
			Code: calculation.UnknownField, Field: "arguments", Message: "an argument is not known",
			Accepted: []string{"the id of a calculation that candidacy calc --list shows", "flags"},
		})
	}
}

func calculationCommand(c calculation.Calculation, asJSON *bool) *cobra.Command {
	var file string
	fields := c.Fields()
	given := make([]texts, len(fields))
	cmd := &cobra.Command{
		Use:     c.ID,
		Short:   c.Title,
		Long:    c.Title + ".\n\nSource: " + c.Source + ".",
		Example: "  echo '" + compact(c.Example) + "' | candidacy calc " + c.ID,
		Args:    noArguments(asJSON),
		RunE: func(cmd *cobra.Command, _ []string) error {
			outcome, err := compute(c, cmd.InOrStdin(), file, fields, given)
			if err != nil {
				return report(cmd.OutOrStdout(), *asJSON, err)
			}
			if *asJSON {
				return printJSON(cmd.OutOrStdout(), outcome)
			}
			return calculation.Derivation(cmd.OutOrStdout(), outcome)
		},
	}
	cmd.Flags().SortFlags = false
	for i, f := range fields {
		given[i].kind = f.Kind
		cmd.Flags().Var(&given[i], f.Flag(), usage(f))
		if f.Choices != nil {
			// It fails only for a flag that does not exist.
			_ = cmd.RegisterFlagCompletionFunc(f.Flag(), cobra.FixedCompletions(f.Choices, cobra.ShellCompDirectiveNoFileComp))
		}
	}
	cmd.Flags().StringVar(&file, "input", "", "read the input as JSON from this file, or from standard input when it is -, as without any flag")
	return cmd
}

func compact(example json.RawMessage) string {
	var b bytes.Buffer
	if err := json.Compact(&b, example); err != nil {
		return string(example)
	}
	return b.String()
}

// texts is a flag that keeps what was typed, to be read with its schema.
type texts struct {
	kind string
	list []string
}

func (t *texts) String() string        { return "" }
func (t *texts) Type() string          { return t.kind }
func (t *texts) Set(text string) error { t.list = append(t.list, text); return nil }

func usage(f calculation.Field) string {
	text := f.Description
	if f.Choices != nil {
		text += ": " + strings.Join(f.Choices, ", ")
	}
	var notes []string
	if f.Required {
		notes = append(notes, "required")
	}
	if f.Repeated {
		notes = append(notes, "repeat it for each item")
	}
	if f.Names != nil {
		notes = append(notes, `as "`+strings.Join(f.Names, "=..., ")+`=..." or as JSON`)
	}
	if len(notes) > 0 {
		text += " (" + strings.Join(notes, "; ") + ")"
	}
	return text
}

func compute(c calculation.Calculation, stdin io.Reader, file string, fields []calculation.Field, given []texts) (calculation.Outcome, error) {
	input := calculation.Empty()
	if file == "" && !terminal(stdin) && !slices.ContainsFunc(given, func(t texts) bool { return t.list != nil }) {
		file = "-"
	}
	if file != "" {
		data, err := readInput(stdin, file)
		if err != nil {
			return calculation.Outcome{}, err
		}
		if input, err = calculation.Parse(data); err != nil {
			return calculation.Outcome{}, err
		}
	}
	for i, f := range fields {
		if given[i].list == nil {
			continue
		}
		if err := input.Set(f, given[i].list); err != nil {
			return calculation.Outcome{}, err
		}
	}
	return c.RunInput(input)
}

// terminal reports whether a person would have to type the input; without flags
// they are told what is missing instead.
func terminal(in io.Reader) bool {
	f, ok := in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func readInput(stdin io.Reader, file string) ([]byte, error) {
	reader := stdin
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, unreadable()
		}
		defer f.Close()
		reader = f
	}
	// One byte more than is accepted tells that it is too large.
	data, err := io.ReadAll(io.LimitReader(reader, calculation.LargestInput+1))
	if err != nil {
		return nil, unreadable()
	}
	return data, nil
}

func unreadable() error {
	return &clinical.Error{Code: calculation.NotJSON, Field: "input", Message: "the file cannot be read", Accepted: []string{"a file with JSON", "- for standard input"}}
}

// report prints an error as JSON when that was asked for, and returns it.
func report(out io.Writer, asJSON bool, err error) error {
	var e *clinical.Error
	if asJSON && errors.As(err, &e) {
		if printErr := printJSON(out, map[string]any{"error": e}); printErr != nil {
			return printErr
		}
	}
	return err
}

func listCalculations(out io.Writer, asJSON bool) error {
	all := calculation.All()
	if asJSON {
		return printJSON(out, all)
	}
	for _, c := range all {
		if _, err := fmt.Fprintf(out, "%-32s %-16s %s\n", c.ID, c.Topic, c.Title); err != nil {
			return err
		}
	}
	return nil
}

func printJSON(out io.Writer, value any) error {
	encoder := json.NewEncoder(out)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	return encoder.Encode(value)
}
