package planner

import (
	"cmp"
	"slices"
)

const (
	// searchNodes is the number of planned tasks with visits up to which
	// groupings are searched, not only improved.
	searchNodes = 12
	// searchSteps and improveSteps limit the work, not the result: a plan is
	// always complete.
	searchSteps  = 20_000
	improveSteps = 3_000
)

// grouping assigns nodes of one kind to common days. Each group has the least
// day that the network allows, so the days of a grouping are its earliest.
type grouping struct {
	atLeast int // disjoint intervals of nodes, over all kinds
	count   int // different days and kinds
	day     []int
	order   []int // nodes, so that arcs lead forwards
}

// link is an arc of the network between nodes.
type link struct{ to, days int }

// joiner joins nodes to groups and takes the last joins back.
type joiner struct {
	next  [][]link
	label []int   // the group of each node
	nodes [][]int // of each group
	day   []int   // of each group: its least day
	top   []int   // of each group: its latest day
	trail []change
	queue []int
	steps int
}

// change is an entry of the trail: a former day, or a join if from is set.
type change struct {
	group, day, top int
	from, size      int
}

func newJoiner(s *schedule, next [][]link) *joiner {
	n := len(s.on)
	j := &joiner{next: next, label: make([]int, n), nodes: make([][]int, n), day: slices.Clone(s.low), top: slices.Clone(s.high)}
	backing := make([]int, n)
	for v := range n {
		j.label[v], backing[v] = v, v
		j.nodes[v] = backing[v : v+1 : v+1]
	}
	return j
}

// join puts the nodes of group b into group a, if days are left, and reports
// whether they are. If not, nothing changes.
func (j *joiner) join(a, b int) bool {
	day, top := max(j.day[a], j.day[b]), min(j.top[a], j.top[b])
	if day > top {
		return false
	}
	j.steps++
	mark := len(j.trail)
	j.trail = append(j.trail, change{group: a, day: j.day[a], top: j.top[a], from: b, size: len(j.nodes[a])})
	for _, v := range j.nodes[b] {
		j.label[v] = a
	}
	j.nodes[a] = append(j.nodes[a], j.nodes[b]...)
	j.day[a], j.top[a] = day, top
	j.queue = append(j.queue[:0], a)
	for len(j.queue) > 0 {
		g := j.queue[len(j.queue)-1]
		j.queue = j.queue[:len(j.queue)-1]
		for _, v := range j.nodes[g] {
			for _, l := range j.next[v] {
				to, least := j.label[l.to], j.day[g]+l.days
				if least <= j.day[to] {
					continue
				}
				if least > j.top[to] || to == g {
					j.back(mark)
					return false
				}
				j.trail = append(j.trail, change{group: to, day: j.day[to], top: j.top[to], from: none})
				j.day[to] = least
				j.queue = append(j.queue, to)
			}
		}
	}
	return true
}

// back undoes everything after the mark.
func (j *joiner) back(mark int) {
	for len(j.trail) > mark {
		c := j.trail[len(j.trail)-1]
		j.trail = j.trail[:len(j.trail)-1]
		j.day[c.group], j.top[c.group] = c.day, c.top
		if c.from != none {
			for _, v := range j.nodes[c.from] {
				j.label[v] = c.from
			}
			j.nodes[c.group] = j.nodes[c.group][:c.size]
		}
	}
}

// group chooses the visits of a completed schedule.
func (s *schedule) group() {
	n := len(s.tasks)
	g := &s.visits
	next := make([][]link, 2*n)
	var visiting []int
	for _, shift := range []int{0, n} {
		for _, v := range s.order {
			if node := v + shift; s.on[node] {
				g.order = append(g.order, node)
				if s.kind[v] != none {
					visiting = append(visiting, node)
				}
				s.into(node, func(from, days int) {
					if from != none {
						next[from] = append(next[from], link{to: node, days: days})
					}
				})
			}
		}
	}
	kind := func(node int) int { return s.kind[node%n] }
	byHigh := slices.Clone(visiting)
	slices.SortStableFunc(byHigh, func(a, b int) int { return s.high[a] - s.high[b] })
	g.atLeast = stab(byHigh, s, kind)
	byLow := slices.Clone(visiting)
	slices.SortStableFunc(byLow, func(a, b int) int { return s.low[b] - s.low[a] })
	byKind := slices.Clone(byHigh)
	slices.SortStableFunc(byKind, func(a, b int) int { return kind(a) - kind(b) })
	bySlack := slices.Clone(byHigh)
	slices.SortStableFunc(bySlack, func(a, b int) int { return (s.high[a] - s.low[a]) - (s.high[b] - s.low[b]) })

	var best *joiner
	bestCount := never
	for _, order := range [][]int{byHigh, byLow, byKind, visiting, bySlack} {
		j := newJoiner(s, next)
		if count := j.firstFit(order, len(s.kinds), kind); count < bestCount {
			best, bestCount = j, count
		}
		if bestCount == g.atLeast {
			break
		}
	}
	if best == nil {
		best = newJoiner(s, next)
	}
	if bestCount > g.atLeast && len(visiting) > searchNodes {
		best, bestCount = improve(s, next, best, bestCount, byHigh, kind)
	}
	if bestCount > g.atLeast && len(visiting) <= searchNodes {
		if found := search(newJoiner(s, next), byHigh, g.atLeast, bestCount, kind); found != nil {
			best = found
		}
	}
	g.day = make([]int, 2*n)
	for _, node := range g.order {
		g.day[node] = best.day[best.label[node]]
		s.tieDays += g.day[node]
	}
	type visit struct{ day, kind int }
	seen := make([]visit, len(visiting))
	for i, node := range visiting {
		seen[i] = visit{g.day[node], kind(node)}
	}
	slices.SortFunc(seen, func(a, b visit) int { return cmp.Or(a.day-b.day, a.kind-b.kind) })
	g.count = len(slices.Compact(seen))
}

// stab counts disjoint intervals from earliest to latest day, over all kinds.
// The nodes are in the order of their latest days.
func stab(byHigh []int, s *schedule, kind func(int) int) int {
	count, last := 0, make([]int, len(s.kinds))
	for k := range last {
		last[k] = -never
	}
	for _, v := range byHigh {
		if k := kind(v); s.low[v] > last[k] {
			count, last[k] = count+1, s.high[v]
		}
	}
	return count
}

// firstFit joins each node to the first group of its kind that still has a
// day, and returns the number of groups.
func (j *joiner) firstFit(order []int, kinds int, kind func(int) int) int {
	groups, count := make([][]int, kinds), 0
	for _, v := range order {
		k := kind(v)
		if !slices.ContainsFunc(groups[k], func(g int) bool { return j.join(g, v) }) {
			groups[k] = append(groups[k], v)
			count++
		}
	}
	return count
}

// improve dissolves groups, smallest first, if all their nodes fit into other
// groups of their kind.
func improve(s *schedule, next [][]link, best *joiner, count int, byHigh []int, kind func(int) int) (*joiner, int) {
	for steps := 0; ; {
		var groups []int
		for _, v := range byHigh {
			if g := best.label[v]; !slices.Contains(groups, g) {
				groups = append(groups, g)
			}
		}
		slices.SortStableFunc(groups, func(a, b int) int { return len(best.nodes[a]) - len(best.nodes[b]) })
		dissolved := false
		for _, gone := range groups {
			// The other groups as they are, with the days that are free again.
			j := newJoiner(s, next)
			for _, v := range byHigh {
				if g := best.label[v]; g != gone && g != v {
					j.join(g, v)
				}
			}
			fits := !slices.ContainsFunc(best.nodes[gone], func(v int) bool {
				return !slices.ContainsFunc(groups, func(g int) bool {
					return g != gone && kind(g) == kind(v) && j.join(g, v)
				})
			})
			steps += j.steps
			if fits {
				best, count, dissolved = j, count-1, true
				break
			}
			if steps > improveSteps {
				return best, count
			}
		}
		if !dissolved || count == s.visits.atLeast {
			return best, count
		}
	}
}

// search tries every way to join nodes, up to a limit of steps, and returns
// one with fewer groups, or nil if it finds none.
func search(j *joiner, order []int, atLeast, count int, kind func(int) int) *joiner {
	var found *joiner
	var groups []int
	var place func(at int) bool // true to stop
	place = func(at int) bool {
		if len(groups) >= count || j.steps > searchSteps {
			return j.steps > searchSteps
		}
		if at == len(order) {
			count = len(groups)
			found = &joiner{label: slices.Clone(j.label), day: slices.Clone(j.day)}
			return count == atLeast
		}
		v := order[at]
		for _, g := range groups {
			if kind(g) != kind(v) {
				continue
			}
			mark := len(j.trail)
			if j.join(g, v) {
				if place(at + 1) {
					return true
				}
				j.back(mark)
			}
		}
		groups = append(groups, v)
		stop := place(at + 1)
		groups = groups[:len(groups)-1]
		return stop
	}
	place(0)
	return found
}
