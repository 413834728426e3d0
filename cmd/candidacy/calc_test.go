package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"candidacy/internal/calculation"
	"candidacy/internal/clinical"
)

// calc runs the program with an input and returns what it printed.
func calc(t *testing.T, stdin string, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := program(&out, &errs)
	cmd.SetIn(strings.NewReader(stdin))
	cmd.SetArgs(append([]string{"calc"}, args...))
	err := cmd.ExecuteContext(t.Context())
	if errs.Len() > 0 {
		t.Errorf("calc %s wrote to standard error: %s", strings.Join(args, " "), errs.String())
	}
	return out.String(), err
}

// flagsOf writes an example as flags.
func flagsOf(t *testing.T, c calculation.Calculation) []string {
	t.Helper()
	var args []string
	for _, f := range c.Fields() {
		var value any
		if err := json.Unmarshal(c.Example, &value); err != nil {
			t.Fatal(err)
		}
		for _, name := range f.Path {
			inner, _ := value.(map[string]any)
			value = inner[name]
		}
		items, isList := value.([]any)
		if !isList && value != nil {
			items = []any{value}
		}
		for _, item := range items {
			text, isText := item.(string)
			if !isText {
				encoded, err := json.Marshal(item)
				if err != nil {
					t.Fatal(err)
				}
				text = string(encoded)
			}
			args = append(args, "--"+f.Flag(), text)
		}
	}
	return args
}

// TestCalcByFlagsAndByJSON computes every example in three ways.
func TestCalcByFlagsAndByJSON(t *testing.T) {
	for _, c := range calculation.All() {
		t.Run(c.ID, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "input.json")
			if err := os.WriteFile(file, c.Example, 0o600); err != nil {
				t.Fatal(err)
			}
			print := func(stdin string, args ...string) string {
				out, err := calc(t, stdin, append([]string{c.ID}, args...)...)
				if err != nil || !strings.Contains(out, "people decide") {
					t.Fatalf("%v\n%s", err, out)
				}
				return out
			}
			flags := flagsOf(t, c)
			if got, want := print("", flags...), print(string(c.Example), "--input", "-"); got != want {
				t.Errorf("by flags:\n%s\nby standard input:\n%s", got, want)
			}
			if got, want := print(string(c.Example)), print(string(c.Example), "--input", "-"); got != want {
				t.Errorf("without any flag:\n%s\nby standard input:\n%s", got, want)
			}
			if got, want := print("", append(flags, "--json")...), print("", "--input", file, "--json"); got != want {
				t.Errorf("by flags:\n%s\nby file:\n%s", got, want)
			}
		})
	}
}

func TestCalcReadsAsTheManualSays(t *testing.T) {
	out, err := calc(t, "", "gfr-plasma-slope-intercept", "--dose", "3235 mg", "--extravasation", "no", "--size-height", "172 cm", "--size-weight", "68 kg",
		"--samples", "time=120 min, concentration=127.4 ug/mL", "--samples", "time=180 min, concentration=91.2 ug/mL", "--samples", "time=240 min, concentration=65.3 ug/mL")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out, "63 mL/min/{1.73_m2} (unrounded 63.02852)") {
		t.Errorf("got\n%s", out)
	}
	out, err = calc(t, `{"serumCreatinine": "1.0 mg/dL"}`, "egfr-creatinine", "--input", "-", "--age", "50", "--sex", "male", "--json")
	var outcome calculation.Outcome
	if err != nil || json.Unmarshal([]byte(out), &outcome) != nil || outcome.Values[0].Shown != "92" {
		t.Errorf("input and flags together: %v\n%s", err, out)
	}
}

func TestCalcErrors(t *testing.T) {
	const secret = "MRN-4711"
	good := []string{"--serum-creatinine", "1 mg/dL", "--age", "50", "--sex", "male"}
	tests := []struct {
		name, stdin string
		args        []string
		code        clinical.Code
		field       string
	}{
		{"missing", "", []string{"--age", "50", "--sex", "male"}, clinical.Missing, "serumCreatinine"},
		{"wrong unit", "", append([]string{"--conditions-body-mass-index", "24 " + secret}, good...), clinical.UnknownUnit, "conditions.bodyMassIndex"},
		{"unknown word", "", append([]string{"--conditions-pregnancy", secret}, good...), clinical.UnknownChoice, "conditions.pregnancy"},
		{"not a number", "", []string{"--serum-creatinine", "1 mg/dL", "--age", secret, "--sex", "male"}, calculation.WrongForm, "age"},
		{"twice", "", append([]string{"--age", "51"}, good...), calculation.DuplicateField, "age"},
		{"in both places", `{"age": 50}`, append([]string{"--input", "-"}, good...), calculation.DuplicateField, "age"},
		{"unknown flag", "", append([]string{"--" + secret + "=1"}, good...), calculation.UnknownField, "flags"},
		{"flag without value", "", []string{"--age"}, calculation.UnknownField, "flags"},
		{"unknown field", `{"` + secret + `": 1}`, []string{"--input", "-"}, calculation.UnknownField, "input"},
		{"no file", "", []string{"--input", "/" + secret}, calculation.NotJSON, "input"},
		{"too large", strings.Repeat(" ", calculation.LargestInput+1), []string{"--input", "-"}, calculation.NotJSON, "input"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out, err := calc(t, tt.stdin, append([]string{"egfr-creatinine"}, tt.args...)...)
			if err == nil || out != "" {
				t.Fatalf("got %v and %q, want an error and nothing printed", err, out)
			}
			out, jsonErr := calc(t, tt.stdin, append([]string{"--json", "egfr-creatinine"}, tt.args...)...)
			var printed struct{ Error clinical.Error }
			if jsonErr == nil || json.Unmarshal([]byte(out), &printed) != nil {
				t.Fatalf("got %v and %q, want an error as JSON", jsonErr, out)
			}
			if printed.Error.Code != tt.code || printed.Error.Field != tt.field || printed.Error.Message == "" || len(printed.Error.Accepted) == 0 {
				t.Errorf("got %+v, want %s about %s", printed.Error, tt.code, tt.field)
			}
			if strings.Contains(err.Error()+out, secret) {
				t.Errorf("the error repeats what was typed: %v\n%s", err, out)
			}
		})
	}
	for _, args := range [][]string{{secret}, {"bmi", secret}} {
		out, err := calc(t, "", append(args, "--json")...)
		if err == nil || strings.Contains(err.Error()+out, secret) || !strings.Contains(out, `"field": "arguments"`) {
			t.Errorf("%v: got %v and %s", args, err, out)
		}
	}
}

func TestCalcList(t *testing.T) {
	out, err := calc(t, "", "--list")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(out), "\n")
	all := calculation.All()
	if len(lines) != len(all) {
		t.Fatalf("%d lines for %d calculations", len(lines), len(all))
	}
	for i, c := range all {
		if !strings.HasPrefix(lines[i], c.ID+" ") || !strings.Contains(lines[i], " "+string(c.Topic)+" ") || !strings.HasSuffix(lines[i], c.Title) {
			t.Errorf("the line of %s is %q", c.ID, lines[i])
		}
	}
	out, err = calc(t, "", "--list", "--json")
	if err != nil {
		t.Fatal(err)
	}
	var listed []struct {
		ID, Title, Topic, Source string
		Schema                   map[string]any
		Example                  json.RawMessage
	}
	if err := json.Unmarshal([]byte(out), &listed); err != nil {
		t.Fatal(err)
	}
	for i, c := range all {
		if l := listed[i]; l.ID != c.ID || l.Title == "" || l.Topic == "" || l.Source == "" || l.Schema["properties"] == nil || len(l.Example) == 0 {
			t.Errorf("%s is listed as %+v", c.ID, l)
		}
	}
}

func TestCalcHelpNamesTheWords(t *testing.T) {
	out, err := calc(t, "", "egfr-creatinine", "--help")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"--serum-creatinine quantity", "female, male", "required", "Inker", "| candidacy calc egfr-creatinine"} {
		if !strings.Contains(out, want) {
			t.Errorf("the help lacks %q:\n%s", want, out)
		}
	}
	out, err = calc(t, "")
	if err != nil || !strings.Contains(out, "egfr-creatinine") {
		t.Errorf("calc alone: %v\n%s", err, out)
	}
}
