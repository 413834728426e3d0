package main

// exclusion names literals that no test can or should see, with the reason.
// Classes of literals that syntax tells apart are in leftOut instead.
type exclusion struct {
	// pkg is the import path without the module, declaration the enclosing
	// function, method, constant or variable, and text the literal; an empty
	// text stands for every literal of the declaration.
	pkg, declaration, text string
	reason                 string
}

// exclusions is kept short: a literal belongs here only when its change can't
// alter a result, such as the tolerance of a solver that converges far beyond
// it. An entry that matches nothing is an error.
var exclusions = []exclusion{
	{"internal/clinical/renal", "negligibleStep", "", converges},
	{"internal/clinical/renal", "mostSteps", "", converges},
	{"internal/clinical/renal", "firstDamping", "", converges},
	{"internal/clinical/renal", "dampingFactor", "", converges},
	{"internal/clinical/renal", "halvings", "", converges},
}

// converges is the reason for the settings of a solver.
const converges = "path of a solver, which converges to the same minimum"

func (e exclusion) matches(pkg string, l literal) bool {
	return e.pkg == pkg && e.declaration == l.Declaration && (e.text == "" || e.text == l.Text)
}
