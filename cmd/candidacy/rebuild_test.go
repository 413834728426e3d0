package main

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/system"
	"candidacy/internal/walk"
	"candidacy/workflows"
)

// employ adds the accounts that the walk needs.
func employ(t testing.TB, store *record.Store) {
	t.Helper()
	if err := walk.Employ(t.Context(), store); err != nil {
		t.Fatal(err)
	}
}

func play(t testing.TB, p *walk.Player, name string, steps []walk.Step) string {
	t.Helper()
	candidate, err := p.Play(t.Context(), name, steps)
	if err != nil {
		t.Fatal(err)
	}
	return candidate
}

// standing is what must survive the loss of the engine.
type standing struct {
	Stage       journey.Stage
	Outstanding []journey.Requirement
	Deadlines   []journey.Deadline
	Next        *journey.Upcoming
	Seq         int64
	Whole       string
}

func standings(t *testing.T, sys *system.System) map[string]standing {
	t.Helper()
	rules := sys.Current.Rules()
	all := map[string]standing{}
	list, err := sys.Store.Candidates(t.Context(), "", "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range list {
		// The workflow's own memory, not the record's.
		value, err := sys.Client.QueryWorkflow(t.Context(), workflows.WorkflowID(c.ID), "", workflows.StateQuery)
		if err != nil {
			t.Fatal(err)
		}
		var state journey.State
		if err := value.Get(&state); err != nil {
			t.Fatal(err)
		}
		s := standing{Stage: state.Stage, Deadlines: journey.Deadlines(rules, state), Next: journey.NextDue(rules, state, sys.Current.Zone()), Seq: state.Seq}
		for _, r := range state.Requirements {
			if !r.InForce(journey.Date("2100-01-01")) {
				s.Outstanding = append(s.Outstanding, r)
			}
		}
		raw, err := json.Marshal(state)
		if err != nil {
			t.Fatal(err)
		}
		s.Whole = string(raw)
		all[c.ID] = s
	}
	return all
}

// TestRebuildAfterLosingTheEngine deletes the engine's file in mid-journey.
func TestRebuildAfterLosingTheEngine(t *testing.T) {
	data := t.TempDir()
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	employ(t, sys.Store)
	p := walk.NewPlayer(sys.Dispatcher)
	begin := time.Date(2025, time.March, 3, 9, 0, 0, 0, protocoltest.Brief().Zone())
	var open []string
	for i, build := range []func(*walk.Walk) *walk.Walk{
		func(w *walk.Walk) *walk.Walk { return w.Refer() },
		func(w *walk.Walk) *walk.Walk { return w.Refer().Screen() },
		func(w *walk.Walk) *walk.Walk { return w.Refer().Screen().Evaluate() },
		func(w *walk.Walk) *walk.Walk { return w.Refer().Screen().Evaluate().Present().Approve() },
		func(w *walk.Walk) *walk.Walk {
			return w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare()
		},
		func(w *walk.Walk) *walk.Walk {
			return w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
		},
		func(w *walk.Walk) *walk.Walk {
			return w.Refer().Screen().Add(w.At(5, 0), journey.Hold, walk.Coordinator, journey.Coordinator, &command.Plain{})
		},
	} {
		w := build(walk.New(i+1, begin))
		open = append(open, play(t, p, string(rune('A'+i)), w.Steps()))
	}
	// Two of them run by the clock, so that deadlines of the past have fired
	// and must not fire again.
	for _, id := range open[1:3] {
		p.Now = time.Now()
		if err := p.Dispatcher.EndBackEntry(t.Context(), id); err != nil {
			t.Fatal(err)
		}
	}
	before := standings(t, sys)
	chains, err := sys.Store.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	fired := false
	for _, id := range open[1:3] {
		events, err := sys.Store.Events(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			fired = fired || e.Kind == journey.Elapse
		}
	}
	if !fired {
		t.Fatal("no deadline has fired: the test proves nothing")
	}
	if err := sys.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(data, "engine.db")); err != nil {
		t.Fatal(err)
	}

	t.Log(mustRun(t, "rebuild", "--data", data))

	if _, err := os.Stat(filepath.Join(data, "engine.db")); errors.Is(err, fs.ErrNotExist) {
		t.Fatal("rebuild made no engine")
	}
	sys, err = system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	defer sys.Close()
	after := standings(t, sys)
	for id, want := range before {
		if got := after[id]; got.Whole != want.Whole {
			t.Errorf("candidate in stage %s\n got %+v\nwant %+v", want.Stage, got, want)
		}
	}
	again, err := sys.Store.Verify(t.Context())
	if err != nil || again != chains {
		t.Errorf("the record changed: %+v, was %+v, error %v", again, chains, err)
	}
	// Everybody goes on.
	p = walk.NewPlayer(sys.Dispatcher)
	p.Now = time.Now()
	for i, id := range open {
		kind, role, body := journey.Hold, journey.Coordinator, command.Body(&command.Plain{})
		switch before[id].Stage {
		case journey.OnHold:
			kind = journey.Resume
		case journey.Recovery:
			kind, body = journey.RecordResults, walk.New(i+1, begin).InfectionResults(0)
		}
		if _, err := p.Dispatcher.Submit(t.Context(), dispatch.Request{Candidate: id, Key: "after-" + id, Kind: kind, Actor: walk.Coordinator, Role: role, Body: body}); err != nil {
			t.Errorf("candidate in stage %s does not go on: %v", before[id].Stage, err)
		}
	}
}

// TestRebuildRefusesARunningServer holds the folder while rebuild is asked.
func TestRebuildRefusesARunningServer(t *testing.T) {
	data := t.TempDir()
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	defer sys.Close()
	if out, err := run(t, "rebuild", "--data", data); err == nil {
		t.Errorf("rebuild went ahead: %s", out)
	}
}
