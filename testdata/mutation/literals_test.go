package main

import (
	"slices"
	"strings"
	"testing"
)

const formula = `package formula

const low, high = 30, -1.30

var names = map[string]float64{"a": 0.425}

func (s *Size) area(list []float64) (float64, error) {
	if len(list) > 0 && s.h/100 > 2 {
		return 0, err
	}
	if err != nil {
		return 0, err
	}
	for i := 1; i < len(list); i++ {
		use(list[i-1], list[len(list)-1], list[(i+2)], i+1, i*1, s.n-1)
	}
	use([3]string{})
	show(clinical.Display(x*100, 2), clinical.NearThreshold(x, 0), strconv.FormatFloat(x, 'f', -1, 64))
	use(math.IsInf(x, 0), math.Inf(-1), make([]float64, 0, 8), 1e-3, 0x10, 1_000, 0.0)
	return 0, &Error{}
}

func other() (int, bool) { return 0, false }

func check() (float64, error) { return 0, unknown(4) }
`

func TestLiterals(t *testing.T) {
	const (
		zero       = "zero beside an error"
		index      = "index"
		neighbour  = "neighbour of an index"
		conversion = "base, bits or precision of a conversion"
		infinity   = "sign of an infinity"
	)
	want := []struct {
		declaration, text, leftOut string
		changed                    []string
	}{
		{"low", "30", "", []string{"30.3", "31"}},
		{"high", "1.30", "", []string{"1.313"}},
		{"names", "0.425", "", []string{"0.42925"}},
		{"Size.area", "0", "comparison with 0", []string{"1"}},
		{"Size.area", "100", "", []string{"101"}},
		{"Size.area", "2", "", []string{"2.02", "3"}},
		// Here err may be nil.
		{"Size.area", "0", "", []string{"1"}},
		{"Size.area", "0", zero, []string{"1"}},
		{"Size.area", "1", "start of a loop", []string{"1.01", "2"}},
		{"Size.area", "1", neighbour, []string{"1.01", "2"}},
		{"Size.area", "1", neighbour, []string{"1.01", "2"}},
		{"Size.area", "2", index, []string{"2.02", "3"}},
		{"Size.area", "1", neighbour, []string{"1.01", "2"}},
		{"Size.area", "1", "", []string{"1.01", "2"}},
		{"Size.area", "1", "", []string{"1.01", "2"}},
		{"Size.area", "3", "length of an array", []string{"3.03", "4"}},
		{"Size.area", "100", "", []string{"101"}},
		{"Size.area", "2", "decimals for display", []string{"2.02", "3"}},
		{"Size.area", "0", "", []string{"1"}},
		{"Size.area", "1", conversion, []string{"1.01", "2"}},
		{"Size.area", "64", conversion, []string{"64.64", "65"}},
		{"Size.area", "0", infinity, []string{"1"}},
		{"Size.area", "1", infinity, []string{"1.01", "2"}},
		{"Size.area", "0", "", []string{"1"}},
		{"Size.area", "8", "capacity", []string{"8.08", "9"}},
		{"Size.area", "1e-3", "", []string{"0.00101"}},
		{"Size.area", "0x10", "", []string{"16.16", "17"}},
		{"Size.area", "1_000", "", []string{"1010"}},
		{"Size.area", "0.0", "", []string{"1.0"}},
		{"Size.area", "0", zero, []string{"1"}},
		{"other", "0", zero, []string{"1"}},
		{"check", "0", zero, []string{"1"}},
		{"check", "4", "", []string{"4.04", "5"}},
	}
	got, err := findLiterals("formula.go", []byte(formula))
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("found %d literals, want %d", len(got), len(want))
	}
	for i, l := range got {
		w := want[i]
		if l.Declaration != w.declaration || l.Text != w.text || l.LeftOut != w.leftOut || !slices.Equal(l.changed, w.changed) {
			t.Errorf("got %s %s %q %q, want %+v", l.place(), l.Declaration, l.LeftOut, l.changed, w)
		}
		changed := string(mutate([]byte(formula), l, "CHANGED"))
		line := strings.Split(changed, "\n")[l.Line-1]
		if !strings.Contains(line[l.Column-1:], "CHANGED") || strings.ReplaceAll(changed, "CHANGED", l.Text) != formula {
			t.Errorf("%s: the wrong place was changed: %s", l.place(), line)
		}
	}
}

func TestSelection(t *testing.T) {
	l := literal{File: "internal/clinical/body/body.go", Line: 20}
	for selection, want := range map[string]bool{
		"": true, "body.go": true, "ody.go": false, "body/body.go:20": true, "body.go:21": false,
		"internal/clinical/body/body.go:10-20": true, "body.go:1-19": false,
	} {
		if got, err := l.within(selection); got != want || err != nil {
			t.Errorf("within %q: got %t, %v", selection, got, err)
		}
	}
	for _, selection := range []string{"body.go:x", "body.go:1-x"} {
		if _, err := l.within(selection); err == nil {
			t.Errorf("within %q: no error", selection)
		}
	}
}
