package measures

import (
	"math"
	"slices"
)

// SmallestCell is the smallest number of people that is told where a programme says
// nothing else. The size is common practice of statistical offices, from memory.
const SmallestCell = 5

// ledger holds the numbers of a report with the sums that they stand in, and decides
// which are hidden: every number from 1 up to the smallest that is told, and others
// besides, until none of those follows from what is left.
type ledger struct {
	smallest int
	values   []int
	hidden   []bool
	sums     []sum
}

// number is one cell of the ledger.
type number int

// sum says that the parts together are the total.
type sum struct {
	total number
	parts []number
}

func (l *ledger) add(value int) number {
	l.values = append(l.values, value)
	return number(len(l.values) - 1)
}

// adds says that the total is the sum of the parts. What is not so is no sum.
func (l *ledger) adds(total number, parts ...number) {
	n := 0
	for _, p := range parts {
		n += l.values[p]
	}
	if n == l.values[total] {
		l.sums = append(l.sums, sum{total, parts})
	}
}

func (l *ledger) small(n number) bool { return l.values[n] > 0 && l.values[n] < l.smallest }

// hide decides once all numbers and sums are there.
func (l *ledger) hide() {
	l.hidden = make([]bool, len(l.values))
	for i := range l.values {
		l.hidden[i] = l.small(number(i))
	}
	for {
		at, found := l.disclosed()
		if !found {
			return
		}
		victim, ok := l.victim(at)
		if !ok {
			return // nothing is left to hide it behind
		}
		l.hidden[victim] = true
	}
}

// victim is what is hidden besides, so that a number does not follow: of the sums that it
// stands in the smallest other part, or else the total; a zero only where there is
// nothing else.
func (l *ledger) victim(at number) (number, bool) {
	best, weight := number(-1), math.MaxInt
	see := func(n number, isTotal bool) {
		if l.hidden[n] {
			return
		}
		w := l.values[n]
		switch {
		case w == 0:
			w = math.MaxInt - 1
		case isTotal:
			w += math.MaxInt / 2
		}
		if w < weight {
			best, weight = n, w
		}
	}
	// The sum may hang on the number through others that are hidden.
	reach := map[number]bool{at: true}
	for range l.sums {
		for _, s := range l.sums {
			all := append([]number{s.total}, s.parts...)
			if !slices.ContainsFunc(all, func(n number) bool { return reach[n] }) {
				continue
			}
			for _, n := range all {
				see(n, n == s.total)
				if l.hidden[n] {
					reach[n] = true
				}
			}
		}
		if best >= 0 {
			return best, true
		}
	}
	return best, best >= 0
}

// disclosed finds a small number that follows from what is told. A reader knows the sums,
// that nothing is negative, and that what is hidden is not zero, unless zeros are hidden
// as well.
func (l *ledger) disclosed() (number, bool) {
	column := map[number]int{}
	var unknown []number
	for i := range l.values {
		if l.hidden[i] {
			column[number(i)] = len(unknown)
			unknown = append(unknown, number(i))
		}
	}
	width := len(unknown) + 1 // the last column is what the sum comes to
	var rows [][]float64
	for _, s := range l.sums {
		row := make([]float64, width)
		any := false
		put := func(n number, sign float64) {
			if c, ok := column[n]; ok {
				row[c] += sign
				any = true
			} else {
				row[width-1] -= sign * float64(l.values[n])
			}
		}
		put(s.total, -1)
		for _, p := range s.parts {
			put(p, 1)
		}
		if any {
			rows = append(rows, row)
		}
	}
	reduced := reduce(rows)
	least := 1.0
	if slices.ContainsFunc(unknown, func(n number) bool { return l.values[n] == 0 }) {
		least = 0
	}
	low, high := bounds(append(rows, reduced...), len(unknown), least)
	for i, n := range unknown {
		if l.small(n) && high[i]-low[i] < .5 {
			return n, true
		}
	}
	return 0, false
}

// reduce solves the rows as far as they can be: their reduced echelon form.
func reduce(rows [][]float64) [][]float64 {
	const nothing = 1e-9
	list := make([][]float64, len(rows))
	for i, row := range rows {
		list[i] = slices.Clone(row)
	}
	if len(list) == 0 {
		return nil
	}
	done := 0
	for c := range len(list[0]) - 1 {
		pivot := -1
		for r := done; r < len(list); r++ {
			if math.Abs(list[r][c]) > nothing && (pivot < 0 || math.Abs(list[r][c]) > math.Abs(list[pivot][c])) {
				pivot = r
			}
		}
		if pivot < 0 {
			continue
		}
		list[done], list[pivot] = list[pivot], list[done]
		by := list[done][c]
		for i := range list[done] {
			list[done][i] /= by
		}
		for r := range list {
			if factor := list[r][c]; r != done && math.Abs(factor) > nothing {
				for i := range list[r] {
					list[r][i] -= factor * list[done][i]
				}
			}
		}
		if done++; done == len(list) {
			break
		}
	}
	return list[:done]
}

// bounds narrows what each unknown can be by each row, until nothing changes.
func bounds(rows [][]float64, n int, least float64) (low, high []float64) {
	low, high = make([]float64, n), make([]float64, n)
	for i := range n {
		low[i], high[i] = least, math.Inf(1)
	}
	const nothing = 1e-9
	for changed := true; changed; {
		changed = false
		for _, row := range rows {
			for i := range n {
				if math.Abs(row[i]) < nothing {
					continue
				}
				// What the others come to at least and at most.
				least, most := 0.0, 0.0
				for j := range n {
					switch a := row[j]; {
					case j == i || math.Abs(a) < nothing:
					case a > 0:
						least, most = least+a*low[j], most+a*high[j]
					default:
						least, most = least+a*high[j], most+a*low[j]
					}
				}
				a, b := (row[n]-most)/row[i], (row[n]-least)/row[i]
				if row[i] < 0 {
					a, b = b, a
				}
				if a = math.Ceil(a - 1e-6); a > low[i]+.5 && !math.IsInf(a, 0) {
					low[i], changed = a, true
				}
				if b = math.Floor(b + 1e-6); b < high[i]-.5 || math.IsInf(high[i], 1) && !math.IsInf(b, 0) {
					high[i], changed = b, true
				}
			}
		}
	}
	return low, high
}
