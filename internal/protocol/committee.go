package protocol

import (
	"fmt"
	"slices"
	"strings"
	"text/template"
	"text/template/parse"

	"candidacy/internal/journey"
)

// Committee is how the selection committee votes. Who has to be there is said by
// the seats of the quorum.
type Committee struct {
	// Members are the roles whose people vote. Others may attend and speak.
	Members []journey.Role `yaml:"members" doc:"roles whose people vote; others attend and speak"`
	// Quorum is how many members have to be there without a conflict of interest.
	Quorum   int      `yaml:"quorum" doc:"members who have to be there without a conflict of interest, and to vote"`
	Majority Majority `yaml:"majority" doc:"share of the votes that an approval or a decline needs"`
	// ByMeeting refuses a decision that no meeting voted on.
	ByMeeting bool `yaml:"by_meeting" doc:"a decision is recorded only from a meeting that voted on it"`
	// TwoPeople wants another person to record the decision than the one who
	// closed the vote.
	TwoPeople bool   `yaml:"two_people" doc:"another person records the decision than the one who closed the vote"`
	Source    string `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Majority is the share of the votes that a decision needs.
type Majority string

// The majorities.
const (
	MoreThanHalf Majority = "more-than-half"
	TwoThirds    Majority = "two-thirds"
	Unanimous    Majority = "unanimous"
)

// Majorities lists them.
var Majorities = []Majority{MoreThanHalf, TwoThirds, Unanimous}

// Reached reports whether so many of all votes are enough. No vote is none.
func (m Majority) Reached(votes, of int) bool {
	switch m {
	case TwoThirds:
		return of > 0 && 3*votes >= 2*of
	case Unanimous:
		return of > 0 && votes == of
	default:
		return 2*votes > of
	}
}

// voters are the roles that may be members: those who judge. The advocate and the
// coordinator speak for the candidate and for the plan, and don't vote.
var voters = []journey.Role{journey.CommitteeRole, journey.Clinician}

// Voting is how the committee votes by this protocol. One from before there was a
// choice wants more than half of three members.
func (p *Protocol) Voting() Committee {
	if p.Committee == nil {
		return Committee{Members: voters, Quorum: 3, Majority: MoreThanHalf}
	}
	c := *p.Committee
	if c.Majority == "" {
		c.Majority = MoreThanHalf
	}
	return c
}

func (p *Protocol) checkCommittee(fail func(string, ...any)) {
	for _, r := range p.Requirements {
		if journey.IsImposed(r.ID) {
			fail("requirements.%s: ids of this form are those of conditions of an approval", r.ID)
		}
	}
	p.checkLetters(fail)
	c := p.Committee
	if c == nil {
		return
	}
	if len(c.Members) == 0 {
		fail("committee.members: missing")
	}
	for i, role := range c.Members {
		if !slices.Contains(voters, role) || slices.Contains(c.Members[:i], role) {
			fail("committee.members: accepted: %v, each once; the advocate and the coordinator speak and do not vote", journey.Words(voters))
		}
	}
	if c.Quorum < 1 || c.Quorum > 50 {
		fail("committee.quorum: accepted: 1 to 50")
	}
	if c.Majority != "" && !slices.Contains(Majorities, c.Majority) {
		fail("committee.majority: accepted: %v", Majorities)
	}
	if c.Source == "" {
		fail("committee.source: missing")
	}
}

// Letter is the text of a letter to a candidate. Whoever sends one may change it
// for the person that it goes to.
type Letter struct {
	ID string `yaml:"id"`
	// For is what the letter tells of.
	For   LetterFor `yaml:"for"`
	Title string    `yaml:"title"`
	// Text has paragraphs apart by empty lines, and places in double braces.
	Text string `yaml:"text" doc:"paragraphs apart by empty lines; places: {{.Name}}, {{.Date}}, {{.Until}}, {{.Side}}, {{.Conditions}}"`
}

// LetterFor is what a letter tells of.
type LetterFor string

// What letters tell of.
const (
	LetterOfApproval   LetterFor = "approval"
	LetterOfDeferral   LetterFor = "deferral"
	LetterOfDecline    LetterFor = "decline"
	LetterOfWithdrawal LetterFor = "withdrawal"
)

// LettersFor lists them.
var LettersFor = []LetterFor{LetterOfApproval, LetterOfDeferral, LetterOfDecline, LetterOfWithdrawal}

// LetterFacts are what the places of a letter are filled with. There is none for
// the reason of a decision: whoever writes the letter adds it, if they want to.
type LetterFacts struct {
	// Name is the candidate's, Date the day of the letter, Until the last day of an
	// approval or the day of another review, all for reading.
	Name, Date, Until string
	// Side is the kidney that an approval names.
	Side string
	// Conditions are those of an approval.
	Conditions []string
}

// letterPlaces are the fields of LetterFacts, by what the letter tells of: of a
// decline and a withdrawal nothing is filled in but name and day.
var letterPlaces = map[LetterFor][]string{
	LetterOfApproval: {"Name", "Date", "Until", "Side", "Conditions"}, LetterOfDeferral: {"Name", "Date", "Until"},
	LetterOfDecline: {"Name", "Date"}, LetterOfWithdrawal: {"Name", "Date"},
}

// Letter returns the text for what happened.
func (p *Protocol) Letter(of LetterFor) (Letter, bool) {
	for _, l := range p.Letters {
		if l.For == of {
			return l, true
		}
	}
	return Letter{}, false
}

// Fill puts the facts in the places of the text.
func (l Letter) Fill(facts LetterFacts) (string, error) {
	t, err := template.New(l.ID).Parse(l.Text)
	if err != nil {
		return "", fmt.Errorf("letter %s: %w", l.ID, err)
	}
	var b strings.Builder
	if err := t.Execute(&b, facts); err != nil {
		return "", fmt.Errorf("letter %s: %w", l.ID, err)
	}
	return strings.TrimSpace(b.String()) + "\n", nil
}

func (p *Protocol) checkLetters(fail func(string, ...any)) {
	seen := map[LetterFor]bool{}
	ids := map[string]bool{}
	for _, l := range p.Letters {
		at := "letters." + l.ID
		if !identifier.MatchString(l.ID) || ids[l.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[l.ID] = true
		if !slices.Contains(LettersFor, l.For) || seen[l.For] {
			fail("%s.for: accepted: %v, each once", at, LettersFor)
		}
		seen[l.For] = true
		if l.Title == "" || strings.TrimSpace(l.Text) == "" {
			fail("%s: title and text are needed", at)
		}
		t, err := template.New("text").Parse(l.Text)
		if err != nil {
			fail("%s.text: %w", at, err)
			continue
		}
		for _, place := range places(t.Root) {
			if !slices.Contains(letterPlaces[l.For], place) {
				fail("%s.text: there is no place %q; accepted: %v", at, place, letterPlaces[l.For])
			}
		}
		if _, err := l.Fill(LetterFacts{Conditions: []string{"x"}}); err != nil {
			fail("%s.text: %w", at, err)
		}
	}
}

// places names the fields that a template asks for.
func places(n parse.Node) []string {
	var list []string
	switch n := n.(type) {
	case *parse.ListNode:
		if n == nil {
			return nil
		}
		for _, child := range n.Nodes {
			list = append(list, places(child)...)
		}
	case *parse.ActionNode:
		list = places(n.Pipe)
	case *parse.PipeNode:
		if n == nil {
			return nil
		}
		for _, command := range n.Cmds {
			for _, argument := range command.Args {
				list = append(list, places(argument)...)
			}
		}
	case *parse.FieldNode:
		list = append(list, strings.Join(n.Ident, "."))
	case *parse.IfNode:
		list = slices.Concat(places(n.Pipe), places(n.List), places(n.ElseList))
	case *parse.RangeNode:
		list = slices.Concat(places(n.Pipe), places(n.List), places(n.ElseList))
	case *parse.WithNode:
		list = slices.Concat(places(n.Pipe), places(n.List), places(n.ElseList))
	}
	return list
}

// WithConditions is the protocol with the requirements that a decision imposed on
// one candidate. The texts say what each asks for; without one it has a number.
func (p *Protocol) WithConditions(imposed []journey.Imposed, texts map[string]string) *Protocol {
	if len(imposed) == 0 {
		return p
	}
	q := *p
	q.Requirements = slices.Clip(q.Requirements)
	for _, i := range imposed {
		title := fmt.Sprintf("Condition %d of the approval", journey.ImposedNumber(i.ID))
		if text := texts[i.ID]; text != "" {
			title = text
		}
		performer := Performer("")
		if i.Signer == journey.Advocate {
			performer = "advocate"
		}
		q.Requirements = append(q.Requirements, Requirement{
			ID: i.ID, Title: title, Domain: conditionDomain, Gate: i.Gate, Evidence: i.Evidence, Signer: i.Signer, ByAdvocate: i.ByAdvocate,
			SecondSignature: i.SecondSignature, Performer: performer, Source: "decision of the selection committee",
		})
	}
	q.rules = p.rules.With(imposed)
	return &q
}

const conditionDomain = "committee"
