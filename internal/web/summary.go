package web

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// summaryModel is what a committee needs to know of a candidate, on one page or
// two.
type summaryModel struct {
	Name, Link, Number string
	Facts              []fact
	Values             []valueModel
	Flags              []flagModel
	Calm               int
	// Reviews are those that say more than that they support: the others are Plain.
	Reviews, Plain []reviewModel
	Conflicts      []conflictModel
	Questions      []questionModel
	Words          string
	WordsBy        string
	Expiring       []string
	Open           []string
	Waived         []string
	Risks          []riskModel
	Decisions      []decisionModel
	Protocol       string
	Forms          []form
	Meeting        string
}

// reviewModel is one review with what it found.
type reviewModel struct {
	Title, Position, Findings, Sign string
	Status                          template.HTML
	// Before says that something has come since.
	Before string
	// said holds for a review that a committee has to read.
	said bool
}

// conflictModel is one place where the evidence does not agree.
type conflictModel struct{ Kind, Text string }

type questionModel struct {
	Text, Asked string
	Open        bool
	Answers     []answerShown
}

type answerShown struct{ Text, By string }

// decisionModel is an earlier decision.
type decisionModel struct {
	What, When, Votes string
	Conditions        []string
	Reason            string
}

// expiresWithin is how soon what expires is worth a word to the committee.
const expiresWithin = 60

// summaryPage shows the summary of one candidate.
func (s *server) summaryPage(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	m, err := s.summary(c.Request().Context(), sc)
	if err != nil {
		return err
	}
	for _, kind := range committeeKinds {
		if slices.Contains(journey.Allowed(sc.candidate.State.Stage, sc.viewer.Role), kind) {
			if f := makeForm(sc, kind); f.Empty == "" {
				m.Forms = append(m.Forms, f)
			}
		}
	}
	p := page{Title: m.Name + ", summary for the committee", Body: m}
	p.Notice = doneNotice(c.QueryParam("done"))
	return s.render(c, http.StatusOK, "summary", p)
}

// committeeKinds are the commands that are given on the summary.
var committeeKinds = []journey.Kind{journey.AskQuestion, journey.AnswerQuestion, journey.RecordWords}

func summaryLink(candidate string) string { return "/candidates/" + candidate + "/committee" }

func (s *server) summary(ctx context.Context, sc scene) (summaryModel, error) {
	p, c, v := sc.protocol, sc.candidate, sc.viewer
	reader := v.reader()
	people, err := s.people(ctx)
	if err != nil {
		return summaryModel{}, err
	}
	var flags []protocol.Flag
	if err := json.Unmarshal(c.Flags, &flags); err != nil {
		return summaryModel{}, fmt.Errorf("the stored flags are unreadable: %w", err)
	}
	m := summaryModel{
		Name: v.name(c), Link: "/candidates/" + c.ID, Number: v.identifier(c),
		Facts: summaryFacts(sc, people), Protocol: p.Title + ", version " + p.Version + ", " + p.Digest()[:12],
	}
	report := p.Assess(activities.PersonOf(c), sc.results, sc.today)
	m.Values = derivedModels(p, reader.Derived(p, report.Derived))
	results := reader.Results(p, sc.results, sc.entries)
	shown := reader.Flags(p, flags)
	all := flagModels(p, c.State, shown)
	raised, calm := parted(all)
	m.Flags, m.Calm = raised, len(calm)
	for _, r := range reviewsOf(sc, people) {
		if r.said {
			m.Reviews = append(m.Reviews, r)
		} else {
			m.Plain = append(m.Plain, r)
		}
	}
	m.Conflicts = conflicts(sc, shown, results)
	for _, q := range questionsOf(sc.entries) {
		row := questionModel{Text: q.Text, Asked: personWord(people, q.By) + ", " + dayWord(journey.Date(q.When)), Open: len(q.Answers) == 0}
		for _, a := range q.Answers {
			row.Answers = append(row.Answers, answerShown{a.Text, personWord(people, a.By) + ", " + dayWord(journey.Date(a.When))})
		}
		m.Questions = append(m.Questions, row)
	}
	if e, words := ownWords(sc.entries); e.Seq > 0 {
		m.Words, m.WordsBy = words.Words, "Recorded by "+personWord(people, e.Actor)+", "+dayWord(journey.DateOf(e.OccurredAt, p.Zone()))
		if slices.Contains(reader.Withheld(p, e.Kind, e.Actor), "words") {
			m.Words = withheld
		}
	}
	for _, r := range c.State.Requirements {
		seen, replaced := reader.Requirement(p, r)
		rule, _ := p.Find(r.ID)
		switch {
		case seen.Status == journey.NotApplicable || rule.Gate == journey.ForOperation && seen.Status == journey.NotDue:
		case seen.Status == journey.Waived:
			m.Waived = append(m.Waived, titleOf(p, r.ID)+", until "+dayWord(seen.ValidUntil)+", "+personWord(people, seen.SignedBy))
		case !seen.InForce(sc.today):
			text := titleOf(p, r.ID) + " (" + lower(known(statusWords, seen.Status)) + ")"
			if replaced {
				text = titleOf(p, r.ID) + " (" + api.ByClinicians + ")"
			}
			m.Open = append(m.Open, text)
		case seen.ValidUntil != "" && sc.today.DaysUntil(seen.ValidUntil) <= expiresWithin:
			m.Expiring = append(m.Expiring, titleOf(p, r.ID)+", "+dayWord(seen.ValidUntil))
		}
	}
	if m.Risks, err = risksOf(sc, people); err != nil {
		return m, err
	}
	for _, e := range sc.entries {
		if e.Kind == journey.RecordDecision {
			m.Decisions = append(m.Decisions, decided(sc, e))
		}
	}
	return m, nil
}

func decided(sc scene, e record.Entry) decisionModel {
	var body activities.Decision
	read(e, &body)
	withholds := sc.viewer.reader().Withheld(sc.protocol, e.Kind, e.Actor)
	d := decisionModel{
		What: known(outcomeWords, body.Outcome), When: dayWord(journey.DateOf(e.OccurredAt, sc.protocol.Zone())), Reason: body.Reason,
	}
	if body.Side != "" {
		d.What += ", " + string(body.Side) + " kidney"
	}
	if body.ReReviewOn != "" {
		d.What += ", looked at again by " + dayWord(body.ReReviewOn)
	}
	if d.Reason != "" && slices.Contains(withholds, "reason") {
		d.Reason = withheld
	}
	if !slices.Contains(withholds, "votes") {
		d.Votes = votesWord(body.Votes)
	}
	for _, c := range body.Conditions {
		d.Conditions = append(d.Conditions, conditionText(c))
	}
	return d
}

func summaryFacts(sc scene, people map[string]string) []fact {
	c, v := sc.candidate, sc.viewer
	s := c.State
	list := []fact{{"Age and sex", fmt.Sprintf("%s, %s", plural(sc.today.WholeYears(c.Identity.BirthDate), "year"), c.Identity.Sex)}}
	if !v.knowsIdentity() {
		list = nil
	}
	list = append(list,
		fact{"Donation", c.Path},
		fact{"Stage", stageWord(s.Stage) + " since " + dayWord(s.Since)},
		fact{"Referred", dayWord(c.ReferredOn) + ", " + plural(c.ReferredOn.DaysUntil(sc.today), "day") + " ago"},
		fact{"Blood type", bloodWord(s.BloodType)},
		fact{"Requirements", requirementCounts(sc)},
	)
	if s.Advocate != "" {
		list = append(list, fact{"Advocate", personWord(people, s.Advocate)})
	}
	return list
}

// requirementCounts says how many requirements stand how.
func requirementCounts(sc scene) string {
	counts := map[journey.Status]int{}
	for _, r := range sc.candidate.State.Requirements {
		seen, _ := sc.viewer.reader().Requirement(sc.protocol, r)
		status := seen.Status
		if (status == journey.Met || status == journey.Waived) && !seen.InForce(sc.today) {
			status = journey.Expired
		}
		counts[status]++
	}
	var parts []string
	for _, status := range []journey.Status{
		journey.Met, journey.Waived, journey.NotMet, journey.NeedsReview, journey.Resulted, journey.Expired, journey.Due, journey.NotApplicable,
	} {
		if n := counts[status]; n > 0 {
			parts = append(parts, lower(known(statusWords, status))+" "+strconv.Itoa(n))
		}
	}
	return strings.Join(parts, ", ")
}

// lastReviews are the entries of the reviews that stand, by requirement.
func lastReviews(entries []record.Entry) map[string]record.Entry {
	last := map[string]record.Entry{}
	for _, e := range entries {
		if e.Kind != journey.RecordReview {
			continue
		}
		event, err := e.Decode()
		if err != nil {
			continue
		}
		for _, id := range event.Named() {
			last[id] = e
		}
	}
	return last
}

func reviewsOf(sc scene, people map[string]string) []reviewModel {
	p, reader := sc.protocol, sc.viewer.reader()
	last := lastReviews(sc.entries)
	// Those that nothing is decided without, and what they draw on.
	decisive := map[string]bool{}
	for _, rule := range p.Requirements {
		if rule.BeforeDecision || rule.ByAdvocate {
			for _, id := range slices.Concat(rule.Needs, []string{rule.ID}) {
				decisive[id] = true
			}
		}
	}
	var list []reviewModel
	for _, rule := range p.Requirements {
		state, ok := sc.candidate.State.Find(rule.ID)
		if rule.Evidence != journey.ByReview || !ok || state.Status == journey.NotApplicable || rule.Gate == journey.ForOperation {
			continue
		}
		seen, replaced := reader.Requirement(p, state)
		m := reviewModel{
			Title: rule.Title, Status: statusMark(seen.Status), Position: known(positionWords, seen.Position),
			said: decisive[rule.ID] || seen.Status != journey.Met || seen.Position != journey.Supports,
		}
		if replaced {
			m.Position = api.ByClinicians
		}
		if e, given := last[rule.ID]; given && seen.SignedBy != "" {
			var body command.RecordReview
			read(e, &body)
			m.Findings = body.Findings
			if m.Findings != "" && slices.Contains(reader.Withheld(p, e.Kind, e.Actor, rule.ID), "findings") {
				m.Findings = withheld
			}
			if text := structuredWord(p, ofReview(body.Structured, rule.ID)); text != "" {
				if slices.Contains(reader.Withheld(p, e.Kind, e.Actor, rule.ID), "structured") {
					text = "Structured findings: " + lower(withheld)
				}
				m.Findings, m.said = strings.TrimSpace(text+"\n"+m.Findings), true
			}
			m.Sign = personWord(people, seen.SignedBy) + ", " + dayWord(seen.SignedOn)
			if n := newerResults(sc, seen.SignedOn); n > 0 && sc.candidate.State.Decision == nil {
				m.Before = plural(n, "result") + " came after it"
			}
		}
		list = append(list, m)
	}
	return list
}

// newerResults counts what was collected after a day.
func newerResults(sc scene, day journey.Date) int {
	n := 0
	for _, r := range sc.results {
		if r.Status.Usable() && day.Before(journey.Date(r.CollectedOn)) {
			n++
		}
	}
	return n
}

// conflicts finds where the evidence does not agree: results among themselves,
// reviews with each other and with flags, what was waived or has become old, and
// numbers too close to a threshold to rely on their side of it. Flags and results
// are those that the viewer may see.
func conflicts(sc scene, flags []protocol.Flag, results []result.Result) []conflictModel {
	p, s, reader := sc.protocol, sc.candidate.State, sc.viewer.reader()
	var list []conflictModel
	add := func(kind, format string, args ...any) {
		list = append(list, conflictModel{kind, fmt.Sprintf(format, args...)})
	}
	if s.BloodType == journey.Disagree {
		add("Results disagree", "%s", bloodWord(s.BloodType))
	}
	for _, d := range p.Disagreements(results, sc.today) {
		parts := make([]string, len(d.Results))
		for i, r := range d.Results {
			parts[i] = fmt.Sprintf("%s on %s (%s)", valueWord(r.Value), dayWord(journey.Date(r.CollectedOn)), lower(bandWord(d.Bands[i])))
		}
		add("Results disagree", "%s: %s.", d.Title, strings.Join(parts, ", "))
	}
	var supports, against []string
	for _, r := range s.Requirements {
		seen, _ := reader.Requirement(p, r)
		rule, _ := p.Find(r.ID)
		switch {
		case rule.Evidence != journey.ByReview || seen.Status == journey.NotApplicable:
		case seen.Position == journey.Supports:
			supports = append(supports, rule.Title)
		case seen.Position == journey.Concerns, seen.Position == journey.Objects:
			against = append(against, rule.Title+" "+known(positionWords, seen.Position))
		}
	}
	if len(supports) > 0 && len(against) > 0 {
		add("Reviews disagree", "%s; %s.", strings.Join(against, ", "), plural(len(supports), "other review")+" in support")
	}
	for _, f := range flags {
		state, _ := s.Find(f.Requirement)
		seen, replaced := reader.Requirement(p, state)
		if f.Band == journey.Excludes && !replaced && seen.Status == journey.Met {
			add("Accepted against a flag", "%s excludes (%s, %s) and %s is signed as met.", f.Title, or(shownValue(f.Shown, f.Unit), "no value"), dayWord(f.Date), titleOf(p, f.Requirement))
		}
		if f.Near {
			add("Near a threshold", "%s: %s, %s.", f.Title, shownValue(f.Shown, f.Unit), strings.TrimSuffix(lower(ruleWord(f)), "."))
		}
		for _, r := range s.Requirements {
			rule, _ := p.Find(r.ID)
			review, _ := reader.Requirement(p, r)
			if rule.Evidence == journey.ByReview && rule.BeforeDecision && !rule.ByAdvocate && review.Position == journey.Supports &&
				(f.Band == journey.Excludes || f.Band == journey.Discussion) && review.SignedOn.Before(f.Date) {
				add("Review before the finding", "%s supports since %s; %s is of %s.", rule.Title, dayWord(review.SignedOn), f.Title, dayWord(f.Date))
			}
		}
	}
	for _, r := range s.Requirements {
		seen, _ := reader.Requirement(p, r)
		rule, _ := p.Find(r.ID)
		switch {
		case seen.Status == journey.Waived:
			add("Waived", "%s, until %s.", titleOf(p, r.ID), dayWord(seen.ValidUntil))
		case rule.Gate == journey.ForOperation:
		case seen.Status == journey.Expired || seen.Status == journey.Met && !seen.InForce(sc.today):
			add("Out of date", "%s.", titleOf(p, r.ID))
		}
	}
	order := []string{"Results disagree", "Reviews disagree", "Accepted against a flag", "Review before the finding", "Near a threshold", "Out of date", "Waived"}
	slices.SortStableFunc(list, func(a, b conflictModel) int {
		return cmp.Compare(slices.Index(order, a.Kind), slices.Index(order, b.Kind))
	})
	return list
}
