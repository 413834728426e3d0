package web

import (
	"context"
	"runtime"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"candidacy/internal/api"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
	"candidacy/internal/record"
)

// peopleIndex is what measures and follow-up are made from, kept between requests: it
// takes everybody's entries to make, and only those who changed to keep. It holds no name
// and no value. As in the list of candidates, the number of the last entry says who has
// to be read again, so that what was acknowledged is never missing.
type peopleIndex struct {
	mu    sync.Mutex
	known map[string]*tallied
}

// tallied is one person as numbers know them.
type tallied struct {
	seq    int64
	person *measures.Person
	// donor is set of those whose kidney was removed, as of some day.
	donor *followup.Donor
	// ended says that nothing more is asked of a donor, lost is the visit since which
	// they are lost, and due what waits for each visit.
	ended bool
	lost  string
	due   map[string]string
}

// heads lists the candidates that exist for the viewer in lists, by where their record
// stands. Who cares for a recipient has nothing of the donor.
func (s *server) heads(ctx context.Context, v *viewer) ([]record.Head, error) {
	heads, err := s.Store.Heads(ctx)
	if err != nil {
		return nil, err
	}
	if v.recipients == nil {
		if v.recipients, err = s.Store.RecipientsOf(ctx, v.ID); err != nil {
			return nil, err
		}
	}
	return slices.DeleteFunc(heads, func(h record.Head) bool {
		return v.Role == journey.Advocate && h.Advocate != v.ID || h.Recipient != "" && v.recipients[h.Recipient]
	}), nil
}

// reread reads candidates and calls note with each, from several goroutines.
func (s *server) reread(ctx context.Context, ids []string, note func(record.Candidate) error) error {
	const batch = 100
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for some := range slices.Chunk(ids, batch) {
		group.Go(func() error {
			list, err := s.Store.CandidatesOf(ctx, some)
			if err != nil {
				return err
			}
			for _, c := range list {
				if err := note(c); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return group.Wait()
}

// peopleOf are those of the index who exist for the viewer, as they stand now, by id.
func (s *server) peopleOf(ctx context.Context, v *viewer) ([]*tallied, error) {
	shown, err := s.heads(ctx, v)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(shown, func(a, b record.Head) int {
		if a.ID < b.ID {
			return -1
		}
		return 1
	})
	s.numbers.mu.Lock()
	defer s.numbers.mu.Unlock()
	if err := s.count(ctx, shown); err != nil {
		return nil, err
	}
	list := make([]*tallied, 0, len(shown))
	for _, h := range shown {
		if p := s.numbers.known[h.ID]; p != nil {
			list = append(list, p)
		}
	}
	return list, nil
}

// count brings the index up to date for some candidates. The index is locked meanwhile.
func (s *server) count(ctx context.Context, heads []record.Head) error {
	if s.numbers.known == nil {
		s.numbers.known = map[string]*tallied{}
	}
	var stale []string
	for _, h := range heads {
		if p := s.numbers.known[h.ID]; p == nil || p.seq < h.Seq {
			stale = append(stale, h.ID)
		}
	}
	var adding sync.Mutex
	return s.reread(ctx, stale, func(c record.Candidate) error {
		p, err := s.tally(ctx, c)
		if err != nil {
			return err
		}
		adding.Lock()
		defer adding.Unlock()
		s.numbers.known[c.ID] = p
		return nil
	})
}

func (s *server) tally(ctx context.Context, c record.Candidate) (*tallied, error) {
	person, err := api.PersonOf(ctx, s.Store, s.Protocols, c)
	if err != nil {
		return nil, err
	}
	p := &tallied{seq: c.State.Seq, person: person, ended: c.State.Stage.Ended() || c.State.Died != ""}
	donors, err := api.Donors(ctx, s.Store, s.Protocols, s.Current, []record.Candidate{c}, c.State.AsOf)
	if err != nil || len(donors) == 0 {
		return p, err
	}
	own, err := s.Protocols.Get(ctx, c.Protocol)
	if err != nil {
		return nil, err
	}
	p.donor = &donors[0]
	if since, lost := c.State.Lost(own.Rules()); lost {
		p.lost = since.ID
	}
	for _, visit := range c.State.Visits {
		if due := followup.Due(own, visit); due != nil {
			if p.due == nil {
				p.due = map[string]string{}
			}
			p.due[visit.ID] = due.Title
		}
	}
	return p, nil
}
