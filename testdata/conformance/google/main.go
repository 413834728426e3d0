// Command google checks FHIR R4 resources with the Google FHIR protocol
// buffers. It is a module of its own: the generated R4 types are very large
// and must not become a dependency of the product.
package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	outcomepb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/operation_outcome_go_proto"
)

const (
	exitFaults = 1
	exitMisuse = 2
)

const usage = `usage: google < resources.ndjson

Reads one FHIR R4 resource per line and prints one line per fault:
LINE<tab>ResourceType/id<tab>message
Exit status: 0 no fault, 1 faults found, 2 misuse (nothing to check, unreadable input).
`

func main() {
	flags := flag.NewFlagSet("google", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	if err := flags.Parse(os.Args[1:]); err != nil || flags.NArg() > 0 {
		if errors.Is(err, flag.ErrHelp) {
			fmt.Print(usage)
			return
		}
		fmt.Fprint(os.Stderr, usage)
		os.Exit(exitMisuse)
	}
	out := bufio.NewWriter(os.Stdout)
	resources, faults, err := check(os.Stdin, out)
	if flushErr := out.Flush(); err == nil {
		err = flushErr
	}
	switch {
	case err != nil:
		fmt.Fprintf(os.Stderr, "google: %v\n", err)
		os.Exit(exitMisuse)
	case resources == 0:
		// An empty stream would otherwise look like a clean one.
		fmt.Fprintln(os.Stderr, "google: no resource on standard input")
		os.Exit(exitMisuse)
	case faults > 0:
		os.Exit(exitFaults)
	}
}

// check reports how many resources it read and how many faults it printed.
func check(in io.Reader, out io.Writer) (resources, faults int, err error) {
	unmarshaller, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		return 0, 0, err
	}
	// Not a bufio.Scanner: a Bundle on one line has no useful upper bound.
	reader := bufio.NewReaderSize(in, 1<<20)
	for line := 1; ; line++ {
		raw, readErr := reader.ReadBytes('\n')
		if readErr != nil && readErr != io.EOF {
			return resources, faults, readErr
		}
		if raw = bytes.TrimSpace(raw); len(raw) > 0 {
			resources++
			name := label(raw)
			for _, message := range validate(unmarshaller, raw) {
				faults++
				if _, err := fmt.Fprintf(out, "%d\t%s\t%s\n", line, name, oneLine(message)); err != nil {
					return resources, faults, err
				}
			}
		}
		if readErr == io.EOF {
			return resources, faults, nil
		}
	}
}

// validate looks at both results: syntax, codes and dates arrive as the error,
// missing elements, ids and reference targets only as issues of the outcome.
func validate(unmarshaller *jsonformat.Unmarshaller, raw []byte) (messages []string) {
	defer func() {
		// The library panics on a few shapes it does not expect; that is a
		// fault of the resource under test, not of the run.
		if r := recover(); r != nil {
			messages = append(messages, fmt.Sprintf("not parseable: %v", r))
		}
	}()
	_, outcome, err := unmarshaller.UnmarshalWithOutcome(raw)
	if err != nil {
		// The list type is internal to the library; it prints one error a line.
		messages = append(messages, strings.Split(err.Error(), "\n")...)
	}
	if outcome != nil && outcome.R4Outcome != nil {
		for _, issue := range outcome.R4Outcome.GetIssue() {
			messages = append(messages, describe(issue))
		}
	}
	return messages
}

func describe(issue *outcomepb.OperationOutcome_Issue) string {
	text := issue.GetDiagnostics().GetValue()
	if text == "" {
		text = issue.GetDetails().GetText().GetValue()
	}
	if text == "" {
		text = issue.GetCode().GetValue().String()
	}
	var at []string
	for _, expression := range issue.GetExpression() {
		at = append(at, expression.GetValue())
	}
	if len(at) == 0 {
		return text
	}
	return strings.Join(at, ", ") + ": " + text
}

// label names a resource without trusting it to be well formed.
func label(raw []byte) string {
	var head struct {
		ResourceType any `json:"resourceType"`
		ID           any `json:"id"`
	}
	_ = json.Unmarshal(raw, &head)
	text := func(v any, otherwise string) string {
		if s, ok := v.(string); ok && s != "" {
			return s
		}
		return otherwise
	}
	return oneLine(text(head.ResourceType, "?") + "/" + text(head.ID, "-"))
}

var blanks = regexp.MustCompile(`\s+`)

func oneLine(s string) string {
	return strings.TrimSpace(blanks.ReplaceAllString(s, " "))
}
