package protocol

import (
	"slices"

	"cel.dev/cel-go/cel"

	"candidacy/internal/journey"
)

// Items lists the checklist of a requirement: the disclosures of a consent, or
// the duties behind the advocate's review.
func (p *Protocol) Items(requirement string) []Item {
	var list []Item
	for _, item := range slices.Concat(p.Disclosures, p.AdvocateDuties) {
		if item.Requirement == requirement {
			list = append(list, item)
		}
	}
	return list
}

// Item finds a disclosure or a duty by its id.
func (p *Protocol) Item(id string) (Item, bool) {
	for _, list := range [][]Item{p.Disclosures, p.AdvocateDuties} {
		if i := slices.IndexFunc(list, func(item Item) bool { return item.ID == id }); i >= 0 {
			return list[i], true
		}
	}
	return Item{}, false
}

func (p *Protocol) items(requirement string) []journey.Item {
	var list []journey.Item
	for _, item := range p.Items(requirement) {
		list = append(list, journey.Item{ID: item.ID, Conditional: item.When != ""})
	}
	return list
}

// checkItems checks both checklists. Their ids are distinct from those of the
// requirements, because conditions are answered by id.
func (p *Protocol) checkItems(fail func(string, ...any), env *cel.Env, seen map[string]bool) {
	for _, list := range []struct {
		part  string
		items []Item
		fits  func(Requirement) bool
		needs string
	}{
		{"disclosures", p.Disclosures, func(r Requirement) bool { return r.Evidence == journey.ByConsent }, "a requirement met by consent"},
		{"advocate_duties", p.AdvocateDuties, func(r Requirement) bool { return r.ByAdvocate }, "a review by the advocate"},
	} {
		for i := range list.items {
			item := &list.items[i]
			at := list.part + "." + item.ID
			if !identifier.MatchString(item.ID) || seen[item.ID] {
				fail("%s: the id is not unique, also among requirements, or not a word of a-z, 0-9 and hyphens", at)
			}
			seen[item.ID] = true
			if r, ok := p.Find(item.Requirement); !ok || !list.fits(r) {
				fail("%s.requirement: needs %s", at, list.needs)
			}
			if item.Title == "" || item.Source == "" {
				fail("%s: title and source are needed", at)
			}
			if item.When == "" || env == nil {
				continue
			}
			var err error
			if item.condition, err = compileCondition(env, p.Facts, item.When); err != nil {
				fail("%s.when: %w", at, err)
			}
		}
	}
}

// checkRepetition checks what makes evidence insufficient before it expires.
func (p *Protocol) checkRepetition(fail func(string, ...any), at string, r Requirement) {
	if r.Performer != "" && !slices.Contains(Performers, r.Performer) {
		fail("%s.performer: accepted: %v", at, Performers)
	}
	if r.OperationDays < 0 || r.OperationDays > 3660 {
		fail("%s.operation_days: accepted: 0 to 3660", at)
	}
	if r.Occasions < 0 || r.Occasions > 20 || r.Occasions > 0 && r.Evidence != journey.ByResult {
		fail("%s.occasions: accepted: 1 to 20 days of results", at)
	}
	if len(r.RenewedBy) > 0 && r.Evidence != journey.ByResult {
		fail("%s.renewed_by: only a requirement met by results is renewed by a fact", at)
	}
	for _, id := range r.RenewedBy {
		if !slices.ContainsFunc(p.Facts, func(f Fact) bool { return f.ID == id }) {
			fail("%s.renewed_by: there is no fact %q", at, id)
		}
	}
}

func (p *Protocol) checkRecovery(fail func(string, ...any)) {
	for i, r := range p.Reminders {
		if !slices.Contains(journey.Remindable, r.Of) {
			fail("reminders[%d].of: accepted: %v", i, journey.Remindable)
		}
		if len(r.DaysBefore) == 0 || slices.ContainsFunc(r.DaysBefore, func(days int) bool { return days < 1 || days > 366 }) {
			fail("reminders[%d].days_before: accepted: 1 to 366", i)
		}
	}
	p.checkMilestones(fail)
	p.checkContacts(fail)
	p.checkMedicines(fail)
	if p.ApprovedBy != "" || p.ApprovedOn != "" {
		if _, err := journey.ParseDate(string(p.ApprovedOn)); err != nil || p.ApprovedBy == "" {
			fail("approved_on: an approval has a name and a calendar date YYYY-MM-DD")
		}
	}
	if p.EffectiveFrom != "" {
		if _, err := journey.ParseDate(string(p.EffectiveFrom)); err != nil {
			fail("effective_from: not a calendar date YYYY-MM-DD")
		}
	}
}
