package incoming

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
)

// patience is how long a command is waited for. The message is kept: what takes
// longer is gone on with later.
const patience = 20 * time.Second

// CarryOut carries a received message out, and says in the store what became of
// it. It may be repeated, and run in several processes at once: each command has
// a key of the message. An error leaves the message received.
func (q *Queue) CarryOut(ctx context.Context, id string) error {
	// One delivered many times at once is carried out once, whoever goes away.
	_, err, _ := q.flights.Do(id, func() (any, error) {
		ctx := context.WithoutCancel(ctx)
		m, err := q.store.Incoming(ctx, id)
		if err != nil || m.State != Received {
			return nil, err
		}
		if m, err = q.carryOut(ctx, m); err != nil {
			return nil, err
		}
		return nil, q.store.FinishIncoming(ctx, m)
	})
	return err
}

// readFirst settles a new message that can't be read, or that a person has to
// see, and leaves the rest received.
func (q *Queue) readFirst(ctx context.Context, m record.Incoming) (record.Incoming, error) {
	message, err := q.Read(m)
	if err != nil {
		m = unreadable(m, err)
		return m, q.store.FinishIncoming(ctx, m)
	}
	if !slices.ContainsFunc(message.Groups, func(g reading.Group) bool { return len(g.Issues) > 0 }) {
		return m, nil
	}
	if err := q.CarryOut(ctx, m.ID); err != nil {
		return m, err
	}
	return q.store.Incoming(ctx, m.ID)
}

func unreadable(m record.Incoming, err error) record.Incoming {
	var u *reading.Unreadable
	if !errors.As(err, &u) {
		u = &reading.Unreadable{Issues: []reading.Issue{{Kind: reading.NotUnderstood, Problem: "it can't be read"}}}
	}
	// The sender is told over every channel: nothing of it has a meaning here.
	m.State, m.Rejected = Refused, u.Rejected
	m.Issues, _ = json.Marshal(u.Issues) // texts only
	return m
}

// work is one message on the way to its commands.
type work struct {
	q         *Queue
	m         record.Incoming
	message   reading.Message
	decisions []Decision
	parts     []Part
	// took says of each group that it was settled at an earlier time.
	took []bool
}

func (q *Queue) carryOut(ctx context.Context, m record.Incoming) (record.Incoming, error) {
	message, err := q.Read(m)
	if err != nil {
		return unreadable(m, err), nil
	}
	w := work{q: q, m: m, message: message, parts: make([]Part, len(message.Groups)), took: make([]bool, len(message.Groups))}
	var before []Part
	if err := json.Unmarshal(orList(m.Parts), &before); err != nil {
		return m, fmt.Errorf("what became of a message is unreadable: %w", err)
	}
	if err := json.Unmarshal(orList(m.Decisions), &w.decisions); err != nil {
		return m, fmt.Errorf("what was decided on a message is unreadable: %w", err)
	}
	for i, g := range message.Groups {
		// What is on record already is not done again by another reading.
		if i < len(before) && (before[i].State == Applied || before[i].State == Settled) {
			w.parts[i], w.took[i] = before[i], true
			continue
		}
		if err := w.prepare(ctx, i, g); err != nil {
			return m, err
		}
	}
	if err := w.submitAll(ctx); err != nil {
		return m, err
	}
	return w.finish()
}

// decision is what people decided on a group, all of it together.
func (w *work) decision(group int) Decision {
	d := Decision{Group: group}
	for _, each := range w.decisions {
		if each.Group != group {
			continue
		}
		if each.Candidate != "" {
			d.Candidate = each.Candidate
		}
		if each.Accept {
			d.Accept, d.By, d.Reason = true, each.By, each.Reason
		}
		d.Rest = d.Rest || each.Rest
		d.TakeBack = d.TakeBack || each.TakeBack
	}
	return d
}

// prepare matches a group, without carrying anything out.
func (w *work) prepare(ctx context.Context, i int, g reading.Group) error {
	decided, p := w.decision(i), &w.parts[i]
	*p = Part{Place: g.Place, State: Received}
	switch {
	case len(g.Merged) > 0:
		return w.merge(ctx, i, g)
	case g.Nothing:
		p.State = Applied
		return nil
	}
	if !decided.Rest {
		p.Issues = slices.Clone(g.Issues)
	}
	if decided.Candidate != "" {
		// A person has looked: what the message says of the person does not count.
		p.Candidate = decided.Candidate
	} else {
		c, issues, err := w.q.match(ctx, w.m.Actor, g)
		if err != nil {
			return err
		}
		p.Candidate, p.Issues = c.ID, append(p.Issues, issues...)
	}
	for n, r := range g.Results {
		if !slices.Contains(g.WrongPatient, n) {
			continue
		}
		known, err := w.q.store.ReportedBy(ctx, r.Identifier)
		if err != nil && !errors.Is(err, record.ErrNotFound) {
			return err
		}
		if err == nil && known.Candidate != p.Candidate && !decided.TakeBack {
			p.Issues = append(p.Issues, reading.Issue{
				Kind: reading.WrongPatient, Location: g.Places[n], Problem: "the sender takes back a result that is on another candidate's record",
			})
		}
	}
	if len(g.Results) == 0 && len(p.Issues) == 0 {
		p.Issues = append(p.Issues, reading.Issue{Kind: reading.NotUnderstood, Location: g.Place, Code: "required", Problem: "there is no result"})
	}
	if len(g.Results) > 0 {
		if err := w.check(ctx, i, g); err != nil {
			return err
		}
	}
	if len(p.Issues) > 0 {
		p.State = w.open(p.Issues)
	}
	return nil
}

// check finds what the protocol does not take, before anybody is known to whom
// the results belong: the sender learns of it at once.
func (w *work) check(ctx context.Context, i int, g reading.Group) error {
	body := &command.RecordResults{Results: slices.Clone(g.Results), Message: w.m.ID, Sent: w.message.Sent}
	err := w.q.submit.Check(ctx, w.parts[i].Candidate, body)
	var invalid *command.Invalid
	var refusal *journey.Refusal
	if err == nil || errors.As(err, &refusal) && refusal.Code == journey.NotFound {
		return nil
	}
	if !errors.As(err, &invalid) {
		return err
	}
	lines := make([]line, len(g.Results))
	for n := range lines {
		lines[n] = line{i, n}
	}
	_, err = w.against(err, lines, []int{i})
	return err
}

// alwaysHeld are the issues that no sender can do anything about.
var alwaysHeld = []reading.Kind{
	reading.NoCandidate, reading.SeveralCandidates, reading.IdentifierDiffers, reading.NameDiffers, reading.BirthDateDiffers,
	reading.OrderDiffers, reading.NotNow, reading.WrongPatient,
}

// open is the state of what is not carried out. A sender who waits for the
// answer is told of its own mistakes, even where a person would have to decide
// besides.
func (w *work) open(issues []reading.Issue) State {
	mistake := slices.ContainsFunc(issues, func(i reading.Issue) bool { return !slices.Contains(alwaysHeld, i.Kind) })
	if mistake && Channel(w.m.Channel).told() {
		return Refused
	}
	return Held
}

// submitAll gives the commands. Of a message that stands or falls as a whole
// nothing is given while a person has to decide on any of it.
func (w *work) submitAll(ctx context.Context) error {
	if !w.message.Separate && slices.ContainsFunc(w.parts, func(p Part) bool { return p.State.Open() }) {
		for i := range w.parts {
			if w.parts[i].State == Received {
				w.parts[i].State = Held
			}
		}
		return nil
	}
	for i := range w.parts {
		if w.parts[i].State != Received || w.took[i] {
			continue
		}
		groups := []int{i}
		if w.message.Separate {
			// Results of one person that each stand alone go together while they can.
			groups = w.together(i)
		}
		if err := w.submit(ctx, groups); err != nil {
			return err
		}
	}
	return nil
}

// together are the groups from i on of the same candidate, decided alike.
func (w *work) together(i int) []int {
	var groups []int
	for j := i; j < len(w.parts); j++ {
		if w.parts[j].State == Received && !w.took[j] && w.parts[j].Candidate == w.parts[i].Candidate && w.decision(j).Accept == w.decision(i).Accept {
			groups = append(groups, j)
		}
	}
	return groups
}

// line is a result of a command with where it comes from.
type line struct{ group, index int }

// submit gives one command for groups of one candidate. Where one of several
// stands against it, the others are given without it.
func (w *work) submit(ctx context.Context, groups []int) error {
	for len(groups) > 0 {
		refused, err := w.give(ctx, groups)
		if err != nil {
			return err
		}
		if len(refused) == 0 {
			return nil
		}
		groups = slices.DeleteFunc(groups, func(g int) bool { return slices.Contains(refused, g) })
	}
	return nil
}

// give gives the command once, and returns the groups that were refused; none
// when it is on record.
func (w *work) give(ctx context.Context, groups []int) (refused []int, err error) {
	first := w.parts[groups[0]]
	decided := w.decision(groups[0])
	body := &command.RecordResults{Message: w.m.ID, Sent: w.message.Sent}
	if decided.Accept {
		body.Accepted = &command.Acceptance{By: decided.By, Reason: decided.Reason}
	}
	var lines []line
	elsewhere := map[string][]line{}
	for _, g := range groups {
		group := w.message.Groups[g]
		for n, r := range group.Results {
			if slices.Contains(group.WrongPatient, n) {
				known, err := w.q.store.ReportedBy(ctx, r.Identifier)
				if err != nil && !errors.Is(err, record.ErrNotFound) {
					return nil, err
				}
				if err == nil && known.Candidate != first.Candidate {
					elsewhere[known.Candidate] = append(elsewhere[known.Candidate], line{g, n})
					continue
				}
			}
			body.Results = append(body.Results, r)
			lines = append(lines, line{g, n})
		}
	}
	for owner, list := range elsewhere {
		taken := &command.RecordResults{Message: w.m.ID, Sent: w.message.Sent, Accepted: body.Accepted}
		for _, l := range list {
			taken.Results = append(taken.Results, w.message.Groups[l.group].Results[l.index])
		}
		refused, err := w.carry(ctx, owner, taken, list, groups)
		if err != nil || len(refused) > 0 {
			return refused, err
		}
	}
	if len(body.Results) == 0 {
		return nil, nil
	}
	return w.carry(ctx, first.Candidate, body, lines, groups)
}

// carry submits one command and notes what it made.
func (w *work) carry(ctx context.Context, candidate string, body *command.RecordResults, lines []line, groups []int) (refused []int, err error) {
	given := slices.Clone(body.Results) // the dispatcher completes its own
	key, err := w.key(candidate, body)
	if err != nil {
		return nil, err
	}
	waiting, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	done, err := w.q.submit.Submit(waiting, dispatch.Request{
		Candidate: candidate, Key: key, Kind: journey.RecordResults, Actor: w.m.Actor, Role: w.m.Role, Body: body,
	})
	if err != nil {
		return w.against(err, lines, groups)
	}
	for _, g := range groups {
		w.parts[g].State, w.parts[g].Issues = Applied, nil
		if candidate == w.parts[g].Candidate {
			w.parts[g].Seq = done.Seq
		}
	}
	for i, l := range lines {
		made, err := w.q.made(ctx, candidate, done.Seq, given[i])
		if err != nil {
			return nil, err
		}
		made.Place = w.message.Groups[l.group].Places[l.index]
		w.parts[l.group].Results = append(w.parts[l.group].Results, made)
	}
	return nil, nil
}

// key makes the command one of the message: the same content is given once,
// however often the message is taken up, and another after a person decided.
func (w *work) key(candidate string, body *command.RecordResults) (string, error) {
	raw, err := json.Marshal(body)
	if err != nil {
		return "", fmt.Errorf("encode the results of a message: %w", err)
	}
	sum := sha256.Sum256(append([]byte(candidate+"\n"), raw...))
	return "incoming/" + w.m.ID + "/" + strconv.FormatInt(w.m.Revision, 10) + "/" + hex.EncodeToString(sum[:12]), nil
}

// made finds out what an entry made of a reported result.
func (q *Queue) made(ctx context.Context, candidate string, seq int64, r command.Result) (Made, error) {
	version, id, made, err := q.store.MadeBy(ctx, candidate, seq, r.Identifier)
	switch {
	case err != nil:
		return Made{}, err
	case made && version == 1:
		return Made{ID: id, Version: version, Change: Created}, nil
	case made:
		return Made{ID: id, Version: version, Change: Updated}, nil
	}
	known, err := q.store.ReportedBy(ctx, r.Identifier)
	if err != nil {
		return Made{}, err
	}
	m := Made{ID: known.ID, Version: known.Version, Change: Unchanged}
	late, err := q.store.OutdatedReports(ctx, known.ID)
	if err != nil {
		return Made{}, err
	}
	if slices.ContainsFunc(late, func(l record.Reported) bool { return l.Seq == seq }) {
		m.Change = Outdated
	}
	return m, nil
}

// against says of each group that can't be carried out why not. An error that is
// no refusal is returned: the message is tried again.
func (w *work) against(err error, lines []line, groups []int) ([]int, error) {
	var invalid *command.Invalid
	var refusal *journey.Refusal
	switch {
	case errors.As(err, &invalid):
		var refused []int
		for _, fault := range invalid.Faults {
			issue := reading.Issue{Kind: reading.NotAccepted, Code: faultCode(fault), Problem: fault.Problem, Accepted: fault.Accepted}
			refused = append(refused, w.blame(fault.Field, issue, lines, groups)...)
		}
		return refused, nil
	case errors.As(err, &refusal):
		issue := reading.Issue{Kind: refusalKind(refusal), Code: refusalCode(refusal), Problem: refusal.Message, Accepted: refusal.Accepted}
		if refusal.Field != "" {
			issue.Problem = strings.TrimPrefix(refusal.Message, refusal.Field+": ")
		}
		if refusal.Code == journey.NotAllowed {
			issue.Problem = "the candidate takes no results at present"
		}
		for _, reason := range refusal.Reasons {
			if reason.Message != "" {
				issue.Problem += "; " + reason.Message
			}
		}
		return w.blame(refusal.Field, issue, lines, groups), nil
	default:
		return nil, err
	}
}

var resultField = regexp.MustCompile(`^results\[(\d+)\]\.?`)

// blame puts an issue to the group whose result it is about, or to all of them,
// and returns the groups.
func (w *work) blame(field string, issue reading.Issue, lines []line, groups []int) []int {
	blamed := groups
	if at := resultField.FindStringSubmatch(field); at != nil {
		if n, err := strconv.Atoi(at[1]); err == nil && n < len(lines) {
			l := lines[n]
			issue.Location = w.q.locate(w.m.ContentType, w.message.Groups[l.group].Places[l.index], strings.TrimPrefix(field, at[0]))
			blamed = []int{l.group}
		}
	}
	for _, g := range blamed {
		each := issue
		if each.Location == "" {
			each.Location = w.message.Groups[g].Place
		}
		w.parts[g].Issues = append(w.parts[g].Issues, each)
		w.parts[g].State = w.open(w.parts[g].Issues)
	}
	return blamed
}

// Locator is a reader that can say where a field of a result stands in its
// format.
type Locator interface {
	Locate(place, field string) string
}

func (q *Queue) locate(contentType, place, field string) string {
	if l, ok := q.Readers[contentType].(Locator); ok {
		return l.Locate(place, field)
	}
	return place
}

// The rules of the record that a refused report goes back to.
var ruleKinds = map[string]reading.Kind{
	command.RuleStatus: reading.StatusConflict, command.RuleOwner: reading.OtherOwner, command.RuleVersion: reading.VersionConflict,
}

func refusalKind(r *journey.Refusal) reading.Kind {
	for _, reason := range r.Reasons {
		if kind, ok := ruleKinds[reason.Rule]; ok {
			return kind
		}
	}
	switch r.Code {
	case journey.NotAllowed:
		return reading.NotNow
	case journey.NotFound:
		return reading.NoCandidate
	case journey.Invalid:
		return reading.NotAccepted
	default:
		return reading.RuleRefused
	}
}

func refusalCode(r *journey.Refusal) string {
	switch r.Code {
	case journey.Invalid:
		return "value"
	case journey.Conflict:
		return "conflict"
	case journey.Forbidden:
		return "forbidden"
	case journey.NotFound:
		return "not-found"
	default:
		return "business-rule"
	}
}

// faultCode is the FHIR issue type of what is wrong with a field.
func faultCode(f command.Fault) string {
	switch {
	case f.Problem == "missing":
		return "required"
	case strings.HasSuffix(f.Field, ".unit") || strings.HasSuffix(f.Field, ".coded") || strings.HasSuffix(f.Field, ".status"):
		return "code-invalid"
	default:
		return "value"
	}
}

// finish puts the parts together.
func (w *work) finish() (record.Incoming, error) {
	m := w.m
	m.State, m.Issues, m.Rejected = Applied, nil, false
	for i := range w.parts {
		switch w.parts[i].State {
		case Held:
			m.State = Held
		case Refused:
			if m.State != Held {
				m.State = Refused
			}
		case Received:
			return m, errors.New("a part of a message was left out")
		}
	}
	if len(w.parts) == 0 {
		m.State = Refused
		m.Issues = json.RawMessage(`[{"kind":"not-understood","code":"required","problem":"there is no result"}]`)
	}
	var err error
	if m.Parts, err = json.Marshal(w.parts); err != nil {
		return m, fmt.Errorf("encode what became of a message: %w", err)
	}
	return m, nil
}

// ownNumber begins the control ids that are ours.
const ownNumber = "sha256:"

// ownID is the control id of a message that has none: its bytes, with what makes
// it another message than one of the same bytes.
func ownID(d Delivery) string {
	beside := d.Beside
	if beside == "" {
		beside = d.Request
	}
	sum := sha256.Sum256(append([]byte(beside+"\n"), d.Raw...))
	return ownNumber + hex.EncodeToString(sum[:16])
}

// OwnNumber reports whether the control id of a message is ours, because its
// sender gave it none.
func OwnNumber(m record.Incoming) bool { return strings.HasPrefix(m.ControlID, ownNumber) }
