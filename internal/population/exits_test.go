package population_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/population"
	"candidacy/internal/record"
)

// outward is what a journey publishes, version by version, as JSON without the
// instants of the versions.
type outward map[string]any

// outwardOf plays the journey of a seed up to a stage and ends it there. The same
// seed has the same ids in every store.
func outwardOf(t *testing.T, seed uint64, stage journey.Stage, exit population.Exit) (population.Journey, outward) {
	t.Helper()
	programme := open(t, memory(t))
	j, err := programme.End(t.Context(), seed, stage, exit)
	if err != nil {
		t.Fatalf("seed %d, %s in %s: %v", seed, exit, stage, err)
	}
	form := outward{}
	if err := programme.Store.EachVersion(t.Context(), j.Candidate, func(v record.Published) error {
		var body any
		decoder := json.NewDecoder(bytes.NewReader(v.Body))
		decoder.UseNumber()
		if err := decoder.Decode(&body); err != nil {
			return err
		}
		if meta, ok := body.(map[string]any)["meta"].(map[string]any); ok {
			delete(meta, "lastUpdated")
		}
		form[fmt.Sprintf("%s/%s/_history/%d", v.Type, v.ID, v.Version)] = body
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return j, form
}

// differences lists the fields in which two values differ, by their paths.
func differences(path string, a, b any) []string {
	x, isObject := a.(map[string]any)
	y, same := b.(map[string]any)
	if !isObject || !same {
		if reflect.DeepEqual(a, b) {
			return nil
		}
		return []string{fmt.Sprintf("%s: %v and %v", path, a, b)}
	}
	var list []string
	keys := slices.Sorted(maps.Keys(x))
	for key := range y {
		if _, ok := x[key]; !ok {
			keys = append(keys, key)
		}
	}
	for _, key := range keys {
		list = append(list, differences(path+"."+key, x[key], y[key])...)
	}
	return list
}

// TestExitsLookAlike ends journeys in each of the ways in which they may end before
// the operation, from every stage: outside, in every version of every resource and
// field by field, a withdrawal, a decline and a death are the same.
func TestExitsLookAlike(t *testing.T) {
	first, each := uint64(fromEnv(t, "CANDIDACY_SEED", 0)), 1
	if fromEnv(t, "CANDIDACY_JOURNEYS", 24) >= 1000 {
		each = 6
	}
	for _, stage := range []journey.Stage{
		journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Approved, journey.Scheduled, journey.OnHold, journey.Deferred,
	} {
		t.Run(string(stage), func(t *testing.T) {
			compared := 0
			for seed := first; compared < each && seed < first+uint64(each)*8; seed++ {
				if exitsAlike(t, seed, stage) {
					compared++
				}
			}
			if compared < each {
				t.Errorf("%d journeys came to %s", compared, stage)
			}
		})
	}
}

// exitsAlike compares the exits of one journey, and reports whether it came to the
// stage and ended in each way.
func exitsAlike(t *testing.T, seed uint64, stage journey.Stage) bool {
	t.Helper()
	want := map[population.Exit]journey.Stage{
		population.Withdraws: journey.Withdrawn, population.Declined: journey.Declined, population.Dies: journey.Deceased,
	}
	forms := map[population.Exit]outward{}
	for _, exit := range []population.Exit{population.Withdraws, population.Declined, population.Dies} {
		j, form := outwardOf(t, seed, stage, exit)
		// The way there may end elsewhere.
		if last := lastStage(j); j.State.Stage != want[exit] || last != stage {
			return false
		}
		forms[exit] = form
	}
	for _, exit := range []population.Exit{population.Declined, population.Dies} {
		a, b := forms[population.Withdraws], forms[exit]
		for _, name := range slices.Sorted(maps.Keys(a)) {
			if _, ok := b[name]; !ok {
				t.Errorf("seed %d: who %s has no %s", seed, exit, name)
				continue
			}
			for _, d := range differences("", a[name], b[name]) {
				t.Errorf("seed %d: who withdraws and who %s differ in %s%s", seed, exit, name, d)
			}
		}
		for name := range b {
			if _, ok := a[name]; !ok {
				t.Errorf("seed %d: only who %s has %s", seed, exit, name)
			}
		}
	}
	return true
}

// lastStage is where a journey stood before it ended.
func lastStage(j population.Journey) journey.Stage {
	for _, stage := range journey.Stages {
		if j.Reached[fmt.Sprintf("from %s to %s", stage, j.State.Stage)] > 0 {
			return stage
		}
	}
	return ""
}
