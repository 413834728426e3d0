package web

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"candidacy/internal/api"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// boardIndex is what lists of all candidates are narrowed and ordered by, for each
// role. It holds no name and no value, is made of the record alone, and is brought up
// to date before every list: the number of a candidate's last entry says whether there
// is anything to read again. A list of ten thousand then reads the fifty that it shows.
type boardIndex struct {
	mu    sync.Mutex
	roles map[journey.Role]map[string]*boardKey
}

// boardKey is one candidate as a list knows it, in the eyes of one role. That a person
// of the role has done their part of what needs two is not known here.
type boardKey struct {
	id, advocate string
	seq          int64
	// day is the day that it was made for.
	day journey.Date

	stage                                       journey.Stage
	band                                        journey.Band
	assessed, needs, stuck, expiring, attention bool
	outstanding                                 int
	since, due, overdue, next, planned          journey.Date
	clock                                       journey.Instant
	tasks                                       []task
	// booked are the visits that are planned.
	booked []journey.Appointment
}

// in reports whether the candidate is among those that the board shows so.
func (k *boardKey) in(show string) bool {
	ended := k.stage.Ended()
	switch show {
	case showAttention:
		return k.attention
	case showMine:
		return k.needs
	case showStuck:
		return k.stuck
	case showExpiring:
		return k.expiring
	case showEnded:
		return ended
	case showAll:
		return true
	default:
		return !ended
	}
}

// indexed returns what the viewer may see of the index as it stands now.
func (s *server) indexed(ctx context.Context, v *viewer) ([]*boardKey, error) {
	shown, err := s.heads(ctx, v)
	if err != nil {
		return nil, err
	}
	s.index.mu.Lock()
	defer s.index.mu.Unlock()
	if err := s.refresh(ctx, shown, v.Role); err != nil {
		return nil, err
	}
	keys := s.index.roles[v.Role]
	list := make([]*boardKey, 0, len(shown))
	for _, h := range shown {
		if k := keys[h.ID]; k != nil {
			list = append(list, k)
		}
	}
	return list, nil
}

// refresh brings the index up to date for some candidates in the eyes of some roles. The
// index is locked meanwhile.
func (s *server) refresh(ctx context.Context, heads []record.Head, roles ...journey.Role) error {
	if s.index.roles == nil {
		s.index.roles = map[journey.Role]map[string]*boardKey{}
	}
	for _, role := range roles {
		if s.index.roles[role] == nil {
			s.index.roles[role] = map[string]*boardKey{}
		}
	}
	// A day begins at its own time in every zone: most protocols share one.
	day := s.today(s.Current.Zone())
	old := func(role journey.Role, id string, seq int64) bool {
		k := s.index.roles[role][id]
		return k == nil || k.seq != seq || k.day != day
	}
	var stale []string
	for _, h := range heads {
		if slices.ContainsFunc(roles, func(role journey.Role) bool { return old(role, h.ID, h.Seq) }) {
			stale = append(stale, h.ID)
		}
	}
	var adding sync.Mutex
	return s.reread(ctx, stale, func(c record.Candidate) error {
		for _, role := range roles {
			k, err := s.keyOf(ctx, role, c)
			if err != nil {
				return err
			}
			k.day = day
			adding.Lock()
			s.index.roles[role][c.ID] = k
			adding.Unlock()
		}
		return nil
	})
}

// prepare reads what lists and numbers are made from before anybody asks for them, and
// again when a day has begun, until the context ends. It goes on in small steps, so that
// whoever asks meanwhile waits for no more than what they ask for.
func (s *server) prepare(ctx context.Context) {
	minutes := time.NewTicker(time.Minute)
	defer minutes.Stop()
	for {
		if err := s.prepareOnce(ctx); err != nil && ctx.Err() == nil {
			api.LogFailure(ctx, s.Log, "", "", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-minutes.C:
		}
	}
}

func (s *server) prepareOnce(ctx context.Context) error {
	const step = 500
	heads, err := s.Store.Heads(ctx)
	if err != nil {
		return err
	}
	list := func(roles ...journey.Role) func([]record.Head) error {
		return func(some []record.Head) error {
			s.index.mu.Lock()
			defer s.index.mu.Unlock()
			return s.refresh(ctx, some, roles...)
		}
	}
	for _, do := range []func([]record.Head) error{
		list(journey.Coordinator, journey.Clinician), list(journey.Advocate, journey.CommitteeRole, journey.Auditor),
		func(some []record.Head) error {
			s.numbers.mu.Lock()
			defer s.numbers.mu.Unlock()
			return s.count(ctx, some)
		},
	} {
		for some := range slices.Chunk(heads, step) {
			if err := do(some); err != nil {
				return err
			}
		}
	}
	return nil
}

func idsOf(keys []*boardKey) []string {
	ids := make([]string, len(keys))
	for i, k := range keys {
		ids[i] = k.id
	}
	return ids
}

// shown reads candidates whom a page tells of, in the order of the ids, and notes it.
// Whoever has changed hands since the index was made is left out.
func (s *server) shown(ctx context.Context, v *viewer, ids []string) ([]record.Candidate, error) {
	read, err := s.Store.CandidatesOf(ctx, ids)
	if err != nil {
		return nil, err
	}
	byID := make(map[string]record.Candidate, len(read))
	for _, c := range read {
		byID[c.ID] = c
	}
	list := make([]record.Candidate, 0, len(read))
	for _, id := range ids {
		c, ok := byID[id]
		if !ok {
			continue
		}
		if ok, err = s.sees(ctx, v, c); err != nil {
			return nil, err
		}
		if ok {
			audit.About(ctx, id)
			list = append(list, c)
		}
	}
	return list, nil
}

// keyOf looks at a candidate with the eyes of a role.
func (s *server) keyOf(ctx context.Context, role journey.Role, c record.Candidate) (*boardKey, error) {
	p, err := s.Protocols.Get(ctx, c.Protocol)
	if err != nil {
		return nil, err
	}
	p = p.WithConditions(c.State.Imposed, nil)
	v := &viewer{Account: record.Account{Role: role}, now: s.Now()}
	today, st := s.today(p.Zone()), standingOf(p, v, c)
	next := nextDeadline(p, c)
	row := rowOf(v, boardEntry{candidate: c, standing: st, today: today, next: next})
	return &boardKey{
		id: c.ID, advocate: c.State.Advocate, seq: c.State.Seq,
		stage: c.State.Stage, band: c.WorstBand, assessed: st.Assessed, needs: len(st.Needs) > 0, stuck: len(st.Stuck) > 0, expiring: len(st.Expiring) > 0,
		attention:   !c.State.Stage.Ended() && st.attention(next, today),
		outstanding: len(st.Outstanding), since: c.State.Since, due: row.due, overdue: row.overdue, next: row.next, planned: row.planned,
		clock: row.clock(), tasks: tasksOf(p, v, c, st, today), booked: c.State.Booked(),
	}, nil
}

// boardSort is a column that the board can be ordered by.
type boardSort struct {
	Value, Label string
	compare      func(a, b *boardKey) int
}

// never is after every day.
const never = journey.Date("9999-12-31")

func days(a, b journey.Date) int { return cmp.Compare(cmp.Or(a, never), cmp.Or(b, never)) }

// bandOrder has the gravest first, and those who have no result yet last.
func bandOrder(k *boardKey) int {
	if !k.assessed {
		return 4
	}
	return slices.Index([]journey.Band{journey.Excludes, journey.CannotDecide, journey.Discussion, journey.Meets}, k.band)
}

// boardSorts are the orders of the board. The first is the one without a choice.
var boardSorts = []boardSort{
	{"", "Most urgent", byUrgency},
	{"name", "Candidate", nil}, // names are not in the index
	{"stage", "Stage", func(a, b *boardKey) int {
		return cmp.Or(cmp.Compare(slices.Index(journey.Stages, a.stage), slices.Index(journey.Stages, b.stage)), days(a.since, b.since))
	}},
	{"band", "Worst band", func(a, b *boardKey) int { return cmp.Compare(bandOrder(a), bandOrder(b)) }},
	{"outstanding", "Outstanding", func(a, b *boardKey) int { return cmp.Compare(b.outstanding, a.outstanding) }},
	{"next", "Next deadline", func(a, b *boardKey) int { return days(a.next, b.next) }},
	{"planned", "Planned day", func(a, b *boardKey) int { return days(a.planned, b.planned) }},
	{"waiting", "Longest in the stage", func(a, b *boardKey) int { return days(a.since, b.since) }},
}

// byUrgency puts what has to be reported first, then what is overdue, the longest
// overdue on top, and then what is due soonest.
func byUrgency(a, b *boardKey) int {
	if first := cmp.Compare(a.clock, b.clock); first != 0 {
		return first
	}
	if first := days(a.overdue, b.overdue); first != 0 {
		return first
	}
	return days(a.due, b.due)
}

// folded is a name as it is looked for: without case and accents.
func folded(text string) string {
	if !strings.ContainsFunc(text, func(r rune) bool { return r >= utf8.RuneSelf }) {
		return strings.ToLower(text)
	}
	out, _, err := transform.String(transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), text)
	if err != nil {
		out = text
	}
	return strings.ToLower(out)
}

// calls reads how the viewer calls each candidate: by the family name, or by the start of
// the id where they see no names. The text is what a search looks in.
func (s *server) calls(ctx context.Context, v *viewer) (name, text map[string]string, err error) {
	name, text = map[string]string{}, map[string]string{}
	known := v.knowsIdentity()
	err = s.Store.Calls(ctx, func(c record.Called) {
		if !known {
			name[c.Candidate] = short(c.Candidate)
			text[c.Candidate] = "candidate " + short(c.Candidate)
			return
		}
		name[c.Candidate] = folded(c.Family) + "\x00" + folded(c.Given)
		text[c.Candidate] = strings.Join([]string{folded(c.Family) + ",", folded(c.Given), folded(c.Family), folded(c.Identifier)}, " ")
	})
	return name, text, err
}

// found narrows and orders the index by a filter.
func (s *server) found(ctx context.Context, v *viewer, keys []*boardKey, f boardFilter) ([]*boardKey, error) {
	show := f.Show
	if f.Stage.Ended() && show == showOpen {
		show = showAll // the stage says what is wanted
	}
	list := slices.DeleteFunc(slices.Clone(keys), func(k *boardKey) bool {
		return f.Stage != "" && k.stage != f.Stage || !k.in(show) || f.Band != "" && (k.band != f.Band || !k.assessed) || f.Advocate != "" && k.advocate != f.Advocate
	})
	by := boardSorts[max(slices.IndexFunc(boardSorts, func(o boardSort) bool { return o.Value == f.Sort }), 0)]
	compare := by.compare
	if f.Text != "" || compare == nil {
		name, text, err := s.calls(ctx, v)
		if err != nil {
			return nil, err
		}
		words := strings.Fields(folded(f.Text))
		list = slices.DeleteFunc(list, func(k *boardKey) bool {
			return slices.ContainsFunc(words, func(word string) bool { return !strings.Contains(text[k.id], word) })
		})
		if compare == nil {
			compare = func(a, b *boardKey) int { return strings.Compare(name[a.id], name[b.id]) }
		}
	}
	slices.SortFunc(list, func(a, b *boardKey) int {
		first := compare(a, b)
		if f.Down {
			first = -first
		}
		if first != 0 {
			return first
		}
		if first = byUrgency(a, b); first != 0 {
			return first
		}
		return strings.Compare(a.id, b.id)
	})
	return list, nil
}
