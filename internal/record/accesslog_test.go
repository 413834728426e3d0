package record_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	looked  = "0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a01"
	another = "1b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a02"
)

func (b *bench) log(t *testing.T, list ...record.Access) {
	t.Helper()
	for _, a := range list {
		if err := b.LogAccess(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
}

// dropLogTriggers lets the test change rows that are append-only.
func (b *bench) dropLogTriggers(t *testing.T) {
	t.Helper()
	var statements []string
	for _, table := range []string{"access_log", "access_about", "client_change"} {
		if b.postgres {
			statements = append(statements, "DROP TRIGGER "+table+"_append_only ON "+table)
		} else {
			statements = append(statements, "DROP TRIGGER "+table+"_no_update", "DROP TRIGGER "+table+"_no_delete")
		}
	}
	for _, s := range statements {
		if _, err := b.raw(t).ExecContext(t.Context(), s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

func TestAccessLogKeepsWhatItIsGiven(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		full := record.Access{
			Actor: "acc-1", Role: journey.Clinician, Credential: "token-0123456789ab", Interaction: "search-type", Type: "Observation",
			Parameters: []string{"patient", "code:in"}, Candidates: []string{another, looked, another}, Status: 200,
			Request: "9b2f6f52-62a5-4d7c-a1f8-2a3d8f0c3f10", Address: "2001:db8::7",
		}
		b.log(t, full, record.Access{Interaction: "read", Type: "Patient", Status: 401})
		b.clock.advance(time.Hour)
		b.log(t, record.Access{Actor: "acc-2", Interaction: "$export", Everybody: true, Candidates: []string{looked}, Status: 202})
		rows, err := b.Accesses(t.Context(), record.AccessQuery{Limit: 10})
		if err != nil || len(rows) != 3 {
			t.Fatalf("%d rows, %v", len(rows), err)
		}
		got := rows[2]
		if got.Seq != 1 || !got.At.Equal(b.clock.now().Add(-time.Hour)) || len(got.Hash) != 64 {
			t.Errorf("the first row is %+v", got)
		}
		full.Seq, full.At, full.Hash, full.Candidates = got.Seq, got.At, got.Hash, []string{looked, another}
		if fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", full) {
			t.Errorf("got  %+v\nwant %+v", got, full)
		}
		if rows[1].Actor != "" || rows[1].Status != 401 || len(rows[1].Candidates) > 0 {
			t.Errorf("a refusal is %+v", rows[1])
		}
		if !rows[0].Everybody || len(rows[0].Candidates) > 0 {
			t.Errorf("a row about everybody names %v", rows[0].Candidates)
		}
		verified, err := b.Verify(t.Context())
		if err != nil || verified.Accesses != 3 {
			t.Errorf("%+v, %v", verified, err)
		}
	})
}

// A row that names more people than a page of a search holds is about everybody.
func TestAccessLogListsAtMostAPage(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		var many []string
		for i := range 201 {
			many = append(many, fmt.Sprintf("%08x-6f3e-4a56-9a51-3f6f3c1d7a01", i))
		}
		b.log(t, record.Access{Interaction: "list", Candidates: slices.Clone(many[:200])}, record.Access{Interaction: "list", Candidates: slices.Clone(many)})
		rows, err := b.Accesses(t.Context(), record.AccessQuery{Limit: 10, OldestFirst: true})
		if err != nil || len(rows[0].Candidates) != 200 || rows[0].Everybody || !rows[1].Everybody {
			t.Errorf("%d rows, %v", len(rows), err)
		}
		if found, err := b.Accesses(t.Context(), record.AccessQuery{Candidates: many[199:200], Limit: 10}); err != nil || len(found) != 1 || found[0].Seq != 1 {
			t.Errorf("%d rows, %v", len(found), err)
		}
		if found, err := b.Accesses(t.Context(), record.AccessQuery{Candidates: many[199:200], OrEverybody: true, Limit: 10}); err != nil || len(found) != 2 {
			t.Errorf("%d rows, %v", len(found), err)
		}
	})
}

func TestAccessQuery(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		at := func(hours int) string {
			return record.AccessInstant(time.Date(2026, 3, 2, 8+hours, 30, 0, 123_456_000, time.UTC))
		}
		for i, a := range []record.Access{
			{Actor: "a", Interaction: "read", Candidates: []string{looked}, Status: 200},
			{Actor: "b", Interaction: "search-type", Candidates: []string{looked, another}, Status: 200},
			{Actor: "a", Interaction: "$everything", Candidates: []string{another}, Status: 403},
			{Actor: "b", Interaction: "read", Status: 404},
			{Actor: "c", Interaction: "$export", Everybody: true, Status: 500},
		} {
			if i > 0 {
				b.clock.advance(time.Hour)
			}
			b.log(t, a)
		}
		for name, c := range map[string]struct {
			q    record.AccessQuery
			want []int64
		}{
			"all":                    {record.AccessQuery{}, []int64{5, 4, 3, 2, 1}},
			"oldest first":           {record.AccessQuery{OldestFirst: true}, []int64{1, 2, 3, 4, 5}},
			"by number":              {record.AccessQuery{Seqs: []int64{2, 9}}, []int64{2}},
			"no number":              {record.AccessQuery{Seqs: []int64{}}, nil},
			"one candidate":          {record.AccessQuery{Candidates: []string{looked}}, []int64{2, 1}},
			"two candidates":         {record.AccessQuery{Candidates: []string{looked, another}}, []int64{3, 2, 1}},
			"no candidate":           {record.AccessQuery{Candidates: []string{}}, nil},
			"a candidate, everybody": {record.AccessQuery{Candidates: []string{another}, OrEverybody: true}, []int64{5, 3, 2}},
			"actors":                 {record.AccessQuery{Actors: []string{"a", "c"}}, []int64{5, 3, 1}},
			"no actor":               {record.AccessQuery{Actors: []string{}}, nil},
			"reads":                  {record.AccessQuery{Interactions: []string{"read"}}, []int64{4, 1}},
			"operations":             {record.AccessQuery{Operations: true}, []int64{5, 3}},
			"reads and operations":   {record.AccessQuery{Interactions: []string{"read"}, Operations: true}, []int64{5, 4, 3, 1}},
			"no interaction":         {record.AccessQuery{Interactions: []string{}}, nil},
			"statuses":               {record.AccessQuery{Statuses: [][2]int{{0, 400}, {500, 600}}}, []int64{5, 2, 1}},
			"no status":              {record.AccessQuery{Statuses: [][2]int{}}, nil},
			"from":                   {record.AccessQuery{Written: [][]record.Span{{{From: at(3)}}}}, []int64{5, 4}},
			"to":                     {record.AccessQuery{Written: [][]record.Span{{{To: at(1)}}}}, []int64{1}},
			"either":                 {record.AccessQuery{Written: [][]record.Span{{{To: at(1)}, {From: at(4)}}}}, []int64{5, 1}},
			"both":                   {record.AccessQuery{Written: [][]record.Span{{{From: at(1)}}, {{To: at(3)}}}}, []int64{3, 2}},
			"never":                  {record.AccessQuery{Written: [][]record.Span{{}}}, nil},
			"before":                 {record.AccessQuery{Before: 3}, []int64{2, 1}},
			"after":                  {record.AccessQuery{After: 3, OldestFirst: true}, []int64{4, 5}},
			"all at once": {record.AccessQuery{
				Candidates: []string{another}, Actors: []string{"a"}, Operations: true, Statuses: [][2]int{{400, 500}}, Written: [][]record.Span{{{From: at(2)}}},
			}, []int64{3}},
		} {
			c.q.Limit = 10
			rows, err := b.Accesses(t.Context(), c.q)
			var got []int64
			for _, r := range rows {
				got = append(got, r.Seq)
			}
			if err != nil || !slices.Equal(got, c.want) {
				t.Errorf("%s: %v, %v, want %v", name, got, err, c.want)
			}
			if n, err := b.CountAccesses(t.Context(), c.q); err != nil || n != len(c.want) {
				t.Errorf("%s: counted %d, %v", name, n, err)
			}
		}
		if rows, err := b.Accesses(t.Context(), record.AccessQuery{Limit: 2}); err != nil || len(rows) != 2 || rows[1].Seq != 4 {
			t.Errorf("a page is %v, %v", rows, err)
		}
	})
}

// Two processes and many clients make one chain without a gap, and every row that
// was acknowledged is in it once.
func TestAccessLogIsOneChain(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		stores := []*record.Store{b.Store, open(t, b.location, b.clock)}
		const clients, each = 24, 40
		var group sync.WaitGroup
		for client := range clients {
			group.Go(func() {
				for i := range each {
					a := record.Access{Actor: fmt.Sprintf("client-%d", client), Interaction: "read", ID: fmt.Sprint(i), Candidates: []string{looked}, Status: 200}
					if err := stores[client%2].LogAccess(t.Context(), a); err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		group.Wait()
		verified, err := b.Verify(t.Context())
		if err != nil || verified.Accesses != clients*each {
			t.Fatalf("%+v, %v", verified, err)
		}
		next := map[string]int{}
		for after := int64(0); ; {
			rows, err := b.Accesses(t.Context(), record.AccessQuery{After: after, OldestFirst: true, Limit: 100})
			if err != nil {
				t.Fatal(err)
			}
			if len(rows) == 0 {
				break
			}
			for _, r := range rows {
				// A client asks again only when it was answered, so its rows are in order.
				if r.ID != fmt.Sprint(next[r.Actor]) {
					t.Fatalf("row %d of %s is %s, want %d", r.Seq, r.Actor, r.ID, next[r.Actor])
				}
				next[r.Actor]++
				after = r.Seq
			}
		}
		if len(next) != clients {
			t.Errorf("%d clients are in the log", len(next))
		}
	})
}

// Whoever gives up waiting was told of it all the same.
func TestAccessLogOutlivesItsRequest(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := b.LogAccess(ctx, record.Access{Interaction: "read"}); err != nil {
			t.Fatal(err)
		}
		if n, err := b.CountAccesses(t.Context(), record.AccessQuery{}); err != nil || n != 1 {
			t.Errorf("%d rows, %v", n, err)
		}
	})
}

func TestAccessLogIsAppendOnly(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.log(t, record.Access{Interaction: "read", Candidates: []string{looked}})
		if err := b.AddClient(t.Context(), record.Client{ID: "client-1", Name: "EHR"}, "acc-1", journey.Administrator); err != nil {
			t.Fatal(err)
		}
		db := b.raw(t)
		for _, table := range []string{"access_log", "access_about", "client_change"} {
			column := map[string]string{"access_log": "actor", "access_about": "candidate_id", "client_change": "actor"}[table]
			for _, s := range []string{"UPDATE " + table + " SET " + column + " = 'nobody'", "DELETE FROM " + table} {
				if _, err := db.ExecContext(t.Context(), s); err == nil || !strings.Contains(err.Error(), "append-only") {
					t.Errorf("%s: %v", s, err)
				}
			}
		}
	})
}

func TestVerifyNamesABadRowOfTheLog(t *testing.T) {
	for name, c := range map[string]struct {
		statement string
		chain     string
		seq       int64
		problem   string
	}{
		"an actor":                {"UPDATE access_log SET actor = 'somebody' WHERE seq = 2", "access log", 2, "changed"},
		"an instant":              {"UPDATE access_log SET at = 'soon' WHERE seq = 2", "access log", 2, "changed"},
		"a status":                {"UPDATE access_log SET status = 404 WHERE seq = 3", "access log", 3, "changed"},
		"a name":                  {"UPDATE access_log SET candidates = '' WHERE seq = 1", "access log", 1, "changed"},
		"a row":                   {"DELETE FROM access_log WHERE seq = 2", "access log", 2, "missing"},
		"the first row":           {"DELETE FROM access_log WHERE seq = 1", "access log", 1, "missing"},
		"what finds it":           {"DELETE FROM access_about WHERE seq = 1", "access log", 3, "differs"},
		"what finds too much":     {"INSERT INTO access_about (candidate_id, seq) VALUES ('x', 2)", "access log", 3, "differs"},
		"who changed a client":    {"UPDATE client_change SET actor = 'somebody' WHERE seq = 1", "client client-1", 1, "changed"},
		"a change of a client":    {"DELETE FROM client_change WHERE seq = 1", "client client-1", 1, "missing"},
		"the last change":         {"DELETE FROM client_change WHERE seq = 2", "client client-1", 1, "not the one"},
		"the client":              {"UPDATE client SET state = '{}'", "client client-1", 2, "differs"},
		"the client and its head": {"UPDATE client SET seq = 1", "client client-1", 2, "not the one"},
		"a client without a word": {"DELETE FROM client", "client client-1", 2, "missing"},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			onEach(t, func(t *testing.T, b *bench) {
				ctx := t.Context()
				b.log(t, record.Access{Interaction: "read", Candidates: []string{looked}, Status: 200}, record.Access{Interaction: "read", Status: 200}, record.Access{Interaction: "read", Status: 200})
				if err := b.AddClient(ctx, record.Client{ID: "client-1", Name: "EHR"}, "acc-1", journey.Administrator); err != nil {
					t.Fatal(err)
				}
				if _, err := b.ChangeClient(ctx, "client-1", record.ClientDisabled, "acc-1", journey.Administrator, func(c *record.Client) error { c.Disabled = true; return nil }); err != nil {
					t.Fatal(err)
				}
				before, err := b.Verify(ctx)
				if err != nil || before.ClientChanges != 2 {
					t.Fatalf("%+v, %v", before, err)
				}
				b.dropLogTriggers(t)
				if _, err := b.raw(t).ExecContext(ctx, c.statement); err != nil {
					t.Fatal(err)
				}
				_, err = b.Verify(ctx)
				var broken *record.BrokenChain
				if !errors.As(err, &broken) || broken.Chain != c.chain || broken.Seq != c.seq || !strings.Contains(broken.Problem, c.problem) {
					t.Errorf("got %v, want %s row %d: %s", err, c.chain, c.seq, c.problem)
				}
			})
		})
	}
}

// The tail of the log can be cut by somebody who may write the database: the
// digest that is kept outside shows it.
func TestDigestCoversTheEndOfTheLog(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.log(t, record.Access{Interaction: "read"}, record.Access{Interaction: "read"})
		before, err := b.Verify(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		b.dropLogTriggers(t)
		if _, err := b.raw(t).ExecContext(t.Context(), "DELETE FROM access_log WHERE seq = 2"); err != nil {
			t.Fatal(err)
		}
		after, err := b.Verify(t.Context())
		if err != nil || after.Digest == before.Digest || after.Accesses != 1 {
			t.Errorf("%+v, %v", after, err)
		}
	})
}
