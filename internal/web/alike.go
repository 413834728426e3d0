package web

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/linkage"
	"candidacy/internal/record"
)

// alikeModel is one candidate on record who may be the person in question, side by side
// with them.
type alikeModel struct {
	Candidate string
	Name      string
	Link      string
	// Verdict is how strongly it speaks for one person, in words.
	Verdict string
	Likely  bool
	Rows    []alikeRow
	Reasons []alikeReason
	Score   string
	// Said are the reasons in one sentence.
	Said string
	// taken says that it is the same identifier.
	taken bool
}

// alikeRow is one line of the comparison.
type alikeRow struct {
	Label, Here, There string
	Differs            bool
}

// alikeReason is a reason with what it counts.
type alikeReason struct{ Text, Bits string }

// mostAlike bounds how many are shown: whoever looks at more looks at none.
const mostAlike = 20

// alike finds the candidates whom the viewer may see and who may be the person, the most
// likely first. Whoever cares for a recipient is told nothing of that recipient's
// candidate, not even that somebody has to look: to know that a referral is held up would
// be to know that the person is a candidate. Such a pair is shown to every other
// coordinator, on the page of the new candidate.
func (s *server) alike(ctx context.Context, v *viewer, who record.Identity, except string) ([]alikeModel, error) {
	here := personOf(who)
	block, err := linkage.BlockOf(here.Born)
	if err != nil {
		return nil, err
	}
	found := map[string]linkage.Comparison{}
	err = s.Store.Near(ctx, block.From, block.To, block.Days, here.Identifier, func(k record.Known) {
		if c := linkage.Compare(here, personOf(k.Identity)); c.IsPossible() && k.Candidate != except {
			found[k.Candidate] = c
		}
	})
	if err != nil || len(found) == 0 {
		return nil, err
	}
	ids := make([]string, 0, len(found))
	for id := range found {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b string) int {
		return cmp.Or(cmp.Compare(found[b].Score, found[a].Score), strings.Compare(a, b))
	})
	people, err := s.shown(ctx, v, ids[:min(len(ids), mostAlike)])
	if err != nil {
		return nil, err
	}
	list := make([]alikeModel, 0, len(people))
	for _, c := range people {
		list = append(list, alikeOf(v, who, c, found[c.ID]))
	}
	return list, nil
}

func personOf(i record.Identity) linkage.Person {
	return linkage.Person{
		Given: i.Given, Family: i.Family, Born: string(i.BirthDate), Sex: i.Sex, System: i.Identifier.System, Identifier: i.Identifier.Value,
	}
}

func identityOf(b *command.Referral) record.Identity {
	return record.Identity{Given: b.Given, Family: b.Family, BirthDate: b.BirthDate, Sex: b.Sex, Identifier: b.Identifier}
}

func alikeOf(v *viewer, who record.Identity, c record.Candidate, found linkage.Comparison) alikeModel {
	m := alikeModel{
		Candidate: c.ID, Name: v.name(c), Link: "/candidates/" + c.ID, Likely: found.IsLikely(), Score: fmt.Sprintf("%+d", found.Score),
		Verdict: "Possibly the same person", taken: who.Identifier == c.Identity.Identifier,
	}
	if m.Likely {
		m.Verdict = "Probably the same person"
	}
	line := func(label, here, there string) {
		m.Rows = append(m.Rows, alikeRow{label, here, there, here != there})
	}
	on := c.Identity
	line("Family name", who.Family, on.Family)
	line("Given names", who.Given, on.Given)
	line("Birth date", dayWord(who.BirthDate), dayWord(on.BirthDate))
	line("Sex for laboratory equations", who.Sex, on.Sex)
	line("Hospital identifier", who.Identifier.Value, on.Identifier.Value)
	line("Stage", "", stageWord(c.State.Stage))
	m.Rows[len(m.Rows)-1].Differs = false
	if who.Identifier.System != on.Identifier.System {
		line("Numbering system", who.Identifier.System, on.Identifier.System)
	}
	for _, r := range found.Reasons {
		m.Said = joined(m.Said, r.Text)
		m.Reasons = append(m.Reasons, alikeReason{Text: r.Text, Bits: strings.ReplaceAll(fmt.Sprintf("%+d", r.Bits), "-", "−")})
	}
	m.Said = capital(m.Said)
	return m
}

// notYetSame lists who may be the same person as a candidate whose work has not begun, for
// coordinators, but for those of whom it was said at the referral that they are others.
func (s *server) notYetSame(ctx context.Context, sc scene) ([]alikeModel, error) {
	c, v := sc.candidate, sc.viewer
	if v.Role != journey.Coordinator || c.State.Stage != journey.Referral && c.State.Stage != journey.Screening {
		return nil, nil
	}
	list, err := s.alike(ctx, v, c.Identity, c.ID)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	said := map[string]bool{}
	for _, id := range append([]string{c.ID}, idsIn(list)...) {
		// Either of the two may be the one who was referred later.
		entries, err := s.Store.EntriesOf(ctx, id, journey.Refer)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			var body command.Referral
			read(e, &body)
			for _, other := range body.DistinctFrom {
				said[id+" "+other] = true
			}
		}
	}
	return slices.DeleteFunc(list, func(m alikeModel) bool {
		return said[c.ID+" "+m.Candidate] || said[m.Candidate+" "+c.ID]
	}), nil
}

func idsIn(list []alikeModel) []string {
	ids := make([]string, len(list))
	for i, m := range list {
		ids[i] = m.Candidate
	}
	return ids
}
