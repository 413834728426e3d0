package protocol

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/cost"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	"candidacy/internal/clinical/units"
	"candidacy/internal/journey"
)

// Fact is something that conditions may ask for: a value that is computed or
// reported, under a name and with a type.
type Fact struct {
	// ID is the name in expressions: a word of a-z, 0-9 and _.
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
	// Of is the key of a computed value or the code of an observation. Several,
	// apart by blanks, are alternatives; the newest counts.
	Of   string   `yaml:"of"`
	Type FactType `yaml:"type"`
	// Unit is that of a number in expressions. With an Analyte, a result in
	// another unit is converted; without one it can't be used.
	Unit    string        `yaml:"unit"`
	Analyte units.Analyte `yaml:"analyte"`
	// Words are what a word may be.
	Words []string `yaml:"words"`

	// slots are those of the values.
	slots []int
}

// FactType is the type of a fact in expressions.
type FactType string

// The types of a fact.
const (
	// NumberFact is a double in the unit of the fact.
	NumberFact FactType = "number"
	// AnswerFact is a bool: yes or no, as reported.
	AnswerFact FactType = "answer"
	// FindingFact is a string: negative, equivocal or positive.
	FindingFact FactType = "finding"
	// WordFact is a string out of Words.
	WordFact FactType = "word"
)

// FactTypes lists the types.
var FactTypes = []FactType{NumberFact, AnswerFact, FindingFact, WordFact}

func (t FactType) cel() (*cel.Type, bool) {
	switch t {
	case NumberFact:
		return cel.DoubleType, true
	case AnswerFact:
		return cel.BoolType, true
	case FindingFact, WordFact:
		return cel.StringType, true
	}
	return nil, false
}

// Expressions are bounded, so that no protocol can stall an assessment.
const (
	longestExpression = 500
	highestCost       = 1000
)

// condition is a compiled expression with the facts it may ask for.
type condition struct {
	text    string
	program cel.Program
	// facts are those it asks for, in order, inputs where they stand in the
	// protocol, and unasked is the answer while none of them is on record.
	facts   []string
	inputs  []int
	unasked answer
}

// answer is yes, no or unknown; reason says why not, beside missing facts.
type answer struct {
	holds  journey.Holding
	reason string
}

// CauseTitle returns the title of a fact or a flag by its id.
func (p *Protocol) CauseTitle(id string) string {
	for _, f := range p.Facts {
		if f.ID == id {
			return f.Title
		}
	}
	for _, f := range p.Flags {
		if f.ID == id {
			return f.Title
		}
	}
	return id
}

var factID = regexp.MustCompile(`^[a-z][a-z0-9_]{0,59}$`)

// checkFacts checks the facts and makes the environment of the conditions.
func (p *Protocol) checkFacts(fail func(string, ...any), known map[string]bool) (*cel.Env, error) {
	options := []cel.EnvOption{cel.CrossTypeNumericComparisons(true), cel.ASTValidators(cel.ValidateRegexLiterals())}
	seen := map[string]bool{}
	for _, f := range p.Facts {
		at := "facts." + f.ID
		if !factID.MatchString(f.ID) || seen[f.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and _ that begins with a letter", at)
			continue
		}
		seen[f.ID] = true
		if f.Title == "" {
			fail("%s.title: missing", at)
		}
		keys := strings.Fields(f.Of)
		if len(keys) == 0 {
			fail("%s.of: missing", at)
		}
		for _, key := range keys {
			if !known[key] {
				fail("%s.of: there is no value %q; name a computed value or the code of an observation", at, key)
			}
		}
		t, ok := f.Type.cel()
		if !ok {
			fail("%s.type: accepted: %v", at, FactTypes)
			continue
		}
		switch {
		case f.Type != NumberFact && (f.Unit != "" || f.Analyte != ""):
			fail("%s.unit: only a number has a unit and an analyte", at)
		case f.Type == NumberFact && f.Unit == "":
			fail("%s.unit: a number has a unit", at)
		case f.Analyte != "" && !slices.Contains(units.Accepted(f.Analyte), f.Unit):
			fail("%s.unit: not a unit of the analyte; accepted: %v", at, units.Accepted(f.Analyte))
		}
		if (f.Type == WordFact) != (len(f.Words) > 0) {
			fail("%s.words: a word has them, and nothing else", at)
		}
		options = append(options, cel.Variable(f.ID, t))
	}
	return cel.NewEnv(options...)
}

// compileCondition type-checks an expression and bounds its cost.
func compileCondition(env *cel.Env, facts []Fact, text string) (*condition, error) {
	if len(text) > longestExpression {
		return nil, fmt.Errorf("the expression is longer than %d characters", longestExpression)
	}
	ast, issues := env.Compile(text)
	if err := issues.Err(); err != nil {
		return nil, errors.New(strings.TrimPrefix(firstLine(err.Error()), "ERROR: <input>:"))
	}
	if ast.OutputType() != cel.BoolType {
		return nil, errors.New("the expression must be true or false; it is " + ast.OutputType().String())
	}
	if estimate, err := env.EstimateCost(ast, unsized{}); err != nil || estimate.Max > highestCost {
		return nil, errors.New("the expression costs too much to evaluate for every candidate")
	}
	program, err := env.Program(ast, cel.CostLimit(highestCost))
	if err != nil {
		return nil, errors.New(firstLine(err.Error()))
	}
	c := &condition{text: text, program: program}
	for _, name := range ast.NativeRep().ReferenceMap() {
		if name.Name != "" && slices.ContainsFunc(facts, func(f Fact) bool { return f.ID == name.Name }) && !slices.Contains(c.facts, name.Name) {
			c.facts = append(c.facts, name.Name)
		}
	}
	if len(c.facts) == 0 {
		return nil, errors.New("the expression asks for no fact, so it would never change")
	}
	slices.Sort(c.facts)
	for _, name := range c.facts {
		c.inputs = append(c.inputs, slices.IndexFunc(facts, func(f Fact) bool { return f.ID == name }))
	}
	c.unasked = c.ask(noFacts{})
	return c, nil
}

// unsized tells the estimate of costs that no fact has a size: texts are words.
type unsized struct{}

func (unsized) EstimateSize(cost.AstNode) *cost.SizeEstimate {
	return &cost.SizeEstimate{Min: 0, Max: longestWord}
}

func (unsized) EstimateCallCost(string, string, *cost.AstNode, []cost.AstNode) *cost.CallEstimate {
	return nil
}

// longestWord is the longest finding, "equivocal", with room to spare.
const longestWord = 20

// firstLine keeps what a message says and drops the drawing of where.
func firstLine(text string) string {
	line, _, _ := strings.Cut(text, "\n")
	return strings.TrimSpace(line)
}

// Condition is the answer to whether a requirement applies, with the facts that
// it was asked with.
type Condition struct {
	Requirement string           `json:"requirement"`
	Holds       journey.Holding  `json:"holds"`
	Expression  string           `json:"expression"`
	Facts       []ConditionInput `json:"facts"`
	// Reason says why the expression has no answer, beside missing facts.
	Reason string `json:"reason,omitempty"`
}

// ConditionInput is one fact of a condition. Value is empty when the fact is
// missing, and Reason then may say why what is on record can't be used.
type ConditionInput struct {
	ID     string       `json:"id"`
	Title  string       `json:"title"`
	Value  string       `json:"value,omitempty"`
	Unit   string       `json:"unit,omitempty"`
	Date   journey.Date `json:"date,omitempty"`
	Reason string       `json:"reason,omitempty"`
}

// Known lists the ids of the facts that are on record.
func (c Condition) Known() []string {
	var ids []string
	for _, f := range c.Facts {
		if f.Value != "" {
			ids = append(ids, f.ID)
		}
	}
	return ids
}

// Causes lists the ids of the facts that are on record or, when none is, of those
// that are missing: what is unknown stands.
func (c Condition) Causes() []string {
	if known := c.Known(); len(known) > 0 {
		return known
	}
	var ids []string
	for _, f := range c.Facts {
		ids = append(ids, f.ID)
	}
	return ids
}

// Missing lists the titles of the facts that are not on record.
func (c Condition) Missing() []string {
	var titles []string
	for _, f := range c.Facts {
		if f.Value == "" {
			titles = append(titles, f.Title)
		}
	}
	return titles
}

// conditions evaluates every condition once with the facts on record. A fact
// that is missing is unknown, not false: only where the others settle the answer
// does the condition have one.
func (a *assessment) conditions() []Condition {
	list, inputs := make([]Condition, 0, a.protocol.conditions), make([]ConditionInput, 0, a.protocol.asked)
	known := a.known()
	a.protocol.eachCondition(func(id string, c *condition) {
		first := len(inputs)
		for _, i := range c.inputs {
			inputs = append(inputs, known.at(i).input)
		}
		is := known.answer(c)
		list = append(list, Condition{
			Requirement: id, Holds: is.holds, Expression: c.text, Reason: is.reason, Facts: inputs[first:len(inputs):len(inputs)],
		})
	})
	return orNil(list)
}

// eachCondition visits those of the requirements and of the checklists.
func (p *Protocol) eachCondition(visit func(id string, c *condition)) {
	for i := range p.Requirements {
		if r := &p.Requirements[i]; r.condition != nil {
			visit(r.ID, r.condition)
		}
	}
	for _, list := range [][]Item{p.Disclosures, p.AdvocateDuties} {
		for i := range list {
			if item := &list[i]; item.condition != nil {
				visit(item.ID, item.condition)
			}
		}
	}
}

// ask evaluates the expression.
func (c *condition) ask(facts cel.Activation) answer {
	out, _, err := c.program.Eval(facts)
	switch {
	case err != nil:
		return answer{journey.HoldsUnknown, "the condition has no answer with these facts"}
	case out == types.True:
		return answer{holds: journey.HoldsYes}
	case out == types.False:
		return answer{holds: journey.HoldsNo}
	}
	return answer{holds: journey.HoldsUnknown}
}

// fact is the value of a fact, or nil with the reason why there is none.
type fact struct {
	value ref.Val
	input ConditionInput
}

// facts offers to expressions what is on record, each found once.
type facts struct {
	*assessment
	found []fact
}

// known are the facts, found once for the whole assessment.
func (a *assessment) known() facts {
	if a.asked == nil {
		a.asked = make([]fact, len(a.protocol.Facts))
	}
	return facts{a, a.asked}
}

// answer asks an expression, unless nothing that it asks for is on record.
func (f facts) answer(c *condition) answer {
	if slices.ContainsFunc(c.inputs, func(i int) bool { return f.at(i).value != nil }) {
		return c.ask(f)
	}
	return c.unasked
}

func (f facts) at(i int) *fact {
	if f.found[i].input.ID == "" {
		f.found[i] = f.fact(&f.protocol.Facts[i])
	}
	return &f.found[i]
}

// missing stands for a fact that is not on record: what depends on it is unknown
// too.
var missing = &types.Unknown{}

// ResolveName implements cel.Activation.
func (f facts) ResolveName(name string) (any, bool) {
	i, ok := f.protocol.facts[name]
	if !ok {
		return nil, false
	}
	if v := f.at(i).value; v != nil {
		return v, true
	}
	return missing, true
}

// Parent implements cel.Activation.
func (facts) Parent() cel.Activation { return nil }

// noFacts has nothing on record.
type noFacts struct{}

// ResolveName implements cel.Activation.
func (noFacts) ResolveName(string) (any, bool) { return missing, true }

// Parent implements cel.Activation.
func (noFacts) Parent() cel.Activation { return nil }

// fact finds the newest value of a fact.
func (a *assessment) fact(f *Fact) fact {
	found := fact{input: ConditionInput{ID: f.ID, Title: f.Title, Unit: f.Unit}}
	var newest *value
	for _, i := range f.slots {
		if v := a.slots[i].value; v != nil && (newest == nil || newest.date.Before(v.date)) {
			newest = v
		}
	}
	if newest == nil {
		return found
	}
	found.input.Date = newest.date
	refuse := func(reason string) fact {
		found.input.Reason = reason
		return found
	}
	switch {
	case newest.err != nil:
		return refuse(newest.err.Error())
	case f.Type == NumberFact:
		number, err := f.number(newest)
		if err != nil {
			return refuse(err.Error())
		}
		found.value, found.input.Value = types.Double(number), strconv.FormatFloat(number, 'g', -1, 64)
	case f.Type == AnswerFact && newest.answer != "":
		found.value, found.input.Value = types.Bool(newest.answer == "yes"), newest.answer
	case f.Type == WordFact && slices.Contains(f.Words, newest.word):
		found.value, found.input.Value = types.String(newest.word), newest.word
	case f.Type == FindingFact && newest.finding != "":
		found.value, found.input.Value = types.String(newest.finding), newest.finding
	default:
		return refuse("what was reported is no " + string(f.Type))
	}
	return found
}

// number returns a value in the unit of the fact.
func (f *Fact) number(v *value) (float64, error) {
	if v.finding != "" || v.answer != "" || v.word != "" {
		return 0, errors.New("what was reported is no number")
	}
	if v.unit == f.Unit {
		return v.number, nil
	}
	if f.Analyte == "" {
		return 0, errors.New("the unit is not that of the fact; accepted: " + f.Unit)
	}
	q, err := units.Convert(f.Analyte, units.Quantity{Value: v.number, Unit: v.unit}, f.Unit)
	return q.Value, err
}
