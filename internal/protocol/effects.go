package protocol

import (
	"iter"
	"runtime"
	"sync"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Case is what EffectOn needs to know of one candidate.
type Case struct {
	Person  Person
	Results []result.Result
}

// Effects compares what two protocols make of many candidates, on all cores, and
// yields the effects in the order of the candidates. K is what the caller knows a
// candidate by. The candidates are read as they are needed, by another goroutine
// that has ended when the sequence has; only a few are held at a time.
func Effects[K any](from, to *Protocol, today journey.Date, candidates iter.Seq2[K, Case]) iter.Seq2[K, Effect] {
	type job struct {
		key    K
		of     Case
		effect chan Effect
	}
	return func(yield func(K, Effect) bool) {
		workers := runtime.GOMAXPROCS(0)
		// Every job is in both: to be done by any worker, to be yielded in order.
		todo, inOrder := make(chan job), make(chan job, 2*workers)
		stop := make(chan struct{})
		var running sync.WaitGroup
		running.Go(func() {
			defer close(inOrder)
			defer close(todo)
			for key, of := range candidates {
				j := job{key, of, make(chan Effect, 1)}
				select {
				case inOrder <- j:
				case <-stop:
					return
				}
				todo <- j
			}
		})
		for range workers {
			running.Go(func() {
				for j := range todo {
					j.effect <- EffectOn(from, to, j.of.Person, j.of.Results, today)
				}
			})
		}
		defer running.Wait()
		defer close(stop)
		for j := range inOrder {
			if !yield(j.key, <-j.effect) {
				return
			}
		}
	}
}
