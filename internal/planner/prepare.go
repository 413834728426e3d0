package planner

import (
	"cmp"
	"container/heap"
	"slices"
	"strings"

	"candidacy/internal/journey"
)

// maxDays keeps sums of days far from overflow and dates within four digits
// of the year: a hundred years is more than any protocol asks for.
const maxDays = 36_500

// never is the age bound of a result that does not expire. It is larger than
// any day that a plan reaches and far from overflow.
const never = 1 << 40

// none marks the absence of a day, a node or a group.
const none = -1

// arc says that what is done at its target starts at least days after what is
// done at from. For a need, days is the lead of from.
type arc struct {
	from, days int
	spacing    bool
	cross      bool // spacing without a milestone in common
}

// pair is a spacing of two tasks, first < second.
type pair struct {
	first, second, days int
	cross               bool
	free                bool // either order is possible
	again               bool // the first is needed by the second, but a repeat of the first may come after it
	records             bool // both are on record, too close to each other: one of them does not count
}

// model is a checked request. Tasks are numbered in an order in which they can
// be done; days are counted from today.
type model struct {
	request Request
	tasks   []Task // in that order
	lead    []int
	age     []int // how old a result may be at its milestones
	release []int // the first day allowed by notBefore, at least 0
	done    []int // day of the result on record
	onFile  []bool
	kind    []int // none if no visit is needed
	kinds   []string
	first   []bool // has to count at the committee
	second  []bool // has to count at the operation
	needs   [][]int
	pairs   []pair
	lasting []bool // the result on record counts in any plan; nil if there are no pairs
	cool    int
	held    bool
	heldDay int
	minC    int // the days asked for, at least 0
	minS    int
}

func (m *model) day(d journey.Date) int    { return m.request.Today.DaysUntil(d) }
func (m *model) date(day int) journey.Date { return m.request.Today.AddDays(day) }
func (m *model) id(v int) string           { return m.tasks[v].ID }
func (m *model) expires(v int) bool        { return m.age[v] != never }

// both reports whether both tasks are in the set.
func (m *model) both(v, w int, of []bool) bool { return of[v] && of[w] }

// ageField names the field that limits how old a result may be.
func ageField(t Task) string {
	if t.WindowDays > 0 && (t.ValidityDays == 0 || t.WindowDays < t.ValidityDays) {
		return "windowDays"
	}
	return "validityDays"
}

// prepare checks the request and numbers its tasks.
func prepare(request Request) (*model, error) {
	if err := checkDates(request); err != nil {
		return nil, err
	}
	sorted := slices.Clone(request.Tasks)
	slices.SortStableFunc(sorted, func(a, b Task) int { return strings.Compare(a.ID, b.ID) })
	index := make(map[string]int, len(sorted))
	for i, t := range sorted {
		if err := checkTask(request.Today, t); err != nil {
			return nil, err
		}
		if _, ok := index[t.ID]; ok {
			return nil, &Error{Code: Duplicate, Task: t.ID, Field: "id", text: "used by two tasks"}
		}
		index[t.ID] = i
	}
	needs := make([][]int, len(sorted))
	for i, t := range sorted {
		for _, id := range t.Needs {
			k, ok := index[id]
			if !ok {
				return nil, &Error{Code: Unknown, Task: t.ID, Field: "needs", Other: id, text: "no such task"}
			}
			needs[i] = append(needs[i], k)
		}
		slices.Sort(needs[i])
		needs[i] = slices.Compact(needs[i])
		for _, s := range t.Apart {
			if s.Task == t.ID {
				return nil, &Error{Code: Itself, Task: t.ID, Field: "apart", text: "a task cannot be kept apart from itself"}
			}
			if _, ok := index[s.Task]; !ok {
				return nil, &Error{Code: Unknown, Task: t.ID, Field: "apart", Other: s.Task, text: "no such task"}
			}
		}
	}
	order, ok := topological(len(sorted), needs)
	if !ok {
		path := cycle(needs)
		names := make([]string, len(path))
		for i, v := range path {
			names[i] = sorted[v].ID
		}
		return nil, &Error{Code: Cycle, Task: names[0], Field: "needs", Path: names, text: "the tasks wait for each other"}
	}
	m := number(request, sorted, needs, order)
	if err := m.checkAges(); err != nil {
		return nil, err
	}
	m.pair(index, order)
	return m, nil
}

func checkDates(r Request) error {
	for _, f := range []struct {
		field string
		date  journey.Date
	}{
		{"today", r.Today}, {"operation", r.Operation}, {"committee", r.Committee}, {"committeeHeld", r.CommitteeHeld},
	} {
		if f.date == "" {
			if f.field == "today" {
				return &Error{Code: Missing, Field: f.field, text: "a day is needed"}
			}
			continue
		}
		if _, err := journey.ParseDate(string(f.date)); err != nil {
			return &Error{Code: NotADate, Field: f.field, text: "use YYYY-MM-DD"}
		}
		if days := r.Today.DaysUntil(f.date); days > maxDays || days < -maxDays {
			return &Error{Code: OutOfRange, Field: f.field, text: "more than a hundred years from today"}
		}
	}
	if r.Today.Before(r.CommitteeHeld) {
		return &Error{Code: InTheFuture, Field: "committeeHeld", text: "after today"}
	}
	if r.CommitteeHeld != "" && r.Committee != "" {
		return &Error{Code: NotAccepted, Field: "committee", text: "the committee has met already"}
	}
	return checkDays("", "coolingOffDays", r.CoolingOffDays, 0)
}

func checkDays(task, field string, days, least int) error {
	if days < least || days > maxDays {
		return &Error{Code: OutOfRange, Task: task, Field: field, text: "a negative number or too many days"}
	}
	return nil
}

func checkTask(today journey.Date, t Task) error {
	if t.ID == "" {
		return &Error{Code: Missing, Field: "id", text: "every task needs one"}
	}
	if !slices.Contains(Gates(), t.Gate) {
		return &Error{Code: NotAccepted, Task: t.ID, Field: "gate", text: "committee or operation"}
	}
	for _, f := range []struct {
		field string
		days  int
	}{{"leadDays", t.LeadDays}, {"validityDays", t.ValidityDays}, {"windowDays", t.WindowDays}} {
		if err := checkDays(t.ID, f.field, f.days, 0); err != nil {
			return err
		}
	}
	for _, s := range t.Apart {
		if err := checkDays(t.ID, "apart", s.Days, 1); err != nil {
			return err
		}
	}
	for _, f := range []struct {
		field string
		date  journey.Date
	}{{"notBefore", t.NotBefore}, {"doneOn", t.DoneOn}} {
		if f.date == "" {
			continue
		}
		if _, err := journey.ParseDate(string(f.date)); err != nil {
			return &Error{Code: NotADate, Task: t.ID, Field: f.field, text: "use YYYY-MM-DD"}
		}
		if days := today.DaysUntil(f.date); days > maxDays || days < -maxDays {
			return &Error{Code: OutOfRange, Task: t.ID, Field: f.field, text: "more than a hundred years from today"}
		}
	}
	if today.Before(t.DoneOn) {
		return &Error{Code: InTheFuture, Task: t.ID, Field: "doneOn", text: "after today"}
	}
	return nil
}

// least is a heap of task numbers.
type least []int

func (h least) Len() int           { return len(h) }
func (h least) Less(i, j int) bool { return h[i] < h[j] }
func (h least) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *least) Push(x any)        { *h = append(*h, x.(int)) }
func (h *least) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}

// topological orders tasks so that each comes after what it needs, smallest
// number first. It returns false if there is a cycle.
func topological(n int, needs [][]int) ([]int, bool) {
	open := make([]int, n)
	next := make([][]int, n)
	for v, ks := range needs {
		open[v] = len(ks)
		for _, k := range ks {
			next[k] = append(next[k], v)
		}
	}
	var ready least
	for v := range n {
		if open[v] == 0 {
			ready = append(ready, v) // in order, so it is a heap
		}
	}
	order := make([]int, 0, n)
	for len(ready) > 0 {
		v := heap.Pop(&ready).(int)
		order = append(order, v)
		for _, w := range next[v] {
			if open[w]--; open[w] == 0 {
				heap.Push(&ready, w)
			}
		}
	}
	return order, len(order) == n
}

// cycle finds tasks that need each other, in the order in which each is needed
// by the next, from the smallest number.
func cycle(needs [][]int) []int {
	const seen, left = 1, 2
	mark := make([]int, len(needs))
	var stack, found []int
	var visit func(v int) bool
	visit = func(v int) bool {
		mark[v] = seen
		stack = append(stack, v)
		for _, k := range needs[v] {
			if mark[k] == seen {
				found = slices.Clone(stack[slices.Index(stack, k):])
				return true
			}
			if mark[k] == 0 && visit(k) {
				return true
			}
		}
		mark[v] = left
		stack = stack[:len(stack)-1]
		return false
	}
	for v := range needs {
		if mark[v] == 0 && visit(v) {
			break
		}
	}
	slices.Reverse(found)
	at := slices.Index(found, slices.Min(found))
	return slices.Concat(found[at:], found[:at])
}

// number builds the model with tasks numbered in the order.
func number(request Request, sorted []Task, needs [][]int, order []int) *model {
	n := len(order)
	m := &model{
		request: request, tasks: make([]Task, n), lead: make([]int, n), age: make([]int, n), release: make([]int, n),
		done: make([]int, n), onFile: make([]bool, n), kind: make([]int, n), first: make([]bool, n), second: make([]bool, n),
		needs: make([][]int, n), cool: request.CoolingOffDays,
	}
	position := make([]int, n)
	for at, v := range order {
		position[v] = at
	}
	for _, t := range sorted {
		if t.Visit != "" {
			m.kinds = append(m.kinds, t.Visit)
		}
	}
	slices.Sort(m.kinds)
	m.kinds = slices.Compact(m.kinds)
	for at, v := range order {
		t := sorted[v]
		m.tasks[at], m.lead[at], m.age[at], m.kind[at] = t, t.LeadDays, never, none
		for _, limit := range []int{t.ValidityDays, t.WindowDays} {
			if limit > 0 {
				m.age[at] = min(m.age[at], limit)
			}
		}
		if t.NotBefore != "" {
			m.release[at] = max(0, m.day(t.NotBefore))
		}
		if t.DoneOn != "" {
			m.onFile[at], m.done[at] = true, m.day(t.DoneOn)
		}
		if t.Visit != "" {
			m.kind[at], _ = slices.BinarySearch(m.kinds, t.Visit)
		}
		m.first[at] = t.Gate == Committee
		m.second[at] = t.Gate == Operation || t.AlsoAtOperation
		for _, k := range needs[v] {
			m.needs[at] = append(m.needs[at], position[k])
		}
		slices.Sort(m.needs[at])
	}
	for v := n - 1; v >= 0; v-- {
		for _, k := range m.needs[v] {
			m.first[k] = m.first[k] || m.first[v]
		}
	}
	if request.CommitteeHeld != "" {
		m.held, m.heldDay = true, m.day(request.CommitteeHeld)
	}
	if request.Committee != "" {
		m.minC = max(0, m.day(request.Committee))
	}
	if request.Operation != "" {
		m.minS = max(0, m.day(request.Operation))
	}
	return m
}

// tails returns the days from doing each task to its milestone at least, over
// the tasks of that milestone, and the next task on the way.
func (m *model) tails(of []bool) (tail, next []int) {
	n := len(m.tasks)
	tail, next = make([]int, n), make([]int, n)
	for v := range n {
		tail[v], next[v] = m.lead[v], none
	}
	for v := n - 1; v >= 0; v-- {
		for _, k := range m.needs[v] {
			if m.both(k, v, of) && m.lead[k]+tail[v] > tail[k] {
				tail[k], next[k] = m.lead[k]+tail[v], v
			}
		}
	}
	return tail, next
}

// checkAges refuses results that are too old at their milestone in any plan,
// because their own lead or those of the tasks that wait for them take longer.
func (m *model) checkAges() error {
	for _, of := range [][]bool{m.first, m.second} {
		tail, next := m.tails(of)
		for v, t := range m.tasks {
			if !of[v] || tail[v] <= m.age[v] {
				continue
			}
			if next[v] == none {
				return &Error{Code: Impossible, Task: t.ID, Field: ageField(t), text: "shorter than its own lead"}
			}
			return &Error{Code: Impossible, Task: t.ID, Field: ageField(t), Other: m.id(next[v]),
				text: "shorter than its own lead and that of the tasks that wait for it"}
		}
	}
	return nil
}

// pair collects the spacings, one for two tasks.
func (m *model) pair(index map[string]int, order []int) {
	position := make([]int, len(order))
	for at, v := range order {
		position[v] = at
	}
	for v, t := range m.tasks {
		for _, s := range t.Apart {
			w := position[index[s.Task]]
			m.pairs = append(m.pairs, pair{first: min(v, w), second: max(v, w), days: s.Days})
		}
	}
	if len(m.pairs) == 0 {
		return
	}
	slices.SortFunc(m.pairs, func(a, b pair) int {
		return cmp.Or(a.first-b.first, a.second-b.second, b.days-a.days)
	})
	m.pairs = slices.CompactFunc(m.pairs, func(a, b pair) bool { return a.first == b.first && a.second == b.second })
	doubtful := make([]bool, len(m.tasks))
	for i := range m.pairs {
		p := &m.pairs[i]
		a, b := p.first, p.second
		common := m.both(a, b, m.second) || !m.held && m.both(a, b, m.first)
		cross := !m.both(a, b, m.second) && !m.both(a, b, m.first)
		p.records = (common || cross) && m.both(a, b, m.onFile) && max(m.done[a], m.done[b])-min(m.done[a], m.done[b]) < p.days
		doubtful[a], doubtful[b] = doubtful[a] || p.records, doubtful[b] || p.records
		if cross {
			p.cross = true
			if !m.first[a] { // the committee task goes first
				p.first, p.second = b, a
			}
			if m.onFile[p.second] {
				m.release[p.first] = max(m.release[p.first], m.done[p.second]+p.days)
			}
		}
	}
	m.lasting = make([]bool, len(m.tasks))
	for v := range m.tasks {
		m.lasting[v] = m.onFile[v] && !m.expires(v) && !doubtful[v]
	}
	ahead := m.ancestors()
	for i := range m.pairs {
		p := &m.pairs[i]
		p.again = ahead[p.second][p.first] && m.onFile[p.first] && m.both(p.first, p.second, m.second)
		p.free = !p.cross && !ahead[p.second][p.first] && !m.lasting[p.first] && !m.lasting[p.second]
	}
}

// ancestors returns, for each task, the tasks it waits for. A task that need
// not be done waits for none.
func (m *model) ancestors() [][]bool {
	ahead := make([][]bool, len(m.tasks))
	for v := range m.tasks {
		ahead[v] = make([]bool, len(m.tasks))
		if m.lasting[v] {
			continue
		}
		for _, k := range m.needs[v] {
			ahead[v][k] = true
			for w := range k {
				ahead[v][w] = ahead[v][w] || ahead[k][w]
			}
		}
	}
	return ahead
}
