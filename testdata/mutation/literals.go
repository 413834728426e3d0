package main

import (
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"math/big"
	"slices"
	"strconv"
	"strings"
)

// literal is one number in the source of a formula.
type literal struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
	Text   string `json:"literal"`
	// Declaration is the enclosing function, method, constant or variable.
	Declaration string `json:"declaration"`
	// LeftOut says why a change of this literal proves nothing; empty otherwise.
	LeftOut string `json:"leftOut,omitempty"`

	offset int
	// changed holds the texts to try, the next one when one does not compile.
	changed []string
}

func (l literal) place() string { return fmt.Sprintf("%s:%d:%d", l.File, l.Line, l.Column) }

// findLiterals returns the numbers of one Go file in the order of the source.
func findLiterals(name string, source []byte) ([]literal, error) {
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, name, source, parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	var found []literal
	ast.PreorderStack(file, nil, func(n ast.Node, stack []ast.Node) bool {
		number, ok := n.(*ast.BasicLit)
		if !ok || (number.Kind != token.INT && number.Kind != token.FLOAT) {
			return true
		}
		position := fset.Position(number.Pos())
		found = append(found, literal{
			File: name, Line: position.Line, Column: position.Column, Text: number.Value,
			Declaration: declarationOf(number, stack),
			LeftOut:     leftOut(number, stack),
			offset:      position.Offset,
			changed:     change(number),
		})
		return true
	})
	return found, nil
}

// change returns the texts that stand for the literal and 1 % more. A whole
// number is first changed as if it were a float; where the type forbids that it
// grows by a hundredth, at least by one. Zero becomes one.
func change(number *ast.BasicLit) []string {
	value := constant.MakeFromLiteral(number.Value, number.Kind, 0)
	if constant.Sign(value) == 0 {
		if number.Kind == token.FLOAT {
			return []string{"1.0"}
		}
		return []string{"1"}
	}
	more := constant.BinaryOp(value, token.MUL, constant.BinaryOp(constant.MakeInt64(101), token.QUO, constant.MakeInt64(100)))
	exact, _ := new(big.Rat).SetString(constant.ToFloat(more).ExactString())
	// A decimal literal and 101/100 of it are both finite decimals.
	digits, _ := exact.FloatPrec()
	text := exact.FloatString(digits)
	if number.Kind == token.FLOAT {
		if !strings.Contains(text, ".") {
			text += ".0"
		}
		return []string{text}
	}
	whole, ok := constant.Int64Val(value)
	if !ok {
		return []string{text}
	}
	next := strconv.FormatInt(whole+max(1, (whole+50)/100), 10)
	if text == next {
		return []string{next}
	}
	return []string{text, next}
}

// declarationOf names what the literal belongs to at the top of the file.
func declarationOf(number *ast.BasicLit, stack []ast.Node) string {
	if len(stack) < 2 {
		return ""
	}
	switch d := stack[1].(type) {
	case *ast.FuncDecl:
		if d.Recv == nil {
			return d.Name.Name
		}
		receiver := d.Recv.List[0].Type
		if pointer, ok := receiver.(*ast.StarExpr); ok {
			receiver = pointer.X
		}
		if name, ok := receiver.(*ast.Ident); ok {
			return name.Name + "." + d.Name.Name
		}
		return d.Name.Name
	case *ast.GenDecl:
		for _, n := range stack {
			switch spec := n.(type) {
			case *ast.ValueSpec:
				for i, value := range spec.Values {
					if i < len(spec.Names) && value.Pos() <= number.Pos() && number.End() <= value.End() {
						return spec.Names[i].Name
					}
				}
				return spec.Names[0].Name
			case *ast.TypeSpec:
				return spec.Name.Name
			}
		}
	}
	return ""
}

// leftOut recognises, by syntax alone, the literals of which a change proves
// nothing about a formula, and says why. The stack holds the nodes around the
// literal, the file first.
func leftOut(number *ast.BasicLit, stack []ast.Node) string {
	// A sign belongs to the literal.
	var node ast.Expr = number
	for len(stack) > 0 {
		sign, ok := stack[len(stack)-1].(*ast.UnaryExpr)
		if !ok {
			break
		}
		node, stack = sign, stack[:len(stack)-1]
	}
	if len(stack) == 0 {
		return ""
	}
	isZero := constant.Sign(constant.MakeFromLiteral(number.Value, number.Kind, 0)) == 0

	switch parent := stack[len(stack)-1].(type) {
	case *ast.CallExpr:
		if reason := leftOutArgument(parent, slices.Index(parent.Args, node)); reason != "" {
			return reason
		}
	case *ast.BinaryExpr:
		if isZero && isComparison(parent.Op) {
			return "comparison with 0"
		}
		other := parent.X
		if other == node {
			other = parent.Y
		}
		if number.Value == "1" && (parent.Op == token.ADD || parent.Op == token.SUB) && isCount(other, stack) {
			return "neighbour of an index"
		}
	case *ast.ArrayType:
		return "length of an array"
	case *ast.AssignStmt:
		if len(stack) > 1 {
			if loop, ok := stack[len(stack)-2].(*ast.ForStmt); ok && loop.Init == parent {
				return "start of a loop"
			}
		}
	case *ast.ReturnStmt:
		if isZero && besideError(parent, stack) {
			return "zero beside an error"
		}
	}
	if isIndex(node, stack) {
		return "index"
	}
	return ""
}

// leftOutArgument judges the argument of a call by its position.
func leftOutArgument(call *ast.CallExpr, position int) string {
	if position < 1 {
		if isCallOf(call, "math", "Inf") {
			return "sign of an infinity"
		}
		return ""
	}
	switch {
	case isCallOf(call, "clinical", "Display"), isCallOf(call, "clinical", "Round"),
		isCallOf(call, "", "Display"), isCallOf(call, "", "Round"):
		return "decimals for display"
	case isCallOf(call, "strconv", ""):
		return "base, bits or precision of a conversion"
	case isCallOf(call, "math", "IsInf"):
		return "sign of an infinity"
	case isCallOf(call, "", "make") && position == 2:
		return "capacity"
	}
	return ""
}

// isCallOf reports whether the call is of that function of that package, with an
// empty package for an unqualified call, or of any function of the package when
// the function is empty.
func isCallOf(call *ast.CallExpr, pkg, function string) bool {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return pkg == "" && f.Name == function
	case *ast.SelectorExpr:
		x, ok := f.X.(*ast.Ident)
		return ok && pkg != "" && x.Name == pkg && (function == "" || f.Sel.Name == function)
	}
	return false
}

func isComparison(op token.Token) bool {
	switch op {
	case token.EQL, token.NEQ, token.LSS, token.LEQ, token.GTR, token.GEQ:
		return true
	}
	return false
}

// isCount reports whether the expression is a length or the variable of a loop
// around it.
func isCount(expr ast.Expr, stack []ast.Node) bool {
	if call, ok := expr.(*ast.CallExpr); ok {
		return isCallOf(call, "", "len")
	}
	name, ok := expr.(*ast.Ident)
	if !ok {
		return false
	}
	names := func(list ...ast.Expr) bool {
		return slices.ContainsFunc(list, func(e ast.Expr) bool {
			id, ok := e.(*ast.Ident)
			return ok && id.Name == name.Name
		})
	}
	for _, n := range stack {
		switch loop := n.(type) {
		case *ast.RangeStmt:
			if names(loop.Key) {
				return true
			}
		case *ast.ForStmt:
			if init, ok := loop.Init.(*ast.AssignStmt); ok && names(init.Lhs...) {
				return true
			}
		}
	}
	return false
}

// isIndex reports whether the expression is an index or the bound of a slice,
// or is added to or taken from one.
func isIndex(expr ast.Expr, stack []ast.Node) bool {
	for i := len(stack) - 1; i >= 0; i-- {
		switch parent := stack[i].(type) {
		case *ast.IndexExpr:
			return parent.Index == expr
		case *ast.SliceExpr:
			return parent.Low == expr || parent.High == expr || parent.Max == expr
		case *ast.BinaryExpr:
			if parent.Op != token.ADD && parent.Op != token.SUB {
				return false
			}
			expr = parent
		case *ast.ParenExpr:
			expr = parent
		default:
			return false
		}
	}
	return false
}

// besideError reports whether a return hands back an error, or false, with the
// value: an error made on the spot, or err right inside "if err != nil".
// Elsewhere err may be nil, and then the zero is a result.
func besideError(ret *ast.ReturnStmt, stack []ast.Node) bool {
	if len(ret.Results) < 2 {
		return false
	}
	switch last := ret.Results[len(ret.Results)-1].(type) {
	case *ast.UnaryExpr:
		_, ok := last.X.(*ast.CompositeLit)
		return ok && last.Op == token.AND
	case *ast.CallExpr:
		// Where every other result is empty, the call makes the error.
		return !slices.ContainsFunc(ret.Results[:len(ret.Results)-1], func(e ast.Expr) bool {
			switch e := e.(type) {
			case *ast.BasicLit:
				return false
			case *ast.CompositeLit:
				return len(e.Elts) > 0
			}
			return true
		})
	case *ast.Ident:
		return last.Name == "false" || (len(stack) > 2 && last.Name == notNil(stack[len(stack)-3], stack[len(stack)-2]))
	}
	return false
}

// notNil returns the name that an if statement with that body found not to be
// nil, or nothing.
func notNil(n, body ast.Node) string {
	statement, ok := n.(*ast.IfStmt)
	if !ok || statement.Body != body {
		return ""
	}
	test, ok := statement.Cond.(*ast.BinaryExpr)
	if !ok || test.Op != token.NEQ {
		return ""
	}
	tested, ok := test.X.(*ast.Ident)
	null, okNull := test.Y.(*ast.Ident)
	if !ok || !okNull || null.Name != "nil" {
		return ""
	}
	return tested.Name
}

// mutate returns the source with the literal replaced.
func mutate(source []byte, l literal, text string) []byte {
	return slices.Concat(source[:l.offset], []byte(text), source[l.offset+len(l.Text):])
}

// within reports whether the literal lies in the selection: nothing, the end of
// a file's path, or that with a line or a range of lines after a colon.
func (l literal) within(selection string) (bool, error) {
	if selection == "" {
		return true, nil
	}
	file, lines, ranged := strings.Cut(selection, ":")
	if l.File != file && !strings.HasSuffix(l.File, "/"+file) {
		return false, nil
	}
	if !ranged {
		return true, nil
	}
	from, to, _ := strings.Cut(lines, "-")
	if to == "" {
		to = from
	}
	first, err := strconv.Atoi(from)
	if err != nil {
		return false, fmt.Errorf("-at: %q is no line number", from)
	}
	last, err := strconv.Atoi(to)
	if err != nil {
		return false, fmt.Errorf("-at: %q is no line number", to)
	}
	return first <= l.Line && l.Line <= last, nil
}
