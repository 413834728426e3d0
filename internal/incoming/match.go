package incoming

import (
	"context"
	"errors"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// match finds the candidate of a group by identifiers, and holds everything else
// that the group says of the person against what is on record. A candidate whom
// the sender may not know of is not found. The candidate is returned with the
// issues, so that a person sees whom it was compared with.
func (q *Queue) match(ctx context.Context, actor string, g reading.Group) (record.Candidate, []reading.Issue, error) {
	var none record.Candidate
	found, err := q.find(ctx, g.Identifiers)
	if err != nil {
		return none, nil, err
	}
	switch {
	case len(found) > 1:
		return none, []reading.Issue{{Kind: reading.SeveralCandidates, Location: g.Place, Problem: "the identifiers are those of different candidates"}}, nil
	case len(found) == 0:
		return none, []reading.Issue{noCandidate(g)}, nil
	}
	c, err := q.store.Candidate(ctx, found[0])
	if err != nil {
		return none, nil, err
	}
	// Whoever cares for the recipient is not told that there is a candidate.
	conflict, err := q.store.OnRecipientTeam(ctx, c.Recipient, actor)
	if err != nil {
		return none, nil, err
	}
	if conflict {
		return none, []reading.Issue{noCandidate(g)}, nil
	}
	issues, err := q.verify(ctx, c, g)
	return c, issues, err
}

func noCandidate(g reading.Group) reading.Issue {
	return reading.Issue{Kind: reading.NoCandidate, Location: g.Place, Problem: "no candidate on record has the identifier"}
}

// find returns the candidates whose numbers the identifiers are, each once.
func (q *Queue) find(ctx context.Context, identifiers []reading.Identifier) ([]string, error) {
	var found []string
	for _, id := range identifiers {
		if id.System == "" || id.Value == "" {
			continue
		}
		candidate, err := q.subject(ctx, id.Subject())
		if errors.Is(err, record.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if !slices.Contains(found, candidate) {
			found = append(found, candidate)
		}
	}
	return found, nil
}

// verify lists what a group says of the person that does not agree with the
// candidate.
func (q *Queue) verify(ctx context.Context, c record.Candidate, g reading.Group) ([]reading.Issue, error) {
	var issues []reading.Issue
	differs := func(kind reading.Kind, problem string) {
		issues = append(issues, reading.Issue{Kind: kind, Location: g.Place, Problem: problem})
	}
	own, err := q.numbers(ctx, c)
	if err != nil {
		return nil, err
	}
	if otherNumber(own, g.Identifiers) {
		differs(reading.IdentifierDiffers, "another number of the same authority is not the candidate's")
	}
	if !sameName(g.Person, c.Identity) {
		differs(reading.NameDiffers, "the name is not that of the candidate who has the identifier")
	}
	if !sameBirthDate(g.Person.BirthDate, c.Identity.BirthDate) {
		differs(reading.BirthDateDiffers, "the date of birth is not that of the candidate who has the identifier")
	}
	for _, order := range g.Orders {
		owner, err := q.orderOwner(ctx, order)
		if err != nil {
			return nil, err
		}
		if owner != "" && owner != c.ID {
			differs(reading.OrderDiffers, "the order is another candidate's")
			break
		}
	}
	return issues, nil
}

// numbers are all that are known of a candidate.
func (q *Queue) numbers(ctx context.Context, c record.Candidate) ([]result.Identifier, error) {
	further, err := q.store.FurtherIdentifiers(ctx, c.ID)
	if err != nil {
		return nil, err
	}
	own := []result.Identifier{c.Identity.Identifier}
	for _, f := range further {
		own = append(own, f.Identifier)
	}
	return own, nil
}

// otherNumber reports whether the message gives numbers of an authority whose
// number of the candidate is known, and none of them is it.
func otherNumber(own []result.Identifier, given []reading.Identifier) bool {
	for _, id := range given {
		known := slices.ContainsFunc(own, func(o result.Identifier) bool { return o.System == id.System })
		agrees := slices.ContainsFunc(given, func(g reading.Identifier) bool {
			return g.System == id.System && slices.Contains(own, g.Subject())
		})
		if known && !agrees {
			return true
		}
	}
	return false
}

func (q *Queue) orderOwner(ctx context.Context, order reading.Order) (string, error) {
	if order.Placer == "" {
		return "", nil
	}
	owner, err := q.store.OrderOwner(ctx, result.Identifier{System: order.PlacerSystem, Value: order.Placer})
	if errors.Is(err, record.ErrNotFound) {
		return "", nil
	}
	return owner, err
}

// sameBirthDate compares what is given: a year, or a year and a month, agrees
// with any day in it.
func sameBirthDate(given string, known journey.Date) bool {
	return given == "" || given == string(known) || (len(given) == 4 || len(given) == 7) && strings.HasPrefix(string(known), given+"-")
}

// sameName compares what is given of a name. Case, accents and what is between
// words do not count; of several given names the shorter list counts.
func sameName(given reading.Person, known record.Identity) bool {
	if given.Family != "" && !anyForm(given.Family, known.Family, func(a, b []string) bool {
		return strings.Join(a, "") == strings.Join(b, "")
	}) {
		return false
	}
	return given.Given == "" || anyForm(given.Given, known.Given, func(a, b []string) bool {
		n := min(len(a), len(b))
		// A hyphen may be a blank, or nothing.
		return n > 0 && slices.Equal(a[:n], b[:n]) || strings.Join(a, "") == strings.Join(b, "")
	})
}

// anyForm compares two names in each of the ways in which letters beyond ASCII
// are written without them.
func anyForm(a, b string, same func(a, b []string) bool) bool {
	for _, x := range forms(a) {
		for _, y := range forms(b) {
			if len(x) > 0 && len(y) > 0 && same(x, y) {
				return true
			}
		}
	}
	return false
}

// Letters that no accent is taken off of, and German and Nordic ones in two
// letters: common practice of machines that know ASCII only.
var (
	plainLetters = strings.NewReplacer("ß", "ss", "æ", "ae", "œ", "oe", "ø", "o", "đ", "d", "ð", "d", "ł", "l", "þ", "th", "ı", "i")
	twoLetters   = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "å", "aa", "ø", "oe", "ß", "ss", "æ", "ae", "œ", "oe", "đ", "dj", "ð", "d", "ł", "l", "þ", "th", "ı", "i")
)

func forms(name string) [][]string {
	lower := norm.NFC.String(strings.ToLower(name))
	return [][]string{words(plainLetters.Replace(lower)), words(twoLetters.Replace(lower))}
}

// words are the runs of letters, without accents. An apostrophe is part of a
// word and does not count.
func words(text string) []string {
	var b strings.Builder
	for _, r := range norm.NFD.String(text) {
		switch {
		case unicode.Is(unicode.Mn, r) || r == '\'' || r == '’' || r == '`':
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		default:
			b.WriteRune(' ')
		}
	}
	return strings.Fields(b.String())
}
