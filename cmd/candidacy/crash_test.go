package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/walk"
)

// kills is how often the process is killed; CANDIDACY_KILLS changes it.
const kills = 50

// killing says how often a test kills the program, which CANDIDACY_KILLS changes and
// -short lessens, and chooses the moments by CANDIDACY_SEED, apart from those of the
// other streams.
func killing(t *testing.T, often, short int, stream uint64) (rounds int, chance *rand.Rand) {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("CANDIDACY_SEED"); text != "" {
		seed, _ = strconv.ParseUint(text, 10, 64)
	}
	rounds = often
	if n, err := strconv.Atoi(cmp.Or(os.Getenv("CANDIDACY_KILLS"), "x")); err == nil {
		rounds = n
	} else if testing.Short() {
		rounds = short
	}
	t.Logf("seed %d (repeat with CANDIDACY_SEED), %d kills", seed, rounds)
	return rounds, rand.New(rand.NewPCG(seed, stream))
}

// traveller is one candidate on the way, as its client knows it.
type traveller struct {
	number int
	steps  []walk.Step
	next   int
	id     string
	// acknowledged are the keys of the commands that were answered as done,
	// with the entry that the answer named.
	acknowledged map[string]int64
}

func newTraveller(number int, s staff) *traveller {
	zone := protocoltest.Brief().Zone()
	// Results are of the past weeks; everything is done now.
	begin := time.Now().In(zone).AddDate(0, 0, -21).Truncate(24 * time.Hour).Add(9 * time.Hour)
	w := walk.New(number, begin)
	w.Refer().Screen().Evaluate().Present().Approve()
	for i := range w.Steps() {
		if body, ok := w.Steps()[i].Body.(*command.AssignAdvocate); ok {
			body.Advocate = s.advocate
		}
	}
	return &traveller{number: number, steps: w.Steps(), acknowledged: map[string]int64{}}
}

func (tr *traveller) key() string { return fmt.Sprintf("traveller-%d-step-%d", tr.number, tr.next) }

func (tr *traveller) arrived() bool { return tr.next == len(tr.steps) }

// advance sends the next command. It reports whether it was acknowledged; a
// connection that breaks is no answer, and the command is sent again later
// under the same key.
func (tr *traveller) advance(t *testing.T, url string, s staff) bool {
	step := tr.steps[tr.next]
	path := "/api/candidates"
	if step.Kind != journey.Refer {
		path += "/" + tr.id + "/commands/" + string(step.Kind)
	}
	a, err := ask("POST", url+path, s.tokens[step.Role], tr.key(), step.Body)
	switch {
	case err != nil:
		return false
	case a.status == 503 || a.status == 202:
		return false
	case a.status >= 300:
		t.Errorf("traveller %d, %s: status %d: %s", tr.number, step.Kind, a.status, a.body)
		tr.next = len(tr.steps)
		return false
	}
	var receipt dispatch.Receipt
	if err := json.Unmarshal(a.body, &receipt); err != nil {
		// The answer broke off.
		return false
	}
	tr.id = receipt.Candidate
	tr.acknowledged[tr.key()] = receipt.Seq
	tr.next++
	return true
}

// TestNothingAcknowledgedIsLost kills the program with SIGKILL at random points
// while several clients send commands, restarts it, and checks that every
// acknowledged command is on record exactly once and every journey goes on.
func TestNothingAcknowledgedIsLost(t *testing.T) {
	rounds, chance := killing(t, kills, 5, 1)

	data := t.TempDir()
	s := hire(t, data)
	const clients = 3
	var finished []*traveller
	current := make([]*traveller, clients)
	number := 0
	for i := range current {
		number++
		current[i] = newTraveller(number, s)
	}
	for round := range rounds {
		srv := start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
		// The kill comes after a random number of acknowledgements, while the
		// other clients' commands are at any point of their way.
		target := int64(1 + chance.IntN(12))
		var acknowledged atomic.Int64
		kill := sync.OnceFunc(srv.kill)
		var group sync.WaitGroup
		for i := range current {
			group.Go(func() {
				for !current[i].arrived() {
					if !current[i].advance(t, srv.url, s) {
						return
					}
					if acknowledged.Add(1) >= target {
						kill()
						return
					}
				}
			})
		}
		group.Wait()
		kill()
		if t.Failed() {
			t.Fatalf("failed in round %d", round)
		}
		for i := range current {
			if current[i].arrived() {
				finished = append(finished, current[i])
				number++
				current[i] = newTraveller(number, s)
			}
		}
	}

	// After the last restart everybody goes on to the end of the walk.
	srv := start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
	for _, tr := range current {
		for !tr.arrived() {
			if !tr.advance(t, srv.url, s) {
				t.Fatalf("traveller %d does not go on with %s", tr.number, tr.steps[tr.next].Kind)
			}
		}
		finished = append(finished, tr)
	}
	// Every workflow still answers: each takes one more command.
	for _, tr := range finished {
		a := mustAsk(t, "POST", srv.url+"/api/candidates/"+tr.id+"/commands/hold", s.tokens[journey.Coordinator], fmt.Sprintf("hold-%d", tr.number), struct{}{})
		if a.status != 200 {
			t.Errorf("traveller %d does not take another command: %d %s", tr.number, a.status, a.body)
		}
	}
	srv.stop()

	store, err := record.Open(t.Context(), data+"/records.db", time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	verified, err := store.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if verified.Candidates != len(finished) {
		t.Errorf("%d candidates on record, want %d", verified.Candidates, len(finished))
	}
	total := 0
	for _, tr := range finished {
		total += len(tr.acknowledged)
		checkExactlyOnce(t, store, tr)
	}
	t.Logf("%d commands acknowledged over %d candidates", total, len(finished))
}

// checkExactlyOnce compares what the client was told with the record.
func checkExactlyOnce(t *testing.T, store *record.Store, tr *traveller) {
	t.Helper()
	entries, err := store.Entries(t.Context(), tr.id)
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[journey.Kind]int{}
	bySeq := map[int64]journey.Kind{}
	for _, e := range entries {
		kinds[e.Kind]++
		bySeq[e.Seq] = e.Kind
	}
	want := map[journey.Kind]int{journey.Hold: 1}
	for i, step := range tr.steps {
		want[step.Kind]++
		key := fmt.Sprintf("traveller-%d-step-%d", tr.number, i)
		seq, ok := tr.acknowledged[key]
		if !ok {
			t.Errorf("traveller %d: step %d was never acknowledged", tr.number, i)
			continue
		}
		if bySeq[seq] != step.Kind {
			t.Errorf("traveller %d: %s was acknowledged as entry %d, which is %q", tr.number, step.Kind, seq, bySeq[seq])
		}
	}
	for kind, n := range want {
		if kinds[kind] != n {
			t.Errorf("traveller %d: %s is on record %d times, want %d", tr.number, kind, kinds[kind], n)
		}
	}
}
