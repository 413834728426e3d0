package engine

import (
	"time"

	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/worker"
)

// workerStopTimeout bounds how long a stopping worker waits for its activities.
// They are short and repeatable; those that are not done are retried.
const workerStopTimeout = 10 * time.Second

// NewWorker returns a worker on the task queue, not yet started. It sets what
// must be the same for every worker: the identity, and that a panic in workflow
// code blocks the run until the code is repaired, for a mistake of ours must
// not end the process of a person. The other options are the caller's.
func NewWorker(c client.Client, taskQueue string, o worker.Options) worker.Worker {
	o.Identity = DefaultIdentity
	o.WorkflowPanicPolicy = worker.BlockWorkflow
	if o.WorkerStopTimeout == 0 {
		o.WorkerStopTimeout = workerStopTimeout
	}
	return worker.New(c, taskQueue, o)
}
