package protocol

import (
	"fmt"
	"testing"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

// expression draws one over the numbers a and b, the answers c and d, and the
// findings e and f.
func expression(t *rapid.T, depth int) string {
	pick := func(of ...string) string { return rapid.SampledFrom(of).Draw(t, "part") }
	if depth == 0 {
		return pick("a > 1.0", "b <= 2.0", "a + b > 3.0", "int(a) / int(b - 1.0) > 0", "a == b", "c", "d", "c == d", "e == 'positive'",
			"f != e", "e in ['positive', 'equivocal']", "[a, b].exists(x, x > 1.0)", "[a, 1.0].all(x, x > b)", "e.startsWith('p')", "true", "size(f) > 8",
			"(c ? a : b) > 1.0", "(d ? e : f) == 'negative'")
	}
	left, right := expression(t, depth-1), expression(t, depth-1)
	switch pick("and", "or", "not", "if") {
	case "and":
		return "(" + left + " && " + right + ")"
	case "or":
		return "(" + left + " || " + right + ")"
	case "not":
		return "!(" + left + ")"
	}
	return "(" + expression(t, depth-1) + " ? " + left + " : " + right + ")"
}

// some has a part of the facts on record.
type some map[string]any

func (s some) ResolveName(name string) (any, bool) {
	if v, ok := s[name]; ok {
		return v, true
	}
	return missing, true
}

func (some) Parent() cel.Activation { return nil }

// TestMissingFactsAreUnknownToCEL: a missing fact that is bound as unknown gives
// the answer that the library's own partial evaluation gives.
func TestMissingFactsAreUnknownToCEL(t *testing.T) {
	p := &Protocol{}
	known := map[string]bool{}
	for i, id := range []string{"a", "b", "c", "d", "e", "f"} {
		f := Fact{ID: id, Title: id, Of: id, Type: []FactType{NumberFact, AnswerFact, FindingFact}[i/2]}
		if f.Type == NumberFact {
			f.Unit = "1"
		}
		known[id] = true
		p.Facts = append(p.Facts, f)
	}
	env, err := p.checkFacts(func(format string, args ...any) { t.Errorf(format, args...) }, known)
	if err != nil {
		t.Fatal(err)
	}
	answers := map[journey.Holding]int{}
	rapid.Check(t, func(t *rapid.T) {
		text := expression(t, rapid.IntRange(0, 3).Draw(t, "depth"))
		c, err := compileCondition(env, p.Facts, text)
		if err != nil {
			t.Skip(err) // it asks for nothing, or is long
		}
		ast, _ := env.Compile(text)
		partial, err := env.Program(ast, cel.EvalOptions(cel.OptPartialEval))
		if err != nil {
			t.Fatal(err)
		}
		values := some{}
		var unknown []*cel.AttributePatternType
		for _, f := range p.Facts {
			if rapid.Bool().Draw(t, f.ID+" is known") {
				switch f.Type {
				case NumberFact:
					values[f.ID] = types.Double(rapid.IntRange(0, 3).Draw(t, f.ID))
				case AnswerFact:
					values[f.ID] = types.Bool(rapid.Bool().Draw(t, f.ID))
				default:
					values[f.ID] = types.String(rapid.SampledFrom(Findings).Draw(t, f.ID))
				}
				continue
			}
			unknown = append(unknown, cel.AttributePattern(f.ID))
		}
		vars, err := cel.PartialVars(map[string]any(values), unknown...)
		if err != nil {
			t.Fatal(err)
		}
		want := journey.HoldsUnknown
		out, _, err := partial.Eval(vars)
		switch {
		case err != nil:
		case out == types.True:
			want = journey.HoldsYes
		case out == types.False:
			want = journey.HoldsNo
		}
		got := c.ask(values)
		if got.holds != want || (got.reason != "") != (err != nil) {
			t.Fatalf("%s with %v: got %+v, want %s, %v", text, values, got, want, err)
		}
		if len(values) == 0 && c.unasked != got {
			t.Fatalf("%s with nothing on record: got %+v, want %+v", text, c.unasked, got)
		}
		answers[got.holds]++
	})
	if !t.Failed() && len(answers) != 3 {
		t.Error(fmt.Sprint("not all answers were given: ", answers))
	}
}
