package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// layers lists, for each of our packages, which of ours it may import
// directly. Dependencies point inwards; what is not listed is forbidden.
var layers = map[string][]string{
	"candidacy/internal/clinical/units":         {},
	"candidacy/internal/clinical":               {"candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/body":          {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/pressure":      {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/glycaemia":     {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/lipids":        {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/compatibility": {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/laterality":    {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/medicines":     {"candidacy/internal/clinical", "candidacy/internal/clinical/units"},
	"candidacy/internal/clinical/perioperative": {"candidacy/internal/clinical"},
	"candidacy/internal/clinical/urine": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/body",
	},
	"candidacy/internal/clinical/renal": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/body", "candidacy/internal/clinical/urine",
	},
	"candidacy/internal/calculation": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/body", "candidacy/internal/clinical/renal",
		"candidacy/internal/clinical/urine", "candidacy/internal/clinical/pressure", "candidacy/internal/clinical/glycaemia", "candidacy/internal/clinical/lipids",
		"candidacy/internal/clinical/compatibility", "candidacy/internal/clinical/laterality", "candidacy/internal/clinical/medicines",
		"candidacy/internal/clinical/perioperative",
	},
	"candidacy/internal/planner":    {"candidacy/internal/journey"},
	"candidacy/internal/linkage":    {},
	"candidacy/internal/calendar":   {},
	"candidacy/internal/monitoring": {},
	"candidacy/internal/result":     {},
	"candidacy/internal/hl7":        {},
	"candidacy/internal/mllp":       {},
	"candidacy/internal/feed": {
		"candidacy/internal/hl7", "candidacy/internal/incoming", "candidacy/internal/mllp", "candidacy/internal/oru", "candidacy/internal/protocol", "candidacy/internal/reading",
	},
	"candidacy/internal/oru": {
		"candidacy/internal/command", "candidacy/internal/hl7", "candidacy/internal/protocol", "candidacy/internal/reading", "candidacy/internal/result",
	},
	"candidacy/internal/journey": {},
	"candidacy/internal/command": {"candidacy/internal/journey", "candidacy/internal/result"},
	"candidacy/internal/protocol": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/body",
		"candidacy/internal/clinical/medicines", "candidacy/internal/clinical/pressure", "candidacy/internal/clinical/renal", "candidacy/internal/clinical/urine",
		"candidacy/internal/command", "candidacy/internal/hl7", "candidacy/internal/journey", "candidacy/internal/planner", "candidacy/internal/result",
	},
	"candidacy/internal/recovery": {"candidacy/internal/command", "candidacy/internal/journey", "candidacy/internal/protocol"},
	"candidacy/internal/medication": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/medicines", "candidacy/internal/command", "candidacy/internal/journey",
		"candidacy/internal/protocol", "candidacy/internal/result",
	},
	"candidacy/internal/followup": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/renal",
		"candidacy/internal/journey", "candidacy/internal/protocol", "candidacy/internal/result",
	},
	"candidacy/internal/meeting": {"candidacy/internal/journey"},
	"candidacy/internal/record":  {"candidacy/internal/journey", "candidacy/internal/meeting", "candidacy/internal/result"},
	"candidacy/internal/operation": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/perioperative", "candidacy/internal/command", "candidacy/internal/journey",
		"candidacy/internal/protocol", "candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/internal/risk": {
		"candidacy/internal/command", "candidacy/internal/journey", "candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/internal/engine": {},
	"candidacy/activities": {
		"candidacy/internal/meeting",
		"candidacy/internal/risk",
		"candidacy/internal/medication", "candidacy/internal/recovery",
		"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/compatibility",
		"candidacy/internal/command", "candidacy/internal/journey", "candidacy/internal/operation", "candidacy/internal/protocol", "candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/workflows": {"candidacy/activities", "candidacy/internal/journey"},
	"candidacy/fhir": {
		"candidacy/internal/risk",
		"candidacy/internal/bulk", "candidacy/internal/subscription",
		"candidacy/internal/audit",
		"candidacy/internal/followup", "candidacy/internal/clinical/units",
		"candidacy/internal/command", "candidacy/internal/medication", "candidacy/internal/recovery",
		"candidacy/internal/incoming", "candidacy/internal/intake", "candidacy/internal/reading", "candidacy/activities", "candidacy/internal/clinical/perioperative", "candidacy/internal/command", "candidacy/internal/journey",
		"candidacy/internal/operation", "candidacy/internal/protocol", "candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/internal/reading": {"candidacy/internal/command", "candidacy/internal/result"},
	"candidacy/internal/intake":  {"candidacy/internal/command", "candidacy/internal/reading", "candidacy/internal/result"},
	"candidacy/internal/incoming": {
		"candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/journey", "candidacy/internal/reading",
		"candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/internal/dispatch": {
		"candidacy/activities", "candidacy/workflows", "candidacy/internal/command", "candidacy/internal/journey", "candidacy/internal/protocol", "candidacy/internal/record",
	},
	"candidacy/internal/mover": {
		"candidacy/activities", "candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/journey",
		"candidacy/internal/protocol", "candidacy/internal/record",
	},
	"candidacy/internal/bulk":         {"candidacy/internal/record"},
	"candidacy/internal/subscription": {"candidacy/internal/record"},
	"candidacy/internal/notify":       {"candidacy/internal/journey", "candidacy/internal/protocol", "candidacy/internal/record"},
	"candidacy/internal/measures": {
		"candidacy/internal/clinical", "candidacy/internal/clinical/perioperative", "candidacy/internal/followup", "candidacy/internal/journey",
		"candidacy/internal/operation", "candidacy/internal/protocol", "candidacy/internal/recovery", "candidacy/internal/result",
	},
	"candidacy/internal/smart": {
		"candidacy/fhir", "candidacy/internal/audit", "candidacy/internal/journey", "candidacy/internal/record",
	},
	"candidacy/internal/signin":        {},
	"candidacy/internal/signin/issuer": {},
	"candidacy/internal/access":        {"candidacy/internal/journey", "candidacy/internal/record"},
	"candidacy/internal/audit":         {"candidacy/internal/journey", "candidacy/internal/record"},
	"candidacy/internal/api": {
		"candidacy/internal/meeting",
		"candidacy/internal/smart",
		"candidacy/internal/risk",
		"candidacy/internal/audit",
		"candidacy/internal/measures",
		"candidacy/internal/medication", "candidacy/internal/recovery",
		"candidacy/internal/followup", "candidacy/internal/clinical/units",
		"candidacy/activities", "candidacy/internal/access", "candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/incoming", "candidacy/internal/intake",
		"candidacy/internal/journey", "candidacy/internal/mover", "candidacy/internal/reading", "candidacy/internal/operation", "candidacy/internal/protocol", "candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/internal/web": {
		"candidacy/internal/meeting",
		"candidacy/internal/signin",
		"candidacy/internal/smart",
		"candidacy/internal/risk",
		"candidacy/internal/audit",
		"candidacy/internal/measures",
		"candidacy/internal/medication", "candidacy/internal/recovery",
		"candidacy/internal/followup", "candidacy/internal/mover", "candidacy/internal/notify",
		"candidacy/internal/calendar", "candidacy/internal/linkage", "candidacy/internal/monitoring",
		"candidacy/activities", "candidacy/internal/api", "candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/body", "candidacy/internal/clinical/renal", "candidacy/internal/clinical/pressure", "candidacy/internal/clinical/laterality", "candidacy/internal/clinical/perioperative", "candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/incoming", "candidacy/internal/reading", "candidacy/internal/journey",
		"candidacy/internal/operation", "candidacy/internal/planner", "candidacy/internal/protocol", "candidacy/internal/record", "candidacy/internal/result",
	},
	"candidacy/internal/system": {
		"candidacy/activities", "candidacy/fhir", "candidacy/workflows", "candidacy/internal/dispatch", "candidacy/internal/engine", "candidacy/internal/incoming", "candidacy/internal/intake", "candidacy/internal/oru",
		"candidacy/internal/protocol", "candidacy/internal/record",
	},
	"candidacy/internal/synthetic":             {"candidacy/internal/command", "candidacy/internal/journey", "candidacy/internal/protocol", "candidacy/internal/result"},
	"candidacy/internal/protocol/protocoltest": {"candidacy/internal/protocol", "candidacy/testdata/protocols"},
	"candidacy/internal/demo": {
		"candidacy/activities", "candidacy/internal/api", "candidacy/internal/meeting", "candidacy/internal/monitoring",
		"candidacy/internal/incoming", "candidacy/internal/oru",
		"candidacy/internal/synthetic",
		"candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/intake", "candidacy/internal/journey",
		"candidacy/internal/protocol", "candidacy/internal/reading", "candidacy/internal/record", "candidacy/internal/result", "candidacy/testdata/bundles",
	},
	"candidacy/internal/conformance": {},
	"candidacy/internal/population": {
		"candidacy/activities", "candidacy/workflows", "candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/journey",
		"candidacy/internal/protocol", "candidacy/internal/record", "candidacy/internal/result", "candidacy/internal/synthetic",
	},
	"candidacy/internal/walk": {
		"candidacy/internal/command", "candidacy/internal/dispatch", "candidacy/internal/journey", "candidacy/internal/record", "candidacy/internal/result",
	},
}

// outsideWorld are packages that pure code must not import: they read a clock,
// a file, the network or a database, or make chance.
var outsideWorld = []string{
	"database/sql", "net/http", "net", "os", "os/exec", "math/rand", "math/rand/v2", "crypto/rand", "log", "log/slog", "syscall",
}

// pure are the packages that compute and decide.
var pure = []string{
	"candidacy/internal/clinical", "candidacy/internal/clinical/units", "candidacy/internal/clinical/body", "candidacy/internal/clinical/pressure",
	"candidacy/internal/clinical/renal", "candidacy/internal/clinical/urine", "candidacy/internal/clinical/glycaemia", "candidacy/internal/clinical/lipids",
	"candidacy/internal/clinical/compatibility", "candidacy/internal/clinical/laterality", "candidacy/internal/clinical/medicines",
	"candidacy/internal/clinical/perioperative", "candidacy/internal/calculation", "candidacy/internal/planner", "candidacy/internal/result", "candidacy/internal/journey", "candidacy/internal/measures",
	"candidacy/internal/command", "candidacy/internal/protocol", "candidacy/internal/followup", "candidacy/workflows", "candidacy/internal/intake", "candidacy/internal/reading",
	"candidacy/internal/operation",
	"candidacy/internal/recovery", "candidacy/internal/medication",
	"candidacy/internal/risk", "candidacy/internal/meeting",
}

type listed struct {
	ImportPath string
	Imports    []string
}

func packages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var all []listed
	decoder := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p listed
		if err := decoder.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func TestDependenciesPointInwards(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range packages(t) {
		seen[p.ImportPath] = true
		allowed, known := layers[p.ImportPath]
		if !known {
			if p.ImportPath != "candidacy/cmd/candidacy" {
				t.Errorf("%s has no place in the layers: give it one", p.ImportPath)
			}
			continue
		}
		for _, imported := range p.Imports {
			if strings.HasPrefix(imported, "candidacy/") && !slices.Contains(allowed, imported) {
				t.Errorf("%s imports %s, which is not further in", p.ImportPath, imported)
			}
		}
	}
	for path := range layers {
		if !seen[path] {
			t.Errorf("the layers name %s, which does not exist", path)
		}
	}
}

func TestPureCodeTouchesNothing(t *testing.T) {
	for _, p := range packages(t) {
		if !slices.Contains(pure, p.ImportPath) {
			continue
		}
		for _, imported := range p.Imports {
			if slices.Contains(outsideWorld, imported) {
				t.Errorf("%s imports %s", p.ImportPath, imported)
			}
		}
	}
}

func TestTheLayersHaveNoCircle(t *testing.T) {
	var visit func(path string, above []string)
	visit = func(path string, above []string) {
		if slices.Contains(above, path) {
			t.Fatalf("a circle: %s", strings.Join(append(above, path), " -> "))
		}
		for _, next := range layers[path] {
			visit(next, append(slices.Clone(above), path))
		}
	}
	for path := range layers {
		visit(path, nil)
	}
}
