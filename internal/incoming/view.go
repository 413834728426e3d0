package incoming

import (
	"context"
	"encoding/json"
	"errors"
	"slices"

	"candidacy/internal/reading"
	"candidacy/internal/record"
)

// View is a message as it is shown to a person who may have to decide.
type View struct {
	record.Incoming
	Outcome Outcome
	// Unreadable are why it can't be read now; then there are no groups.
	Unreadable []reading.Issue
	Groups     []GroupView
	// Done is what people did with it, in order.
	Done []record.IncomingAct
	// Can are the acts that are about the whole of it.
	Can []Act
}

// GroupView is what the message says of one person, as it is understood now, with
// what became of it.
type GroupView struct {
	reading.Group
	Part Part
	// Candidate is whom it was matched with or assigned to; nil for nobody.
	Candidate *record.Candidate
	// Numbers are all identifiers of the candidate.
	Numbers []reading.Identifier
	// OnRecord are the results as they stand, by the index of the group's own,
	// where they are the candidate's.
	OnRecord map[int]record.Reported
	Can      []Act
}

// Sight says which messages somebody may see.
type Sight struct {
	q          *Queue
	recipients map[string]bool
}

// SightOf is that of an account. Whoever cares for a recipient sees a message
// only when all of it is about candidates whom they may see: of one that is about
// nobody who is known it can't be told that it is not about their recipient's.
func (q *Queue) SightOf(ctx context.Context, account string) (Sight, error) {
	recipients, err := q.store.RecipientsOf(ctx, account)
	return Sight{q, recipients}, err
}

// Sees reports whether the message may be seen.
func (s Sight) Sees(ctx context.Context, m record.Incoming) (bool, error) {
	if len(s.recipients) == 0 {
		return true, nil
	}
	var parts []Part
	if err := json.Unmarshal(orList(m.Parts), &parts); err != nil || len(parts) == 0 {
		return false, nil //nolint:nilerr // what can't be told is not shown
	}
	for _, p := range parts {
		if p.Candidate == "" {
			return false, nil
		}
		c, err := s.q.store.Candidate(ctx, p.Candidate)
		if err != nil {
			return false, err
		}
		if c.Recipient != "" && s.recipients[c.Recipient] {
			return false, nil
		}
	}
	return true, nil
}

// List returns the messages in some states that an account may see, the longest
// waiting first, or the newest first.
func (q *Queue) List(ctx context.Context, account string, newest bool, limit int, states ...State) ([]record.Incoming, error) {
	sight, err := q.SightOf(ctx, account)
	if err != nil {
		return nil, err
	}
	read := q.store.Incomings
	if newest {
		read = q.store.LatestIncomings
	}
	found, err := read(ctx, limit, states...)
	if err != nil {
		return nil, err
	}
	var list []record.Incoming
	for _, m := range found {
		sees, err := sight.Sees(ctx, m)
		if err != nil {
			return nil, err
		}
		if sees {
			list = append(list, m)
		}
	}
	return list, nil
}

// mostCounted bounds how many messages are looked at one by one to be counted.
const mostCounted = 200

// Waiting counts the messages that wait for a person, as far as an account may
// see them.
func (q *Queue) Waiting(ctx context.Context, account string) (int, error) {
	sight, err := q.SightOf(ctx, account)
	if err != nil {
		return 0, err
	}
	if len(sight.recipients) > 0 {
		list, err := q.List(ctx, account, false, mostCounted, Held, Refused)
		return len(list), err
	}
	counts, err := q.store.CountIncoming(ctx)
	return counts[Held] + counts[Refused], err
}

// View returns a message for an account: record.ErrNotFound when there is none
// that it may see.
func (q *Queue) View(ctx context.Context, account, id string) (View, error) {
	m, err := q.store.Incoming(ctx, id)
	if err != nil {
		return View{}, err
	}
	sight, err := q.SightOf(ctx, account)
	if err != nil {
		return View{}, err
	}
	if sees, err := sight.Sees(ctx, m); err != nil {
		return View{}, err
	} else if !sees {
		return View{}, record.ErrNotFound
	}
	v := View{Incoming: m}
	if v.Outcome, err = OutcomeOf(m, false); err != nil {
		return v, err
	}
	if v.Done, err = q.store.IncomingActs(ctx, id); err != nil {
		return v, err
	}
	switch {
	case m.State.Open():
		v.Can = []Act{Again, SetAside}
	case m.State == Settled:
		v.Can = []Act{Again}
	}
	message, err := q.Read(m)
	var unreadable *reading.Unreadable
	if errors.As(err, &unreadable) {
		v.Unreadable = unreadable.Issues
		return v, nil
	}
	if err != nil {
		return v, err
	}
	for i, g := range message.Groups {
		shown := GroupView{Group: g, Part: Part{Place: g.Place, State: m.State}}
		if i < len(v.Outcome.Parts) {
			shown.Part = v.Outcome.Parts[i]
		}
		if err := q.complete(ctx, m, &shown); err != nil {
			return v, err
		}
		v.Groups = append(v.Groups, shown)
	}
	return v, nil
}

// complete adds what is on record to a group.
func (q *Queue) complete(ctx context.Context, m record.Incoming, g *GroupView) error {
	if g.Part.Candidate != "" {
		c, err := q.store.Candidate(ctx, g.Part.Candidate)
		if err != nil {
			return err
		}
		g.Candidate = &c
		numbers, err := q.numbers(ctx, c)
		if err != nil {
			return err
		}
		for _, n := range numbers {
			g.Numbers = append(g.Numbers, reading.Identifier{System: n.System, Value: n.Value})
		}
		g.OnRecord = map[int]record.Reported{}
		for n, r := range g.Results {
			known, err := q.store.ReportedBy(ctx, r.Identifier)
			if errors.Is(err, record.ErrNotFound) || err == nil && known.Candidate != c.ID {
				continue
			}
			if err != nil {
				return err
			}
			g.OnRecord[n] = known
		}
	}
	if !m.State.Open() || g.Part.State == Applied {
		return nil
	}
	has := func(kind reading.Kind) bool {
		return slices.ContainsFunc(g.Part.Issues, func(i reading.Issue) bool { return i.Kind == kind })
	}
	if len(g.Results) > 0 {
		g.Can = append(g.Can, Assign)
	}
	if has(reading.StatusConflict) {
		g.Can = append(g.Can, Accept)
	}
	if len(g.Issues) > 0 && len(g.Results) > 0 {
		g.Can = append(g.Can, Rest)
	}
	if has(reading.WrongPatient) {
		g.Can = append(g.Can, TakeBack)
	}
	return nil
}
