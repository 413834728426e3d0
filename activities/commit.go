// Package activities holds the side effects that the candidate workflow asks
// for. There is one that matters: Commit, which writes a command with
// everything that follows from it in a single transaction.
package activities

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.temporal.io/sdk/activity"
	"go.temporal.io/sdk/temporal"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// Activities are the side effects with what they need.
type Activities struct {
	Store     *record.Store
	Protocols *protocol.Registry
	Publisher Publisher
}

// CommitInput asks for one command to be written.
type CommitInput struct {
	Command journey.Command `json:"command"`
	// Protocol is the version the candidate is pinned to.
	Protocol string `json:"protocol"`
	// Seq is the number of the last entry that the workflow knows.
	Seq int64 `json:"seq"`
}

// Committed is what became of a command.
type Committed struct {
	// Events are the deadlines that passed before the command, and the command.
	Events []journey.Event   `json:"events"`
	Next   *journey.Upcoming `json:"next,omitempty"`
	// State is set when the record is ahead of the workflow, which then goes on
	// from here; Rules with it when the candidate was moved to another protocol.
	State *journey.State `json:"state,omitempty"`
	Rules *journey.Rules `json:"rules,omitempty"`
}

// Commit writes the command's entry, the projections and the published
// resources in one transaction. It is idempotent by the command's id, so that
// the engine may retry it without limit. A refusal is a non-retryable
// application error that carries the *journey.Refusal.
func (a *Activities) Commit(ctx context.Context, in CommitInput) (Committed, error) {
	defer beat(ctx)()
	return a.commit(ctx, in, in.Protocol)
}

// commit writes the command by the rules of a protocol version. When the record
// has the candidate on another one, that is tried instead.
func (a *Activities) commit(ctx context.Context, in CommitInput, version string) (Committed, error) {
	p, err := a.Protocols.Get(ctx, version)
	if err != nil {
		return Committed{}, err
	}
	target, err := a.target(ctx, in.Command)
	if err != nil {
		return Committed{}, Refuse(err)
	}
	built := false
	var draft record.Draft
	_, err = a.Store.Append(ctx, in.Command.Candidate, in.Command.ID, func(tx *record.Tx) (record.Draft, error) {
		built = true
		var err error
		draft, err = a.draft(tx, p, target, in)
		return draft, err
	})
	var other *pinnedElsewhere
	switch {
	case err == nil && built:
		out := Committed{Events: append(draft.Earlier, draft.Event), Next: draft.Next}
		if out.Events[0].Seq != in.Seq+1 {
			out.State = &draft.State
			rules := journey.RulesAfter(p.Rules(), draft.Event)
			out.Rules = &rules
		}
		return out, nil
	case err == nil:
		// The command was on record already.
		return a.current(ctx, in)
	case errors.As(err, &other):
		return a.commit(ctx, in, other.version)
	case errors.Is(err, errBehind), in.Command.Kind == journey.Elapse && Refused(err) != nil:
		// The record is ahead, or nothing has passed as far as it knows.
		return a.current(ctx, in)
	default:
		return Committed{}, Refuse(err)
	}
}

// beatEvery is well below the workflow's heartbeat timeout.
const beatEvery = time.Second

// beat tells the engine that a long commit is alive, so that a killed one is
// tried again soon and a slow one is left to finish.
func beat(ctx context.Context) (stop func()) {
	if !activity.IsActivity(ctx) {
		return func() {}
	}
	done := make(chan struct{})
	go func() {
		ticker := time.NewTicker(beatEvery)
		defer ticker.Stop()
		for {
			select {
			case <-ticker.C:
				activity.RecordHeartbeat(ctx)
			case <-done:
				return
			}
		}
	}()
	return func() { close(done) }
}

// errBehind says that the workflow asks from a state that the record has left.
var errBehind = errors.New("the record is ahead of the workflow")

// current lets the workflow go on from the record.
func (a *Activities) current(ctx context.Context, in CommitInput) (Committed, error) {
	r, err := a.Store.Resumable(ctx, in.Command.Candidate)
	if err != nil {
		return Committed{}, fmt.Errorf("read back the candidate: %w", err)
	}
	out := Committed{State: &r.State, Next: r.Next}
	if r.Protocol != in.Protocol {
		p, err := a.Protocols.Get(ctx, r.Protocol)
		if err != nil {
			return Committed{}, err
		}
		rules := p.Rules()
		out.Rules = &rules
	}
	return out, nil
}

// Refuse turns a refusal into the application error that carries it through
// the engine. Other errors pass unchanged and are retried.
func Refuse(err error) error {
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) {
		return err
	}
	return temporal.NewNonRetryableApplicationError(refusal.Error(), string(refusal.Code), nil, refusal)
}

// Refused returns the refusal that an error carries, nil when there is none.
func Refused(err error) *journey.Refusal {
	var refusal *journey.Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	var app *temporal.ApplicationError
	if errors.As(err, &app) && app.HasDetails() && app.Details(&refusal) == nil && refusal != nil && refusal.Code != "" {
		return refusal
	}
	return nil
}

func (a *Activities) draft(tx *record.Tx, p, target *protocol.Protocol, in CommitInput) (record.Draft, error) {
	rules := p.Rules()
	state, pinned, err := tx.Standing()
	if err != nil {
		return record.Draft{}, err
	}
	if pinned != "" && pinned != p.Version {
		return record.Draft{}, &pinnedElsewhere{pinned}
	}
	if in.Command.Kind == journey.Elapse {
		if in.Seq != state.Seq {
			return record.Draft{}, errBehind
		}
		if err := journey.Check(rules, state, in.Command); err != nil {
			return record.Draft{}, err
		}
	}
	before := state
	earlier, state := elapsed(rules, state, in.Command, p.Zone())
	c := commit{tx: tx, from: p, protocol: p, command: in.Command, state: state}
	elapse := in.Command.Kind == journey.Elapse
	if elapse {
		c.event, earlier = earlier[len(earlier)-1], earlier[:len(earlier)-1]
	} else {
		if err := journey.Check(rules, state, in.Command); err != nil {
			return record.Draft{}, err
		}
		if target != nil {
			c.protocol = target
		}
		c.event = journey.Event{
			Command: in.Command, Seq: state.Seq + 1, Clocks: journey.Clocks(rules, state, in.Command, c.protocol.Zone()),
		}
		if in.Command.Kind != journey.EndBackEntry {
			if err := c.staged(); err != nil {
				return record.Draft{}, err
			}
		}
	}
	if err := c.carryOut(); err != nil {
		return record.Draft{}, err
	}
	next := state
	if !elapse {
		next = journey.Apply(rules, state, c.event)
	}
	rules = c.protocol.Rules()
	c.event.Bands = c.bandChanges(next)
	c.event.Plan = planChanges(p.Rules(), rules, state, next, c.report)
	snapshot, err := c.snapshot(next)
	if err != nil {
		return record.Draft{}, err
	}
	resources, err := a.Publisher.Publish(snapshot)
	if err != nil {
		// It would fail again and again, and hold the candidate up for ever.
		return record.Draft{}, &journey.Refusal{Code: journey.Invalid, Message: "what is recorded can't be published: " + err.Error()}
	}
	flags, err := json.Marshal(c.report.Flags)
	if err != nil {
		return record.Draft{}, fmt.Errorf("encode flags: %w", err)
	}
	draft := record.Draft{
		Earlier: earlier, Event: c.event, Body: c.body, CommandHash: c.hash, State: next, Flags: flags,
		Next: journey.NextDue(rules, next, c.protocol.Zone()), Results: c.changed, Outdated: c.outdated, Confirmed: c.confirmed, Resources: resources, Link: c.link,
	}
	draft.Contact, draft.Meeting, draft.Decided = c.details, c.meeting, c.decided
	draft.Questionnaire = c.questionnaire
	if draft.Questionnaire == nil && state.Questionnaire != "" && next.Questionnaire == "" {
		draft.Questionnaire = &record.QuestionnaireChange{Sent: in.Command.Kind == journey.AnswerQuestionnaire}
	}
	draft.Notices = notices(c.protocol, before, next, append(slices.Clone(earlier), c.event))
	if target != nil {
		draft.Protocol = target.Version
	}
	if in.Command.Kind == journey.RecordRecipient {
		draft.Recipient = c.referral.Recipient
	}
	if in.Command.Kind == journey.Refer {
		draft.Refer = &c.referral
	}
	return draft, nil
}

// planChanges lists the requirements that came or went, with the facts and the
// flags that their condition was asked with. A move to other rules brings and
// takes some by itself.
func planChanges(from, to journey.Rules, before, after journey.State, report protocol.Report) []journey.PlanChange {
	if before.Stage == "" {
		return nil
	}
	rules := to.Requirements
	if from.Version != to.Version {
		rules = slices.Clone(rules)
		for _, rule := range from.Requirements {
			if _, kept := to.Requirement(rule.ID); !kept {
				rules = append(rules, rule)
			}
		}
	}
	var changes []journey.PlanChange
	for _, rule := range rules {
		if before.Applies(rule.ID) == after.Applies(rule.ID) {
			continue
		}
		change := journey.PlanChange{Requirement: rule.ID, Applies: after.Applies(rule.ID)}
		for _, flag := range slices.Concat(before.Flags, after.Flags) {
			if slices.Contains(rule.WhenFlagged, flag.ID) && flag.Band != journey.Meets && !slices.Contains(change.Causes, flag.ID) {
				change.Causes = append(change.Causes, flag.ID)
			}
		}
		for _, condition := range report.Conditions {
			if condition.Requirement == rule.ID {
				change.Causes = append(change.Causes, condition.Causes()...)
			}
		}
		_, was := from.Requirement(rule.ID)
		if _, is := to.Requirement(rule.ID); was != is {
			change.Causes = append(change.Causes, journey.ByProtocol)
		}
		changes = append(changes, change)
	}
	return changes
}

// elapsed makes an entry of each day on which deadlines passed before the
// command, and returns the state after them.
func elapsed(rules journey.Rules, s journey.State, c journey.Command, zone *time.Location) ([]journey.Event, journey.State) {
	if s.Stage == "" {
		return nil, s
	}
	events, after := journey.Passed(rules, s, c.Given())
	for i := range events {
		e := &events[i]
		e.ID, e.At = ElapseID(e.Seq), e.Fired[0].Time(zone)
	}
	return events, after
}

// ElapseID is the command id of the entry that records passed deadlines.
func ElapseID(seq int64) string { return fmt.Sprintf("elapse-%d", seq) }

// commit is the work on one command inside its transaction.
type commit struct {
	tx *record.Tx
	// protocol is what the candidate stands on after the command; from is what
	// they stood on before it.
	from     *protocol.Protocol
	protocol *protocol.Protocol
	command  journey.Command
	state    journey.State
	event    journey.Event

	decoded  command.Body
	body     json.RawMessage
	hash     string
	referral record.Referral
	results  []result.Result
	changed  []result.Result
	// outdated came after a newer report, and confirmed say what is on record.
	outdated, confirmed []result.Result
	details             *record.Contact
	// former are the results before the command.
	former []result.Result
	report protocol.Report
	// course is the operation, if there was one.
	course operation.Course
	// link is set by a command about the link to the donor's own page.
	link *record.LinkChange
	// meeting is the meeting that a decision was voted on in, and decided what is
	// recorded there.
	meeting string
	decided meeting.Change
	// questionnaire is set by a command that gives a link to one.
	questionnaire *record.QuestionnaireChange
}

// staged reads the body that was staged under the command's id.
func (c *commit) staged() error {
	body, hash, err := c.tx.Staged()
	if errors.Is(err, record.ErrNotFound) {
		// Refused and forgotten by an earlier attempt, or purged: nobody was
		// told that it succeeded.
		return &journey.Refusal{Code: journey.Conflict, Message: "the command is not waiting any more; send it again"}
	}
	if err != nil {
		return err
	}
	c.body, c.hash = body, hash
	c.decoded, err = command.Decode(c.command.Kind, body)
	if err != nil {
		return &journey.Refusal{Code: journey.Invalid, Message: err.Error()}
	}
	return nil
}

func (c *commit) carryOut() error {
	if body, ok := c.decoded.(*command.Referral); ok {
		return c.refer(body)
	}
	var err error
	if c.referral, err = c.tx.Referral(); err != nil {
		return err
	}
	if c.results, err = c.tx.Results(); err != nil {
		return err
	}
	c.former = slices.Clone(c.results)
	if slices.Contains(needIndependence, c.command.Kind) {
		// Somebody may have joined the recipient's team since the assignment.
		if err := c.independent(c.state.Advocate, "the advocate"); err != nil {
			return err
		}
	}
	switch body := c.decoded.(type) {
	case *command.RecordResults:
		if err := c.record(body); err != nil {
			return err
		}
	case *command.ContactDetails:
		if err := c.contact(body); err != nil {
			return err
		}
	case *command.AssignAdvocate:
		if err := c.advocate(body); err != nil {
			return err
		}
	case *command.LastCheck:
		if err := c.check(body); err != nil {
			return err
		}
	case *command.Schedule:
		if err := c.team(body); err != nil {
			return err
		}
	case *command.RecordRecipient:
		if err := c.recipient(body); err != nil {
			return err
		}
	case *command.RecordStay:
		if err := c.stay(body); err != nil {
			return err
		}
	case *command.RecordMedicines:
		if err := c.medicines(body); err != nil {
			return err
		}
	case *command.RecordRisk:
		if err := c.risk(body); err != nil {
			return err
		}
	case *command.RecordReview:
		if err := c.protocol.CheckReview(body); err != nil {
			return &journey.Refusal{Code: journey.Invalid, Field: "structured", Message: err.Error()}
		}
	case *command.AnswerQuestion:
		if err := c.answer(body); err != nil {
			return err
		}
	case *command.GiveDonorLink:
		if err := c.donorLink(body); err != nil {
			return err
		}
	case *command.GiveQuestionnaire:
		if err := c.questionnaireLink(body); err != nil {
			return err
		}
	case *command.AnswerQuestionnaire:
		if err := c.answers(body); err != nil {
			return err
		}
	case *command.AskToStop:
		if err := c.wishToStop(body); err != nil {
			return err
		}
	}
	if c.command.Kind == journey.RevokeDonorLink {
		c.link = &record.LinkChange{}
	}
	if err := c.operate(); err != nil {
		return err
	}
	c.assess()
	switch body := c.decoded.(type) {
	case *command.RecordDecision:
		return c.decision(body)
	case *command.MoveProtocol:
		return c.move(body)
	}
	return nil
}

// Decision is the body of the entry of a decision: what was given, and what it
// stood on. Later results and protocols do not change it.
type Decision struct {
	command.RecordDecision
	Basis Basis `json:"basis"`
	// Votes are there where a meeting voted.
	Votes *Votes `json:"votes,omitempty"`
}

// Basis is what the committee had before it: the version and the digest of the
// protocol, the state of every requirement, the flags, the computed values, and
// why conditional requirements applied. Entries from before it was kept have
// none of it, and the older of those that have it lack the title and the
// requirements.
type Basis struct {
	Protocol     string               `json:"protocol"`
	Title        string               `json:"title,omitempty"`
	Digest       string               `json:"digest"`
	Requirements []BasisRequirement   `json:"requirements,omitempty"`
	Flags        []protocol.Flag      `json:"flags"`
	Derived      []protocol.Derived   `json:"derived"`
	Conditions   []protocol.Condition `json:"conditions,omitempty"`
}

// BasisRequirement is a requirement as it stood before the decision, which
// itself changes some.
type BasisRequirement struct {
	ID        string         `json:"id"`
	Title     string         `json:"title"`
	Status    journey.Status `json:"status"`
	Collected journey.Date   `json:"collected,omitempty"`
	// ValidUntil is the last day of the results or the review, WaivedUntil that
	// of a waiver.
	ValidUntil  journey.Date     `json:"valid_until,omitempty"`
	WaivedUntil journey.Date     `json:"waived_until,omitempty"`
	SignedBy    string           `json:"signed_by,omitempty"`
	SignedOn    journey.Date     `json:"signed_on,omitempty"`
	Position    journey.Position `json:"position,omitempty"`
	// Awaiting is a first signature where the protocol wants two.
	Awaiting *journey.Countersignature `json:"awaiting,omitempty"`
}

func (c *commit) decision(body *command.RecordDecision) error {
	votes, err := c.voted(body)
	if err != nil {
		return err
	}
	c.body, err = json.Marshal(Decision{RecordDecision: *body, Votes: votes, Basis: Basis{
		Protocol: c.protocol.Version, Title: c.protocol.Title, Digest: c.protocol.Digest(),
		Requirements: basisRequirements(c.protocol.WithConditions(c.state.Imposed, nil), c.state),
		Flags:        c.report.Flags, Derived: c.report.Derived, Conditions: c.report.Conditions,
	}})
	if err != nil {
		return fmt.Errorf("encode the decision: %w", err)
	}
	return nil
}

func basisRequirements(p *protocol.Protocol, s journey.State) []BasisRequirement {
	var list []BasisRequirement
	for _, r := range s.Requirements {
		kept := BasisRequirement{
			ID: r.ID, Title: r.ID, Status: r.Status, Collected: r.Collected, ValidUntil: r.ValidUntil,
			SignedBy: r.SignedBy, SignedOn: r.SignedOn, Position: r.Position, Awaiting: r.Awaiting,
		}
		if rule, ok := p.Find(r.ID); ok {
			kept.Title = rule.Title
		}
		if r.Status == journey.Waived {
			kept.ValidUntil, kept.WaivedUntil = "", r.ValidUntil
		}
		list = append(list, kept)
	}
	return list
}

// needIndependence are the steps that the advocate's independence bears.
var needIndependence = []journey.Kind{
	journey.BeginEvaluation, journey.RecordReview, journey.PresentToCommittee, journey.RecordDecision,
	journey.Schedule, journey.BeginOperation, journey.RecordRecipient,
}

func (c *commit) refer(body *command.Referral) error {
	c.referral.Recipient = body.Recipient
	if err := c.independent(c.command.Actor, "whoever refers"); err != nil {
		return err
	}
	taken, err := c.tx.IdentifierTaken(body.Identifier)
	if err != nil {
		return err
	}
	if taken {
		return &journey.Refusal{Code: journey.Conflict, Field: "identifier", Message: "identifier: another candidate on record has it"}
	}
	c.referral = record.Referral{
		Identity: record.Identity{
			Given: body.Given, Family: body.Family, BirthDate: body.BirthDate, Sex: body.Sex, Identifier: body.Identifier,
		},
		Protocol: c.protocol.Version, Path: body.Path, Recipient: body.Recipient, On: c.command.Today,
	}
	// The entry keeps what is not identity.
	kept := map[string]any{"path": body.Path, "recipient": body.Recipient, "protocol": c.protocol.Version}
	if len(body.DistinctFrom) > 0 {
		kept["distinct_from"], kept["distinct_reason"] = body.DistinctFrom, body.DistinctReason
	}
	c.body, err = json.Marshal(kept)
	if err != nil {
		return fmt.Errorf("encode the referral: %w", err)
	}
	c.assess()
	return nil
}

// record merges reported results: new ones, corrections of known ones, and
// repetitions, which change nothing. A report that comes after a newer one is
// kept beside it.
func (c *commit) record(body *command.RecordResults) error {
	for i, reported := range body.Results {
		field := fmt.Sprintf("results[%d]", i)
		known, owner, err := c.tx.ResultBySource(reported.Identifier)
		switch {
		case errors.Is(err, record.ErrNotFound):
			known = result.Result{ID: result.IDOf(reported.Identifier)}
		case err != nil:
			return err
		case owner != c.command.Candidate:
			return against(field+".identifier", "another candidate's result has it", command.RuleOwner, "one of the two may be a mistaken person")
		}
		if err := c.expected(field, reported, known); err != nil {
			return err
		}
		next := reported.Record(known.ID, known.Version+1, c.protocol.Zone())
		next.Reported = body.Sent
		if known.Version == 0 {
			c.put(next)
			continue
		}
		if reported.OnlyNew {
			continue
		}
		switch place := command.PlaceOf(known, next); {
		case place == command.Same:
			if command.LaterReport(known, next) {
				known.Reported = next.Reported
				c.confirmed = append(c.confirmed, known)
			}
		case place == command.Newer:
			c.put(next)
		case place == command.Older:
			c.outdated = append(c.outdated, next)
		case body.Accepted != nil:
			next.Accepted = true
			c.put(next)
		case known.Status == result.EnteredInError:
			return against(field+".status", "a result that was entered in error doesn't become "+string(next.Status), command.RuleStatus, letIn)
		default:
			return against(field+".status", "a final result doesn't become "+string(next.Status), command.RuleStatus, letIn)
		}
	}
	return nil
}

const letIn = "only a person can let it in"

// against refuses a report that a rule of the record stands against.
func against(field, problem, rule, message string) error {
	return &journey.Refusal{
		Code: journey.Conflict, Field: field, Message: field + ": " + problem, Reasons: []journey.Reason{{Rule: rule, Message: message}},
	}
}

// expected refuses a report that was made for another version of the result, or of
// the published Observation, than the one that stands.
func (c *commit) expected(field string, reported command.Result, known result.Result) error {
	if reported.Replaces != nil && *reported.Replaces != known.Version {
		return against(field+".replaces", "another version stands", command.RuleVersion, "the result has changed since the report was made")
	}
	if reported.IfVersion == 0 {
		return nil
	}
	version, err := c.tx.PublishedVersion("Observation", known.ID)
	if err != nil {
		return err
	}
	if version != reported.IfVersion {
		return against(field+".if_version", "another version stands", command.RuleVersion, "the report was made for another version")
	}
	return nil
}

func (c *commit) put(r result.Result) {
	c.changed = append(c.changed, r)
	for i := range c.results {
		if c.results[i].ID == r.ID {
			c.results[i] = r
			return
		}
	}
	c.results = append(c.results, r)
}

// advocate refuses an account that is no advocate or is not independent.
func (c *commit) advocate(body *command.AssignAdvocate) error {
	account, err := c.tx.Account(body.Advocate)
	switch {
	case errors.Is(err, record.ErrNotFound):
		return &journey.Refusal{Code: journey.Invalid, Field: "advocate", Message: "advocate: there is no such account"}
	case err != nil:
		return err
	case account.Disabled:
		return &journey.Refusal{Code: journey.Invalid, Field: "advocate", Message: "advocate: the account is disabled"}
	case account.Role != journey.Advocate:
		return &journey.Refusal{Code: journey.Invalid, Field: "advocate", Message: "advocate: the account does not have the role advocate"}
	}
	return c.independent(body.Advocate, "the advocate")
}

// independent refuses while somebody cares for the recipient.
func (c *commit) independent(account, who string) error {
	conflict, err := c.tx.OnRecipientTeam(c.referral.Recipient, account)
	if err != nil {
		return err
	}
	if !conflict {
		return nil
	}
	return &journey.Refusal{
		Code: journey.Blocked, Message: string(c.command.Kind) + " is blocked",
		Reasons: []journey.Reason{{Rule: "advocate-independent", Message: who + " is a member of the recipient's team"}},
	}
}

// assess evaluates everything on record. The process takes it over when
// results or the answers of conditions changed; pages and the EHR see the same report. Eligibility is a
// question before the operation: what a donor's kidney does afterwards is no
// answer to it.
func (c *commit) assess() {
	person := Person(c.referral.Identity, c.referral.Path, c.referral.Recipient, c.planned())
	c.report = Eligibility(c.protocol, person, c.results, c.state.Operated, c.command.Today)
	if c.state.Operated != "" {
		return
	}
	coded := c.report.Coded()
	// The passing of time answers conditions too: somebody turns 50.
	asked := c.command.Kind != journey.Elapse && !slices.Equal(c.state.Conditions, coded.Conditions)
	if c.command.Kind == journey.RecordResults || c.command.Kind == journey.AnswerQuestionnaire || c.command.Kind == journey.Refer || asked {
		c.event.Assessment = coded
	}
}

// Person is what formulas and conditions need to know of a candidate.
func Person(identity record.Identity, path, recipient string, planned journey.Date) protocol.Person {
	return protocol.Person{
		BirthDate: identity.BirthDate, Sex: identity.Sex, Path: path, RecipientKnown: recipient != "", Planned: planned,
	}
}

// PersonOf is Person of a candidate on record.
func PersonOf(c record.Candidate) protocol.Person {
	return Person(c.Identity, c.Path, c.Recipient, c.State.Planned)
}

// planned is the planned day of the operation once the command is carried out.
func (c *commit) planned() journey.Date {
	switch c.command.Kind {
	case journey.Schedule:
		return c.command.On
	case journey.CancelOperation, journey.Hold:
		return ""
	default:
		return c.state.Planned
	}
}

// Eligibility assesses what is on record: after the operation only what was
// collected before it, but for the values that are computed for reading.
func Eligibility(p *protocol.Protocol, person protocol.Person, results []result.Result, operated, today journey.Date) protocol.Report {
	report := p.Assess(person, results, today)
	if operated == "" {
		return report
	}
	before := slices.DeleteFunc(slices.Clone(results), func(r result.Result) bool {
		return operated.Before(journey.Date(r.CollectedOn))
	})
	derived := report.Derived
	report = p.Assess(person, before, operated)
	report.Derived = derived
	return report
}
