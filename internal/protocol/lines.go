package protocol

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Fault is one mistake in a protocol: where it stands, which rule it is about,
// and what is wrong with what is accepted.
type Fault struct {
	Line    int    `json:"line"`
	Rule    string `json:"rule,omitempty"`
	Message string `json:"message"`
}

// Error renders the fault in one line.
func (f *Fault) Error() string {
	text := f.Message
	if f.Rule != "" {
		text = f.Rule + ": " + text
	}
	return fmt.Sprintf("line %d: %s", f.Line, text)
}

// Faults lists the mistakes that the error of Parse holds.
func Faults(err error) []*Fault {
	var joined interface{ Unwrap() []error }
	if errors.As(err, &joined) {
		var list []*Fault
		for _, each := range joined.Unwrap() {
			list = append(list, Faults(each)...)
		}
		return list
	}
	var fault *Fault
	if errors.As(err, &fault) {
		return []*Fault{fault}
	}
	return nil
}

// position is how the YAML reader writes where it stopped.
var position = regexp.MustCompile(`\[(\d+):\d+\] `)

// malformed is the fault of a text that is no protocol at all.
func malformed(err error, source []byte) *Fault {
	text, line := err.Error(), 1
	if found := position.FindStringSubmatchIndex(text); found != nil {
		line, _ = strconv.Atoi(text[found[2]:found[3]])
		text = text[:found[0]] + text[found[1]:]
	}
	fault := &Fault{Line: max(line, 1), Message: "read the protocol: " + firstLine(text)}
	if lines := strings.Split(string(source), "\n"); fault.Line <= len(lines) {
		fault.Message += " (the line is " + strconv.Quote(strings.TrimSpace(lines[fault.Line-1])) + ")"
	}
	return fault
}

// located puts a line to a mistake that is written as "rule: message".
func (l locator) located(text string) *Fault {
	rule, message, ok := strings.Cut(text, ": ")
	if !ok {
		return &Fault{Line: l.line(""), Message: text}
	}
	return &Fault{Line: l.line(rule), Rule: rule, Message: message}
}

// locator finds the lines of a protocol's rules.
type locator struct{ root ast.Node }

func newLocator(source []byte) locator {
	file, err := parser.ParseBytes(source, 0)
	if err != nil || len(file.Docs) == 0 {
		return locator{}
	}
	return locator{file.Docs[0].Body}
}

// line is that of a rule such as flags.bmi.bands[0], or of what of it exists.
func (l locator) line(rule string) int {
	line, node := 1, l.root
	for node != nil && rule != "" {
		var next ast.Node
		var at int
		next, at, rule = step(node, rule)
		if next == nil {
			break
		}
		node, line = next, at
	}
	return line
}

// step goes one name down, and returns the node with its line and the rest of
// the rule.
func step(node ast.Node, rule string) (next ast.Node, line int, rest string) {
	switch node := node.(type) {
	case *ast.MappingNode:
		for _, pair := range node.Values {
			key := pair.Key.GetToken().Value
			if rest, ok := cutName(rule, key); ok {
				return pair.Value, pair.Key.GetToken().Position.Line, rest
			}
		}
	case *ast.MappingValueNode:
		if rest, ok := cutName(rule, node.Key.GetToken().Value); ok {
			return node.Value, node.Key.GetToken().Position.Line, rest
		}
	case *ast.SequenceNode:
		if index, rest, ok := cutIndex(rule); ok && index < len(node.Values) {
			return node.Values[index], node.Values[index].GetToken().Position.Line, rest
		}
		// Of two with one id the later is the mistake.
		for _, item := range node.Values {
			id, at := identity(item)
			if after, ok := cutName(rule, id); ok && id != "" {
				next, line, rest = item, at, after
			}
		}
		return next, line, rest
	}
	return nil, 0, ""
}

// cutName takes a name off the front of a rule.
func cutName(rule, name string) (rest string, ok bool) {
	rest, ok = strings.CutPrefix(rule, name)
	switch {
	case !ok:
		return "", false
	case rest == "" || rest[0] == '[':
		return rest, true
	case rest[0] == '.':
		return rest[1:], true
	}
	return "", false
}

// cutIndex takes an index such as [0] off the front of a rule.
func cutIndex(rule string) (index int, rest string, ok bool) {
	inside, ok := strings.CutPrefix(rule, "[")
	if !ok {
		return 0, "", false
	}
	digits, rest, ok := strings.Cut(inside, "]")
	index, err := strconv.Atoi(digits)
	return index, strings.TrimPrefix(rest, "."), ok && err == nil && index >= 0
}

// identity returns the id or the code of an item, and its line.
func identity(item ast.Node) (id string, line int) {
	var pairs []*ast.MappingValueNode
	switch item := item.(type) {
	case *ast.MappingNode:
		pairs = item.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{item}
	}
	for _, pair := range pairs {
		if key := pair.Key.GetToken(); key.Value == "id" || key.Value == "code" {
			return pair.Value.GetToken().Value, key.Position.Line
		}
	}
	return "", 0
}
