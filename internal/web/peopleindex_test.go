package web

import (
	"slices"
	"testing"
	"time"

	"candidacy/internal/api"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// TestPrepared: what is made before anybody asks is what would be made then, for every
// role; an entry that was committed is seen by the next list; and a new day is another.
func TestPrepared(t *testing.T) {
	w := programme(t, 30)
	ctx := t.Context()
	s := &server{Deps: Deps{Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now}}
	must(t, s.prepareOnce(ctx))
	for _, role := range readers {
		if n := len(s.index.roles[role]); n != 30 {
			t.Errorf("%d of 30 are prepared for the role %s", n, role)
		}
	}
	if n := len(s.numbers.known); n != 30 {
		t.Errorf("%d of 30 are counted", n)
	}
	prepared := s.index.roles[journey.Coordinator]["00000001-0000-4000-8000-000000000000"]
	v := &viewer{Account: record.Account{ID: "cora", Role: journey.Coordinator}, now: w.clock.now()}
	keys, err := s.indexed(ctx, v)
	must(t, err)
	if !slices.Contains(keys, prepared) {
		t.Error("what was prepared is made again")
	}
	more := invent(t, w.store, w.protocol, "2027-06-30")
	more.n = 1000
	id := more.person("2027-06-29")
	keys, err = s.indexed(ctx, v)
	must(t, err)
	if !slices.ContainsFunc(keys, func(k *boardKey) bool { return k.id == id }) {
		t.Error("who was just referred is not in the list")
	}
	numbers, err := s.peopleOf(ctx, v)
	must(t, err)
	if !slices.ContainsFunc(numbers, func(p *tallied) bool { return p.person.ID() == id }) {
		t.Error("who was just referred is not counted")
	}
	w.clock.add(24 * time.Hour)
	must(t, s.prepareOnce(ctx))
	if next := s.index.roles[journey.Coordinator][prepared.id]; next == prepared || next.day != "2027-07-01" {
		t.Errorf("a new day leaves %+v", next)
	}
}

// TestKeptNumbersAreFresh: what is kept of donors, on a later day, is what is read anew
// on that day.
func TestKeptNumbersAreFresh(t *testing.T) {
	w := programme(t, 60)
	ctx := t.Context()
	s := &server{Deps: Deps{Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now}}
	v := &viewer{Account: record.Account{ID: "cora", Role: journey.Coordinator}, now: w.clock.now()}
	_, _, err := s.counted(ctx, v, "2027-06-30")
	must(t, err)
	late := 0
	for _, day := range []journey.Date{"2027-06-30", "2027-12-01", "2029-06-30"} {
		_, kept, err := s.counted(ctx, v, day)
		must(t, err)
		candidates, err := w.store.Candidates(ctx, "", "", 1000)
		must(t, err)
		anew, err := api.Donors(ctx, w.store, s.Protocols, s.Current, candidates, day)
		must(t, err)
		if len(kept) != len(anew) || len(kept) < 10 {
			t.Fatalf("%d donors are kept, of %d", len(kept), len(anew))
		}
		for i := range anew {
			if kept[i].ID != anew[i].ID || len(kept[i].Visits) != len(anew[i].Visits) {
				t.Fatalf("%s is not %s", kept[i].ID, anew[i].ID)
			}
			for j, visit := range anew[i].Visits {
				if visit.Late {
					late++
				}
				if kept[i].Visits[j].Late != visit.Late || kept[i].Visits[j].Complete() != visit.Complete() {
					t.Errorf("%s, %s on %s: late is %t", anew[i].ID, visit.ID, day, kept[i].Visits[j].Late)
				}
			}
		}
		people, err := api.People(ctx, w.store, s.Protocols, candidates)
		must(t, err)
		list, _, err := s.counted(ctx, v, day)
		must(t, err)
		a, b := measures.Of(people, "", ""), measures.Of(list, "", "")
		for i := range a {
			if !slices.Equal(a[i].Of, b[i].Of) || !slices.Equal(a[i].Are, b[i].Are) {
				t.Errorf("%s: %v is not %v", a[i].ID, b[i].Of, a[i].Of)
			}
		}
	}
	if late == 0 {
		t.Error("nobody is late")
	}
}
