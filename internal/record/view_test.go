package record_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// published makes a draft publish resources of the types, all under one id.
func published(id, text string, types ...string) func(*record.Draft) {
	return func(d *record.Draft) {
		for _, typ := range types {
			d.Resources = append(d.Resources, record.Resource{
				Type: typ, ID: id, Body: []byte(`{"resourceType":"` + typ + `","id":"` + id + `","text":"` + text + `"}`),
				Index: []record.Index{{Param: "code", System: "s", Value: text}},
			})
		}
	}
}

func scanned(t *testing.T, v *record.View, scan record.Scan) map[string]string {
	t.Helper()
	all := map[string]string{}
	if err := v.Each(t.Context(), scan, func(typ string, body []byte) error {
		var r struct{ ResourceType, ID, Text string }
		if err := json.Unmarshal(body, &r); err != nil || r.ResourceType != typ || all[typ+"/"+r.ID] != "" {
			t.Errorf("%v %s %s", err, typ, body)
		}
		all[typ+"/"+r.ID] = r.Text
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	n, err := v.Count(t.Context(), []record.Scan{scan})
	if err != nil || n != int64(len(all)) {
		t.Errorf("counted %d of %d: %v", n, len(all), err)
	}
	return all
}

func view(t *testing.T, b *bench) *record.View {
	t.Helper()
	v, err := b.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := v.Close(); err != nil {
			t.Error(err)
		}
	})
	return v
}

func TestViewIsOfOneMoment(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		for i, stage := range []journey.Stage{journey.Evaluation, journey.Withdrawn, journey.Recovery} {
			id := fmt.Sprintf("cand-%d", i)
			b.mustGive(t, id, "refer", journey.Refer, func(d *record.Draft) {
				d.State.Stage = stage
				published(id, "old", "Patient", "Observation", "Condition")(d)
			})
			b.clock.advance(time.Hour)
		}
		if err := b.PublishProgramme(t.Context(), []record.Resource{{Type: "Organization", ID: "us", Body: []byte(`{"resourceType":"Organization","id":"us","text":"old"}`)}}); err != nil {
			t.Fatal(err)
		}
		start := b.clock.now()
		v := view(t, b)
		if want := start.Truncate(time.Millisecond); !v.At.Equal(want) {
			t.Errorf("at %s, want %s", v.At, want)
		}
		b.clock.advance(time.Hour)
		b.mustGive(t, "cand-0", "second", journey.RecordResults, published("cand-0", "new", "Patient", "Encounter"))
		every := []string{"Patient", "Observation", "Condition", "Encounter", "Organization"}
		for _, c := range []struct {
			scan record.Scan
			want string
		}{
			{record.Scan{}, ""},
			{record.Scan{Types: every}, "Condition/cand-0 Condition/cand-1 Condition/cand-2 Observation/cand-0 Observation/cand-1 Observation/cand-2 Organization/us Patient/cand-0 Patient/cand-1 Patient/cand-2"},
			{record.Scan{Types: every[:1]}, "Patient/cand-0 Patient/cand-1 Patient/cand-2"},
			{record.Scan{Types: every, OfCandidates: true, Candidates: []string{"cand-1"}}, "Condition/cand-1 Observation/cand-1 Patient/cand-1"},
			{record.Scan{Types: every, Candidates: []string{}}, ""},
			{record.Scan{Types: every, Stages: []journey.Stage{journey.Recovery, journey.FollowUp}}, "Condition/cand-2 Observation/cand-2 Patient/cand-2"},
			{record.Scan{Types: every, Stages: []journey.Stage{}}, ""},
			{record.Scan{Types: []string{"Patient", "Organization"}, OfCandidates: true}, "Patient/cand-0 Patient/cand-1 Patient/cand-2"},
			{record.Scan{Types: every[:1], Since: start.Add(-time.Hour)}, "Patient/cand-2"},
			{record.Scan{Types: every[:1], Until: start.Add(-time.Hour)}, "Patient/cand-0 Patient/cand-1"},
			{record.Scan{Types: every[1:2], Any: [][]record.Query{{
				{Type: "Observation", IDs: []string{"cand-0", "cand-1"}},
				{Type: "Observation", Candidates: []string{"cand-1"}, Conditions: []record.Condition{{Param: "code", Any: []record.Match{{Op: "=", Value: "old", AnySystem: true}}}}},
				{Type: "Observation", Conditions: []record.Condition{{Param: "code", Any: []record.Match{{Op: "=", Value: "other", AnySystem: true}}}}},
			}}, Stages: []journey.Stage{journey.Evaluation, journey.Withdrawn}, Until: start}, "Observation/cand-0 Observation/cand-1"},
			{record.Scan{Types: every[1:2], Any: [][]record.Query{
				{{Type: "Observation", IDs: []string{"cand-0", "cand-1"}}}, {{Type: "Observation", IDs: []string{"cand-1", "cand-2"}}},
			}}, "Observation/cand-1"},
		} {
			for _, most := range []bool{false, true} {
				c.scan.Most = most
				got := scanned(t, v, c.scan)
				if names := strings.Join(slices.Sorted(maps.Keys(got)), " "); names != c.want {
					t.Errorf("%+v: %s", c.scan, names)
				}
				for name, text := range got {
					if text != "old" {
						t.Errorf("%s is %s", name, text)
					}
				}
			}
		}
		if err := v.Each(t.Context(), record.Scan{Types: every, Any: [][]record.Query{{{Type: "Patient"}}}}, nil); err == nil {
			t.Error("queries of another type were accepted")
		}
		if got := scanned(t, view(t, b), record.Scan{Types: every}); got["Patient/cand-0"] != "new" || len(got) != 11 {
			t.Errorf("a later view: %v", got)
		}
	})
}

// TestNothingComesLaterWithAnEarlierTime: what is not in a view carries no time
// from before it, or whoever asks for changes since then would never see it.
func TestNothingComesLaterWithAnEarlierTime(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		// A clock that ticks with each look, as seen by all writers.
		var ticks atomic.Int64
		begin := b.clock.now()
		store, err := record.Open(t.Context(), b.location, func() time.Time { return begin.Add(time.Duration(ticks.Add(1)) * time.Millisecond) })
		if err != nil {
			t.Fatal(err)
		}
		defer func() {
			if err := store.Close(); err != nil {
				t.Error(err)
			}
		}()
		const writers, rounds = 4, 25
		for w := range writers {
			b.refer(t, fmt.Sprintf("cand-%d", w), 1)
		}
		var group sync.WaitGroup
		for w := range writers {
			group.Go(func() {
				candidate := fmt.Sprintf("cand-%d", w)
				for i := range rounds {
					_, err := store.Append(t.Context(), candidate, fmt.Sprintf("command-%d", i), func(tx *record.Tx) (record.Draft, error) {
						d, err := draft(tx, candidate, fmt.Sprintf("command-%d", i), journey.RecordResults)
						published(candidate, fmt.Sprint(i), "Observation")(&d)
						return d, err
					})
					if err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		type look struct {
			at   time.Time
			seen map[string]string
		}
		var looks []look
		for range rounds {
			v, err := store.View(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			looks = append(looks, look{v.At, scanned(t, v, record.Scan{Types: []string{"Observation"}})})
			if err := v.Close(); err != nil {
				t.Fatal(err)
			}
		}
		group.Wait()
		for _, l := range looks {
			for w := range writers {
				id := fmt.Sprintf("cand-%d", w)
				seen, version := int64(0), int64(0)
				if text := l.seen["Observation/"+id]; text != "" {
					if _, err := fmt.Sscan(text, &seen); err != nil {
						t.Fatal(err)
					}
					version = seen + 1
				}
				next, err := store.ResourceVersion(t.Context(), "Observation", id, version+1)
				if err == nil && next.UpdatedAt.Before(l.at) {
					t.Errorf("version %d of %s came at %s, after a view of %s", version+1, id, next.UpdatedAt, l.at)
				}
			}
		}
	})
}
