package record_test

import (
	"slices"
	"strings"
	"testing"

	"candidacy/internal/record"
)

// TestNear finds by the days of birth and by the number, each candidate once.
func TestNear(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		a, err := b.Candidate(t.Context(), "cand-a")
		if err != nil {
			t.Fatal(err)
		}
		other, err := b.Candidate(t.Context(), "cand-b")
		if err != nil {
			t.Fatal(err)
		}
		born := string(a.Identity.BirthDate)
		for name, c := range map[string]struct {
			from, to string
			days     []string
			number   string
			want     string
		}{
			"a range":         {born, born, nil, "none", ids(a, other, func(c record.Candidate) bool { return c.Identity.BirthDate == a.Identity.BirthDate })},
			"a day":           {"1800-01-01", "1800-12-31", []string{"1801-01-01", born}, "none", ids(a, other, func(c record.Candidate) bool { return c.Identity.BirthDate == a.Identity.BirthDate })},
			"the number":      {"1800-01-01", "1800-12-31", nil, other.Identity.Identifier.Value, "cand-b"},
			"both of them":    {born, born, []string{born}, a.Identity.Identifier.Value, ids(a, other, func(c record.Candidate) bool { return c.Identity.BirthDate == a.Identity.BirthDate })},
			"nobody is found": {"1800-01-01", "1800-12-31", []string{"1801-01-01"}, "none", ""},
		} {
			var found []string
			err := b.Near(t.Context(), c.from, c.to, c.days, c.number, func(k record.Known) { found = append(found, k.Candidate) })
			slices.Sort(found)
			if got := strings.Join(found, " "); err != nil || got != c.want {
				t.Errorf("%s: %q and not %q, %v", name, got, c.want, err)
			}
		}
	})
}

func ids(a, b record.Candidate, keep func(record.Candidate) bool) string {
	var list []string
	for _, c := range []record.Candidate{a, b} {
		if keep(c) {
			list = append(list, c.ID)
		}
	}
	return strings.Join(list, " ")
}
