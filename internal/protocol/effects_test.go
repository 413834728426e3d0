package protocol_test

import (
	"flag"
	"iter"
	"math/rand/v2"
	"reflect"
	"runtime"
	"runtime/metrics"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// stricter is the large catalogue with other thresholds and another condition.
func stricter(t testing.TB) *protocol.Protocol {
	t.Helper()
	text := strings.NewReplacer(`">= 150"`, `">= 100"`, "age >= 50", "age >= 30", `">= 5.7"`, `">= 5.0"`).Replace(large())
	return parsed(t, text)
}

// TestEffectsAreThoseOfEach: many at a time, in order, and as EffectOn says of
// one, also when the caller stops early.
func TestEffectsAreThoseOfEach(t *testing.T) {
	from, to := parsed(t, large()), stricter(t)
	var cases []protocol.Case
	for i := range 60 {
		person, results := invented(rand.New(rand.NewPCG(7, uint64(i))), from)
		cases = append(cases, protocol.Case{Person: person, Results: results})
	}
	for _, enough := range []int{60, 1, 0} {
		read, seen, some := 0, 0, false
		reading := func(yield func(int, protocol.Case) bool) {
			for i, c := range cases {
				read++
				if !yield(i, c) {
					return
				}
			}
		}
		for i, got := range protocol.Effects(from, to, today, reading) {
			if seen == enough {
				break
			}
			want := protocol.EffectOn(from, to, cases[i].Person, cases[i].Results, today)
			if i != seen || !reflect.DeepEqual(got, want) {
				t.Fatalf("candidate %d, expected %d: got %+v, want %+v", i, seen, got, want)
			}
			some = some || !got.None()
			seen++
		}
		if seen != enough || enough > 1 && !some {
			t.Errorf("%d of %d effects, with changes: %t", seen, enough, some)
		}
		if enough < 60 && read > 1+enough+4*runtime.GOMAXPROCS(0) {
			t.Errorf("%d candidates were read for %d", read, enough)
		}
	}
}

// TestEffectIsTheDifferenceOfReports holds the short way to an effect against
// whole reports, and the state that the process begins with by them.
func TestEffectIsTheDifferenceOfReports(t *testing.T) {
	from, to := parsed(t, large()), stricter(t)
	gained, lost, flagged := 0, 0, 0
	for i := range 300 {
		person, results := invented(rand.New(rand.NewPCG(8, uint64(i))), from)
		one, other := to, from
		if i%2 == 0 {
			one, other = from, to
		}
		needed, was := applying(one, person, results)
		needs, is := applying(other, person, results)
		var want protocol.Effect
		for _, r := range other.Requirements {
			switch {
			case needs[r.ID] && !needed[r.ID]:
				want.Gained = append(want.Gained, r.ID)
			case needed[r.ID] && !needs[r.ID]:
				want.Lost = append(want.Lost, r.ID)
			}
		}
		for _, rule := range other.Flags {
			if was[rule.ID] != is[rule.ID] {
				want.Flags = append(want.Flags, protocol.FlagChange{ID: rule.ID, From: was[rule.ID], To: is[rule.ID]})
			}
		}
		if got := protocol.EffectOn(one, other, person, results, today); !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
		gained, lost, flagged = gained+len(want.Gained), lost+len(want.Lost), flagged+len(want.Flags)
	}
	if gained == 0 || lost == 0 || flagged == 0 {
		t.Errorf("%d gained, %d lost, %d flags: something never changes", gained, lost, flagged)
	}
}

// applying has the requirements that apply, and the bands of the flags.
func applying(p *protocol.Protocol, person protocol.Person, results []result.Result) (map[string]bool, map[string]journey.Band) {
	report := p.Assess(person, results, today)
	state := journey.Begin(p.Rules(), journey.Event{Command: journey.Command{Kind: journey.Refer}, Assessment: report.Coded()})
	applies, bands := map[string]bool{}, map[string]journey.Band{}
	for _, r := range p.Requirements {
		applies[r.ID] = state.Applies(r.ID)
	}
	for _, f := range report.Flags {
		bands[f.ID] = f.Band
	}
	return applies, bands
}

var manyCandidates = flag.Int("candidates", 5000, "how many candidates BenchmarkReassess assesses")

// invent streams candidates: the catalogue's results with numbers of their own.
func invent(p *protocol.Protocol, n int) iter.Seq2[int, protocol.Case] {
	c := full()
	r := rand.New(rand.NewPCG(1, 2))
	for _, o := range p.Observations {
		switch {
		case !o.Local || r.IntN(2) == 0:
		case strings.HasPrefix(o.Code, "screen-"), strings.HasPrefix(o.Code, "question-"):
			c.coded(o.Code, o.Answers()[0].Code, "", day)
		case strings.HasPrefix(o.Code, "lab-"):
			c.quantity(o.Code, "102.5", "mg/dL", day)
		}
	}
	return func(yield func(int, protocol.Case) bool) {
		for i := range n {
			results := slices.Clone(c.results)
			for k := range results {
				if strings.HasPrefix(results[k].Code.Code, "lab-") && (i+k)%3 == 0 {
					results[k].Value.Quantity = number(strconv.Itoa(50+(i*7+k*13)%300), "mg/dL")
				}
			}
			if !yield(i, protocol.Case{Person: c.person, Results: results[i%3:]}) {
				return
			}
		}
	}
}

// BenchmarkReassess finds what a changed protocol, of 110 requirements, 80 flags
// and 25 conditions, changes for many candidates, on all cores: with -candidates
// 100000 and -benchtime 1x, all of a very large programme.
func BenchmarkReassess(b *testing.B) {
	from, to := parsed(b, large()), stricter(b)
	var took time.Duration
	var peak uint64
	for b.Loop() {
		began := time.Now()
		stop := sampleHeap(&peak)
		affected := 0
		for _, e := range protocol.Effects(from, to, today, invent(from, *manyCandidates)) {
			if !e.None() {
				affected++
			}
		}
		stop()
		took += time.Since(began)
		if affected == 0 {
			b.Fatal("nobody is affected")
		}
	}
	b.ReportMetric(float64(b.N**manyCandidates)/took.Seconds(), "candidates/s")
	b.ReportMetric(float64(peak)/(1<<20), "peak-heap-MiB")
}

// sampleHeap notes the largest heap until it is stopped.
func sampleHeap(peak *uint64) (stop func()) {
	done := make(chan struct{})
	var sampling sync.WaitGroup
	sampling.Go(func() {
		sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
		for {
			metrics.Read(sample)
			*peak = max(*peak, sample[0].Value.Uint64())
			select {
			case <-done:
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	})
	return func() { close(done); sampling.Wait() }
}
