package record_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

func TestAppendMakesAChain(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 4)
		b.refer(t, "cand-b", 2)
		entries, err := b.Entries(ctx, "cand-a")
		if err != nil {
			t.Fatal(err)
		}
		if len(entries) != 4 {
			t.Fatalf("%d entries, want 4", len(entries))
		}
		previous := ""
		for i, e := range entries {
			if e.Seq != int64(i)+1 || e.PrevHash != previous || len(e.Hash) != 64 {
				t.Errorf("entry %d: seq %d, after %q, hash %q", i, e.Seq, e.PrevHash, e.Hash)
			}
			if !e.RecordedAt.Equal(b.clock.now()) {
				t.Errorf("entry %d was recorded at %s", i, e.RecordedAt)
			}
			previous = e.Hash
		}
		if e := entries[1]; e.Candidate != "cand-a" || e.Command != "command-1" || e.CommandHash != "hash of command-1" || e.Actor != "acc-1" ||
			e.Role != journey.Coordinator || e.Kind != journey.RecordResults || string(e.Body) != `{"note":"command-1"}` {
			t.Errorf("the entry holds %+v", e)
		}
		v, err := b.Verify(ctx)
		if err != nil || v.Candidates != 2 || v.Entries != 6 || len(v.Digest) != 64 {
			t.Fatalf("verified %+v, %v", v, err)
		}
		b.mustGive(t, "cand-b", "one more", journey.RecordResults, nil)
		if w, err := b.Verify(ctx); err != nil || w.Digest == v.Digest {
			t.Errorf("after one more entry the digest is %s, %v", w.Digest, err)
		}
		if _, err := b.EntryByCommand(ctx, "cand-a", "never"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("an unknown command is answered %v", err)
		}
	})
}

func TestOneCommandIsOneEntry(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		first := b.mustGive(t, "cand-a", "once", journey.BeginScreening, nil)
		again, err := b.Append(t.Context(), "cand-a", "once", func(*record.Tx) (record.Draft, error) {
			t.Error("a command on record was built again")
			return record.Draft{}, nil
		})
		if err != nil || encode(t, again) != encode(t, first) {
			t.Errorf("the second time gives %s, %v, want %s", encode(t, again), err, encode(t, first))
		}
		// The same id is another command for another candidate.
		b.refer(t, "cand-b", 1)
		b.mustGive(t, "cand-b", "once", journey.BeginScreening, nil)
		if entries, err := b.Entries(t.Context(), "cand-a"); err != nil || len(entries) != 2 {
			t.Errorf("%d entries, %v, want 2", len(entries), err)
		}
	})
}

func TestStagedLifeCycle(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		body := json.RawMessage(`{"note":"told in confidence"}`)
		stage := func(command, hash string) (*journey.Event, error) {
			staging, err := b.Stage(ctx, "cand-a", command, hash, body)
			return staging.Done, err
		}
		for range 2 { // a client that asks again before the answer
			if e, err := stage("one", "hash of one"); e != nil || err != nil {
				t.Fatalf("staging gives %v, %v", e, err)
			}
		}
		if _, err := stage("one", "another"); !errors.Is(err, record.ErrKeyReused) {
			t.Errorf("another body before the commit gives %v", err)
		}
		var staged json.RawMessage
		var hash string
		committed, err := b.Append(ctx, "cand-a", "one", func(tx *record.Tx) (record.Draft, error) {
			var err error
			if staged, hash, err = tx.Staged(); err != nil {
				return record.Draft{}, err
			}
			return draft(tx, "cand-a", "one", journey.BeginScreening)
		})
		if err != nil || string(staged) != string(body) || hash != "hash of one" {
			t.Fatalf("staged %s with %q, %v", staged, hash, err)
		}
		// After the commit: the stored event for the same body, a conflict for
		// another, and nothing is left waiting.
		if e, err := stage("one", "hash of one"); err != nil || e == nil || encode(t, *e) != encode(t, committed) {
			t.Errorf("the same body after the commit gives %v, %v", e, err)
		}
		if _, err := stage("one", "another"); !errors.Is(err, record.ErrKeyReused) {
			t.Errorf("another body after the commit gives %v", err)
		}
		notStaged := func(command string) {
			t.Helper()
			_, err := b.Append(ctx, "cand-a", command, func(tx *record.Tx) (record.Draft, error) {
				_, _, err := tx.Staged()
				return record.Draft{}, err
			})
			if command != "one" && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s is still staged: %v", command, err)
			}
		}
		first, err := b.Stage(ctx, "cand-a", "two", "h", body)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := b.Stage(ctx, "cand-a", "two", "h", body); err != nil || again.Attempt != first.Attempt {
			t.Errorf("a repetition is another attempt: %+v, %+v, %v", first, again, err)
		}
		// A refused command is forgotten; the next one under its key is a new
		// attempt, which the refusal of the old one can't take away.
		if err := b.Unstage(ctx, "cand-a", "two", first.Attempt); err != nil {
			t.Fatal(err)
		}
		second, err := b.Stage(ctx, "cand-a", "two", "another", body)
		if err != nil || second.Attempt == first.Attempt {
			t.Errorf("after a refusal staging gives %+v, %v", second, err)
		}
		if err := b.Unstage(ctx, "cand-a", "two", first.Attempt); err != nil {
			t.Fatal(err)
		}
		if third, err := b.Stage(ctx, "cand-a", "two", "another", body); err != nil || third.Attempt != second.Attempt {
			t.Errorf("the old attempt took the new one away: %+v, %v", third, err)
		}
		if err := b.Unstage(ctx, "cand-a", "two", second.Attempt); err != nil {
			t.Fatal(err)
		}
		notStaged("two")
		if _, err := stage("three", "h"); err != nil {
			t.Fatal(err)
		}
		if n, err := b.PurgeStaged(ctx, b.clock.now()); n != 0 || err != nil {
			t.Errorf("purged %d, %v before its time", n, err)
		}
		b.clock.advance(time.Hour)
		if n, err := b.PurgeStaged(ctx, b.clock.now()); n != 1 || err != nil {
			t.Errorf("purged %d, %v, want 1", n, err)
		}
		notStaged("three")
	})
}

// TestManyWritersOfOneCandidate is the storm that a busy interface could make:
// each command twice at once. Nothing is lost and nothing is doubled.
func TestManyWritersOfOneCandidate(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		const writers = 32
		b.refer(t, "cand-a", 1)
		ctx := context.Background()
		var wait sync.WaitGroup
		failures := make(chan error, 4*writers)
		for i := range writers {
			command := fmt.Sprintf("command-%02d", i)
			for range 2 {
				wait.Go(func() {
					if _, err := b.Stage(ctx, "cand-a", command, "hash of "+command, json.RawMessage(`{}`)); err != nil {
						failures <- fmt.Errorf("stage %s: %w", command, err)
					}
					e, err := b.give("cand-a", command, journey.RecordResults, nil)
					if err != nil || e.ID != command {
						failures <- fmt.Errorf("append %s: %s, %w", command, e.ID, err)
					}
				})
			}
		}
		// Reading all the while must not see half of anything.
		wait.Go(func() {
			for range 20 {
				if _, err := b.Verify(ctx); err != nil {
					failures <- fmt.Errorf("verify while writing: %w", err)
				}
			}
		})
		wait.Wait()
		close(failures)
		for err := range failures {
			t.Error(err)
		}
		entries, err := b.Entries(ctx, "cand-a")
		if err != nil {
			t.Fatal(err)
		}
		commands := map[string]bool{}
		for _, e := range entries {
			commands[e.Command] = true
		}
		if len(entries) != writers+1 || len(commands) != writers+1 {
			t.Errorf("%d entries of %d commands, want %d", len(entries), len(commands), writers+1)
		}
		if v, err := b.Verify(ctx); err != nil || v.Entries != writers+1 {
			t.Errorf("verified %+v, %v", v, err)
		}
		if n, err := b.PurgeStaged(ctx, b.clock.now().Add(time.Hour)); err != nil || n != 0 {
			t.Errorf("%d commands are left staged, %v", n, err)
		}
	})
}

// counts is how many rows each table has.
func (b *bench) counts(t *testing.T) string {
	t.Helper()
	db := b.raw(t)
	var all strings.Builder
	for _, table := range []string{"candidate", "identity", "entry", "result", "resource", "resource_version", "resource_index", "staged"} {
		var n int
		if err := db.QueryRowContext(t.Context(), "SELECT COUNT(*) FROM "+table).Scan(&n); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&all, "%s %d ", table, n)
	}
	return all.String()
}

func patient(id, family string) record.Resource {
	return record.Resource{
		Type: "Patient", ID: id, Body: []byte(`{"resourceType":"Patient","id":"` + id + `","family":"` + family + `"}`),
		Index: []record.Index{{Param: "family", Value: strings.ToLower(family)}},
	}
}

func creatinine(id string, version int) result.Result {
	return result.Result{
		ID: id, Version: version, Identifier: identifier("lab-" + id), Status: result.Final, Code: result.Coding{Code: "2160-0"},
		Value:     result.Value{Quantity: &result.Quantity{Value: "1.10", Unit: "mg/dL"}},
		Effective: "2026-03-01", CollectedOn: "2026-03-01",
	}
}

// TestEverythingOrNothing: whatever goes wrong in a command, nothing of it is
// written, and the store goes on.
func TestEverythingOrNothing(t *testing.T) {
	refusal := &journey.Refusal{Code: journey.Blocked, Message: "no"}
	withResource := func(r record.Resource) func(*record.Draft) {
		return func(d *record.Draft) {
			d.Results = []result.Result{creatinine("r-new", 1)}
			d.Resources = []record.Resource{patient("p-new", "Somebody"), r}
		}
	}
	for name, change := range map[string]func(*record.Draft){
		"an empty body":         withResource(record.Resource{Type: "Patient", ID: "x"}),
		"a body of nothing":     withResource(record.Resource{Type: "Patient", ID: "x", Body: []byte(`{}`)}),
		"a body that is cut":    withResource(record.Resource{Type: "Patient", ID: "x", Body: []byte(`{"id":`)}),
		"a body that is a list": withResource(record.Resource{Type: "Patient", ID: "x", Body: []byte(`["x"]`)}),
		"a body with meta":      withResource(record.Resource{Type: "Patient", ID: "x", Body: []byte(`{"meta":{},"id":"x"}`)}),
		"a bad meta element":    withResource(record.Resource{Type: "Patient", ID: "x", Body: []byte(`{"id":"x"}`), Meta: `"profile":[`}),
		"a result twice": func(d *record.Draft) {
			d.Results = []result.Result{creatinine("r-new", 1), creatinine("r-new", 1)}
		},
		"a gap in the chain":        func(d *record.Draft) { d.Event.Seq += 5 },
		"an entry that is there":    func(d *record.Draft) { d.Event.Seq = 1 },
		"an event of somebody else": func(d *record.Draft) { d.Event.Candidate = "cand-b" },
		"an event of another id":    func(d *record.Draft) { d.Event.ID = "other" },
	} {
		t.Run(name, func(t *testing.T) {
			onEach(t, func(t *testing.T, b *bench) {
				b.refer(t, "cand-a", 2)
				before := b.counts(t)
				e, err := b.give("cand-a", "bad", journey.RecordResults, change)
				if err == nil {
					t.Fatal("it was written")
				}
				if e.ID != "" {
					t.Errorf("the event %s is returned with the error", e.ID)
				}
				if after := b.counts(t); after != before {
					t.Errorf("left behind: %s, before: %s", after, before)
				}
				b.mustGive(t, "cand-a", "bad", journey.RecordResults, nil)
				if _, err := b.Verify(t.Context()); err != nil {
					t.Error(err)
				}
			})
		})
	}
	t.Run("a refusal", func(t *testing.T) {
		onEach(t, func(t *testing.T, b *bench) {
			before := b.counts(t)
			_, err := b.Append(t.Context(), "cand-a", "bad", func(*record.Tx) (record.Draft, error) { return record.Draft{}, refusal })
			var got *journey.Refusal
			if !errors.As(err, &got) || got != refusal {
				t.Errorf("the refusal comes back as %v", err)
			}
			if after := b.counts(t); after != before {
				t.Errorf("left behind: %s, before: %s", after, before)
			}
		})
	})
	t.Run("a panic", func(t *testing.T) {
		onEach(t, func(t *testing.T, b *bench) {
			before := b.counts(t)
			func() {
				defer func() {
					if recover() == nil {
						t.Error("the panic is swallowed")
					}
				}()
				_, _ = b.Append(t.Context(), "cand-a", "bad", func(*record.Tx) (record.Draft, error) { panic("a mistake") })
			}()
			// SQLite has one writer: a connection that is not given back would
			// stop everything.
			b.refer(t, "cand-a", 1)
			if after := b.counts(t); after == before {
				t.Error("nothing is written after a panic")
			}
		})
	})
}

func TestProjectionsAreTheFold(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		b.mustGive(t, "cand-a", "screen", journey.BeginScreening, nil)
		b.mustGive(t, "cand-a", "results", journey.RecordResults, func(d *record.Draft) {
			d.Event.Assessment = &journey.Assessment{
				Flags:    []journey.Flag{{ID: "egfr", Requirement: "creatinine", Band: journey.Discussion}},
				Findings: []journey.Finding{{Requirement: "creatinine", Evidence: "e", Collected: "2026-03-01"}},
			}
			state := d.State
			state.Seq--
			d.State = journey.Apply(rules(), state, d.Event)
			d.Next = journey.NextDue(rules(), d.State, time.UTC)
		})
		events, err := b.Events(ctx, "cand-a")
		if err != nil {
			t.Fatal(err)
		}
		folded := journey.Fold(rules(), events)
		c, err := b.Candidate(ctx, "cand-a")
		if err != nil {
			t.Fatal(err)
		}
		if encode(t, c.State) != encode(t, folded) {
			t.Errorf("stored %s\nfolded %s", encode(t, c.State), encode(t, folded))
		}
		next := journey.NextDue(rules(), folded, time.UTC)
		if c.Next == nil || *c.Next != *next {
			t.Errorf("next is %+v, want %+v", c.Next, next)
		}
		if c.WorstBand != journey.Discussion || string(c.Flags) != `[{"id":"bmi"}]` || c.ReferredOn != "2026-03-02" ||
			c.Identity.Family != "Zephyrwick" || c.Path != "direct" || c.Recipient != "R-1" || c.Protocol != "1" {
			t.Errorf("the candidate is %+v", c)
		}
		r, err := b.Resumable(ctx, "cand-a")
		if err != nil || encode(t, r.State) != encode(t, folded) || r.Next == nil || *r.Next != *next || r.Protocol != "1" {
			t.Errorf("resumable is %+v, %v", r, err)
		}
		byID, err := b.CandidateByIdentifier(ctx, identifier("cand-a"))
		if err != nil || byID.ID != "cand-a" {
			t.Errorf("by identifier: %+v, %v", byID, err)
		}
		_, errA := b.CandidateByIdentifier(ctx, identifier("nobody"))
		_, errB := b.Candidate(ctx, "nobody")
		_, errC := b.Resumable(ctx, "nobody")
		for _, err := range []error{errA, errB, errC} {
			if !errors.Is(err, record.ErrNotFound) {
				t.Errorf("nobody is answered %v", err)
			}
		}
	})
}

func TestListsOfCandidates(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		for _, id := range []string{"cand-c", "cand-a", "cand-b", "cand-d"} {
			b.refer(t, id, 1)
		}
		b.mustGive(t, "cand-b", "screen", journey.BeginScreening, nil)
		b.mustGive(t, "cand-d", "leave", journey.Withdraw, nil)
		ids := func(stage journey.Stage, after string, limit int) string {
			t.Helper()
			list, err := b.Candidates(ctx, stage, after, limit)
			if err != nil {
				t.Fatal(err)
			}
			var ids []string
			for _, c := range list {
				ids = append(ids, c.ID)
			}
			return strings.Join(ids, " ")
		}
		for _, tt := range []struct {
			stage       journey.Stage
			after, want string
			limit       int
		}{
			{"", "", "cand-a cand-b cand-c cand-d", 10}, {"", "cand-b", "cand-c cand-d", 10}, {"", "", "cand-a cand-b", 2},
			{journey.Screening, "", "cand-b", 10}, {journey.Referral, "cand-a", "cand-c", 10}, {journey.Closed, "", "", 10},
		} {
			if got := ids(tt.stage, tt.after, tt.limit); got != tt.want {
				t.Errorf("%q after %q: %q, want %q", tt.stage, tt.after, got, tt.want)
			}
		}
		var open []string
		if err := b.EachOpen(ctx, func(r record.Resumable) error { open = append(open, r.ID); return nil }); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(open, []string{"cand-a", "cand-b", "cand-c"}) {
			t.Errorf("open are %v", open)
		}
		if n, err := b.CountOpen(ctx); n != 3 || err != nil {
			t.Errorf("%d open, %v", n, err)
		}
		stop := errors.New("enough")
		if err := b.EachOpen(ctx, func(record.Resumable) error { return stop }); !errors.Is(err, stop) {
			t.Errorf("a reader that stops is answered %v", err)
		}
	})
}

// TestFiltersOfCandidates: the columns follow the state, command by command.
func TestFiltersOfCandidates(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		assign := func(advocate string) func(*record.Draft) {
			return func(d *record.Draft) { d.State.Advocate = advocate }
		}
		for i, id := range []string{"cand-a", "cand-b", "cand-c", "cand-d"} {
			b.mustGive(t, id, "refer", journey.Refer, func(d *record.Draft) {
				d.Refer.Identity.Family = []string{"Zephyrwick", "Öberg", "zephyrwick", "Zephyrwick"}[i]
				d.Refer.Identity.BirthDate = journey.Date([]string{"1981-03-14", "1981-03-14", "1990-01-01", "1990-01-01"}[i])
			})
		}
		b.mustGive(t, "cand-a", "assign", journey.AssignAdvocate, assign("acc-1"))
		b.mustGive(t, "cand-b", "assign", journey.AssignAdvocate, assign("acc-1"))
		b.mustGive(t, "cand-b", "assign again", journey.AssignAdvocate, assign("acc-2"))
		b.mustGive(t, "cand-d", "assign", journey.AssignAdvocate, assign("acc-1"))
		b.mustGive(t, "cand-d", "leave", journey.Withdraw, nil)
		b.mustGive(t, "cand-c", "screen", journey.BeginScreening, nil)
		for _, tt := range []struct {
			filter      record.Filter
			after, want string
			limit       int
		}{
			{record.Filter{}, "", "cand-a cand-b cand-c cand-d", 10},
			{record.Filter{}, "cand-a", "cand-b cand-c", 2},
			{record.Filter{Advocate: "acc-1"}, "", "cand-a cand-d", 10},
			{record.Filter{Advocate: "acc-2"}, "", "cand-b", 10},
			{record.Filter{Advocate: "acc-3"}, "", "", 10},
			{record.Filter{Advocate: "acc-1"}, "cand-a", "cand-d", 10},
			{record.Filter{Advocate: "acc-1", OpenOnly: true}, "", "cand-a", 10},
			{record.Filter{OpenOnly: true}, "", "cand-a cand-b cand-c", 10},
			{record.Filter{OpenOnly: true}, "", "cand-a cand-b", 2},
			{record.Filter{OpenOnly: true, Stage: journey.Withdrawn}, "", "", 10},
			{record.Filter{Stage: journey.Screening, OpenOnly: true}, "", "cand-c", 10},
			{record.Filter{Advocate: "acc-1' OR '1'='1"}, "", "", 10},
			{record.Filter{Born: "1981-03-14"}, "", "cand-a cand-b", 10},
			{record.Filter{Stage: journey.Withdrawn, Advocate: "acc-1", Born: "1990-01-01"}, "", "cand-d", 10},
		} {
			list, err := b.List(ctx, tt.filter, tt.after, tt.limit)
			if err != nil {
				t.Fatal(err)
			}
			var ids []string
			for _, c := range list {
				ids = append(ids, c.ID)
			}
			if got := strings.Join(ids, " "); got != tt.want {
				t.Errorf("%+v after %q: %q, want %q", tt.filter, tt.after, got, tt.want)
			}
		}
	})
}

func TestWhatACommandReads(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		read := func(candidate string, fn func(*record.Tx)) {
			t.Helper()
			stop := errors.New("only reading")
			if _, err := b.Append(ctx, candidate, "read", func(tx *record.Tx) (record.Draft, error) {
				fn(tx)
				return record.Draft{}, stop
			}); !errors.Is(err, stop) {
				t.Fatal(err)
			}
		}
		if _, err := b.AddAccount(ctx, "acc-1", "somebody", "Some Body", journey.Advocate, "a password"); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if err := b.AddToRecipientTeam(ctx, "R-1", "acc-1"); err != nil {
				t.Fatal(err)
			}
		}
		read("cand-a", func(tx *record.Tx) {
			if s, err := tx.State(); err != nil || s.Stage != "" {
				t.Errorf("before the referral: %+v, %v", s, err)
			}
			if _, err := tx.Referral(); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("no referral is answered %v", err)
			}
			if f, err := tx.Flags(); err != nil || string(f) != "[]" {
				t.Errorf("flags %s, %v", f, err)
			}
		})
		b.mustGive(t, "cand-a", "refer", journey.Refer, func(d *record.Draft) {
			d.Results = []result.Result{creatinine("r-1", 1)}
			d.Resources = []record.Resource{patient("p-1", "Zephyrwick")}
		})
		read("cand-a", func(tx *record.Tx) {
			if r, err := tx.Referral(); err != nil || r.Recipient != "R-1" || r.Identity.Given != "Quillon" || r.Identity.Identifier != identifier("cand-a") {
				t.Errorf("referral %+v, %v", r, err)
			}
			if f, err := tx.Flags(); err != nil || string(f) != `[{"id":"bmi"}]` {
				t.Errorf("flags %s, %v", f, err)
			}
			if list, err := tx.Results(); err != nil || len(list) != 1 || list[0].Value.Quantity.Value != "1.10" {
				t.Errorf("results %+v, %v", list, err)
			}
			if r, owner, err := tx.ResultBySource(identifier("lab-r-1")); err != nil || owner != "cand-a" || r.ID != "r-1" {
				t.Errorf("by source %+v of %s, %v", r, owner, err)
			}
			if _, _, err := tx.ResultBySource(identifier("unknown")); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("an unknown source is answered %v", err)
			}
			if list, err := tx.Published(); err != nil || len(list) != 1 || list[0].ID != "p-1" || list[0].Version != 1 {
				t.Errorf("published %+v, %v", list, err)
			} else if same, other := patient("p-1", "Zephyrwick").VersionAfter(list[0]), patient("p-1", "Oakfield").VersionAfter(list[0]); same != 1 || other != 2 {
				t.Errorf("the same content would be version %d, other content version %d", same, other)
			}
			if taken, err := tx.IdentifierTaken(identifier("cand-a")); err != nil || taken {
				t.Errorf("one's own identifier is taken: %t, %v", taken, err)
			}
			if a, err := tx.Account("acc-1"); err != nil || a.Role != journey.Advocate {
				t.Errorf("account %+v, %v", a, err)
			}
			if _, err := tx.Account("nobody"); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("no account is answered %v", err)
			}
			for account, want := range map[string]bool{"acc-1": true, "acc-2": false} {
				if on, err := tx.OnRecipientTeam("R-1", account); err != nil || on != want {
					t.Errorf("%s on the team: %t, %v", account, on, err)
				}
			}
		})
		read("cand-b", func(tx *record.Tx) {
			if taken, err := tx.IdentifierTaken(identifier("cand-a")); err != nil || !taken {
				t.Errorf("another's identifier is taken: %t, %v", taken, err)
			}
		})
		if on, err := b.OnRecipientTeam(ctx, "R-1", "acc-1"); err != nil || !on {
			t.Errorf("on the team: %t, %v", on, err)
		}
		if err := b.AddToRecipientTeam(ctx, "R-2", "acc-1"); err != nil {
			t.Fatal(err)
		}
		for account, want := range map[string]map[string]bool{"acc-1": {"R-1": true, "R-2": true}, "acc-2": {}} {
			if got, err := b.RecipientsOf(ctx, account); err != nil || !maps.Equal(got, want) {
				t.Errorf("%s cares for %v, %v, want %v", account, got, err, want)
			}
		}
	})
}

func TestVersionsOfAResult(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		write := func(command string, r result.Result) {
			t.Helper()
			b.mustGive(t, "cand-a", command, journey.RecordResults, func(d *record.Draft) { d.Results = []result.Result{r} })
		}
		write("one", creatinine("r-1", 1))
		write("two", creatinine("r-2", 1))
		corrected := creatinine("r-1", 2)
		corrected.Status, corrected.Value.Quantity = result.Corrected, &result.Quantity{Value: "0.90", Unit: "mg/dL"}
		write("three", corrected)
		list, err := b.Results(t.Context(), "cand-a")
		if err != nil || len(list) != 2 {
			t.Fatalf("%d current results, %v", len(list), err)
		}
		if r := list[0]; r.ID != "r-1" || r.Version != 2 || r.Value.Quantity.Value != "0.90" {
			t.Errorf("the current version is %+v", r)
		}
		rows, err := b.raw(t).QueryContext(t.Context(), "SELECT id, version, current FROM result ORDER BY id, version")
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		var all []string
		for rows.Next() {
			var id string
			var version, current int
			if err := rows.Scan(&id, &version, &current); err != nil {
				t.Fatal(err)
			}
			all = append(all, fmt.Sprint(id, version, current))
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(all, []string{"r-11 0", "r-12 1", "r-21 1"}) && !slices.Equal(all, []string{"r-1 1 0", "r-1 2 1", "r-2 1 1"}) {
			t.Errorf("versions are %q", all)
		}
	})
}

// TestTablesAreAppendOnly: neither the program's own connection nor another
// one changes what was written.
func TestTablesAreAppendOnly(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.mustGive(t, "cand-a", "refer", journey.Refer, func(d *record.Draft) { d.Resources = []record.Resource{patient("p-1", "Z")} })
		db := b.raw(t)
		for _, s := range []string{
			"UPDATE entry SET body = '{}'", "UPDATE entry SET hash = hash", "DELETE FROM entry",
			"UPDATE resource_version SET body = '{}'", "DELETE FROM resource_version",
		} {
			if _, err := db.ExecContext(t.Context(), s); err == nil {
				t.Errorf("%s was carried out", s)
			}
		}
		if _, err := b.Verify(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

func TestVerifyNamesTheFirstBadEntry(t *testing.T) {
	for _, tt := range []struct {
		name       string
		statements []string
		seq        int64
		problem    string
	}{
		{"changed body", []string{`UPDATE entry SET body = '{"note":"forged"}' WHERE candidate_id = 'cand-b' AND seq = 3`}, 3, "changed"},
		{"changed actor", []string{"UPDATE entry SET actor = 'acc-2' WHERE candidate_id = 'cand-b' AND seq = 2"}, 2, "changed"},
		{"changed role", []string{"UPDATE entry SET role = 'committee' WHERE candidate_id = 'cand-b' AND seq = 2"}, 2, "changed"},
		{"changed event", []string{"UPDATE entry SET event = '{}' WHERE candidate_id = 'cand-b' AND seq = 2"}, 2, "changed"},
		{"changed time", []string{"UPDATE entry SET occurred_at = '2020-01-01T00:00:00.000000Z' WHERE candidate_id = 'cand-b' AND seq = 4"}, 4, "changed"},
		{"time that is none", []string{"UPDATE entry SET recorded_at = 'yesterday' WHERE candidate_id = 'cand-b' AND seq = 4"}, 4, "changed"},
		{"changed first entry", []string{"UPDATE entry SET kind = 'withdraw' WHERE candidate_id = 'cand-b' AND seq = 1"}, 1, "changed"},
		{"changed last entry", []string{"UPDATE entry SET command_hash = 'x' WHERE candidate_id = 'cand-b' AND seq = 5"}, 5, "changed"},
		{"a bad entry before another", []string{
			"UPDATE entry SET actor = 'x' WHERE candidate_id = 'cand-b' AND seq = 4", "UPDATE entry SET actor = 'x' WHERE candidate_id = 'cand-b' AND seq = 2",
		}, 2, "changed"},
		{"removed first", []string{"DELETE FROM entry WHERE candidate_id = 'cand-b' AND seq = 1"}, 1, "missing"},
		{"removed in the middle", []string{"DELETE FROM entry WHERE candidate_id = 'cand-b' AND seq = 3"}, 3, "missing"},
		{"removed tail", []string{"DELETE FROM entry WHERE candidate_id = 'cand-b' AND seq >= 4"}, 4, "missing"},
		{"removed entirely", []string{"DELETE FROM entry WHERE candidate_id = 'cand-b'"}, 1, "missing"},
		{"removed and closed up", []string{
			"DELETE FROM entry WHERE candidate_id = 'cand-b' AND seq = 3", "UPDATE entry SET seq = 3 WHERE candidate_id = 'cand-b' AND seq = 4",
			"UPDATE entry SET seq = 4 WHERE candidate_id = 'cand-b' AND seq = 5",
		}, 3, "does not follow"},
		{"swapped", []string{
			"UPDATE entry SET seq = 99 WHERE candidate_id = 'cand-b' AND seq = 2", "UPDATE entry SET seq = 2 WHERE candidate_id = 'cand-b' AND seq = 3",
			"UPDATE entry SET seq = 3 WHERE candidate_id = 'cand-b' AND seq = 99",
		}, 2, "does not follow"},
		{"missing candidate", []string{"DELETE FROM identity WHERE candidate_id = 'cand-b'", "DELETE FROM candidate WHERE id = 'cand-b'"}, 5, "candidate of these entries is missing"},
		{"another head", []string{"UPDATE candidate SET head = 'x' WHERE id = 'cand-b'"}, 5, "not the head"},
		{"a head further back", []string{"UPDATE candidate SET seq = 4 WHERE id = 'cand-b'"}, 5, "not the head"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			onEach(t, func(t *testing.T, b *bench) {
				for _, id := range []string{"cand-a", "cand-b", "cand-c"} {
					b.refer(t, id, 5)
				}
				b.tamper(t, tt.statements...)
				_, err := b.Verify(t.Context())
				var broken *record.Broken
				if !errors.As(err, &broken) {
					t.Fatalf("verified with %v", err)
				}
				if broken.Candidate != "cand-b" || broken.Seq != tt.seq || !strings.Contains(broken.Problem, tt.problem) {
					t.Errorf("found %v, want cand-b, entry %d: %s", broken, tt.seq, tt.problem)
				}
				if !strings.Contains(broken.Error(), fmt.Sprintf("candidate cand-b, entry %d", tt.seq)) {
					t.Errorf("the message is %q", broken.Error())
				}
			})
		})
	}
}

func TestUnreadableRowsAreErrors(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.mustGive(t, "cand-a", "refer", journey.Refer, func(d *record.Draft) { d.Results = []result.Result{creatinine("r-1", 1)} })
		b.tamper(t, "UPDATE entry SET event = 'x'", "UPDATE result SET body = 'x'", "UPDATE candidate SET state = 'x'")
		for name, read := range map[string]func() error{
			"events":     func() error { _, err := b.Events(ctx, "cand-a"); return err },
			"results":    func() error { _, err := b.Results(ctx, "cand-a"); return err },
			"candidate":  func() error { _, err := b.Candidate(ctx, "cand-a"); return err },
			"candidates": func() error { _, err := b.Candidates(ctx, "", "", 10); return err },
			"resumable":  func() error { _, err := b.Resumable(ctx, "cand-a"); return err },
			"open":       func() error { return b.EachOpen(ctx, func(record.Resumable) error { return nil }) },
			"append":     func() error { _, err := b.give("cand-a", "refer", journey.Refer, nil); return err },
		} {
			if err := read(); err == nil || errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

// TestAClosedStore answers every call with an error and none with a panic.
func TestAClosedStore(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		s, err := record.Open(ctx, b.location, b.clock.now)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Ping(ctx); err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		_, verify := s.Verify(ctx)
		_, entries := s.Entries(ctx, "x")
		_, search := s.Search(ctx, record.Query{Type: "Patient", Limit: 1})
		_, count := s.Count(ctx, record.Query{Type: "Patient"})
		_, stage := s.Stage(ctx, "x", "y", "z", nil)
		_, accounts := s.Accounts(ctx)
		_, _, password := s.CheckPassword(ctx, "x", "y")
		_, setting := s.Setting(ctx, "x")
		_, list := s.List(ctx, record.Filter{OpenOnly: true}, "", 1)
		_, recipients := s.RecipientsOf(ctx, "x")
		for _, err := range []error{
			s.Ping(ctx), verify, entries, search, count, stage, accounts, password, setting, s.SetSetting(ctx, "x", "y"),
			list, recipients, s.PurgeSessions(ctx),
			s.EachResource(ctx, func(record.Published) error { return nil }),
		} {
			if err == nil || errors.Is(err, sql.ErrNoRows) || errors.Is(err, record.ErrNotFound) {
				t.Errorf("a closed store answers %v", err)
			}
		}
	})
}
