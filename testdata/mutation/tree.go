package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// testedWith are the packages of which the tests are run, beside those asked
// for.
var testedWith = []string{"./internal/clinical/...", "./internal/calculation/..."}

// pack is one package with its sources as they were at the start.
type pack struct {
	path, short, folder string
	sources             []string // names of the files that are not tests
	tested              bool
	asked               bool
	// seenBy are the other packages with tests that import this one.
	seenBy []*pack
}

type tree struct {
	root, folder string
	packages     []*pack
	snapshot     map[string]string // path of a Go file to its copy
	sources      map[string][]byte
	timeout      time.Duration
}

// placed is a literal with its package.
type placed struct {
	literal
	pkg *pack
}

type outcome string

const (
	killed          outcome = "killed"
	killedElsewhere outcome = "killed elsewhere"
	survivedAll     outcome = "survived"
	notCompiled     outcome = "not compiled"
	leftOutUntried  outcome = "left out"
)

type result struct {
	literal
	Package string  `json:"package"`
	Changed string  `json:"changed,omitempty"`
	Outcome outcome `json:"outcome"`
	// Detail is the package that noticed, or the message of the compiler.
	Detail string `json:"detail,omitempty"`
}

// listed is what go list tells about a package.
type listed struct {
	ImportPath, Dir                    string
	ForTest                            string
	Module                             struct{ Path, Dir string }
	GoFiles, TestGoFiles, XTestGoFiles []string
	Deps                               []string
	Error                              *struct{ Err string }
}

// loadTree lists the packages and copies their sources into the folder.
func loadTree(ctx context.Context, patterns []string, folder string, timeout time.Duration) (*tree, error) {
	t := &tree{folder: folder, snapshot: map[string]string{}, sources: map[string][]byte{}, timeout: timeout}
	asked, err := goList(ctx, patterns)
	if err != nil {
		return nil, err
	}
	all := slices.Clone(patterns)
	for _, pattern := range testedWith {
		if _, err := os.Stat(strings.TrimSuffix(pattern, "/...")); err == nil {
			all = append(all, pattern)
		}
	}
	list, err := goList(ctx, append([]string{"-test"}, all...))
	if err != nil {
		return nil, err
	}
	byPath := map[string]*pack{}
	for _, p := range list {
		if p.Error != nil {
			return nil, fmt.Errorf("%s: %s", p.ImportPath, p.Error.Err)
		}
		if p.ForTest != "" || strings.HasSuffix(p.ImportPath, ".test") {
			continue
		}
		t.root = p.Module.Dir
		one := &pack{
			path: p.ImportPath, short: strings.TrimPrefix(p.ImportPath, p.Module.Path+"/"), folder: p.Dir, sources: p.GoFiles,
			asked: slices.ContainsFunc(asked, func(a listed) bool { return a.ImportPath == p.ImportPath }),
		}
		byPath[p.ImportPath] = one
		for _, name := range slices.Concat(p.GoFiles, p.TestGoFiles, p.XTestGoFiles) {
			if err := t.keep(filepath.Join(p.Dir, name)); err != nil {
				return nil, err
			}
		}
	}
	for _, p := range list {
		tested, ok := byPath[strings.TrimSuffix(p.ImportPath, ".test")]
		if !ok || !strings.HasSuffix(p.ImportPath, ".test") {
			continue
		}
		tested.tested = true
		for _, dependency := range p.Deps {
			// A package built again for a test is listed as "path [for.test]".
			path, _, _ := strings.Cut(dependency, " ")
			if seen, ok := byPath[path]; ok && seen != tested && !slices.Contains(seen.seenBy, tested) {
				seen.seenBy = append(seen.seenBy, tested)
			}
		}
	}
	t.packages = slices.SortedFunc(maps.Values(byPath), func(a, b *pack) int { return cmp.Compare(a.path, b.path) })
	return t, nil
}

// forgetOthers leaves each package to its own tests.
func (t *tree) forgetOthers() {
	for _, p := range t.packages {
		p.seenBy = nil
	}
}

func goList(ctx context.Context, arguments []string) ([]listed, error) {
	command := exec.CommandContext(ctx, "go", append([]string{"list", "-json=ImportPath,Dir,ForTest,Module,GoFiles,TestGoFiles,XTestGoFiles,Deps,Error"}, arguments...)...)
	command.Stderr = os.Stderr
	output, err := command.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	var list []listed
	for decoder := json.NewDecoder(bytes.NewReader(output)); ; {
		var p listed
		if err := decoder.Decode(&p); errors.Is(err, io.EOF) {
			return list, nil
		} else if err != nil {
			return nil, fmt.Errorf("go list: %w", err)
		}
		list = append(list, p)
	}
}

// keep copies a source, so that edits during the run change nothing.
func (t *tree) keep(path string) error {
	source, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	relative, err := filepath.Rel(t.root, path)
	if err != nil {
		return err
	}
	copied := filepath.Join(t.folder, "snapshot", relative)
	if err := os.MkdirAll(filepath.Dir(copied), 0o755); err != nil {
		return err
	}
	t.snapshot[path], t.sources[path] = copied, source
	return os.WriteFile(copied, source, 0o644)
}

// literals finds the literals of the packages asked for, and applies the
// exclusions.
func (t *tree) literals(at string) ([]placed, error) {
	var list []placed
	used := make([]bool, len(exclusions))
	for _, p := range t.packages {
		if !p.asked {
			continue
		}
		for _, name := range p.sources {
			short := p.short + "/" + name
			found, err := findLiterals(short, t.sources[filepath.Join(p.folder, name)])
			if err != nil {
				return nil, err
			}
			for _, l := range found {
				for i, e := range exclusions {
					if e.matches(p.short, l) {
						used[i] = true
						l.LeftOut = cmp.Or(l.LeftOut, e.reason)
					}
				}
				in, err := l.within(at)
				if err != nil {
					return nil, err
				}
				if in {
					list = append(list, placed{l, p})
				}
			}
		}
		for i, e := range exclusions {
			if e.pkg == p.short && !used[i] {
				return nil, fmt.Errorf("the exclusion of %q in %s of %s matches nothing; take it out", e.text, e.declaration, e.pkg)
			}
		}
	}
	if len(list) == 0 {
		return nil, errors.New("no literals found")
	}
	return list, nil
}

// baseline runs the tests without any change: they have to pass.
func (t *tree) baseline(ctx context.Context, literals []placed) error {
	var needed []*pack
	for _, l := range literals {
		for _, p := range append([]*pack{l.pkg}, l.pkg.seenBy...) {
			if p.tested && !slices.Contains(needed, p) {
				needed = append(needed, p)
			}
		}
	}
	overlay, err := t.overlay("baseline", "", nil)
	if err != nil {
		return err
	}
	for _, p := range needed {
		start := time.Now()
		binary, complaint, err := t.compile(ctx, "baseline", overlay, p)
		if err == nil && complaint != "" {
			err = errors.New(complaint)
		}
		if err != nil {
			return fmt.Errorf("%s without any change: %w", p.short, err)
		}
		passed, output, err := t.test(ctx, binary, p)
		if err == nil && !passed {
			err = fmt.Errorf("the tests fail:\n%s", output)
		}
		if err != nil {
			return fmt.Errorf("%s without any change: %w", p.short, err)
		}
		fmt.Fprintf(os.Stderr, "%s passes without any change (%.1f s)\n", p.short, time.Since(start).Seconds())
	}
	return nil
}

// try changes one literal and runs the tests that can see it.
func (t *tree) try(ctx context.Context, worker string, l placed) (result, error) {
	r := result{literal: l.literal, Package: l.pkg.short, Outcome: notCompiled}
	path := filepath.Join(l.pkg.folder, filepath.Base(l.File))
	watching := l.pkg.seenBy
	if l.pkg.tested {
		watching = append([]*pack{l.pkg}, watching...)
	}
changes:
	for _, text := range l.changed {
		r.Changed = text
		overlay, err := t.overlay(worker, path, mutate(t.sources[path], l.literal, text))
		if err != nil {
			return r, err
		}
		for _, p := range watching {
			binary, complaint, err := t.compile(ctx, worker, overlay, p)
			if err != nil {
				return r, err
			}
			if complaint != "" {
				r.Detail = complaint
				continue changes
			}
			passed, _, err := t.test(ctx, binary, p)
			if err != nil {
				return r, err
			}
			if passed {
				continue
			}
			r.Outcome, r.Detail = killed, ""
			if p != l.pkg {
				r.Outcome, r.Detail = killedElsewhere, p.short
			}
			return r, nil
		}
		r.Outcome, r.Detail = survivedAll, ""
		return r, nil
	}
	return r, nil
}

// overlay writes the file for go test -overlay, with one source changed.
func (t *tree) overlay(worker, path string, source []byte) (string, error) {
	folder := filepath.Join(t.folder, worker)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", err
	}
	replace := maps.Clone(t.snapshot)
	if path != "" {
		changed := filepath.Join(folder, filepath.Base(path))
		if err := os.WriteFile(changed, source, 0o644); err != nil {
			return "", err
		}
		replace[path] = changed
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	name := filepath.Join(folder, "overlay.json")
	return name, os.WriteFile(name, text, 0o644)
}

// complaintOf finds what the compiler says about a line of a source.
var complaintOf = regexp.MustCompile(`(?m)^\S+\.go:\d+:\d+: .*$`)

// compile builds the tests of a package. What the compiler says about a source
// is a complaint; that go failed in another way is an error.
func (t *tree) compile(ctx context.Context, worker, overlay string, p *pack) (binary, complaint string, err error) {
	binary = filepath.Join(t.folder, worker, "tests")
	if err := os.Remove(binary); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", "", err
	}
	// Without symbols linking takes half the time.
	command := exec.CommandContext(ctx, "go", "test", "-c", "-vet=off", "-ldflags=-s -w", "-overlay="+overlay, "-o", binary, p.path)
	command.Dir = t.root
	output, err := command.CombinedOutput()
	if err == nil {
		return binary, "", nil
	}
	if complaint := complaintOf.FindString(string(output)); complaint != "" && ctx.Err() == nil {
		return "", strings.TrimPrefix(complaint, filepath.Join(t.folder, worker)+"/"), nil
	}
	return "", "", fmt.Errorf("go test -c %s: %w\n%s", p.short, err, output)
}

// test runs the tests of a package. Properties draw the same values every time,
// don't search for the smallest failure, and write nothing.
func (t *tree) test(ctx context.Context, binary string, p *pack) (passed bool, output string, err error) {
	limited, cancel := context.WithTimeout(ctx, t.timeout+5*time.Second)
	defer cancel()
	command := exec.CommandContext(limited, binary, "-test.short", "-test.failfast", "-test.timeout="+t.timeout.String())
	command.Dir = p.folder
	command.Env = append(os.Environ(), "RAPID_SEED=1", "RAPID_NOFAILFILE=true", "RAPID_SHRINKTIME=0s")
	command.WaitDelay = time.Second
	text, err := command.CombinedOutput()
	var exit *exec.ExitError
	switch {
	case err == nil:
		return true, "", nil
	case ctx.Err() != nil:
		return false, "", context.Cause(ctx)
	case errors.As(err, &exit):
		return false, string(text), nil
	}
	return false, "", err
}
