package demo_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	commonpb "go.temporal.io/api/common/v1"
	enumspb "go.temporal.io/api/enums/v1"
	failurepb "go.temporal.io/api/failure/v1"
	historypb "go.temporal.io/api/history/v1"
	"go.temporal.io/api/proxy"
	"go.temporal.io/api/temporalproto"
	"go.temporal.io/sdk/worker"

	"candidacy/internal/demo"
	"candidacy/internal/engine"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/system"
	"candidacy/testdata/bundles"
	"candidacy/workflows"
)

var recordHistories = flag.Bool("record", false, "write the demonstration's histories to testdata/histories")

// today is fixed, so that the demonstration is the same on every run. Nothing
// is released: the engine's own clock is the machine's.
var today = time.Date(2026, time.November, 25, 15, 30, 0, 0, time.UTC)

// programme is the whole demonstration, loaded once for all tests.
var programme = sync.OnceValues(func() (*system.System, error) {
	dir, err := os.MkdirTemp("", "candidacy-demo")
	if err != nil {
		return nil, err
	}
	ctx := context.Background()
	sys, err := system.Open(ctx, system.Options{DataDir: dir})
	if err != nil {
		return nil, err
	}
	folder = dir
	if !*recordHistories {
		if err := demo.Load(ctx, sys.Store, sys.Dispatcher, today, func(int, int) {}); err != nil {
			return sys, err
		}
		return sys, demo.Deliver(ctx, sys.Store, sys.Incoming, sys.Current)
	}
	if err := demo.Load(ctx, sys.Store, sys.Dispatcher, time.Now(), func(int, int) {}); err != nil {
		return sys, err
	}
	return sys, demo.Release(ctx, sys.Store, sys.Dispatcher)
})

var folder string

func TestMain(m *testing.M) {
	flag.Parse()
	code := m.Run()
	if folder != "" {
		if sys, _ := programme(); sys != nil {
			_ = sys.Close()
		}
		_ = os.RemoveAll(folder)
	}
	os.Exit(code)
}

func loaded(t *testing.T) *system.System {
	t.Helper()
	sys, err := programme()
	if err != nil {
		t.Fatal(err)
	}
	return sys
}

func candidates(t *testing.T, sys *system.System) []record.Candidate {
	t.Helper()
	list, err := sys.Store.Candidates(t.Context(), "", "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestProgrammeStandsAtEveryStage(t *testing.T) {
	sys := loaded(t)
	list := candidates(t, sys)
	if len(list) < 24 {
		t.Errorf("%d candidates, want at least 24", len(list))
	}
	stages := map[journey.Stage]int{}
	for _, c := range list {
		stages[c.State.Stage]++
	}
	for _, stage := range journey.Stages {
		if stages[stage] == 0 {
			t.Errorf("nobody is in stage %s", stage)
		}
	}
	if _, err := sys.Store.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestLoadingAgainChangesNothing(t *testing.T) {
	sys := loaded(t)
	before, err := sys.Store.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := demo.Load(t.Context(), sys.Store, sys.Dispatcher, today, func(int, int) { t.Error("something was played again") }); err != nil {
		t.Fatal(err)
	}
	after, err := sys.Store.Verify(t.Context())
	if err != nil || after != before {
		t.Errorf("before %+v, after %+v, error %v", before, after, err)
	}
}

// TestStoriesShowInTheFlags checks what the manifest tells of candidates
// against what was computed for them.
func TestStoriesShowInTheFlags(t *testing.T) {
	sys := loaded(t)
	want := map[string]map[string]journey.Band{
		"SYN-0005": {"bmi": journey.Excludes},
		"SYN-0006": {"gfr-plasma-clearance": journey.Discussion, "egfr-creatinine": journey.Discussion},
		"SYN-0007": {"office-systolic": journey.Discussion, "office-diastolic": journey.Discussion, "ambulatory-day-systolic": journey.Meets},
		"SYN-0008": {"acr": journey.Discussion, "albumin-excretion": journey.Meets},
		"SYN-0009": {"gfr-plasma-clearance": journey.Excludes},
		"SYN-0011": {"glucose-fasting": journey.Discussion, "glucose-tolerance": journey.Discussion},
	}
	for _, c := range candidates(t, sys) {
		mrn := c.Identity.Identifier.Value
		for id, band := range want[mrn] {
			i := slices.IndexFunc(c.State.Flags, func(f journey.Flag) bool { return f.ID == id })
			if i < 0 || c.State.Flags[i].Band != band {
				t.Errorf("%s: flag %s of %v, want %s", mrn, id, c.State.Flags, band)
			}
		}
		if mrn == "SYN-0010" && c.State.BloodType != journey.Disagree {
			t.Errorf("%s: blood type %s", mrn, c.State.BloodType)
		}
	}
}

// TestMessagesWaitForAPerson: the laboratory's messages are kept, one is carried out
// and two wait, each for its own reason, and nothing is delivered twice.
func TestMessagesWaitForAPerson(t *testing.T) {
	sys := loaded(t)
	look := func() map[string]string {
		list, err := sys.Store.Incomings(t.Context(), 100, incoming.Applied, incoming.Held, incoming.Refused, incoming.Received)
		if err != nil {
			t.Fatal(err)
		}
		found := map[string]string{}
		for _, m := range list {
			out, err := incoming.OutcomeOf(m, false)
			if err != nil {
				t.Fatal(err)
			}
			var kinds []string
			for _, issue := range out.Issues {
				kinds = append(kinds, string(issue.Kind))
			}
			found[m.ControlID] = strings.Join(append([]string{string(m.State)}, kinds...), " ")
		}
		return found
	}
	want := map[string]string{
		"DEMO-0001": "applied", "DEMO-0002": "held " + string(reading.NoCandidate),
		"DEMO-0003": "held " + string(reading.UnmappedCode) + " " + string(reading.UnmappedAnswer),
	}
	if got := look(); !maps.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if err := demo.Deliver(t.Context(), sys.Store, sys.Incoming, sys.Current); err != nil {
		t.Fatal(err)
	}
	if got := look(); !maps.Equal(got, want) {
		t.Errorf("delivered again: %v", got)
	}
}

// history fetches a candidate's run with every payload decoded.
func history(t *testing.T, sys *system.System, candidate string, decode bool) *historypb.History {
	t.Helper()
	ring, _, err := engine.LoadOrCreateKeys(filepath.Join(folder, "payload.keys"))
	if err != nil {
		t.Fatal(err)
	}
	codec, err := engine.NewCodec(ring)
	if err != nil {
		t.Fatal(err)
	}
	h := &historypb.History{}
	iterator := sys.Client.GetWorkflowHistory(t.Context(), workflows.WorkflowID(candidate), "", false, enumspb.HISTORY_EVENT_FILTER_TYPE_ALL_EVENT)
	for iterator.HasNext() {
		event, err := iterator.Next()
		if err != nil {
			t.Fatal(err)
		}
		h.Events = append(h.Events, event)
	}
	if !decode {
		return h
	}
	err = proxy.VisitPayloads(t.Context(), h, proxy.VisitPayloadsOptions{
		SkipSearchAttributes: true,
		Visitor: func(_ *proxy.VisitPayloadsContext, p []*commonpb.Payload) ([]*commonpb.Payload, error) {
			return codec.Decode(p)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	err = proxy.VisitFailures(t.Context(), h, proxy.VisitFailuresOptions{Visitor: func(_ *proxy.VisitFailuresContext, f *failurepb.Failure) error {
		if f.GetEncodedAttributes() == nil {
			return nil
		}
		return fmt.Errorf("a failure is in the history of a journey without one")
	}})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func historyJSON(t *testing.T, h *historypb.History) []byte {
	t.Helper()
	raw, err := temporalproto.CustomJSONMarshalOptions{}.Marshal(h)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// TestHistoriesHoldNoPerson decodes every history of the demonstration and
// looks for names, birth dates, identifiers and free text.
func TestHistoriesHoldNoPerson(t *testing.T) {
	sys := loaded(t)
	var people struct {
		Candidates []struct{ MRN, Given, Family, BirthDate string }
	}
	raw, err := bundles.Files.ReadFile("manifest.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, &people); err != nil {
		t.Fatal(err)
	}
	// Free texts that the demonstration gives with its commands, and names of
	// staff.
	forbidden := []string{
		"dictated", "One artery", "Good understanding", "candidate weighed", "longer vein", "disclosures",
		"whole picture", "Outside", "Tolerance test", "Asked for a pause", "Kept between", "No complication", "other theatre", "Settled with",
		"R-c0", "iohexol", "mg/dL",
	}
	for _, p := range people.Candidates {
		forbidden = append(forbidden, p.MRN, p.Given, p.Family, p.BirthDate)
	}
	for _, a := range demo.Accounts {
		forbidden = append(forbidden, a.Name)
	}
	decoded := 0
	for _, c := range candidates(t, sys) {
		text := string(decodedText(t, history(t, sys, c.ID, true)))
		decoded += strings.Count(text, `"kind":"record-results"`)
		for _, word := range forbidden {
			if strings.Contains(text, word) {
				t.Errorf("the history of a candidate in stage %s holds %q", c.State.Stage, word)
			}
		}
		// What an operator sees without the keys holds not even codes.
		if plain := string(decodedText(t, history(t, sys, c.ID, false))); strings.Contains(plain, "record-results\"") {
			t.Errorf("a history is readable without the keys")
		}
	}
	// The search would prove nothing if nothing had been decoded.
	if decoded == 0 {
		t.Error("no command was found in the decoded histories")
	}
}

// decodedText spells out payload data, which JSON would keep in base64.
func decodedText(t *testing.T, h *historypb.History) []byte {
	t.Helper()
	var b strings.Builder
	err := proxy.VisitPayloads(t.Context(), h, proxy.VisitPayloadsOptions{
		SkipSearchAttributes: true,
		Visitor: func(_ *proxy.VisitPayloadsContext, payloads []*commonpb.Payload) ([]*commonpb.Payload, error) {
			for _, p := range payloads {
				b.Write(p.GetData())
				b.WriteByte('\n')
			}
			return payloads, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range h.GetEvents() {
		if u := e.GetWorkflowExecutionUpdateAcceptedEventAttributes(); u != nil {
			fmt.Fprintln(&b, u.GetAcceptedRequest().GetMeta(), u.GetProtocolInstanceId())
		}
	}
	return []byte(b.String())
}

// recordedPaths names the paths whose histories are kept for replay.
var recordedPaths = map[string]string{
	"SYN-0001": "whole-journey", "SYN-0005": "declined", "SYN-0020": "withdrawn", "SYN-0021": "on-hold",
	"SYN-0011": "deferred", "SYN-0018": "scheduled", "SYN-0016": "recovery", "SYN-0024": "referral",
}

// TestHistoriesReplay replays every history of the demonstration with the code
// as it is; with -record it writes those to keep.
func TestHistoriesReplay(t *testing.T) {
	sys := loaded(t)
	for _, c := range candidates(t, sys) {
		h := history(t, sys, c.ID, true)
		replayer := worker.NewWorkflowReplayer()
		replayer.RegisterWorkflow(workflows.Candidate)
		if err := replayer.ReplayWorkflowHistory(nil, h); err != nil {
			t.Errorf("candidate in stage %s: %v", c.State.Stage, err)
		}
		name, keep := recordedPaths[c.Identity.Identifier.Value]
		if !keep || !*recordHistories {
			continue
		}
		path := filepath.Join("..", "..", "testdata", "histories", name+".json")
		if err := os.WriteFile(path, historyJSON(t, h), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
