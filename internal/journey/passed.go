package journey

// Firing is what passed on one day.
type Firing struct {
	On        Date
	Deadlines []Deadline
}

// Passed lists, day by day, the deadlines that have passed by the end of a day
// and what the state is after them. A deadline that follows from another, such
// as the closing of a window that opened meanwhile, is among them.
func Passed(rules Rules, s State, until Date) ([]Firing, State) {
	var firings []Firing
	for {
		all := Deadlines(rules, s)
		if len(all) == 0 || until.Before(all[0].On) {
			return firings, s
		}
		firing := Firing{On: all[0].On, Deadlines: DueBy(rules, s, all[0].On)}
		firings = append(firings, firing)
		s = Apply(rules, s, Event{
			Command: Command{Kind: Elapse, Today: firing.On, At: s.At}, Seq: s.Seq + 1, Fired: firing.Deadlines,
		})
	}
}
