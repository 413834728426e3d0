package population_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/population"
)

// shorten plays a journey again with fewer and fewer of its commands, as long as it
// has a fault of a kind, and describes what is left.
func shorten(t testing.TB, seed uint64, kind string, examine examiner) string {
	t.Helper()
	j, _ := open(t, memory(t)).Play(t.Context(), seed) // its error may be the fault
	budget := 80
	fails := func(steps []population.Step) bool {
		if budget == 0 {
			return false
		}
		budget--
		programme := open(t, memory(t))
		again, err := programme.Replay(t.Context(), fmt.Sprint(seed), steps)
		if err != nil {
			return alike(withoutStep(err.Error())) == alike(withoutStep(kind))
		}
		if again.Candidate == "" {
			return false
		}
		versions, err := versionsOf(t.Context(), programme.Store, again.Candidate)
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(examine(t, programme, again, versions), func(message string) bool { return alike(message) == kind })
	}
	var steps []population.Step
	for _, s := range j.Steps {
		if s.Refused == "" {
			steps = append(steps, s)
		}
	}
	if !fails(steps) {
		return population.Describe(j)
	}
	for size := len(steps) / 2; size > 0; size /= 2 {
		for from := 0; from < len(steps); {
			fewer := slices.Delete(slices.Clone(steps), from, min(from+size, len(steps)))
			if fails(fewer) {
				steps = fewer
			} else {
				from += size
			}
		}
	}
	for i := range steps {
		steps = fewerResults(steps, i, fails)
	}
	j.Steps = steps
	return population.Describe(j)
}

// withoutStep is an error without the number of the command that had it.
func withoutStep(message string) string {
	if _, rest, ok := strings.Cut(message, ", "); ok && strings.HasPrefix(message, "step ") {
		return rest
	}
	return message
}

// fewerResults leaves out results of a command, as long as the steps fail.
func fewerResults(steps []population.Step, i int, fails func([]population.Step) bool) []population.Step {
	body, ok := steps[i].Body.(*command.RecordResults)
	if !ok {
		return steps
	}
	results := body.Results
	for size := (len(results) + 1) / 2; size > 0 && len(results) > 1; size /= 2 {
		for from := 0; from < len(results); {
			fewer := slices.Delete(slices.Clone(results), from, min(from+size, len(results)))
			again := slices.Clone(steps)
			again[i].Body = &command.RecordResults{Results: fewer}
			if len(fewer) > 0 && fails(again) {
				results, steps = fewer, again
			} else {
				from += size
			}
		}
	}
	return steps
}
