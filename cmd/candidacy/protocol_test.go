package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

func protocolRun(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := program(&out, &errs)
	cmd.SetArgs(append([]string{"protocol"}, args...))
	err := cmd.ExecuteContext(t.Context())
	return out.String(), err
}

// TestProtocolCheckNamesFileAndLine checks a copy of the default with two slips.
func TestProtocolCheckNamesFileAndLine(t *testing.T) {
	out, err := protocolRun(t, "check", "default")
	if err != nil || !strings.Contains(out, "is sound") || !strings.Contains(out, "digest "+protocol.Default().Digest()) {
		t.Errorf("got %v\n%s", err, out)
	}
	source, err := protocolRun(t, "show")
	if err != nil || source != protocol.Default().Source() {
		t.Fatalf("show: %v", err)
	}
	broken := strings.Replace(strings.Replace(source, "hold_days: 183", "hold_days: 0", 1), "fasting_glucose >= 100", "fasting_glucos >= 100", 1)
	file := filepath.Join(t.TempDir(), "ours.yaml")
	if err := os.WriteFile(file, []byte(broken), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err = protocolRun(t, "check", file)
	if err == nil || err.Error() != "the protocol has 2 mistakes" {
		t.Errorf("got %v", err)
	}
	line := 1 + strings.Count(broken[:strings.Index(broken, "hold_days: 0")], "\n")
	for _, want := range []string{file + ":" + strconv.Itoa(line) + ": timers.hold_days: accepted: 1 to 3660", "undeclared reference to 'fasting_glucos' (did you mean 'fasting_glucose'?)"} {
		if !strings.Contains(out, want) {
			t.Errorf("the output lacks %q:\n%s", want, out)
		}
	}
	if _, err := protocolRun(t, "check", filepath.Join(t.TempDir(), "none")); err == nil {
		t.Error("a file that is not there is sound")
	}
}

func TestProtocolSchemaIsJSON(t *testing.T) {
	out, err := protocolRun(t, "schema")
	var schema map[string]any
	if err != nil || json.Unmarshal([]byte(out), &schema) != nil || schema["title"] != "Programme protocol" {
		t.Errorf("got %v\n%.200s", err, out)
	}
}

func TestProtocolDiffOfFiles(t *testing.T) {
	file, version := filepath.Join(t.TempDir(), "ours.yaml"), protocol.Default().Version
	changed := strings.NewReplacer("hold_days: 183", "hold_days: 90", fmt.Sprintf("version: %q", version), fmt.Sprintf("version: %q", version+"-ours")).Replace(protocol.Default().Source())
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := protocolRun(t, "diff", "default", file)
	if err != nil || !strings.Contains(out, fmt.Sprintf("version %s to %s-ours: 1 difference\n", version, version)) || !strings.Contains(out, "hold_days\n           from 183\n           to   90") {
		t.Errorf("got %v\n%s", err, out)
	}
}

// TestProtocolOnCandidates explains one candidate's plan, and shows whom another
// protocol would touch.
func TestProtocolOnCandidates(t *testing.T) {
	data := t.TempDir()
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	employ(t, sys.Store)
	p := walk.NewPlayer(sys.Dispatcher)
	begin := time.Date(2025, time.March, 3, 9, 0, 0, 0, protocoltest.Brief().Zone())
	referred := play(t, p, "referred", walk.New(1, begin).Refer().Steps())
	evaluated := play(t, p, "evaluated", walk.New(2, begin).Refer().Screen().Evaluate().Steps())
	if err := sys.Close(); err != nil {
		t.Fatal(err)
	}
	out, err := protocolRun(t, "explain", "--data", data, "--candidate", referred)
	if err != nil || !strings.Contains(out, "glucose-tolerance: due") || !strings.Contains(out, "fasting_glucose = not on record") || !strings.Contains(out, ": unknown") {
		t.Errorf("got %v\n%s", err, out)
	}
	out, err = protocolRun(t, "explain", "--data", data, "--candidate", evaluated)
	if err != nil || !strings.Contains(out, "glucose-tolerance: not-applicable") || !strings.Contains(out, "fasting_glucose = 88 mg/dL of 2025-") || !strings.Contains(out, ": no\n") {
		t.Errorf("got %v\n%s", err, out)
	}
	if _, err := protocolRun(t, "explain", "--data", data, "--candidate", "nobody"); err == nil {
		t.Error("nobody is explained")
	}
	file := filepath.Join(t.TempDir(), "ours.yaml")
	stricter := strings.NewReplacer("fasting_glucose >= 100 ", "fasting_glucose >= 85 ", `version: "brief"`, `version: "brief-ours"`).Replace(protocoltest.Brief().Source())
	if err := os.WriteFile(file, []byte(stricter), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err = protocolRun(t, "diff", "../../testdata/protocols/brief.yaml", file, "--candidates", "--data", data)
	if err != nil || !strings.Contains(out, "candidate "+evaluated+" (evaluation)\n  gains requirement glucose-tolerance\n") || !strings.Contains(out, "1 of 2 open candidates are affected") {
		t.Errorf("got %v\n%s", err, out)
	}
}
