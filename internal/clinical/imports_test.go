package clinical_test

import (
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
	allowed := []string{"errors", "fmt", "math", "math/big", "slices", "strconv", "strings"}
	err := filepath.WalkDir(".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range file.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			ours := name == "candidacy/internal/clinical" || strings.HasPrefix(name, "candidacy/internal/clinical/")
			if !ours && !slices.Contains(allowed, name) {
				t.Errorf("%s imports %s", path, name)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
