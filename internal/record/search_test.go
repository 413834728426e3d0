package record_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candidacy/internal/record"
)

// A population is what a store holds, evaluated without it.
type population struct {
	resources []resident
}

type resident struct {
	record.Resource
	candidate string
	updated   string
}

const dayLayout = "2006-01-02T15:04:05.000000Z"

// populate publishes some thousand resources of two types that point to each
// other, of many candidates, so that some values are rare and others are not.
func populate(t *testing.T, b *bench) *population {
	t.Helper()
	r := rand.New(rand.NewPCG(7, 11)) //nolint:gosec // the same people each time
	p := &population{}
	const candidates = 60
	for c := range candidates {
		candidate := fmt.Sprintf("c%02d", c)
		var list []record.Resource
		add := func(typ, id string, index ...record.Index) {
			list = append(list, record.Resource{
				Type: typ, ID: id, Body: []byte(fmt.Sprintf(`{"resourceType":%q,"id":%q}`, typ, id)), Index: index,
			})
		}
		add("Patient", candidate, record.Index{Param: "family", Value: fmt.Sprintf("name%d", c%7)}, record.Index{Param: "family", Value: "x", System: "word"})
		for i := range 40 {
			id := fmt.Sprintf("o%d-%d", r.IntN(1000), c*40+i)
			system := []string{"urn:a", "urn:b"}[r.IntN(2)]
			index := []record.Index{
				{Param: "status", System: "s", Value: []string{"final", "final", "final", "cancelled"}[r.IntN(4)]},
				{Param: "code", System: system, Value: fmt.Sprintf("k%d", r.IntN(40)*r.IntN(2))},
			}
			if r.IntN(3) == 0 { // the same code in two systems
				index = append(index, record.Index{Param: "code", System: "urn:c", Value: index[1].Value})
			}
			if r.IntN(10) > 0 {
				start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, r.IntN(300))
				end := start.AddDate(0, 0, []int{1, 1, 1, 30}[r.IntN(4)])
				row := record.Index{Param: "date", Value: start.Format(dayLayout), End: end.Format(dayLayout)}
				index = append(index, row)
				if end.Sub(start) > 48*time.Hour {
					row.Param = "date:long"
					index = append(index, row)
				}
				for _, x := range slices.Clone(index) {
					for _, d := range index {
						if x.Param == "code" && (d.Param == "date" || d.Param == "date:long") {
							index = append(index, record.Index{Param: d.Param + ":code=" + x.Value, System: x.System, Value: d.Value, End: d.End})
						}
					}
				}
			}
			for range r.IntN(3) {
				index = append(index, record.Index{Param: "about", System: "Task", Value: fmt.Sprintf("t%d", c*5+r.IntN(5))})
			}
			add("Observation", id, dedupe(index)...)
		}
		for i := range 5 {
			add("Task", fmt.Sprintf("t%d", c*5+i), record.Index{Param: "kind", System: "k", Value: fmt.Sprintf("v%d", i)})
		}
		for _, each := range list {
			p.resources = append(p.resources, resident{each, candidate, b.clock.now().UTC().Format(dayLayout)})
		}
		b.publish(t, candidate, "refer", list...)
		b.clock.advance(time.Hour)
	}
	return p
}

func dedupe(rows []record.Index) []record.Index {
	var list []record.Index
	for _, r := range rows {
		if !slices.Contains(list, r) {
			list = append(list, r)
		}
	}
	return list
}

// find evaluates a query by what its documentation says.
func (p *population) find(q record.Query) []resident {
	var linked []func(resident) bool
	for _, c := range q.Conditions {
		linked = append(linked, p.condition(c))
	}
	var either [][][]string
	for _, alternatives := range q.Any {
		var lists [][]string
		for _, a := range alternatives {
			lists = append(lists, idsOf(p.find(a)))
		}
		either = append(either, lists)
	}
	var found []resident
	for _, r := range p.resources {
		ok := r.Type == q.Type && (q.Candidates == nil || slices.Contains(q.Candidates, r.candidate)) && (q.IDs == nil || slices.Contains(q.IDs, r.ID))
		for _, spans := range q.Updated {
			ok = ok && slices.ContainsFunc(spans, func(s record.Span) bool {
				return (s.From == "" || r.updated >= s.From) && (s.To == "" || r.updated < s.To)
			})
		}
		for i, c := range q.Conditions {
			ok = ok && linked[i](r) != c.Not
		}
		for _, lists := range either {
			ok = ok && slices.ContainsFunc(lists, func(list []string) bool { _, in := slices.BinarySearch(list, r.ID); return in })
		}
		if ok {
			found = append(found, r)
		}
	}
	return found
}

func idsOf(list []resident) []string {
	var ids []string
	for _, r := range list {
		ids = append(ids, r.ID)
	}
	slices.Sort(ids)
	return ids
}

// condition reports whether a resource meets a condition, without its Not.
func (p *population) condition(c record.Condition) func(resident) bool {
	targets := func(r resident, typ string) []string {
		if c.Param == "" {
			return []string{r.candidate}
		}
		var ids []string
		for _, x := range r.Index {
			if x.Param == c.Param && x.System == typ {
				ids = append(ids, x.Value)
			}
		}
		return ids
	}
	switch {
	case c.To != nil:
		list := idsOf(p.find(*c.To))
		return func(r resident) bool {
			return slices.ContainsFunc(targets(r, c.To.Type), func(id string) bool { _, in := slices.BinarySearch(list, id); return in })
		}
	case c.From != nil:
		pointed := map[string]map[string]bool{}
		from := p.find(*c.From)
		return func(r resident) bool {
			if pointed[r.Type] == nil {
				pointed[r.Type] = map[string]bool{}
				for _, o := range from {
					for _, id := range targets(o, r.Type) {
						pointed[r.Type][id] = true
					}
				}
			}
			return pointed[r.Type][r.ID]
		}
	}
	return func(r resident) bool {
		return slices.ContainsFunc(r.Index, func(x record.Index) bool {
			return x.Param == c.Param && slices.ContainsFunc(c.Any, func(m record.Match) bool { return matches(m, x) })
		})
	}
}

func matches(m record.Match, x record.Index) bool {
	system := m.AnySystem || m.System == x.System
	switch m.Op {
	case "=":
		return system && x.Value == m.Value
	case record.OfSystem:
		return x.System == m.System
	case "prefix":
		return strings.HasPrefix(x.Value, m.Value)
	case "contains":
		return strings.Contains(x.Value, m.Value)
	default:
		w := m.Bounds
		return system && (w.From == "" || x.Value >= w.From) && (w.To == "" || x.Value < w.To) && (w.EndFrom == "" || x.End > w.EndFrom) && (w.EndTo == "" || x.End <= w.EndTo)
	}
}

// A query as the FHIR endpoint may ask it.
func anyQuery(t *rapid.T, typ string, depth int) record.Query {
	q := record.Query{Type: typ}
	if rapid.IntRange(0, 4).Draw(t, "candidates") == 0 {
		q.Candidates = rapid.SliceOfN(rapid.SampledFrom([]string{"c00", "c17", "c31", "c59", "nobody"}), 0, 3).Draw(t, "of")
	}
	if rapid.IntRange(0, 5).Draw(t, "updated") == 0 {
		hours := rapid.IntRange(0, 70).Draw(t, "hours")
		at := newClock().now().Add(time.Duration(hours) * time.Hour).UTC().Format(dayLayout)
		q.Updated = append(q.Updated, rapid.SampledFrom([][]record.Span{{{From: at}}, {{To: at}}, {{From: at}, {To: "2026-03-02T12"}}, {}}).Draw(t, "spans"))
	}
	for range rapid.IntRange(0, 3).Draw(t, "conditions") {
		q.Conditions = append(q.Conditions, anyCondition(t, typ, depth))
	}
	code := slices.IndexFunc(q.Conditions, func(c record.Condition) bool {
		return c.Param == "code" && c.From == nil && !c.Not && len(c.Any) == 1 && c.Any[0].Op == "="
	})
	date := slices.IndexFunc(q.Conditions, func(c record.Condition) bool { return c.Param == "date" && !c.Not })
	if code >= 0 && date >= 0 && rapid.Bool().Draw(t, "joint") {
		is, dates := q.Conditions[code].Any[0], q.Conditions[date]
		joint := record.Condition{Param: "date:code=" + is.Value, Long: "date:long:code=" + is.Value, Any: slices.Clone(dates.Any)}
		for i := range joint.Any {
			joint.Any[i].System, joint.Any[i].AnySystem = is.System, is.AnySystem
		}
		q.Joint = &record.Joint{Condition: joint, Of: [2]int{code, date}}
	}
	if depth > 0 && rapid.IntRange(0, 4).Draw(t, "any") == 0 {
		q.Any = append(q.Any, []record.Query{anyQuery(t, typ, 0), anyQuery(t, typ, 0)})
	}
	return q
}

func anyCondition(t *rapid.T, typ string, depth int) record.Condition {
	c := record.Condition{Not: rapid.IntRange(0, 5).Draw(t, "not") == 0}
	one := func(m ...record.Match) { c.Any = m }
	if depth > 0 && rapid.IntRange(0, 3).Draw(t, "link") == 0 {
		c.Not = false
		switch typ {
		case "Observation":
			target := rapid.SampledFrom([]string{"Patient", "Task"}).Draw(t, "to")
			to := anyQuery(t, target, depth-1)
			if c.To = &to; target == "Task" {
				c.Param = "about"
			}
		case "Task":
			from := anyQuery(t, "Observation", depth-1)
			c.From, c.Param = &from, "about"
		default:
			from := anyQuery(t, "Observation", depth-1)
			c.From = &from
		}
		return c
	}
	switch typ {
	case "Patient":
		c.Param = "family"
		one(rapid.SampledFrom([]record.Match{{Op: "prefix", Value: "name1"}, {Op: "contains", Value: "ame"}, {Op: "=", Value: "name3", AnySystem: true}}).Draw(t, "family"))
		c.Selective = rapid.Bool().Draw(t, "selective") && c.Any[0].Op != "contains"
	case "Task":
		c.Param = "kind"
		one(record.Match{Op: "=", Value: fmt.Sprintf("v%d", rapid.IntRange(0, 6).Draw(t, "kind")), System: "k"})
	default:
		switch rapid.IntRange(0, 3).Draw(t, "what") {
		case 0:
			c.Param = "status"
			one(record.Match{Op: "=", Value: rapid.SampledFrom([]string{"final", "cancelled", "none"}).Draw(t, "status"), AnySystem: true})
		case 1:
			c.Param = "code"
			if rapid.IntRange(0, 5).Draw(t, "whole") == 0 {
				one(record.Match{Op: record.OfSystem, System: rapid.SampledFrom([]string{"urn:a", "urn:d"}).Draw(t, "system")})
				break
			}
			for range rapid.IntRange(0, 3).Draw(t, "codes") {
				m := record.Match{Op: "=", Value: fmt.Sprintf("k%d", rapid.SampledFrom([]int{0, 0, 3, 17, 50}).Draw(t, "code")), AnySystem: true}
				if rapid.Bool().Draw(t, "system") {
					m.System, m.AnySystem = rapid.SampledFrom([]string{"urn:a", "urn:c"}).Draw(t, "of"), false
				}
				c.Any = append(c.Any, m)
			}
		default:
			c.Param, c.Long = "date", "date:long"
			day := func(name string) string {
				return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 330).Draw(t, name)).Format(dayLayout)
			}
			for range rapid.IntRange(1, 2).Draw(t, "dates") {
				m := record.Match{Op: record.Within, AnySystem: true}
				switch rapid.IntRange(0, 3).Draw(t, "bounds") {
				case 0:
					m.Bounds = record.Bounds{From: day("from"), EndTo: day("to")}
				case 1:
					m.Bounds = record.Bounds{To: day("before")}
				case 2:
					m.Bounds = record.Bounds{EndFrom: day("after"), To: day("before")}
				default:
					m.Bounds = record.Bounds{EndFrom: day("after")}
				}
				if m.Bounds.EndFrom != "" {
					end, _ := time.Parse(dayLayout, m.Bounds.EndFrom) // made just now
					m.ShortFrom = end.Add(-48 * time.Hour).Format(dayLayout)
				}
				c.Any = append(c.Any, m)
			}
		}
	}
	return c
}

// TestSearchAgainstPlainEvaluation asks what chance thinks of, and compares every
// answer with an evaluation that knows no database: whichever way in the store
// chooses, it finds the same, page by page, counts it, and sorts it.
func TestSearchAgainstPlainEvaluation(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		p := populate(t, b)
		rapid.Check(t, func(rt *rapid.T) {
			ctx := t.Context()
			q := anyQuery(rt, rapid.SampledFrom([]string{"Observation", "Observation", "Task", "Patient"}).Draw(rt, "type"), 2)
			var want []string
			by := map[string]resident{}
			for _, r := range p.find(q) {
				want = append(want, r.ID)
				by[r.ID] = r
			}
			slices.Sort(want)
			var got []string
			page := q
			page.Limit = rapid.SampledFrom([]int{40, 300, 2000}).Draw(rt, "limit")
			for range 1000 {
				list, err := b.Search(ctx, page)
				if err != nil {
					rt.Fatal(err)
				}
				for _, r := range list {
					if r.Type != q.Type || r.Candidate != by[r.ID].candidate || len(r.Body) == 0 {
						rt.Errorf("found %+v", r)
					}
					got = append(got, r.ID)
				}
				if len(list) < page.Limit {
					break
				}
				page.After = list[len(list)-1].ID
			}
			if !slices.Equal(got, want) {
				rt.Fatalf("%+v\nfinds %d: %v\nwant  %d: %v", q, len(got), got, len(want), want)
			}
			if n, err := b.Count(ctx, q); err != nil || n != len(want) {
				rt.Errorf("%+v\ncounts %d, %v, want %d", q, n, err, len(want))
			}
			if n, cheap, err := b.CountCheaply(ctx, q); err != nil || cheap && n != len(want) {
				rt.Errorf("%+v\ncounts %d, %v, want %d", q, n, err, len(want))
			}
			descending := rapid.Bool().Draw(rt, "descending")
			keys := []record.Sort{{Param: "date", Descending: descending}, {Updated: true}}
			ids, err := b.Order(ctx, q, keys, 10_000)
			if err != nil {
				rt.Fatal(err)
			}
			slices.SortFunc(want, func(x, y string) int {
				a, c := dated(by[x]), dated(by[y])
				switch {
				case a == c:
					if n := strings.Compare(by[x].updated, by[y].updated); n != 0 {
						return n
					}
					return strings.Compare(x, y)
				case a == "" || c != "" && (a > c) != descending:
					return 1
				default:
					return -1
				}
			})
			if !slices.Equal(ids, want) {
				rt.Errorf("%+v\nsorts %v\nwant  %v", q, ids, want)
			}
		})
	})
}

func dated(r resident) string {
	for _, x := range r.Index {
		if x.Param == "date" {
			return x.Value
		}
	}
	return ""
}

func TestCompartment(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		p := populate(t, b)
		cancelled := record.Condition{Param: "status", Any: []record.Match{{Op: "=", Value: "cancelled", AnySystem: true}}}
		queries := []record.Query{{Type: "Task"}, {Type: "Observation", Conditions: []record.Condition{cancelled}}, {Type: "Patient"}}
		want := 0
		for _, r := range p.resources {
			if r.candidate == "c07" && (r.Type != "Observation" || p.condition(cancelled)(r)) {
				want++
			}
		}
		n, err := b.CountAll(t.Context(), "c07", queries)
		if err != nil || n != want {
			t.Errorf("counted %d, %v, want %d", n, err, want)
		}
		var found []string
		for after := (record.Key{}); ; {
			list, err := b.SearchAll(t.Context(), "c07", queries, after, 3)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range list {
				found = append(found, r.Type+"/"+r.ID)
				if r.Candidate != "c07" {
					t.Errorf("found %+v", r)
				}
				after = record.Key{Type: r.Type, ID: r.ID}
			}
			if len(list) < 3 {
				break
			}
		}
		if len(found) != want || len(slices.Compact(slices.Clone(found))) != want || !slices.IsSorted(found) {
			t.Errorf("found %v", found)
		}
		keys, err := b.References(t.Context(), "Observation", "about", []string{strings.TrimPrefix(first(found, "Observation/"), "Observation/")})
		for _, k := range keys {
			if k.Type != "Task" {
				t.Errorf("points to %v", k)
			}
		}
		if err != nil {
			t.Error(err)
		}
	})
}

func first(list []string, prefix string) string {
	return list[slices.IndexFunc(list, func(s string) bool { return strings.HasPrefix(s, prefix) })]
}

func TestHistories(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		publish := func(id, family string, seal bool) time.Time {
			r := patient(id, family)
			r.Seal = seal
			if err := b.PublishProgramme(ctx, []record.Resource{r}); err != nil {
				t.Fatal(err)
			}
			at := b.clock.now()
			b.clock.advance(time.Hour)
			return at
		}
		publish("a", "One", false)
		second := publish("a", "Two", false)
		publish("b", "Only", false)
		publish("a", "Three", true) // and what was before is told no more
		last := publish("a", "Four", false)
		if err := b.DeleteProgramme(ctx, "Patient", "b"); err != nil {
			t.Fatal(err)
		}
		all := map[string][]record.Query{"Patient": nil}
		read := func(q record.HistoryQuery) string {
			t.Helper()
			var names []string
			n, err := b.CountHistory(ctx, q, 0)
			if err != nil {
				t.Fatal(err)
			}
			q.Limit = 2
			for {
				list, err := b.History(ctx, q)
				if err != nil {
					t.Fatal(err)
				}
				for _, v := range list {
					name := fmt.Sprintf("%s%d", v.ID, v.Version)
					if v.Deleted {
						name += " deleted"
					}
					names = append(names, name)
					q.After = &record.Place{UpdatedAt: v.UpdatedAt, Key: record.Key{Type: v.Type, ID: v.ID}, Version: v.Version}
				}
				if len(list) < 2 {
					break
				}
			}
			if n != len(names) {
				t.Errorf("counted %d: %v", n, names)
			}
			return strings.Join(names, ", ")
		}
		named := []record.Query{{Type: "Patient", Conditions: []record.Condition{{Param: "family", Any: []record.Match{{Op: "=", Value: "four", AnySystem: true}}}}}}
		for want, q := range map[string]record.HistoryQuery{
			"b2 deleted, a4, a3, b1": {Of: all},
			"a4, a3":                 {Of: all, ID: "a"},
			"b2 deleted, a4":         {Of: all, Since: last},
			"b1":                     {Of: all, AtFrom: second, AtTo: second.Add(90 * time.Minute)},
			"a4, a3 ":                {Of: map[string][]record.Query{"Patient": named}},
			"":                       {},
		} {
			if got := read(q); got != strings.TrimSpace(want) {
				t.Errorf("got %q, want %q", got, want)
			}
		}
		for version, wanted := range map[int64]error{1: record.ErrDeleted, 2: record.ErrDeleted, 3: nil, 4: nil, 5: record.ErrNotFound} {
			if _, err := b.ResourceVersion(ctx, "Patient", "a", version); !errors.Is(err, wanted) {
				t.Errorf("version %d: %v, want %v", version, err, wanted)
			}
		}
	})
}

func TestKeptOrders(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		ids := make([]string, 2503)
		for i := range ids {
			ids[i] = fmt.Sprintf("id-%04d", i)
		}
		name, err := b.KeepOrder(ctx, ids[:3], b.clock.now().Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := b.OrderedPage(ctx, name, 3, 10); !errors.Is(err, record.ErrExpired) {
			t.Errorf("what is not known yet is answered %v", err)
		}
		for range 2 { // the second changes nothing
			if err := b.CompleteOrder(ctx, name, ids[3:]); err != nil {
				t.Fatal(err)
			}
		}
		for _, tt := range []struct{ offset, count, from, to int }{
			{3, 10, 3, 13}, {990, 30, 990, 1020}, {1003, 1, 1003, 1004}, {2500, 10, 2500, 2503}, {2503, 5, 2503, 2503}, {3, 2500, 3, 2503},
		} {
			got, total, err := b.OrderedPage(ctx, name, tt.offset, tt.count)
			if err != nil || total != len(ids) || !slices.Equal(got, ids[tt.from:tt.to]) {
				t.Errorf("%+v: %d of %d, %v", tt, len(got), total, err)
			}
		}
		short, err := b.KeepOrder(ctx, ids[:3], b.clock.now().Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		if err := b.CompleteOrder(ctx, short, nil); err != nil {
			t.Fatal(err)
		}
		if got, total, err := b.OrderedPage(ctx, short, 3, 10); err != nil || total != 3 || len(got) != 0 {
			t.Errorf("%v of %d, %v", got, total, err)
		}
		b.clock.advance(2 * time.Hour)
		if _, err := b.FirstOfOrder(ctx, name); !errors.Is(err, record.ErrExpired) {
			t.Errorf("after its time: %v", err)
		}
		if err := b.CompleteOrder(ctx, name, nil); !errors.Is(err, record.ErrExpired) {
			t.Errorf("after its time: %v", err)
		}
	})
}
