package system_test

import (
	"database/sql"
	"fmt"
	"testing"

	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

// TestAnotherVersionPublishesAgain: what a former version of the software indexed
// otherwise is found at the next start, and what would be published in the same
// form gets no version, whatever stage its journey is in.
func TestAnotherVersionPublishesAgain(t *testing.T) {
	dir := t.TempDir()
	sys := open(t, dir)
	employ(t, sys)
	player := walk.NewPlayer(sys.Dispatcher)
	for i, steps := range [][]walk.Step{
		walk.New(1, begin).Refer().Steps(),
		walk.New(2, begin).Refer().Screen().Evaluate().Steps(),
		walk.New(3, begin).Refer().Screen().Evaluate().Present().Approve().Schedule().Steps(),
		walk.New(4, begin).Whole().Steps(),
	} {
		play(t, player, fmt.Sprintf("republish-%d", i), steps)
	}
	state := func(s *record.Store) (versions map[string]int64, found int) {
		versions = map[string]int64{}
		if err := s.EachResource(t.Context(), func(p record.Published) error {
			versions[p.Type+"/"+p.ID] = p.Version
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		for typ, param := range map[string]string{"Observation": "code", "Patient": "family", "ClinicalImpression": "status", "Provenance": "target"} {
			n, err := s.Count(t.Context(), record.Query{Type: typ, Conditions: []record.Condition{{Param: param, Any: []record.Match{{Op: ">=", Value: ""}}}}})
			if err != nil {
				t.Fatal(err)
			}
			found += n
		}
		return versions, found
	}
	before, found := state(sys.Store)
	closed(t, sys)
	// A former version knew other parameters.
	db, err := sql.Open("sqlite", system.RecordsPath(dir))
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{
		"DELETE FROM resource_index WHERE param IN ('code', 'family', 'status', 'target')", "UPDATE resource_standing SET indexed = ''",
		"UPDATE setting SET value = 'former' WHERE name = 'published-scheme'",
	} {
		result, err := db.ExecContext(t.Context(), text)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			t.Fatalf("%s: %d rows, %v", text, n, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	var reported []int
	start := func() *system.System {
		reported = nil
		sys, err := system.Open(t.Context(), system.Options{
			DataDir: dir, Protocol: protocoltest.Brief(), Republishing: func(done, all int) { reported = append(reported, done, all) },
		})
		if err != nil {
			t.Fatal(err)
		}
		return sys
	}
	sys = start()
	after, again := state(sys.Store)
	if again != found || found == 0 {
		t.Errorf("%d are found, %d before", again, found)
	}
	for name, version := range after {
		if before[name] != version {
			t.Errorf("%s is version %d, before %d", name, version, before[name])
		}
	}
	if len(after) != len(before) {
		t.Errorf("%d resources, %d before", len(after), len(before))
	}
	if len(reported) != 8 || reported[6] != 4 || reported[7] != 4 {
		t.Errorf("progress %v", reported)
	}
	closed(t, sys)
	if sys = start(); reported != nil {
		t.Errorf("it was done again: %v", reported)
	}
	closed(t, sys)
}
