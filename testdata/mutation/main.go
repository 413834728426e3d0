// Command mutation checks that the tests of the formulas see every number. It
// changes the numeric literals in the formulas' sources one at a time by 1 %,
// and runs the tests that can see the change; one of them has to fail.
//
//	go run ./testdata/mutation [flags] [packages]
//
// Without packages it takes all under internal/clinical. For each change it runs
// the tests of the literal's own package first, then those of the other formula
// packages that import it. The tree is never written: changed sources reach the
// compiler through an overlay, and so do all other sources of the formulas, as
// they were at the start, so that the tree may be edited meanwhile.
//
// A whole number is changed as if it were a float, and by a whole number where
// that does not compile; zero becomes one. Literals that have nothing to do
// with a result are left out: see leftOut for the classes, exclusions for single
// ones. A change that does not compile at all is reported and counts neither
// way.
//
// The exit status is 0 when every change was noticed, 1 when one survived, and 2
// when the check itself failed.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/signal"
	"slices"
	"sync"
	"syscall"
	"text/tabwriter"
	"time"
)

type options struct {
	patterns []string
	at       string
	all      bool
	own      bool
	list     bool
	workers  int
	timeout  time.Duration
	json     string
}

func main() {
	var o options
	flag.StringVar(&o.at, "at", "", "only this file, or lines of it: `file.go[:first[-last]]`")
	flag.BoolVar(&o.all, "all", false, "also change literals that are left out; they don't alter the exit status")
	flag.BoolVar(&o.own, "own", false, "run only the tests of the literal's own package")
	flag.BoolVar(&o.list, "list", false, "list the literals with what would be tried, and run nothing")
	flag.IntVar(&o.workers, "workers", 2, "changes that are tried at the same time")
	flag.DurationVar(&o.timeout, "timeout", time.Minute, "time that the tests of one package may take; longer counts as noticed")
	flag.StringVar(&o.json, "json", "", "`file` to write every outcome to")
	flag.Usage = func() {
		fmt.Fprintln(flag.CommandLine.Output(), "usage: go run ./testdata/mutation [flags] [packages]")
		flag.PrintDefaults()
	}
	flag.Parse()
	o.patterns = flag.Args()
	if len(o.patterns) == 0 {
		o.patterns = []string{"./internal/clinical/..."}
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	passed, err := run(ctx, o)
	stop()
	switch {
	case err != nil:
		fmt.Fprintln(os.Stderr, "mutation:", err)
		os.Exit(2)
	case !passed:
		os.Exit(1)
	}
}

func run(ctx context.Context, o options) (passed bool, err error) {
	folder, err := os.MkdirTemp("", "mutation")
	if err != nil {
		return false, err
	}
	defer os.RemoveAll(folder)
	t, err := loadTree(ctx, o.patterns, folder, o.timeout)
	if err != nil {
		return false, err
	}
	if o.own {
		t.forgetOthers()
	}
	literals, err := t.literals(o.at)
	if err != nil {
		return false, err
	}
	if o.list {
		for _, l := range literals {
			fmt.Printf("%s %s %q %s %s\n", l.place(), l.Text, l.changed, l.Declaration, l.LeftOut)
		}
		return true, nil
	}
	if err := t.baseline(ctx, literals); err != nil {
		return false, err
	}
	results, err := tryAll(ctx, t, literals, o)
	if err != nil {
		return false, err
	}
	if o.json != "" {
		text, err := json.MarshalIndent(results, "", "  ")
		if err != nil {
			return false, err
		}
		if err := os.WriteFile(o.json, append(text, '\n'), 0o644); err != nil {
			return false, err
		}
	}
	return report(os.Stdout, results), nil
}

// tryAll changes the literals with several workers. The results keep the order
// of the literals.
func tryAll(ctx context.Context, t *tree, literals []placed, o options) ([]result, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	results := make([]result, len(literals))
	next := make(chan int)
	go func() {
		defer close(next)
		for i, l := range literals {
			if l.LeftOut != "" && !o.all {
				results[i] = result{literal: l.literal, Package: l.pkg.short, Outcome: leftOutUntried}
				continue
			}
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	}()
	total := 0
	for _, l := range literals {
		if l.LeftOut == "" || o.all {
			total++
		}
	}
	var done int
	var printing sync.Mutex
	var workers sync.WaitGroup
	for w := range max(o.workers, 1) {
		workers.Go(func() {
			for i := range next {
				start := time.Now()
				r, err := t.try(ctx, fmt.Sprintf("worker%d", w), literals[i])
				if err != nil {
					cancel(fmt.Errorf("%s: %w", literals[i].place(), err))
					return
				}
				results[i] = r
				printing.Lock()
				done++
				fmt.Fprintf(os.Stderr, "[%d/%d] %-16s %s %s -> %s in %s (%.1f s)\n", done, total,
					r.Outcome, r.place(), r.Text, r.Changed, r.Declaration, time.Since(start).Seconds())
				printing.Unlock()
			}
		})
	}
	workers.Wait()
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	return results, nil
}

// report prints the table and what needs attention, and says whether every
// change that counts was noticed.
func report(w io.Writer, results []result) bool {
	counts := map[string]map[outcome]int{}
	reasons := map[string]int{}
	var survived, uncompiled, elsewhere []result
	for _, r := range results {
		if counts[r.Package] == nil {
			counts[r.Package] = map[outcome]int{}
		}
		if r.LeftOut != "" {
			counts[r.Package][leftOutUntried]++
			reasons[r.LeftOut]++
			continue
		}
		counts[r.Package][r.Outcome]++
		switch r.Outcome {
		case survivedAll:
			survived = append(survived, r)
		case notCompiled:
			uncompiled = append(uncompiled, r)
		case killedElsewhere:
			elsewhere = append(elsewhere, r)
		}
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	columns := []outcome{killed, killedElsewhere, survivedAll, notCompiled, leftOutUntried}
	fmt.Fprint(table, "package\tliterals\t")
	for _, c := range columns {
		fmt.Fprintf(table, "%s\t", c)
	}
	fmt.Fprintln(table)
	for _, pkg := range slices.Sorted(maps.Keys(counts)) {
		total := 0
		for _, n := range counts[pkg] {
			total += n
		}
		fmt.Fprintf(table, "%s\t%d\t", pkg, total)
		for _, c := range columns {
			fmt.Fprintf(table, "%d\t", counts[pkg][c])
		}
		fmt.Fprintln(table)
	}
	table.Flush()
	for _, reason := range slices.Sorted(maps.Keys(reasons)) {
		fmt.Fprintf(w, "left out %d: %s\n", reasons[reason], reason)
	}
	list := func(title string, results []result) {
		if len(results) == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s:\n", title)
		for _, r := range results {
			fmt.Fprintf(w, "%s: %s -> %s in %s", r.place(), r.Text, r.Changed, r.Declaration)
			if r.Detail != "" {
				fmt.Fprintf(w, " (%s)", r.Detail)
			}
			fmt.Fprintln(w)
		}
	}
	list("noticed only by the tests of another package", elsewhere)
	list("did not compile", uncompiled)
	list("survived", survived)
	return len(survived) == 0
}
