package web

import (
	"net/url"
	"slices"
	"strings"

	"candidacy/internal/journey"
)

// historyModel is the history of a candidate, narrowed by whose entries are looked for
// or of which kind.
type historyModel struct {
	People, Kinds []trendShow
	// Now says by what it is narrowed, All leads back to the whole.
	Now, All string
}

// narrow keeps the entries of one person, by the id of the account, and of one kind. The
// choices count what the other choice leaves.
func (m *candidateModel) narrow(home, by, kind string) {
	all := slices.Concat(m.Timeline, m.Earlier)
	link := func(by, kind string) string {
		q := url.Values{}
		if by != "" {
			q.Set("by", by)
		}
		if kind != "" {
			q.Set("kind", kind)
		}
		to := home
		if len(q) > 0 {
			to += "?" + q.Encode()
		}
		return to + "#history"
	}
	m.History = historyModel{All: link("", "")}
	choose := func(list []trendShow, label, to string, current bool) []trendShow {
		if i := slices.IndexFunc(list, func(s trendShow) bool { return s.Link == to }); i >= 0 {
			list[i].Count++
			return list
		}
		return append(list, trendShow{label, to, 1, current})
	}
	var kept []entryModel
	var now []string
	for _, e := range all {
		isBy, isKind := by == "" || e.by == by, kind == "" || e.kind == journey.Kind(kind)
		if isKind {
			m.History.People = choose(m.History.People, e.Who, link(e.by, kind), e.by == by)
		}
		if isBy {
			m.History.Kinds = choose(m.History.Kinds, e.What, link(by, string(e.kind)), kind != "" && isKind)
		}
		if isBy && isKind {
			kept = append(kept, e)
		}
	}
	for _, list := range [][]trendShow{m.History.People, m.History.Kinds} {
		slices.SortStableFunc(list, func(a, b trendShow) int { return b.Count - a.Count })
		for _, s := range list {
			if s.Current {
				now = append(now, s.Label)
			}
		}
	}
	if by == "" && kind == "" {
		return
	}
	m.History.Now = strings.Join(now, ", ")
	if len(kept) == 0 {
		m.History.Now = "Nothing of this kind"
	}
	m.Timeline, m.Earlier = split(kept, narrowedEntries)
}

// narrowedEntries is how much of a narrowed history is shown at once.
const narrowedEntries = 40
