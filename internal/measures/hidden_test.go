package measures

import (
	"testing"

	"pgregory.net/rapid"
)

// table is a table of counts with its sums by rows and by columns, and of all.
type countTable struct {
	ledger
	cells      [][]number
	rows, cols []number
	all        number
}

func countsOf(smallest int, values [][]int) *countTable {
	t := &countTable{ledger: ledger{smallest: smallest}}
	total := 0
	columns := make([]int, len(values[0]))
	var columnCells = make([][]number, len(columns))
	for _, row := range values {
		var cells []number
		sum := 0
		for j, v := range row {
			n := t.add(v)
			cells, columnCells[j] = append(cells, n), append(columnCells[j], n)
			sum, columns[j], total = sum+v, columns[j]+v, total+v
		}
		t.cells = append(t.cells, cells)
		t.rows = append(t.rows, t.add(sum))
		t.adds(t.rows[len(t.rows)-1], cells...)
	}
	for j, sum := range columns {
		t.cols = append(t.cols, t.add(sum))
		t.adds(t.cols[j], columnCells[j]...)
	}
	t.all = t.add(total)
	t.adds(t.all, t.rows...)
	t.adds(t.all, t.cols...)
	t.hide()
	return t
}

// possible lists what a cell can be for a reader who tries every table that fits what is
// told, with counts up to most.
func (t *countTable) possible(r, c, most int) map[int]bool {
	found := map[int]bool{}
	var hidden []number
	for _, row := range t.cells {
		for _, n := range row {
			if t.hidden[n] {
				hidden = append(hidden, n)
			}
		}
	}
	zeros := false
	for n, v := range t.values {
		zeros = zeros || t.hidden[n] && v == 0
	}
	guess := make(map[number]int)
	value := func(n number) int {
		if v, ok := guess[n]; ok {
			return v
		}
		return t.values[n]
	}
	fits := func() bool {
		// A sum that is hidden is whatever its parts come to.
		at := func(total number, parts []number) bool {
			n := 0
			for _, p := range parts {
				n += value(p)
			}
			if t.hidden[total] {
				return n > 0 || zeros
			}
			return n == t.values[total]
		}
		all := 0
		for i, row := range t.cells {
			if !at(t.rows[i], row) {
				return false
			}
			for _, n := range row {
				all += value(n)
			}
		}
		for j := range t.cols {
			var column []number
			for _, row := range t.cells {
				column = append(column, row[j])
			}
			if !at(t.cols[j], column) {
				return false
			}
		}
		return t.hidden[t.all] || all == t.values[t.all]
	}
	var try func(i int)
	try = func(i int) {
		if i == len(hidden) {
			if fits() {
				found[value(t.cells[r][c])] = true
			}
			return
		}
		least := 1
		if zeros {
			least = 0
		}
		for v := least; v <= most; v++ {
			guess[hidden[i]] = v
			try(i + 1)
		}
		delete(guess, hidden[i])
	}
	try(0)
	return found
}

// TestNothingFollows: whoever tries every table that fits what is told finds more than one
// value for each number that is hidden because it is small.
func TestNothingFollows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, columns := rapid.IntRange(1, 3).Draw(t, "rows"), rapid.IntRange(1, 2).Draw(t, "columns")
		const most = 9
		values := make([][]int, rows)
		for i := range values {
			values[i] = rapid.SliceOfN(rapid.IntRange(0, most-3), columns, columns).Draw(t, "row")
		}
		table := countsOf(4, values)
		visible := 0
		for i, row := range table.cells {
			for j, n := range row {
				if !table.hidden[n] {
					visible++
				}
				if table.small(n) && len(table.possible(i, j, most)) < 2 {
					t.Fatalf("%v: cell %d,%d follows; hidden %v", values, i, j, table.hidden)
				}
				if table.small(n) && !table.hidden[n] {
					t.Fatalf("%v: cell %d,%d is told", values, i, j)
				}
			}
		}
	})
}

// TestHidden is worked out by hand, with 5 as the smallest that is told.
func TestHidden(t *testing.T) {
	for _, tt := range []struct {
		name   string
		values [][]int
		told   [][]bool
	}{
		{"nothing is small", [][]int{{10, 20}, {5, 0}}, [][]bool{{true, true}, {true, true}}},
		// 3 would follow from the total of its row and of its column: a rectangle is hidden.
		{"one is small", [][]int{{3, 20}, {10, 12}}, [][]bool{{false, false}, {false, false}}},
		// In one row with two small ones both are hidden already, and neither follows.
		{"two in a row", [][]int{{3, 4, 30}}, [][]bool{{false, false, true}}},
		// 1 and 1 follow from a total of 2 that is told; the total is small itself.
		{"ones", [][]int{{1, 1, 0}}, [][]bool{{false, false, true}}},
		{"nobody", [][]int{{0, 0}}, [][]bool{{true, true}}},
	} {
		table := countsOf(5, tt.values)
		for i, row := range table.cells {
			for j, n := range row {
				if table.hidden[n] == tt.told[i][j] {
					t.Errorf("%s: cell %d,%d: told is %t", tt.name, i, j, !table.hidden[n])
				}
			}
		}
	}
}
