package fhir

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"strconv"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// phase is where the work on a requirement stands.
type phase string

const (
	phaseOpen phase = "open"
	// phaseDone has been done, whatever came of it.
	phaseDone phase = "done"
	// phaseOff was waived, is no more wanted, or was stopped.
	phaseOff phase = "off"
)

// standingOf is what a requirement's status is in each of the resources that tell
// of it.
type standingOf struct {
	phase    phase
	task     r4.TaskStatus
	order    r4.RequestStatus
	activity r4.CarePlanActivityStatus
}

var requirementStatuses = map[journey.Status]standingOf{
	journey.NotDue:        {phaseOpen, r4.TaskStatusDraft, r4.RequestStatusDraft, r4.CarePlanActivityStatusNotStarted},
	journey.Due:           {phaseOpen, r4.TaskStatusRequested, r4.RequestStatusActive, r4.CarePlanActivityStatusNotStarted},
	journey.Expired:       {phaseOpen, r4.TaskStatusRequested, r4.RequestStatusActive, r4.CarePlanActivityStatusNotStarted},
	journey.Resulted:      {phaseOpen, r4.TaskStatusInProgress, r4.RequestStatusActive, r4.CarePlanActivityStatusInProgress},
	journey.NeedsReview:   {phaseOpen, r4.TaskStatusInProgress, r4.RequestStatusActive, r4.CarePlanActivityStatusInProgress},
	journey.Met:           {phaseDone, r4.TaskStatusCompleted, r4.RequestStatusCompleted, r4.CarePlanActivityStatusCompleted},
	journey.NotMet:        {phaseDone, r4.TaskStatusCompleted, r4.RequestStatusCompleted, r4.CarePlanActivityStatusCompleted},
	journey.Waived:        {phaseOff, r4.TaskStatusCancelled, r4.RequestStatusRevoked, r4.CarePlanActivityStatusCancelled},
	journey.NotApplicable: {phaseOff, r4.TaskStatusCancelled, r4.RequestStatusRevoked, r4.CarePlanActivityStatusCancelled},
}

// What stands in place of an open requirement's own status while the journey is
// paused, and once its plan is at an end.
var (
	paused  = standingOf{phaseOpen, r4.TaskStatusOnHold, r4.RequestStatusOnHold, r4.CarePlanActivityStatusOnHold}
	stopped = standingOf{phaseOff, r4.TaskStatusCancelled, r4.RequestStatusRevoked, r4.CarePlanActivityStatusStopped}
)

// standingIn is where a requirement stands in a stage.
func standingIn(stage journey.Stage, status journey.Status) (standingOf, error) {
	standing, ok := requirementStatuses[status]
	switch {
	case !ok:
		return standing, fmt.Errorf("the requirement status %q has no status of a task", status)
	case standing.phase != phaseOpen:
	case !stage.BeforeOperation():
		standing = stopped
	case planStatuses[stage] == r4.RequestStatusOnHold:
		standing = paused
	}
	return standing, nil
}

// ordered are the performers outside of those who evaluate: what they do is
// ordered from them. The rest is work of the programme and the candidate.
var ordered = []protocol.Performer{
	"laboratory", "hla-laboratory", "radiology", "nurse", "cardiologist", "infectious-disease", "geneticist", "haematologist",
	"oncologist", "urologist", "dietitian", "primary-care", "external",
}

// isOrder tells what is published as a ServiceRequest from what is a Task. Where
// the protocol names no performer, what a result answers is ordered.
func isOrder(rule protocol.Requirement) bool {
	switch {
	case rule.Evidence != journey.ByResult && rule.Evidence != journey.ByReview, confidential(rule):
		return false
	case rule.Performer == "":
		return rule.Evidence == journey.ByResult
	default:
		return slices.Contains(ordered, rule.Performer)
	}
}

// round is one time that a requirement is worked on. What has been done, waived or
// stopped stays as it was: what has to be done again is a round of its own.
type round struct {
	typ, id string
	number  int
	title   string
	phase   phase
	// authored is the day on which the round began.
	authored journey.Date
	activity string
	// outcome is not-met or waived, where that is published, and evidence what the
	// round stands on, outcomes the resources of it.
	outcome  string
	evidence string
	outcomes []string
	// key is made of all that the resource is made of.
	key string
	// made says that the round is among the resources already.
	made bool
}

// memo is what is remembered of a round.
func (r round) memo() string {
	return strings.Join([]string{
		string(r.phase), string(r.authored), r.activity, r.outcome, r.evidence, r.key, strings.Join(r.outcomes, " "),
	}, "|")
}

const maskedMemo = "masked"

// remembered reads a memo. What was published without one has no phase.
func remembered(typ, id, memo string) round {
	r := round{typ: typ, id: id}
	parts := strings.Split(memo, "|")
	if len(parts) != 7 {
		return r
	}
	r.phase, r.authored, r.activity, r.outcome = phase(parts[0]), journey.Date(parts[1]), parts[2], parts[3]
	r.evidence, r.key, r.outcomes = parts[4], parts[5], strings.Fields(parts[6])
	return r
}

// endedMemo is the memo of a round that is no more; of anything else it stays as it
// is.
func endedMemo(p record.Resource) string {
	r := remembered(p.Type, p.ID, p.Memo)
	if r.phase == phaseOpen {
		r.phase, r.key = phaseOff, ""
		return r.memo()
	}
	return p.Memo
}

// isOver reports whether a round that is not among the plan any more has ended.
func isOver(p record.Resource) bool {
	r := remembered(p.Type, p.ID, p.Memo)
	return p.Memo == maskedMemo || r.phase == phaseDone || r.phase == phaseOff
}

// previous is what is published of a candidate, by type and id.
type previous map[named]*record.Resource

func previousOf(s activities.Snapshot) previous {
	all := make(previous, len(s.Previous))
	for i := range s.Previous {
		r := &s.Previous[i]
		all[named{r.Type, r.ID}] = r
	}
	return all
}

// find returns a resource as it stands.
func (s previous) find(typ, id string) (record.Resource, bool) {
	r, ok := s[named{typ, id}]
	if !ok {
		return record.Resource{}, false
	}
	return *r, true
}

// plan is the work on every requirement, with what is published of it.
type plan struct {
	s        activities.Snapshot
	stage    journey.Stage
	previous previous
	rules    map[string]protocol.Requirement
	// results are the usable ones that may be published, by code, oldest first.
	results map[string][]*result.Result
	// protocol names its text, for keys.
	protocol string

	// of has the rounds of each requirement in order.
	of        map[string][]round
	order     []string
	resources []record.Resource
}

// planOf makes the work on every requirement.
func planOf(s activities.Snapshot) (*plan, error) {
	p := &plan{
		s: s, stage: s.State.Stage, previous: previousOf(s), rules: make(map[string]protocol.Requirement, len(s.Protocol.Requirements)),
		results: map[string][]*result.Result{}, protocol: s.Protocol.Version + " " + s.Protocol.Digest(), of: make(map[string][]round, len(s.State.Requirements)),
	}
	if _, ok := planStatuses[p.stage]; !ok {
		return nil, fmt.Errorf("the stage %q has no plan status", p.stage)
	}
	for _, r := range s.Protocol.Requirements {
		p.rules[r.ID] = r
	}
	kept := s.Protocol.ConfidentialResults(s.Results)
	for i := range s.Results {
		if r := &s.Results[i]; r.Status.Usable() && !kept[r.ID] {
			p.results[r.Code.Code] = append(p.results[r.Code.Code], r)
		}
	}
	for _, r := range s.State.Requirements {
		if err := p.add(r); err != nil {
			return nil, fmt.Errorf("requirement %s: %w", r.ID, err)
		}
	}
	return p, nil
}

// published is everything that is made of the plan.
func (p *plan) published(requested []visitRequest) ([]record.Resource, error) {
	list := p.resources
	for _, v := range requested {
		list = append(list, v.Resource)
	}
	for _, build := range []func() ([]record.Resource, error){p.episodeOfCare, p.referral, p.carePlan, p.consents} {
		resources, err := build()
		if err != nil {
			return nil, err
		}
		list = append(list, resources...)
	}
	return list, nil
}

// kept is what stands already as it would be made, by what was remembered of it.
// Without a command everything is made again: how it is made may be another.
func (p *plan) kept(typ, id, memo string) (record.Resource, bool) {
	was, ok := p.previous.find(typ, id)
	was.Kept = true
	return was, ok && was.Memo == memo && p.s.Entry.Kind != ""
}

// roundID is the id of a round: of a Task and of a ServiceRequest alike.
func roundID(candidate, requirement string, number int) string {
	return resourceID(candidate, "r"+strconv.Itoa(number)+"-"+requirement)
}

// confidentialWork names the work and the consents, as far as they were published,
// of requirements that apply because of something told in confidence.
func confidentialWork(s activities.Snapshot) map[string]bool {
	names, standing := map[string]bool{}, map[string]bool{}
	for _, r := range s.State.Requirements {
		if !s.Protocol.ConfidentialCondition(r.ID) {
			continue
		}
		if len(standing) == 0 {
			for _, p := range s.Previous {
				standing[p.Type+"/"+p.ID] = true
			}
		}
		for n, found := 1, true; found; n++ {
			id := roundID(s.Candidate, r.ID, n)
			found = false
			for _, name := range []string{typeTask + "/" + id, typeServiceRequest + "/" + id, typeConsent + "/" + consentID(s.Candidate, r.ID, n)} {
				if standing[name] {
					names[name], found = true, true
				}
			}
		}
	}
	return names
}

// former finds the rounds that were published of a requirement.
func (p *plan) former(requirement string) []round {
	var list []round
	for n := 1; ; n++ {
		id, found := roundID(p.s.Candidate, requirement, n), false
		for _, typ := range []string{typeTask, typeServiceRequest} {
			if r, ok := p.previous.find(typ, id); ok {
				round := remembered(typ, id, r.Memo)
				round.number, found = n, true
				list = append(list, round)
				break
			}
		}
		if !found {
			return list
		}
	}
}

// add publishes what there is of a requirement.
func (p *plan) add(r journey.Requirement) error {
	rule, ok := p.rules[r.ID]
	if !ok {
		rule = protocol.Requirement{ID: r.ID}
	}
	if rule.Title == "" {
		rule.Title = r.ID
	}
	former := p.former(r.ID)
	// What applies because of something told in confidence would tell it.
	if p.s.Protocol.ConfidentialCondition(r.ID) {
		return p.mask(former)
	}
	rounds, err := p.rounds(former, r, rule)
	if err != nil {
		return err
	}
	for i := range rounds {
		rounds[i].title = rule.Title
		if rounds[i].made {
			continue
		}
		if err := p.stay(&rounds[i], rule); err != nil {
			return err
		}
	}
	if len(rounds) > 0 {
		p.of[r.ID] = rounds
		p.order = append(p.order, r.ID)
	}
	return nil
}

// rounds decides whether the last round goes on or another one begins, and
// publishes it.
func (p *plan) rounds(former []round, r journey.Requirement, rule protocol.Requirement) ([]round, error) {
	standing, err := standingIn(p.stage, r.Status)
	if err != nil {
		return nil, err
	}
	typ := typeTask
	if isOrder(rule) {
		typ = typeServiceRequest
	}
	if len(former) == 0 {
		if r.Status == journey.NotApplicable {
			return nil, nil
		}
		if r.Status == journey.Expired && r.SignedBy != "" {
			// What was done before anything was published, and what is to be done now.
			done := r
			done.Status = journey.Met
			first, err := p.publish(typ, 1, journey.Date(""), done, rule, requirementStatuses[journey.Met], nil)
			if err != nil || standing.phase == phaseOff {
				return []round{first}, err
			}
			second, err := p.publish(typ, 2, p.s.Today, r, rule, standing, &first)
			return []round{first, second}, err
		}
		first, err := p.publish(typ, 1, p.s.Today, r, rule, standing, nil)
		return []round{first}, err
	}
	last := former[len(former)-1]
	var before *round
	if len(former) > 1 {
		before = &former[len(former)-2]
	}
	switch {
	case last.goesOn(r, standing, evidenceOf(r)) && last.typ == typ:
		if last.authored == "" {
			last.authored = p.s.Today
		}
		current, err := p.publish(typ, last.number, last.authored, r, rule, standing, before)
		return append(former[:len(former)-1:len(former)-1], current), err
	case standing.phase == phaseOff && r.Status != journey.Waived, last.phase == phaseDone && standing.phase == phaseDone && last.evidence == evidenceOf(r):
		// Nothing more is to be done: what was stays, and what was under way under
		// another form ends with whatever is no more.
		if last.phase == phaseOpen || last.phase == "" {
			former = former[:len(former)-1]
		}
		return former, nil
	default:
		next, err := p.publish(typ, last.number+1, p.s.Today, r, rule, standing, &last)
		if last.phase == phaseOpen || last.phase == "" {
			former = former[:len(former)-1]
		}
		return append(slices.Clip(former), next), err
	}
}

// told reports whether it is published what came of a requirement, and what
// it stands on.
func (p *plan) told(rule protocol.Requirement) bool {
	return !confidential(rule) && !p.s.Protocol.ConfidentialRequirement(rule.ID)
}

// goesOn reports whether the requirement as it stands belongs to the round. An
// open one goes on until it is done, waived or stopped. What is over then only
// changes in what came of the same evidence.
func (r round) goesOn(now journey.Requirement, standing standingOf, evidence string) bool {
	switch r.phase {
	case phaseDone:
		return standing.phase == phaseDone && r.evidence == evidence
	case phaseOff:
		// What was waived is not stopped or taken away as well.
		return standing.phase == phaseOff && (r.outcome == "" || now.Status == journey.Waived)
	default:
		return true
	}
}

// evidenceOf tells what a requirement stands on apart, for what is remembered.
func evidenceOf(r journey.Requirement) string {
	if r.Evidence == "" {
		return ""
	}
	return digestOf(r.Evidence)
}

// digestOf is a short digest: it tells contents apart and protects nothing.
func digestOf(parts ...string) string {
	h := fnv.New64a()
	for _, part := range parts {
		h.Write([]byte(part))
		h.Write([]byte{0})
	}
	return strconv.FormatUint(h.Sum64(), 36)
}

// publish publishes a round, unless it stands already as it would be made.
func (p *plan) publish(typ string, number int, authored journey.Date, r journey.Requirement, rule protocol.Requirement, standing standingOf, before *round) (round, error) {
	if authored == "" {
		authored = p.s.Referral.On
	}
	now := round{
		typ: typ, id: roundID(p.s.Candidate, r.ID, number), number: number, title: rule.Title, phase: standing.phase, authored: authored,
		activity: standing.activity.Code(), evidence: evidenceOf(r), made: true,
	}
	open := p.told(rule)
	switch {
	case r.Status == journey.Waived:
		now.outcome = "waived"
	case r.Status == journey.NotMet && open:
		now.outcome = "not-met"
	}
	if open && r.Evidence != "" {
		now.outcomes = p.outcomes(rule, r, number, standing)
	}
	due := p.due(rule, standing)
	owner := p.owner(rule)
	earlier := ""
	if before != nil {
		earlier = before.typ + "/" + before.id
	}
	valid := ""
	if open && standing.phase == phaseDone {
		valid = string(r.Collected) + " " + string(r.SignedOn) + " " + string(r.ValidUntil)
	}
	now.key = digestOf(
		p.protocol, rule.Title, string(rule.Performer), string(r.Status), standing.task.Code(), string(authored), now.outcome,
		strings.Join(now.outcomes, " "), string(due.from), string(due.until), value(owner.Reference), earlier, valid,
	)
	if kept, ok := p.kept(typ, now.id, now.memo()); ok {
		p.resources = append(p.resources, kept)
		return now, nil
	}
	w := work{plan: p, round: now, requirement: r, rule: rule, standing: standing, due: due, owner: owner, earlier: earlier, open: open}
	build := w.taskResource
	if typ == typeServiceRequest {
		build = w.orderResource
	}
	resource, err := build()
	if err != nil {
		return now, err
	}
	resource.Memo = now.memo()
	p.resources = append(p.resources, resource)
	return now, nil
}

// stay leaves an earlier round as it was published. Where the protocol keeps back
// now what came of it, that is taken out.
func (p *plan) stay(r *round, rule protocol.Requirement) error {
	was, _ := p.previous.find(r.typ, r.id)
	if len(r.outcomes) == 0 && r.outcome != "not-met" || p.told(rule) {
		was.Kept = true
		if p.s.Entry.Kind == "" {
			var err error
			if was, err = p.asItStands(was); err != nil {
				return err
			}
		}
		p.resources = append(p.resources, was)
		return nil
	}
	r.outcomes, r.key = nil, ""
	if r.outcome == "not-met" {
		r.outcome = ""
	}
	body, err := asPublished(p.s, was, func(raw []byte) (members map[string]json.RawMessage, err error) {
		err = json.Unmarshal(raw, &members)
		return members, err
	})
	if err != nil {
		return err
	}
	for _, name := range []string{"meta", "output", "businessStatus", "executionPeriod", "note"} {
		delete(body, name)
	}
	hushed, err := p.remade(r.typ, r.id, body)
	if err != nil {
		return err
	}
	hushed.Memo, hushed.Seal = r.memo(), true
	p.resources = append(p.resources, hushed)
	return nil
}

// asItStands is an earlier round with the search values of this version of the
// software.
func (p *plan) asItStands(was record.Resource) (r record.Resource, err error) {
	if was.Type == typeServiceRequest {
		r, err = again(p.s, was, unmarshalRequest, publishRequest)
	} else {
		r, err = again(p.s, was, unmarshalTask, publishTask)
	}
	r.Memo = was.Memo
	return r, err
}

// remade publishes the members of a Task or ServiceRequest.
func (p *plan) remade(typ, id string, members map[string]json.RawMessage) (record.Resource, error) {
	raw, err := json.Marshal(members)
	if err != nil {
		return record.Resource{}, err
	}
	if typ == typeServiceRequest {
		request, err := unmarshalRequest(raw)
		if err != nil {
			return record.Resource{}, fmt.Errorf("read %s/%s: %w", typ, id, err)
		}
		return publishRequest(request)
	}
	t, err := unmarshalTask(raw)
	if err != nil {
		return record.Resource{}, fmt.Errorf("read %s/%s: %w", typ, id, err)
	}
	return publishTask(t)
}

// mask takes everything but the ids out of what was published before the protocol
// said that it was told in confidence.
func (p *plan) mask(former []round) error {
	for _, r := range former {
		was, _ := p.previous.find(r.typ, r.id)
		if was.Memo == maskedMemo {
			was.Kept = true
			p.resources = append(p.resources, was)
			continue
		}
		code, subject := concept(systemDataAbsent, "masked", "", ""), reference(typePatient, p.s.Candidate)
		var resource record.Resource
		var err error
		if r.typ == typeServiceRequest {
			resource, err = publishRequest(r4.ServiceRequest{
				Id: &r.id, Status: r4.RequestStatusEnteredInError, Intent: r4.RequestIntentOrder, Code: &code, Subject: subject,
			})
		} else {
			resource, err = publishTask(task{ID: r.id, Status: r4.TaskStatusEnteredInError, Intent: "order", Code: &code, For: &subject})
		}
		if err != nil {
			return err
		}
		resource.Memo, resource.Seal = maskedMemo, true
		p.resources = append(p.resources, resource)
	}
	return nil
}

// outcomes are the resources that a requirement stands on: the results that answer
// it, or the consent.
func (p *plan) outcomes(rule protocol.Requirement, r journey.Requirement, number int, standing standingOf) []string {
	switch rule.Evidence {
	case journey.ByConsent:
		if standing.phase == phaseDone {
			return []string{typeConsent + "/" + consentID(p.s.Candidate, r.ID, number)}
		}
	case journey.ByResult:
		var best []string
		var newest journey.Date
		for _, set := range slices.Concat(rule.LOINC, rule.Local) {
			if list, day := p.answers(set, rule.Occasions, r.Collected); list != nil && (best == nil || newest.Before(day)) {
				best, newest = list, day
			}
		}
		return best
	}
	return nil
}

// answers are the results of a set of codes from the day on from which the
// requirement's evidence is, and the oldest day of the newest of each code.
func (p *plan) answers(set []string, occasions int, from journey.Date) (list []string, day journey.Date) {
	for _, code := range set {
		results := p.results[code]
		if len(results) == 0 {
			return nil, ""
		}
		if newest := journey.Date(results[len(results)-1].CollectedOn); day == "" || newest.Before(day) {
			day = newest
		}
		for _, r := range results {
			if occasions > 1 || !journey.Date(r.CollectedOn).Before(from) {
				list = append(list, typeObservation+"/"+r.ID)
			}
		}
	}
	slices.Sort(list)
	return slices.Compact(list), day
}

// window is the days within which something is to be done; either may be open.
type window struct{ from, until journey.Date }

func (w window) period() *r4.Period {
	if w.from == "" && w.until == "" {
		return nil
	}
	return &r4.Period{Start: optional(string(w.from)), End: optional(string(w.until))}
}

// due is until when an open requirement is wanted: for a planned operation the days
// from which evidence counts and comes in time, before that the stage's own limit.
func (p *plan) due(rule protocol.Requirement, standing standingOf) window {
	if standing.phase != phaseOpen {
		return window{}
	}
	s, timers := p.s.State, p.s.Protocol.Timers
	if s.Planned != "" {
		w := window{until: s.Planned.AddDays(-rule.LeadDays)}
		for _, days := range []int{rule.ValidDays, rule.OperationDays} {
			if first := s.Planned.AddDays(-days); days > 0 && w.from.Before(first) {
				w.from = first
			}
		}
		if w.until.Before(w.from) {
			w.until = s.Planned
		}
		return w
	}
	switch {
	case s.Stage == journey.Screening && rule.Gate == journey.ForEvaluation && timers.ScreeningDays > 0:
		return window{until: s.Since.AddDays(timers.ScreeningDays)}
	case s.Stage == journey.Evaluation && (rule.Gate == journey.ForEvaluation || rule.Gate == journey.ForCommittee) && timers.EvaluationDays > 0:
		return window{until: s.Since.AddDays(timers.EvaluationDays)}
	}
	return window{}
}

// owner is who answers for the work.
func (p *plan) owner(rule protocol.Requirement) r4.Reference {
	_, known := staffTitle(rule.Signer)
	switch {
	case rule.Performer == "candidate":
		return reference(typePatient, p.s.Candidate)
	case rule.ByAdvocate:
		return staffRole(journey.Advocate)
	case rule.Evidence == journey.ByConsent || rule.Evidence == journey.ByAssignment || !known:
		return staffRole(journey.Coordinator)
	default:
		return staffRole(rule.Signer)
	}
}

// work is one round with all that its resource is made of.
type work struct {
	*plan
	round       round
	requirement journey.Requirement
	rule        protocol.Requirement
	standing    standingOf
	due         window
	owner       r4.Reference
	// earlier is the round before, open that what came of it is published.
	earlier string
	open    bool
}

func (w work) code() r4.CodeableConcept {
	return concept(systemRequirement, w.rule.ID, w.rule.Title, w.rule.Title)
}

func (w work) performerType() *r4.CodeableConcept {
	if w.rule.Performer == "" {
		return nil
	}
	text := strings.ReplaceAll(string(w.rule.Performer), "-", " ")
	c := concept(systemPerformer, string(w.rule.Performer), text, text)
	return &c
}

// requestsByResult are the requests of the plan that a result answers: of several
// rounds that stand on it the first, so that it stays what it was.
func (p *plan) requestsByResult() map[string][]r4.Reference {
	requests := map[string][]r4.Reference{}
	for _, id := range p.order {
		seen := map[string]bool{}
		for _, r := range p.of[id] {
			for _, outcome := range r.outcomes {
				if typ, result, ok := strings.Cut(outcome, "/"); ok && typ == typeObservation && !seen[result] {
					seen[result] = true
					if r.typ == typeServiceRequest {
						requests[result] = append(requests[result], reference(r.typ, r.id))
					}
				}
			}
		}
	}
	return requests
}
