package system_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/mover"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/walk"
)

// TestMoveKeepsThePromiseOfItsPreview compares what a preview says with what the
// move records, publishes and leaves, for candidates in several stages.
func TestMoveKeepsThePromiseOfItsPreview(t *testing.T) {
	sys := open(t, t.TempDir())
	defer closed(t, sys)
	employ(t, sys)
	text := strings.NewReplacer(
		`version: "`+sys.Current.Version+`"`, "version: moved-1\napproved_by: Committee\napproved_on: 2026-01-15",
		"fasting_glucose >= 100 ", "fasting_glucose >= 85 ", `when: "< 18.5"`, `when: "< 24"`,
	).Replace(sys.Current.Source())
	next, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := mover.Adopt(t.Context(), sys.Store, next); err != nil {
		t.Fatal(err)
	}
	player := walk.NewPlayer(sys.Dispatcher)
	for i, steps := range [][]walk.Step{
		walk.New(1, begin).Refer().Steps(),
		walk.New(2, begin).Refer().Screen().Evaluate().Steps(),
		walk.New(3, begin).Refer().Screen().Evaluate().Present().Approve().Schedule().Steps(),
		walk.New(4, begin).Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate().Steps(),
	} {
		play(t, player, "preview-"+string(rune('a'+i)), steps)
	}
	// The engine's clock is behind nobody: the move is given on the day of the last step.
	now := player.Now
	d := *sys.Dispatcher
	var changes []mover.Change
	err = mover.Preview(t.Context(), sys.Store, sys.Protocols, mover.Plan{To: next}, "", now, func(c mover.Change) (bool, error) {
		changes = append(changes, c)
		return true, nil
	})
	if err != nil || len(changes) != 4 {
		t.Fatalf("got %+v, %v", changes, err)
	}
	stages := map[journey.Stage]bool{}
	for _, c := range changes {
		before, err := sys.Store.Candidate(t.Context(), c.Candidate)
		if err != nil {
			t.Fatal(err)
		}
		stages[before.State.Stage] = true
		if _, err := player.Give(t.Context(), c.Candidate, mover.Key(next.Version, c, "admin", ""), walk.Step{
			At: now, Kind: journey.MoveProtocol, Actor: "admin", Role: journey.Administrator, Body: &command.MoveProtocol{Version: next.Version},
		}); err != nil {
			t.Fatal(err)
		}
		promised(t, sys.Store, c, before)
		if err := mover.Give(t.Context(), &d, next.Version, c, "another", ""); err != nil {
			t.Errorf("a candidate who is there already: %v", err)
		}
	}
	if len(stages) != 4 {
		t.Errorf("the candidates stand in %v", stages)
	}
	n, err := mover.Waiting(t.Context(), sys.Store, mover.Plan{To: next})
	if err != nil || n != 0 {
		t.Errorf("%d are waiting, %v", n, err)
	}
	if _, err := d.Submit(t.Context(), dispatch.Request{
		Candidate: changes[0].Candidate, Key: "nowhere", Kind: journey.MoveProtocol, Actor: "admin", Role: journey.Administrator, Body: &command.MoveProtocol{Version: "none"},
	}); err == nil || !strings.Contains(err.Error(), "version: no such protocol version is stored (accepted: moved-1") {
		t.Errorf("a version that is not stored is answered %v", err)
	}
}

// promised holds the entry, the state and the published plan against a preview.
func promised(t *testing.T, store *record.Store, c mover.Change, before record.Candidate) {
	t.Helper()
	ctx := t.Context()
	after, err := store.Candidate(ctx, c.Candidate)
	if err != nil {
		t.Fatal(err)
	}
	if after.Protocol != "moved-1" || after.State.Stage != before.State.Stage {
		t.Errorf("on %s in stage %s", after.Protocol, after.State.Stage)
	}
	entries, err := store.Entries(ctx, c.Candidate)
	if err != nil {
		t.Fatal(err)
	}
	last := entries[len(entries)-1]
	event, err := last.Decode()
	if err != nil || event.Kind != journey.MoveProtocol {
		t.Fatalf("the last entry is %s, %v", event.Kind, err)
	}
	var gained, lost []string
	for _, change := range event.Plan {
		if change.Applies {
			gained = append(gained, change.Requirement)
		} else {
			lost = append(lost, change.Requirement)
		}
	}
	if !slices.Equal(gained, c.Gained) || !slices.Equal(lost, c.Lost) || !slices.Equal(event.Fired, c.Fired) {
		t.Errorf("%s: the preview says %+v, the entry gained %v, lost %v, fired %v", c.Stage, c, gained, lost, event.Fired)
	}
	var body activities.Move
	if err := json.Unmarshal(last.Body, &body); err != nil || !slices.Equal(body.Flags, c.Flags) {
		t.Errorf("%s: the preview says %+v, the entry %+v, %v", c.Stage, c.Flags, body.Flags, err)
	}
	plans := 0
	err = store.EachResource(ctx, func(p record.Published) error {
		if p.Type == "CarePlan" && strings.Contains(string(p.Body), c.Candidate) {
			plans++
			if !strings.Contains(string(p.Body), `|moved-1"`) {
				t.Errorf("%s: the published plan is %s", c.Stage, p.Body)
			}
		}
		return nil
	})
	want := 1
	if before.State.Outcome == journey.Removed {
		want = 2 // that of the recovery too
	}
	if err != nil || plans != want {
		t.Errorf("%s: %d plans are published, %v", c.Stage, plans, err)
	}
}
