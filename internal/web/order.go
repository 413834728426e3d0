package web

import (
	"fmt"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/planner"
	"candidacy/internal/protocol"
)

// orderModel is the order that finishes an evaluation earliest.
type orderModel struct {
	Sentence string
	// Problem says that the planned day is not possible, and why.
	Problem string
	First   []string
	Visits  []orderVisit
}

// orderVisit is one visit of an order. Perhaps are the tasks of it whose condition is
// not known yet.
type orderVisit struct{ When, Kind, Tasks, Perhaps string }

// firstTasks is how many of the tasks that may start today are shown.
const firstTasks = 5

// order says what to do when, as far as the operation is still ahead. Where no
// order is possible there is none to show: the requirements themselves tell.
func order(sc scene) *orderModel {
	state := sc.candidate.State
	if !state.Stage.BeforeOperation() {
		return nil
	}
	plan, err := sc.protocol.Order(state, sc.today)
	if err != nil || len(plan.Visits) == 0 {
		return nil
	}
	m := &orderModel{Sentence: fmt.Sprintf("The operation is possible from %s on, with %s", dayWord(plan.Operation), plural(len(plan.Visits), "visit"))}
	if state.Decision == nil {
		m.Sentence = fmt.Sprintf("The committee can meet on %s and the operation is possible from %s on, with %s",
			dayWord(plan.Committee), dayWord(plan.Operation), plural(len(plan.Visits), "visit"))
	}
	if plan.Repeats > 0 {
		m.Sentence += "; " + plural(plan.Repeats, "result") + " of now will have expired and is done again"
	}
	m.Sentence += "."
	if a := plan.OperationAnswer; a != nil && !a.Feasible {
		m.Problem = fmt.Sprintf("The planned day, %s, leaves too little time. The next possible day is %s.", dayWord(a.Asked), dayWord(a.Next))
		if chain := chainWord(sc, a.Chain); chain != "" {
			m.Problem += " What takes longest: " + chain + "."
		}
	}
	for i, start := range plan.First {
		if i == firstTasks {
			break
		}
		text := taskTitle(sc, start.Task)
		if perhaps(sc, start.Task) {
			text += ", if it applies"
		}
		if start.SlackDays == 0 {
			text += ": every day of waiting moves the operation"
		} else {
			text += ": at the latest on " + dayWord(start.Latest)
		}
		m.First = append(m.First, text)
	}
	for _, v := range plan.Visits {
		var tasks, open []string
		for _, id := range v.Tasks {
			if perhaps(sc, id) {
				open = append(open, taskTitle(sc, id))
			} else {
				tasks = append(tasks, taskTitle(sc, id))
			}
		}
		m.Visits = append(m.Visits, orderVisit{
			weekdayWord(v.On), capital(strings.ReplaceAll(v.Kind, "-", " ")), strings.Join(tasks, "; "), strings.Join(open, "; "),
		})
	}
	return m
}

// perhaps reports whether it is not known yet if a task has to be done at all. Time is
// kept for it, and nobody should book it before it is known.
func perhaps(sc scene, task string) bool {
	id, _ := protocol.Planned(task)
	r, ok := sc.protocol.Find(id)
	return ok && r.When != "" && sc.candidate.State.Holds(id) == journey.HoldsUnknown
}

func taskTitle(sc scene, task string) string {
	id, forOperation := protocol.Planned(task)
	title := titleOf(sc.protocol, id)
	if forOperation {
		title += ", again for the operation"
	}
	return title
}

func chainWord(sc scene, chain []planner.Step) string {
	var titles []string
	for _, step := range chain {
		if step.Task != "" && step.From != step.To {
			titles = append(titles, taskTitle(sc, step.Task))
		}
	}
	return strings.Join(titles, ", then ")
}
