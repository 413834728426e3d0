package clinical_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// TestFormulasArePure checks that the formulas import nothing that reads a
// clock, a file or the network, and nothing of the rest of the program.
func TestFormulasArePure(t *testing.T) {
	allowed := []string{"cmp", "errors", "fmt", "maps", "math", "math/big", "slices", "strconv", "strings"}
	err := filepath.WalkDir(".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, spec := range file.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			ours := name == "candidacy/internal/clinical" || strings.HasPrefix(name, "candidacy/internal/clinical/")
			if !ours && !slices.Contains(allowed, name) && name != "time" {
				t.Errorf("%s imports %s", path, name)
			}
		}
		// Calendar dates are arithmetic; the clock and the zones are not.
		calendar := []string{"Date", "DateOnly", "Parse", "RFC3339", "Time", "UTC"}
		ast.Inspect(file, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if of, ok := s.X.(*ast.Ident); ok && of.Name == "time" && !slices.Contains(calendar, s.Sel.Name) {
					t.Errorf("%s uses time.%s", path, s.Sel.Name)
				}
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
