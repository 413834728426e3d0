package planner

import (
	"cmp"
	"math/bits"
	"slices"
)

// maxPairs is the number of pairs in free order up to which every order is
// tried: 64 schedules.
const maxPairs = 6

// schedule is the network of one choice of orders. What is done for the
// committee, or for both milestones, is node v for task v; what is done for
// the operation only is node v+n. No arc leads from the second to the first.
type schedule struct {
	*model
	order   []int   // of tasks, so that arcs lead forwards
	in      [][]arc // by target
	near    [][]near
	dropped []bool // the result on record does not count
	on      []bool // the nodes there are
	merged  []bool // the first result lasts until the operation
	low     []int  // the earliest day of each node
	high    []int  // the latest day of each node
	c, s    int    // the days of committee and operation
	loose   bool   // leave out what is kept apart
	finish  int    // the day of the last result for the operation
	next    int    // the next day of the committee that may change the repeats
	repeats int
	tieDays int // the sum of the planned days
	visits  grouping
}

// near is the spacing of a task from another one with a milestone in common.
// If before is set, the order chosen has the other one first.
type near struct {
	other, days int
	before      bool
}

// choice is a decision that a schedule can take either way: it turns the order
// of a free pair round or, for two results on record too close to each other,
// says which of them does not count.
type choice struct {
	pair  int
	drops bool
}

func (m *model) choices() []choice {
	var all []choice
	for i, p := range m.pairs {
		if p.free || p.again {
			all = append(all, choice{pair: i})
		}
		if p.records {
			all = append(all, choice{pair: i, drops: true})
		}
	}
	return all
}

// arrange builds the network for the choices taken. It returns nil if they
// lead to a cycle.
func (m *model) arrange(all []choice, taken []bool) *schedule {
	n := len(m.tasks)
	s := &schedule{
		model: m, in: make([][]arc, n), dropped: make([]bool, n),
		on: make([]bool, 2*n), merged: make([]bool, n), low: make([]int, 2*n), high: make([]int, 2*n),
	}
	lasting := func(v int) bool { return m.lasting != nil && m.lasting[v] }
	for v, ks := range m.needs {
		if lasting(v) {
			continue // it is not done, so nothing is tied to its order
		}
		s.in[v] = make([]arc, len(ks))
		for i, k := range ks {
			s.in[v][i] = arc{from: k, days: m.lead[k]}
		}
	}
	turned := make([]bool, len(m.pairs))
	for i, c := range all {
		switch p := m.pairs[c.pair]; {
		case !c.drops:
			turned[c.pair] = taken[i]
		case taken[i]:
			s.dropped[p.second] = true
		default:
			s.dropped[p.first] = true
		}
	}
	reordered := false
	if len(m.pairs) > 0 {
		s.near = make([][]near, n)
	}
	for i, p := range m.pairs {
		from, to := p.first, p.second
		if turned[i] && p.free {
			from, to = to, from
		}
		if !lasting(to) {
			reordered = reordered || from > to
			s.in[to] = append(s.in[to], arc{from: from, days: p.days, spacing: true, cross: p.cross})
		}
		if !p.cross {
			after := turned[i] && !p.free
			s.near[from] = append(s.near[from], near{other: to, days: p.days, before: after})
			s.near[to] = append(s.near[to], near{other: from, days: p.days, before: !after})
		}
	}
	if !reordered {
		s.order = make([]int, n)
		for v := range n {
			s.order[v] = v
		}
		return s
	}
	before := make([][]int, n)
	for v, arcs := range s.in {
		for _, a := range arcs {
			before[v] = append(before[v], a.from)
		}
	}
	order, ok := topological(n, before)
	if !ok {
		return nil
	}
	s.order = order
	return s
}

// recorded reports whether the result on record counts on a milestone's day.
func (s *schedule) recorded(v, at int) bool {
	return s.onFile[v] && !s.dropped[v] && s.done[v] >= at-s.age[v]
}

// source returns the node from which an arc into a node of the task comes, or
// none and the first day that a result on record leaves.
func (s *schedule) source(a arc, second bool) (node, floor int) {
	k, n := a.from, len(s.tasks)
	switch {
	case second && s.on[k+n]:
		return k + n, none
	case second && s.second[k]:
		if s.merged[k] {
			return k, none
		}
	case second && a.spacing && !a.cross, !second && !s.first[k]:
		return none, 0
	case s.on[k]:
		return k, none
	}
	if a.cross && s.onFile[k] && !s.dropped[k] {
		return none, s.done[k] + a.days
	}
	return none, 0
}

// into calls yield for every arc into a node: the node it comes from and the
// days after it, or none and a first day.
func (s *schedule) into(node int, yield func(from, days int)) {
	v, second := node, false
	if n := len(s.tasks); node >= n {
		v, second = node-n, true
	}
	for _, a := range s.in[v] {
		from, floor := s.source(a, second)
		if from == none {
			yield(none, floor)
		} else {
			yield(from, a.days)
		}
	}
	if s.near == nil || s.loose {
		return
	}
	// Nothing is done too soon after a result on record. What is done once and
	// what is done for the operation only keep the order chosen, but a second
	// time comes after what is done once.
	n := len(s.tasks)
	if second && s.on[v] {
		yield(v, 1)
	}
	for _, p := range s.near[v] {
		w := p.other
		if !second && s.first[w] && !s.on[w] || second && s.second[w] && !s.merged[w] && !s.on[w+n] {
			yield(none, s.done[w]+p.days)
		}
		if !s.both(v, w, s.second) {
			continue
		}
		switch {
		case second && s.merged[w] && (p.before || s.on[v]):
			yield(w, p.days)
		case !second && s.merged[v] && s.on[w+n] && p.before && !s.on[w]:
			yield(w+n, p.days)
		case !second && s.merged[v] && !s.on[w] && !s.merged[w] && !s.on[w+n]:
			yield(none, s.done[w]+p.days)
		}
	}
}

// forward sets the earliest day of the nodes of one milestone and returns the
// latest of their results. With raise, days are kept within the age of results
// at the milestones.
func (s *schedule) forward(second, raise bool) int {
	n, finish := len(s.tasks), 0
	shift, at := 0, s.c
	if second {
		shift, at = n, s.s
	}
	for _, v := range s.order {
		node := v + shift
		if !s.on[node] {
			continue
		}
		low := s.release[v]
		if raise {
			if !second || s.second[v] {
				low = max(low, at-s.age[v])
			}
			if !second && s.merged[v] {
				low = max(low, s.s-s.age[v])
			}
		}
		s.into(node, func(from, days int) {
			if from != none {
				days += s.low[from]
			}
			low = max(low, days)
		})
		s.low[node] = low
		finish = max(finish, low+s.lead[v])
	}
	return finish
}

// backward sets the latest day of every node, last tasks first. With decide,
// it also turns the nodes of a task into one if its latest day before the
// committee lasts until the operation.
func (s *schedule) backward(decide bool) {
	n := len(s.tasks)
	for v := range n {
		s.high[v], s.high[v+n] = s.c-s.lead[v], s.s-s.lead[v]
	}
	s.loose = decide
	for changed := true; changed; {
		changed = false
		for _, v := range slices.Backward(s.order) {
			if decide && s.on[v] && s.on[v+n] && min(s.high[v], s.high[v+n]) >= s.s-s.age[v] {
				s.high[v] = min(s.high[v], s.high[v+n])
				s.merged[v], s.on[v+n] = true, false
			}
			for _, node := range []int{v + n, v} {
				if !s.on[node] {
					continue
				}
				high := s.high[node]
				s.into(node, func(from, days int) {
					if from != none && s.high[from] > high-days {
						s.high[from] = high - days
						changed = true
					}
				})
			}
		}
		if s.near == nil || decide {
			break
		}
	}
	s.loose = false
}

// open sets the nodes of one milestone, each done for that milestone only.
func (s *schedule) open(second bool) {
	n := len(s.tasks)
	if !second {
		for v := range n {
			s.merged[v] = false
			s.on[v] = s.first[v] && !s.held && !s.recorded(v, s.c)
		}
		return
	}
	for v := range n {
		s.on[v+n] = s.second[v] && !s.recorded(v, s.s)
	}
	if s.held {
		// What the committee did not have, but a task still to be done needs.
		for _, v := range slices.Backward(s.order) {
			for _, k := range s.needs[v] {
				if s.on[v+n] && !s.second[k] && !s.onFile[k] {
					s.on[k+n] = true
				}
			}
		}
	}
}

// settle finds the earliest days of committee and operation from the given
// ones. More results on record become too old as the days move, which adds
// tasks and never takes any away, so the days reached are the least.
func (s *schedule) settle(committee, operation int) bool {
	s.c = committee
	if s.held {
		s.c = s.heldDay
	}
	for {
		s.open(false)
		finish := s.forward(false, false)
		if s.held || finish <= s.c {
			break
		}
		if s.near == nil {
			s.c = finish
		} else {
			s.c++ // a result on record from which to keep apart may not count any more
		}
	}
	if !s.held && s.forward(false, true) > s.c {
		return false
	}
	s.s = max(operation, s.c+s.cool)
	// Beyond this day nothing changes that could make room.
	limit := s.s
	for v := range s.tasks {
		if s.expires(v) {
			limit = max(limit, s.c+s.age[v], s.release[v]+s.age[v])
		}
		limit = max(limit, s.release[v])
	}
	limit += s.slowest()
	for !s.count() {
		if s.near != nil {
			s.s++
		} else {
			s.s = max(s.s+1, s.finish)
		}
		if s.s > limit {
			return false
		}
	}
	return true
}

// slowest bounds the days that doing everything one after the other takes.
func (s *schedule) slowest() int {
	days := 1
	for _, lead := range s.lead {
		days += 2 * lead
	}
	for _, p := range s.pairs {
		days += 2 * p.days
	}
	return days
}

// soonest is settle with the committee moved later where that makes the
// operation earlier: a task done later lasts longer, and one that is not
// repeated need not wait for what is.
func (s *schedule) soonest(committee, operation int, fixed bool) bool {
	if !s.settle(committee, operation) {
		return false
	}
	bestC, bestS := s.c, s.s
	if s.held || fixed || bestS <= s.bound(operation) {
		return s.settle(committee, operation)
	}
	for s.c+1+s.cool < bestS {
		if !s.settle(s.c+1, operation) {
			break
		}
		if s.s < bestS {
			bestC, bestS = s.c, s.s
		}
	}
	return s.settle(bestC, operation)
}

// bound returns a day before which no operation is possible, for the
// committee set or a later one: as if everything lasted until the operation.
func (s *schedule) bound(operation int) int {
	s.s = max(operation, s.c+s.cool)
	s.loose = true
	for {
		s.open(false)
		s.open(true)
		for v := range s.tasks {
			if s.first[v] && s.on[v+len(s.tasks)] {
				s.on[v], s.merged[v], s.on[v+len(s.tasks)] = true, true, false
			}
		}
		s.forward(false, false)
		finish := s.forward(true, false)
		if finish <= s.s {
			s.loose = false
			return s.s
		}
		s.s = finish
	}
}

// count decides which tasks are done once for both milestones, for the days
// set, completes the network and counts the repeats. It returns false if the
// days are not possible, and sets next to the next day of the committee on
// which this may change.
func (s *schedule) count() bool {
	s.open(false)
	s.open(true)
	s.backward(true)
	n := len(s.tasks)
	s.next = never
	for v := range n {
		if short := s.s - s.age[v] - s.high[v]; s.on[v] && s.on[v+n] && short > 0 {
			s.next = min(s.next, s.c+short) // late enough to last
		}
		if s.first[v] && s.recorded(v, s.c) {
			s.next = min(s.next, s.done[v]+s.age[v]+1) // too old
		}
	}
	if !s.fits() {
		s.next = s.c + 1
		if !s.part() {
			return false
		}
	}
	s.backward(false)
	s.repeats = 0
	for v := range n {
		times := 0
		for _, node := range []int{v, v + n} {
			if s.on[node] {
				times++
			}
		}
		if !s.onFile[v] {
			times = max(0, times-1)
		}
		s.repeats += times
	}
	return true
}

// part takes back that tasks are done once, where that is not possible because
// they have to be kept apart: as few as possible for up to maxPairs of them,
// otherwise one after the other. It reports whether there is a plan.
func (s *schedule) part() bool {
	n := len(s.tasks)
	var in []int
	for v := range n {
		if s.near != nil && s.merged[v] && len(s.near[v]) > 0 {
			in = append(in, v)
		}
	}
	split := func(v int, again bool) { s.merged[v], s.on[v+n] = !again, again }
	if len(in) > maxPairs {
		for _, v := range in {
			split(v, true)
			if s.fits() {
				return true
			}
		}
		return false
	}
	for again := 1; again <= len(in); again++ {
		for mask := range uint(1) << len(in) {
			if bits.OnesCount(mask) != again {
				continue
			}
			for i, v := range in {
				split(v, mask>>i&1 == 1)
			}
			if s.fits() {
				return true
			}
		}
	}
	return false
}

// fits sets the earliest days and reports whether both milestones are kept.
func (s *schedule) fits() bool {
	clear(s.low)
	for {
		committee := s.forward(false, true)
		s.finish = s.forward(true, true)
		if !s.held && committee > s.c || s.finish > s.s {
			return false
		}
		if s.near == nil || !s.behind() {
			return true
		}
	}
}

// behind reports whether a node is earlier than an arc from what is done for
// the operation only allows.
func (s *schedule) behind() bool {
	n, found := len(s.tasks), false
	for v := range n {
		if s.merged[v] {
			s.into(v, func(from, days int) { found = found || from >= n && s.low[from]+days > s.low[v] })
		}
	}
	return found
}

// bestCommittee moves the committee, within the days that keep the operation,
// to the earliest day with the fewest repeats. It visits every day on which a
// result becomes too old or a task can be done late enough to last.
func (s *schedule) bestCommittee() {
	if !s.count() || s.held {
		return
	}
	last, fewest := s.s-s.cool, s.unavoidable()
	bestC, best := s.c, s.repeats
	for best > fewest && s.next <= last {
		s.c = s.next
		if s.count() && s.repeats < best {
			bestC, best = s.c, s.repeats
		}
	}
	s.c = bestC
	s.count()
}

// unavoidable counts the repeats of results on record that are too old on the
// days set, which are the earliest.
func (s *schedule) unavoidable() int {
	total := 0
	for v := range s.tasks {
		if s.onFile[v] && (s.first[v] && !s.recorded(v, s.c) || s.second[v] && !s.recorded(v, s.s)) {
			total++
		}
	}
	return total
}

// compare orders schedules by the objective, without the visits.
func (s *schedule) compare(other *schedule) int {
	committee := 0
	if s.request.Committee != "" {
		committee = s.c - other.c
	}
	return cmp.Or(committee, s.s-other.s, s.repeats-other.repeats, s.c-other.c)
}

// result is what solve found.
type result struct {
	*schedule
	all     []choice
	taken   []bool
	exact   bool
	atLeast int
}

// solve tries the orders of tasks to be kept apart and returns the earliest
// days of committee and operation without any day asked for, and the plan.
func (m *model) solve() (earliestC, earliestS int, best result, err error) {
	all := m.choices()
	earliestC, earliestS = never, never
	asked := m.request.Committee != ""
	var tied []result
	try := func(taken []bool) bool {
		s := m.arrange(all, taken)
		if s == nil || !s.soonest(0, 0, false) {
			return false
		}
		earliestS = min(earliestS, s.s)
		if s.settle(0, 0) {
			earliestC = min(earliestC, s.c)
		}
		if !s.soonest(m.minC, m.minS, asked) {
			return false
		}
		if !asked {
			s.bestCommittee()
		}
		order := -1
		if len(tied) > 0 {
			order = s.compare(tied[0].schedule)
		}
		if order < 0 {
			tied = tied[:0]
		}
		if order <= 0 {
			tied = append(tied, result{schedule: s, all: all, taken: slices.Clone(taken)})
		}
		return order < 0
	}
	taken := make([]bool, len(all))
	every := len(all) <= maxPairs
	if every {
		for mask := range uint(1) << len(all) {
			for i := range taken {
				taken[i] = mask>>i&1 == 1
			}
			try(taken)
		}
	} else {
		try(taken)
		for better := true; better; {
			better = false
			for i := range taken {
				taken[i] = !taken[i]
				if try(taken) {
					better = true
				} else {
					taken[i] = !taken[i]
				}
			}
		}
	}
	if len(tied) == 0 {
		p := m.pairs[0]
		if len(all) > 0 {
			p = m.pairs[all[0].pair]
		}
		return 0, 0, result{}, &Error{Code: Impossible, Task: m.id(p.first), Field: "apart", Other: m.id(p.second),
			text: "no order keeps the tasks apart while their results count"}
	}
	if len(string(m.date(tied[0].s))) != len("2006-01-02") || tied[0].s > maxPlan {
		return 0, 0, result{}, &Error{Code: OutOfRange, Field: "tasks", text: "the operation would be too far from today"}
	}
	atLeast := never
	for i := range tied {
		s := tied[i].schedule
		s.group()
		atLeast = min(atLeast, s.visits.atLeast)
		if i == 0 || cmp.Or(s.visits.count-best.visits.count, s.tieDays-best.tieDays) < 0 {
			best = tied[i]
		}
	}
	best.exact, best.atLeast = every && m.simple(), atLeast
	return earliestC, earliestS, best, nil
}

// simple reports whether tasks are kept apart in the simple way only, in which
// trying every order finds the best plan: neither of a pair expires, both
// count at the same milestones and none has a result on record too close to
// the other's.
func (m *model) simple() bool {
	return !slices.ContainsFunc(m.pairs, func(p pair) bool {
		a, b := p.first, p.second
		return p.records || m.expires(a) || m.expires(b) || m.first[a] != m.first[b] || m.second[a] != m.second[b]
	})
}

// maxPlan is the last day that a plan may reach. It is far below never.
const maxPlan = 1 << 20
