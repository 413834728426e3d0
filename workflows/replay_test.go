package workflows_test

import (
	"path/filepath"
	"testing"

	"go.temporal.io/sdk/worker"

	"candidacy/workflows"
)

// TestRecordedHistoriesReplay runs today's code over journeys that were
// recorded with earlier code: an old candidate must still be able to go on.
// Never edit a history; record new ones beside them when behaviour changes:
//
//	go test ./internal/demo -run TestHistoriesReplay -record
func TestRecordedHistoriesReplay(t *testing.T) {
	files, err := filepath.Glob("../testdata/histories/*.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 8 {
		t.Fatalf("%d recorded histories, want at least 8", len(files))
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			replayer := worker.NewWorkflowReplayer()
			replayer.RegisterWorkflow(workflows.Candidate)
			if err := replayer.ReplayWorkflowHistoryFromJSONFile(nil, file); err != nil {
				t.Error(err)
			}
		})
	}
}
