package planner

import "strings"

// Code says what is wrong with a request.
type Code string

// The codes of errors.
const (
	Missing     Code = "missing"     // a field that is needed is empty
	NotADate    Code = "notADate"    // not YYYY-MM-DD
	NotAccepted Code = "notAccepted" // a value outside those accepted
	OutOfRange  Code = "outOfRange"  // a number of days that is negative or too large
	InTheFuture Code = "inTheFuture" // something done after today
	Duplicate   Code = "duplicate"   // an id used twice
	Unknown     Code = "unknown"     // a task that does not exist
	Itself      Code = "itself"      // a task kept apart from itself
	Cycle       Code = "cycle"       // tasks that wait for each other
	Impossible  Code = "impossible"  // a window that no plan can meet
)

// Error says which task and field make a request impossible to plan.
type Error struct {
	Code  Code
	Task  string   // empty for the request itself
	Field string   // the field's name in JSON
	Other string   // the other task concerned, if there is one
	Path  []string // the tasks of a cycle, each needed by the next and the last by the first
	text  string
}

// Error returns fixed words with the ids of the tasks.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString("planner: ")
	if e.Task != "" {
		b.WriteString("task " + e.Task + ": ")
	}
	b.WriteString(e.Field + ": " + e.text)
	if e.Other != "" {
		b.WriteString(": " + e.Other)
	}
	if len(e.Path) > 0 {
		b.WriteString(": " + strings.Join(e.Path, " -> ") + " -> " + e.Path[0])
	}
	return b.String()
}
