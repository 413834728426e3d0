package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// submitTimeout bounds how long a form waits for its outcome.
const submitTimeout = 20 * time.Second

// give gives a command about a candidate as whoever sent the form, and waits for its
// outcome.
func (s *server) give(ctx context.Context, by record.Account, candidate, key string, kind journey.Kind, body command.Body) error {
	limited, cancel := context.WithTimeout(ctx, submitTimeout)
	defer cancel()
	_, err := s.Dispatcher.Submit(limited, dispatch.Request{Candidate: candidate, Key: key, Kind: kind, Actor: by.ID, Role: by.Role, Body: body})
	return err
}

// candidateModel is the model of a candidate's page.
type candidateModel struct {
	Name      string
	Facts     []fact
	Stage     journey.Stage
	Days      string
	Worst     template.HTML
	Wide      template.HTML
	Narrow    template.HTML
	Sentence  string
	Needs     []need
	MoreNeeds []need
	Stuck     []string
	Expiring  []string
	Gates     []gateModel
	Flags     []flagModel
	// Calm are the flags that call for nothing.
	Calm      []flagModel
	Countdown *countdownModel
	Derived   []valueModel
	Reported  []valueModel
	Blood     string
	Older     []valueModel
	Deadlines []deadlineModel
	Later     []deadlineModel
	Decision  []fact
	FollowUp  *followUpModel
	Clocks    []clockModel
	Reports   []reportModel
	Recovery  *recoveryModel
	Medicines *medicinesModel
	Self      *selfModel
	// Alike may be the same person, and nobody has looked yet.
	Alike     []alikeModel
	Risks     []riskModel
	Operation *operationModel
	MayReport bool
	Order     *orderModel
	Timeline  []entryModel
	Earlier   []entryModel
	History   historyModel
	Forms     []form
	Grave     []form
	// Pages are the other pages of this candidate.
	Pages      []option
	Protocol   string
	Notes      *notesModel
	ReadOnly   bool
	HasActions bool
	// Emergencies are the times that somebody opened what is kept from them, and Open
	// until when the reader has.
	Emergencies []emergencyRow
	Open        string
}

// fact is one line of a list of facts.
type fact struct{ Label, Value string }

// gateModel is the requirements of one gate.
type gateModel struct {
	Title string
	ID    string
	Open  int
	// Early counts what is in force now and not any more on the planned day.
	Early int
	// Again counts what has to be done again close to an operation that has no day yet.
	Again int
	// Groups are the open ones and those that will not last, by domain.
	Groups []groupModel
	// Rows are all that apply, Settled those of them that are in order.
	Rows, Settled []requirementModel
	// Idle are those that do not apply.
	Idle []requirementModel
}

type groupModel struct {
	Domain string
	Rows   []requirementModel
}

// add puts a requirement where it is looked for.
func (g *gateModel) add(domain string, row requirementModel, settled bool) {
	g.Rows = append(g.Rows, row)
	if settled {
		g.Settled = append(g.Settled, row)
		return
	}
	domain = capital(strings.ReplaceAll(domain, "-", " "))
	i := slices.IndexFunc(g.Groups, func(group groupModel) bool { return group.Domain == domain })
	if i < 0 {
		i = len(g.Groups)
		g.Groups = append(g.Groups, groupModel{Domain: domain})
	}
	g.Groups[i].Rows = append(g.Groups[i].Rows, row)
}

// requirementModel is one requirement as it stands.
type requirementModel struct {
	ID       string
	Title    string
	Status   template.HTML
	Detail   string
	Validity string
	Expires  bool
	Again    bool
	Signer   string
	Source   string
	Action   string
	Verb     string
}

// flagModel is one flag with everything it stands on.
type flagModel struct {
	protocol.Flag
	Mark    template.HTML
	Scale   template.HTML
	Rule    string
	Number  string
	Sources []inputModel
	Needs   string
}

// inputModel is one number that a flag or a derived value used.
type inputModel struct{ Name, Value, When string }

// valueModel is one value, reported or derived.
type valueModel struct {
	Title  string
	Value  string
	When   string
	Detail string
	Inputs []inputModel
	// Spark is the course of the quantity as a small picture, Trend the page of it.
	Spark template.HTML
	Trend string
}

// deadlineModel is one deadline.
type deadlineModel struct {
	Text string
	Day  string
	Left string
	Past bool
}

// candidate shows the page of one candidate.
func (s *server) candidate(c echo.Context) error {
	account, _ := signedIn(c)
	v := s.viewer(account)
	found, err := s.find(c.Request().Context(), v, c.Param("id"))
	if err != nil {
		return err
	}
	model, err := s.candidateModel(c.Request().Context(), v, found, c.QueryParam("code"), nil)
	if err != nil {
		return err
	}
	model.narrow("/candidates/"+found.ID, c.QueryParam("by"), c.QueryParam("kind"))
	p := page{Title: model.Name, Body: model}
	p.Notice = doneNotice(c.QueryParam("done"))
	return s.render(c, http.StatusOK, "candidate", p)
}

// ended stands in an address for both ways in which a candidate goes no
// further: an address may be read by others, and must not tell them apart.
const ended = "ended"

// doneWord is what an address says of a command that was carried out.
func doneWord(kind journey.Kind) string {
	if kind == journey.Withdraw || kind == journey.Decline || kind == journey.RecordDeath {
		return ended
	}
	return string(kind)
}

// doneNotice is what the page says of it.
func doneNotice(word string) string {
	switch kind := journey.Kind(word); kind {
	case journey.Refer:
		return "The referral is recorded."
	case "note":
		return "The note is kept."
	case ended:
		return actionOf(journey.Withdraw).Done
	case openedWord:
		return "The candidate is open to you. It is on record with your reason."
	default:
		return actionOf(kind).Done
	}
}

// attempt is a form that was refused and is shown again.
type attempt struct {
	kind     journey.Kind
	values   url.Values
	problems []problem
	key      string
	form     form
}

// command carries out what a form on the candidate's page asks for.
func (s *server) command(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v, kind := c.Request().Context(), s.viewer(account), journey.Kind(c.Param("kind"))
	a, ok := actions[kind]
	// A move is not given here, and whoever asks for it may not.
	onVisits := slices.Contains(journey.AppointmentKinds(), kind)
	if !ok && kind != journey.MoveProtocol && !onVisits {
		return errNotFound
	}
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	if !journey.MayGive(v.Role, kind) {
		return &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(v.Role) + " may not do this."}
	}
	if onVisits {
		return &failure{Status: http.StatusConflict, Message: "Visits are planned and changed on their own page."}
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values := c.Request().PostForm
	key := values.Get("key")
	sc, err := s.scene(ctx, v, found, values.Get("code"))
	if err != nil {
		return err
	}
	try := &attempt{kind: kind, values: values, key: newKey()}
	status, title := http.StatusUnprocessableEntity, "Nothing was recorded. Check what is entered"
	secret, digest := "", ""
	if kind == journey.GiveQuestionnaire {
		secret, digest = record.NewQuestionnaireSecret()
		values.Set("digest", digest)
	}
	if kind == journey.GiveDonorLink {
		// Whatever is sent: the secret is ours.
		secret, digest = record.NewDonorSecret()
		values.Set("digest", digest)
	}
	body, problems := a.Body(sc, values, key)
	fieldOf := plainField
	switch kind {
	case journey.SignResults, journey.RecordConsent, journey.RecordReview:
		fieldOf = checkedField
	case journey.RecordResults:
		fieldOf = resultField(sc.protocol, sc.code)
	case journey.RecordOperation, journey.AmendOperation, journey.RecordComplication:
		fieldOf = operationField
	case journey.RecordRecipient:
		fieldOf = recipientField
	case journey.ConfirmVerification, journey.ConfirmLastCheck:
		fieldOf = checkField
	case journey.RecordMedicines:
		fieldOf = medicineField
	case journey.RecordRisk:
		fieldOf = riskField
	case journey.RecordDecision:
		fieldOf = conditionField
	case journey.ReportEvent, journey.CloseReport:
		fieldOf = momentField
	}
	if len(problems) > 0 {
		try.problems = append(problems, remaining(body, problems, fieldOf)...)
	} else {
		err := s.give(ctx, v.Account, found.ID, key, kind, body)
		if link, ok := body.(*command.GiveDonorLink); ok && err == nil {
			return s.showLink(c, "donor-link", "The link to the own page", pathMy, found, v.name(found), secret, link.Until)
		}
		if link, ok := body.(*command.GiveQuestionnaire); ok && err == nil {
			return s.showLink(c, "questionnaire-link", "The link to the questionnaire", pathQuestions, found, v.name(found), secret, link.Until)
		}
		if err == nil {
			to := "/candidates/" + found.ID
			if isCheck(kind) {
				to = checkLink(found.ID, kind)
			}
			if slices.Contains(committeeKinds, kind) {
				to = summaryLink(found.ID)
			}
			return c.Redirect(http.StatusSeeOther, to+"?done="+doneWord(kind))
		}
		var refusal *journey.Refusal
		if errors.As(err, &refusal) {
			now, failed := s.find(ctx, v, found.ID)
			if failed != nil {
				return failed
			}
			err = v.reader().Refusal(sc.protocol, now.State, refusal)
		}
		var keep bool
		if status, title, try.problems, keep, ok = refused(sc.protocol, err, fieldOf); !ok {
			return err
		}
		if keep && secret == "" { // another attempt makes another secret
			try.key = key
		}
	}
	if slices.Contains(operation.Kinds, kind) {
		try.problems = inLabels(try.problems)
	}
	// What is on record may have changed since the form was made.
	if found, err = s.find(ctx, v, found.ID); err != nil {
		return err
	}
	if isCheck(kind) {
		sc, err := s.scene(ctx, v, found, "")
		if err != nil {
			return err
		}
		model, err := s.checkModel(ctx, sc, kind, try)
		if err != nil {
			return err
		}
		return s.render(c, status, "check", page{Title: "Error: " + model.Title, Body: model, Errors: try.form.summary(title, try.problems)})
	}
	model, err := s.candidateModel(ctx, v, found, sc.code, try)
	if err != nil {
		return err
	}
	return s.render(c, status, "candidate", page{
		Title: "Error: " + model.Name, Body: model, Errors: try.form.summary(title, try.problems),
	})
}

// remaining adds what else is wrong with a body to what is wrong already.
func remaining(body command.Body, problems []problem, fieldOf func(string) string) []problem {
	if body == nil {
		return nil
	}
	var invalid *command.Invalid
	if !errors.As(command.Validate(body), &invalid) {
		return nil
	}
	var more []problem
	for _, fault := range invalid.Faults {
		name := fieldOf(fault.Field)
		if !slices.ContainsFunc(problems, func(p problem) bool { return p.Field == name }) && name != "" {
			more = append(more, problem{Text: faultWord(fault), Field: name})
		}
	}
	return more
}

// sceneOf finds the candidate of an address for the viewer.
func (s *server) sceneOf(c echo.Context) (scene, error) {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return scene{}, err
	}
	return s.scene(ctx, v, found, "")
}

// scene gathers what forms are made from.
func (s *server) scene(ctx context.Context, v *viewer, c record.Candidate, code string) (scene, error) {
	p, err := s.Protocols.Get(ctx, c.Protocol)
	if err != nil {
		return scene{}, err
	}
	sc := scene{protocol: p, viewer: v, candidate: c, today: s.today(p.Zone()), code: code}
	if sc.entries, err = s.Store.Entries(ctx, c.ID); err != nil {
		return sc, err
	}
	if c.State.Operated != "" {
		if sc.course, err = operation.Of(sc.entries); err != nil {
			return sc, err
		}
	}
	texts, err := activities.ConditionTexts(sc.entries)
	if err != nil {
		return sc, err
	}
	sc.protocol = p.WithConditions(c.State.Imposed, texts)
	if sc.results, err = s.Store.Results(ctx, c.ID); err != nil {
		return sc, err
	}
	accounts, err := s.Store.Accounts(ctx)
	if err != nil {
		return sc, err
	}
	for _, a := range accounts {
		if !a.Disabled {
			sc.accounts = append(sc.accounts, a)
		}
		if a.Role == journey.Advocate && !a.Disabled {
			sc.advocates = append(sc.advocates, a)
		}
		if (a.Role == journey.Clinician || a.Role == journey.Coordinator) && !a.Disabled {
			sc.staff = append(sc.staff, a)
		}
	}
	return sc, nil
}

func (s *server) candidateModel(ctx context.Context, v *viewer, c record.Candidate, code string, try *attempt) (candidateModel, error) {
	sc, err := s.scene(ctx, v, c, code)
	if err != nil {
		return candidateModel{}, err
	}
	entries, results := sc.entries, sc.results
	people, err := s.people(ctx)
	if err != nil {
		return candidateModel{}, err
	}
	var flags []protocol.Flag
	if err := json.Unmarshal(c.Flags, &flags); err != nil {
		return candidateModel{}, fmt.Errorf("the stored flags are unreadable: %w", err)
	}
	events := make([]journey.Event, len(entries))
	for i, e := range entries {
		if events[i], err = e.Decode(); err != nil {
			return candidateModel{}, err
		}
	}
	p := sc.protocol
	person := activities.PersonOf(c)
	report := p.Assess(person, results, sc.today)
	reader := v.reader()
	conditions := reader.Conditions(p, report.Conditions)
	if c.State.Operated != "" {
		conditions = nil // what came after the operation answers none
	}
	way := trailOf(p.Rules(), events)
	stands := standingOf(p, v, c)
	days := c.State.Since.DaysUntil(sc.today)
	m := candidateModel{
		Name: v.name(c), Stage: c.State.Stage, Days: "since " + dayWord(c.State.Since) + ", " + plural(days, "day"),
		Wide: way.Wide(), Narrow: way.Narrow(), Sentence: way.sentence(),
		Stuck: stands.Stuck, Expiring: stands.Expiring, Clocks: stands.Clocks, Reports: reportModels(sc, people),
		Facts: facts(sc, people), Gates: gates(sc, people, conditions), Flags: flagModels(p, c.State, reader.Flags(p, flags)),
		Blood: bloodWord(c.State.BloodType), Decision: plan(sc),
		Protocol: p.Title + ", version " + p.Version, ReadOnly: v.Role == journey.Auditor,
	}
	m.Flags, m.Calm = parted(m.Flags)
	if stands.Assessed {
		m.Worst = bandMark(journey.Worst(c.State.Flags), false)
	} else {
		m.Worst = noBand()
	}
	if m.Alike, err = s.notYetSame(ctx, sc); err != nil {
		return candidateModel{}, err
	}
	computed, shown := reader.Derived(p, report.Derived), reader.Results(p, results, entries)
	m.Derived = derivedModels(p, computed)
	m.Reported, m.Older = split(reportedModels(p, shown), newestResults)
	m.addTrends(sc, computed, newestFirst(shown))
	m.Order = order(sc)
	m.Countdown = countdown(sc)
	m.Deadlines, m.Later = split(deadlines(sc), nextDeadlines)
	m.FollowUp = s.followUpOf(sc, results, entries)
	if m.Recovery, err = recoveryOf(sc); err != nil {
		return candidateModel{}, err
	}
	if m.Medicines, err = medicinesOf(sc, results); err != nil {
		return candidateModel{}, err
	}
	if m.Risks, err = risksOf(sc, people); err != nil {
		return candidateModel{}, err
	}
	if m.Operation, err = operationSection(sc, shown, people); err != nil {
		return candidateModel{}, err
	}
	m.MayReport = slices.ContainsFunc(stands.Needs, reports)
	// What has to be reported stands above them.
	m.Needs, m.MoreNeeds = split(slices.DeleteFunc(stands.Needs, reports), nextNeeds)
	if m.Notes, err = s.notesOf(ctx, sc, people, nil); err != nil {
		return candidateModel{}, err
	}
	m.Self = selfOf(sc, entries, events)
	m.Timeline, m.Earlier = timeline(sc, entries, events, people)
	m.Pages = sc.pages(m.Recovery != nil)
	if err := s.addEmergencies(ctx, &m, v, c); err != nil {
		return candidateModel{}, err
	}
	m.addForms(sc, try)
	return m, nil
}

// shownValue is a value with its unit, nothing without a value.
func shownValue(shown, unit string) string {
	if shown == "" {
		return ""
	}
	return strings.TrimSpace(shown + " " + unitWord(unit))
}

// parted sets the flags apart that call for nothing.
func parted(flags []flagModel) (raised, calm []flagModel) {
	for _, f := range flags {
		if f.Band == journey.Meets && !f.Near {
			calm = append(calm, f)
		} else {
			raised = append(raised, f)
		}
	}
	return raised, calm
}

// How much of a long list is shown at once. The rest is one press away.
const (
	newestResults = 12
	nextDeadlines = 5
	nextNeeds     = 8
)

func split[T any](list []T, n int) (shown, rest []T) {
	n = min(n, len(list))
	return list[:n], list[n:]
}

func noBand() template.HTML { return mark("band-none", "bar", "No results yet") }

// quietWhenEmpty lists the forms that are left out while there is nothing to
// fill in: their absence says enough.
var quietWhenEmpty = []journey.Kind{
	journey.SignResults, journey.RecordReview, journey.RecordVisit, journey.GiveDonorLink, journey.RevokeDonorLink, journey.ReportEvent, journey.CloseReport, journey.RetractReport,
	journey.RecordContact, journey.AnswerQuestion,
	journey.ConfirmDuties, journey.GiveQuestionnaire, journey.RevokeQuestionnaire, journey.SettleStopWish,
}

// addForms adds the forms that the stage and the viewer's role allow. A form
// that was refused keeps what was entered, even if it is not allowed any more.
func (m *candidateModel) addForms(sc scene, try *attempt) {
	kinds := journey.Allowed(sc.candidate.State.Stage, sc.viewer.Role)
	if try != nil && !slices.Contains(kinds, try.kind) {
		kinds = append(kinds, try.kind)
	}
	if sc.viewer.Role == journey.Auditor {
		kinds = nil
	}
	for _, kind := range kinds {
		if slices.Contains(journey.AppointmentKinds(), kind) {
			continue // they have a page of their own
		}
		f := makeForm(sc, kind)
		if tried := try != nil && try.kind == kind; f.Empty != "" && !tried && slices.Contains(quietWhenEmpty, kind) {
			continue
		}
		if kind == journey.RecordResults && sc.code != "" {
			f.Open = true
		}
		if try != nil && try.kind == kind {
			f.fill(try.values, try.problems)
			f.Open, f.Key = true, try.key
			try.form = f
		}
		if f.Grave {
			m.Grave = append(m.Grave, f)
		} else {
			m.Forms = append(m.Forms, f)
		}
	}
	m.HasActions = len(m.Forms)+len(m.Grave) > 0
}

// people maps account ids to names.
func (s *server) people(ctx context.Context) (map[string]string, error) {
	accounts, err := s.Store.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	names := map[string]string{"timer": "The programme's timer", "programme": "The programme", record.ByProgram: "The program"}
	for _, a := range accounts {
		names[a.ID] = a.Name
	}
	return names, nil
}

// personWord names an actor: a person, or an interface that holds a token.
func personWord(people map[string]string, id string) string {
	if name, ok := people[id]; ok {
		return name
	}
	if strings.HasPrefix(id, "token-") {
		return "Interface " + strings.TrimPrefix(id, "token-")
	}
	return id
}

func facts(sc scene, people map[string]string) []fact {
	c, v := sc.candidate, sc.viewer
	var list []fact
	if v.knowsIdentity() {
		list = append(list,
			fact{"Identifier", c.Identity.Identifier.Value},
			fact{"Born", fmt.Sprintf("%s, %s", dayWord(c.Identity.BirthDate), plural(sc.today.WholeYears(c.Identity.BirthDate), "year"))},
			fact{"Sex", c.Identity.Sex})
		list = append(list, contactFacts(c.Contact)...)
	}
	list = append(list, fact{"Referred", dayWord(c.ReferredOn)}, fact{"Donation", c.Path})
	if v.knowsRecipient() && c.Recipient != "" {
		list = append(list, fact{"Recipient", c.Recipient})
	}
	advocate := "not assigned"
	if c.State.Advocate != "" {
		advocate = personWord(people, c.State.Advocate)
	}
	list = append(list, fact{"Advocate", advocate})
	if slices.Contains(visitReaders, v.Role) && !c.State.Stage.Ended() {
		link, _ := ownLink(sc)
		list = append(list, fact{"Own page", link})
	}
	return list
}

// Idle counts the requirements that do not apply.
func (m candidateModel) Idle() int {
	n := 0
	for _, g := range m.Gates {
		n += len(g.Idle)
	}
	return n
}

func gates(sc scene, people map[string]string, conditions []protocol.Condition) []gateModel {
	var list []gateModel
	for _, gate := range gateOrder {
		g := gateModel{Title: known(gateWords, gate), ID: "gate-" + string(gate)}
		for _, r := range sc.protocol.Requirements {
			state, ok := sc.candidate.State.Find(r.ID)
			if r.Gate != gate || !ok {
				continue
			}
			if !state.InForce(sc.today) {
				g.Open++
			}
			row := requirement(sc, r, state, people)
			if i := slices.IndexFunc(conditions, func(c protocol.Condition) bool { return c.Requirement == r.ID }); i >= 0 {
				row.Detail = joined(row.Detail, conditionWord(conditions[i]))
			}
			if row.Expires && state.InForce(sc.today) {
				g.Early++
			}
			if state.Status == journey.NotApplicable {
				g.Idle = append(g.Idle, row)
				continue
			}
			if row.Again && !row.Expires {
				g.Again++
			}
			g.add(r.Domain, row, state.InForce(sc.today) && !row.Expires)
		}
		if len(g.Rows)+len(g.Idle) > 0 {
			list = append(list, g)
		}
	}
	return list
}

func requirement(sc scene, r protocol.Requirement, state journey.Requirement, people map[string]string) requirementModel {
	row := requirementModel{ID: r.ID, Title: r.Title, Source: r.Source, Signer: capital(roleWord(r.Signer))}
	if r.Evidence == journey.ByAssignment || r.Evidence == journey.ByConsent {
		row.Signer = "Coordinator or clinician"
		if r.Evidence == journey.ByAssignment {
			row.Signer = "Coordinator"
		}
	}
	seen, replaced := sc.viewer.reader().Requirement(sc.protocol, state)
	shown := seen.Status
	if (shown == journey.Met || shown == journey.Waived) && !state.InForce(sc.today) {
		shown = journey.Expired
	}
	row.Status = statusMark(shown)
	switch {
	case seen.ValidUntil == "" && state.InForce(sc.today) && state.Status != journey.NotApplicable:
		row.Validity = "Does not expire"
	case seen.ValidUntil.Before(sc.today) && seen.ValidUntil != "":
		row.Validity = "Expired after " + dayWord(seen.ValidUntil)
		row.Expires = true
	case seen.ValidUntil != "":
		row.Validity = "Valid until " + dayWord(seen.ValidUntil)
		if sc.candidate.State.Planned != "" && seen.ValidUntil.Before(sc.candidate.State.Planned) && sc.candidate.State.Stage.BeforeOperation() {
			row.Validity += ", before the planned day"
			row.Expires = true
		}
	}
	if window := windowWord(sc, r, state); window != "" {
		row.Validity = joined(row.Validity, window)
		// Before a day is planned, it is nobody's work yet.
		row.Expires, row.Again = row.Expires || sc.candidate.State.Planned != "", true
	}
	if r.Differs != "" {
		row.Source += ". Differs: " + r.Differs
	}
	var detail []string
	if state.Collected != "" && r.Evidence == journey.ByResult {
		detail = append(detail, "result of "+dayWord(state.Collected))
	}
	if seen.SignedBy != "" {
		detail = append(detail, personWord(people, seen.SignedBy)+", "+dayWord(seen.SignedOn))
	}
	if seen.Awaiting != nil {
		detail = append(detail, awaitingWord(*seen.Awaiting, people)+"; a second signature is needed")
	}
	if replaced {
		detail = append(detail, api.ByClinicians)
	}
	if seen.Position != "" {
		detail = append(detail, known(positionWords, seen.Position))
	}
	row.Detail = strings.Join(detail, "; ")
	row.Action, row.Verb = requirementAction(sc, r, state)
	return row
}

// awaitingWord says what was signed once.
func awaitingWord(first journey.Countersignature, people map[string]string) string {
	what := "acceptance"
	if first.Waiver {
		what = "waiver until " + dayWord(first.Until)
	}
	return what + " signed by " + personWord(people, first.By) + ", " + dayWord(first.On)
}

// windowWord says when evidence that is in force will be too old, or may be, on
// the day of the operation.
func windowWord(sc scene, r protocol.Requirement, state journey.Requirement) string {
	planned := sc.candidate.State.Planned
	rule, _ := sc.protocol.Rules().Requirement(r.ID)
	switch {
	case r.OperationDays == 0 || state.Collected == "" || !state.InForce(sc.today) || !sc.candidate.State.Stage.BeforeOperation():
		return ""
	case planned == "" && rule.RecentFor(state, sc.today):
		return fmt.Sprintf("counts for an operation until %s", dayWord(state.Collected.AddDays(r.OperationDays)))
	case planned == "":
		return fmt.Sprintf("needs a repeat within %s before the operation", plural(r.OperationDays, "day"))
	case !rule.RecentFor(state, planned):
		return fmt.Sprintf("needs a repeat from %s on, for the planned day", dayWord(planned.AddDays(-r.OperationDays)))
	default:
		return ""
	}
}

// conditionWord says why a conditional requirement applies or not.
func conditionWord(c protocol.Condition) string {
	var known []string
	for _, f := range c.Facts {
		if f.Value != "" {
			known = append(known, strings.TrimSpace(f.Title+" "+rounded(f.Value)+" "+unitWord(f.Unit)))
		}
	}
	facts := strings.Join(known, "; ") // titles hold commas
	if c.Expression == "" {            // the cause is not for the viewer
		facts = lower(withheld)
	}
	switch c.Holds {
	case journey.HoldsYes:
		return "applies: " + facts
	case journey.HoldsNo:
		return "does not apply: " + facts
	}
	text := "stands until it is known whether it applies"
	if missing := c.Missing(); len(missing) > 0 {
		text += "; not on record: " + strings.Join(missing, "; ")
	}
	return text
}

func joined(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// requirementAction leads from a requirement to the form that serves it.
func requirementAction(sc scene, r protocol.Requirement, state journey.Requirement) (href, verb string) {
	allowed := journey.Allowed(sc.candidate.State.Stage, sc.viewer.Role)
	may := func(kind journey.Kind) bool { return slices.Contains(allowed, kind) }
	if state.InForce(sc.today) || state.Status == journey.NotDue {
		return "", ""
	}
	switch {
	case r.Evidence == journey.ByAssignment && may(journey.AssignAdvocate):
		return "#" + string(journey.AssignAdvocate), "Assign"
	case r.Evidence == journey.ByConsent && may(journey.RecordConsent):
		return "#" + string(journey.RecordConsent), "Record"
	case r.Evidence == journey.ByReview && r.Signer == sc.viewer.Role && may(journey.RecordReview):
		if _, ok := sc.protocol.ReviewForm(r.ID); ok || r.ID == sideReview {
			return reviewLink(sc.candidate.ID, r.ID), "Review"
		}
		return "#" + string(journey.RecordReview), "Review"
	case r.Evidence == journey.ByResult && r.Signer == sc.viewer.Role && state.Evidence != "" && state.Status != journey.Expired && may(journey.SignResults):
		return "#" + string(journey.SignResults), "Sign"
	case r.Evidence == journey.ByResult && may(journey.RecordResults):
		if link := worksheetFor(sc, r); link != "" {
			return link, "Worksheet"
		}
		for _, set := range append(slices.Clone(r.LOINC), r.Local...) {
			for _, code := range set {
				if _, ok := sc.protocol.Observation(code); ok {
					return "?" + url.Values{"code": {code}}.Encode() + "#" + string(journey.RecordResults), "Enter result"
				}
			}
		}
	}
	return "", ""
}

func flagModels(p *protocol.Protocol, state journey.State, flags []protocol.Flag) []flagModel {
	var list []flagModel
	for _, f := range flags {
		m := flagModel{
			Flag: f, Mark: bandMark(f.Band, f.Absolute && f.Band == journey.Excludes),
			Number: shownValue(f.Shown, f.Unit), Sources: inputs(p, f.Inputs),
		}
		if rule, ok := flagRule(p, f.ID); ok {
			m.Scale = scale(rule, f)
			m.Rule = thresholds(rule)
		} else {
			m.Rule = f.Threshold
		}
		if r, ok := state.Find(f.Requirement); ok && f.Band != journey.Meets {
			m.Needs = "Requirement: " + titleOf(p, f.Requirement) + ", " + lower(known(statusWords, r.Status))
		}
		list = append(list, m)
	}
	order := map[journey.Band]int{journey.Excludes: 0, journey.Discussion: 1, journey.CannotDecide: 2, journey.Meets: 3}
	slices.SortStableFunc(list, func(a, b flagModel) int { return order[a.Band] - order[b.Band] })
	return list
}

var sign = strings.NewReplacer(">=", "≥", "<=", "≤")

// thresholds says the bands of a rule with the units that people write.
func thresholds(rule protocol.FlagRule) string {
	var parts []string
	for _, band := range rule.Bands {
		word := lower(bandWord(band.Band))
		if band.Absolute {
			word += " absolutely"
		}
		parts = append(parts, word+" when "+strings.TrimSpace(sign.Replace(band.When)+" "+unitWord(rule.Unit)))
	}
	return capital(strings.Join(parts, "; ")) + "; otherwise meets."
}

func inputs(p *protocol.Protocol, in []protocol.Input) []inputModel {
	var list []inputModel
	for _, i := range in {
		list = append(list, inputModel{capital(i.Name), strings.TrimSpace(i.Value + " " + unitWord(i.Unit)), whenWord(i.Date, p.Zone())})
	}
	return list
}

func derivedModels(p *protocol.Protocol, derived []protocol.Derived) []valueModel {
	var list []valueModel
	for _, d := range derived {
		m := valueModel{
			Title: d.Title, Value: strings.TrimSpace(rounded(d.Value) + " " + unitWord(d.Unit)), When: spanWord(d.Effective, d.EffectiveEnd, p.Zone()),
			Detail: d.Equation + "; " + d.Source, Inputs: inputs(p, d.Inputs),
		}
		if d.Interval != nil {
			m.Value += ", " + d.Interval.Text(1)
			m.Detail += "; interval by the " + d.Interval.Method
		}
		if len(d.Components) > 0 {
			var parts []component
			for _, c := range d.Components {
				parts = append(parts, component{c.LOINC, c.Title, rounded(c.Value), unitWord(c.Unit)})
			}
			m.Value = partsWord(parts)
		}
		for _, warning := range d.Warnings {
			m.Detail += "; " + warning
		}
		list = append(list, m)
	}
	return list
}

// newestFirst sorts results by their time.
func newestFirst(results []result.Result) []result.Result {
	return slices.SortedStableFunc(slices.Values(results), func(a, b result.Result) int { return strings.Compare(moment(b), moment(a)) })
}

func reportedModels(p *protocol.Protocol, results []result.Result) []valueModel {
	var list []valueModel
	for _, r := range newestFirst(results) {
		m := valueModel{Title: r.Code.Display, Value: valueWord(r.Value), When: spanWord(r.Effective, r.EffectiveEnd, p.Zone())}
		if o, ok := p.Observation(r.Code.Code); ok {
			m.Title = o.Title
		}
		if m.Title == "" {
			m.Title = r.Code.Code
		}
		if len(r.Components) > 0 {
			var parts []component
			for _, c := range r.Components {
				each := component{Code: c.Code.Code, Title: c.Code.Display, Value: valueWord(c.Value)}
				if o, ok := p.Observation(c.Code.Code); ok {
					each.Title = o.Title
				}
				if q := c.Value.Quantity; q != nil {
					each.Value, each.Unit = q.Comparator+q.Value.String(), unitWord(q.Unit)
				}
				parts = append(parts, each)
			}
			m.Value = partsWord(parts)
		}
		if len(r.Members) > 0 {
			m.Value = "panel of " + plural(len(r.Members), "result")
		}
		var detail []string
		if r.Status != result.Final {
			detail = append(detail, string(r.Status))
		}
		if r.Version > 1 {
			detail = append(detail, fmt.Sprintf("version %d", r.Version))
		}
		detail = append(detail, besideValue(r)...)
		if r.BySelf() {
			detail = append(detail, "told by the candidate, not verified by staff")
		}
		if r.Identifier.System == typedSystem {
			detail = append(detail, "typed in")
		}
		m.Detail = strings.Join(detail, "; ")
		list = append(list, m)
	}
	return list
}

// interpretations are the words of the codes that laboratories put on values most
// often; the others stand as they are.
var interpretations = map[string]string{
	"N": "normal", "H": "high", "L": "low", "HH": "critically high", "LL": "critically low", "A": "abnormal", "AA": "critically abnormal",
	"POS": "positive", "NEG": "negative", "IND": "indeterminate", "DET": "detected", "ND": "not detected", "R": "resistant", "S": "susceptible",
}

// besideValue is what the laboratory says beside the value.
func besideValue(r result.Result) []string {
	var list []string
	var called []string
	for _, code := range r.Interpretation {
		called = append(called, cmp.Or(interpretations[code], code))
	}
	if len(called) > 0 {
		list = append(list, "laboratory: "+strings.Join(called, ", "))
	}
	if limits := rangeWord(r.ReferenceRange); limits != "" {
		list = append(list, "usual "+limits)
	}
	if r.Specimen != "" {
		list = append(list, "specimen "+r.Specimen)
	}
	for _, each := range []struct{ label, text string }{{"", r.Performer}, {"order ", r.Order}, {"note: ", r.Note}} {
		if each.text != "" {
			list = append(list, each.label+each.text)
		}
	}
	if r.Report != nil && r.Report.Conclusion != "" {
		list = append(list, "report: "+r.Report.Conclusion)
	}
	if r.Confidentiality != "" {
		list = append(list, "restricted by its source")
	}
	return list
}

// rangeWord is a reference range in words; the limits without their unit, which is
// that of the value.
func rangeWord(limits *result.ReferenceRange) string {
	switch {
	case limits == nil:
		return ""
	case limits.Text != "":
		return limits.Text
	case limits.Low != nil && limits.High != nil:
		return limits.Low.Value.String() + " to " + limits.High.Value.String()
	case limits.Low != nil:
		return "from " + limits.Low.Value.String()
	case limits.High != nil:
		return "up to " + limits.High.Value.String()
	default:
		return ""
	}
}

// moment puts results in order of time; a day without a time ends its day.
func moment(r result.Result) string {
	if at, err := r.EffectiveAt(); err == nil {
		return r.CollectedOn + at.UTC().Format(" 2006-01-02T15:04:05Z")
	}
	return r.CollectedOn + " ~"
}

func valueWord(v result.Value) string {
	switch {
	case v.Quantity != nil:
		return strings.TrimSpace(v.Quantity.Comparator + v.Quantity.Value.String() + " " + unitWord(v.Quantity.Unit))
	case v.Coding != nil && v.Coding.Display != "":
		return v.Coding.Display
	case v.Coding != nil:
		return v.Coding.Code
	default:
		return v.Text
	}
}

func bloodWord(a journey.Agreement) string {
	switch a {
	case journey.Agree:
		return "The blood-type samples of two draws agree."
	case journey.Disagree:
		return "The blood-type samples disagree. Nothing goes on until this is settled."
	default:
		return "Two blood-type samples of different draws are not on record yet."
	}
}

func deadlines(sc scene) []deadlineModel {
	var list []deadlineModel
	rules := sc.protocol.Rules()
	rules.Reminders = nil // they only announce what is listed
	for _, d := range journey.Deadlines(rules, sc.candidate.State) {
		if _, reminds := d.Kind.Announces(); reminds {
			continue
		}
		day := lastDay(d)
		m := deadlineModel{Text: deadlineText(sc.protocol, sc.candidate.State, d), Day: dayWord(day)}
		m.Left, m.Past = leftWord(sc.today, day)
		if r, ok := sc.candidate.State.FindReport(d.Subject); ok && d.At != "" {
			m.Left, m.Past = leftToReport(r, sc.viewer.now)
		}
		list = append(list, m)
	}
	return list
}

// leftWord says how far away a day is.
func leftWord(today, day journey.Date) (word string, past bool) {
	switch n := today.DaysUntil(day); {
	case n < 0:
		return plural(-n, "day") + " ago", true
	case n == 0:
		return "today", false
	case n == 1:
		return "tomorrow", false
	default:
		return "in " + plural(n, "day"), false
	}
}

func plan(sc scene) []fact {
	s := sc.candidate.State
	var list []fact
	if d := s.Decision; d != nil {
		list = append(list, fact{"Decision", known(outcomeWords, d.Outcome) + " on " + dayWord(d.On)})
		if d.Side != "" {
			list = append(list, fact{"Side", capital(string(d.Side)) + " kidney"})
		}
		switch {
		case d.Expires != "" && d.Outcome == journey.Approve:
			list = append(list, fact{"Approval valid until", dayWord(d.Expires)})
		case d.Expires != "":
			list = append(list, fact{"Re-review on", dayWord(d.Expires)})
		}
	}
	if s.Planned != "" {
		left, _ := leftWord(sc.today, s.Planned)
		list = append(list, fact{"Planned incision", dayWord(s.Planned) + ", " + left})
	}
	if s.Planned != "" && s.Approach != "" {
		list = append(list, fact{"Approach", known(approachWords, s.Approach)})
	}
	switch {
	case s.Verification.Stopped:
		list = append(list, fact{"Verification", "Stopped by a mismatch on " + dayWord(s.Verification.On)})
	case s.Verification.Second != "":
		list = append(list, fact{"Verification", "Confirmed by two people on " + dayWord(s.Verification.On)})
	case s.Verification.First != "":
		list = append(list, fact{"Verification", "Confirmed by one person on " + dayWord(s.Verification.On) + ", a second one is needed"})
	}
	switch {
	case s.LastCheck.Stopped:
		list = append(list, fact{"Last check", "Stopped by a mismatch on " + dayWord(s.LastCheck.On)})
	case s.LastCheck.Second != "":
		list = append(list, fact{"Last check", "Confirmed by two people on " + dayWord(s.LastCheck.On)})
	case s.LastCheck.First != "":
		list = append(list, fact{"Last check", "Confirmed by one person on " + dayWord(s.LastCheck.On) + ", a second one is needed"})
	}
	if s.Operated != "" {
		list = append(list, fact{"Operation", dayWord(s.Operated)})
	}
	if s.Outcome != "" {
		list = append(list, fact{"Outcome", known(outcomeWords, s.Outcome)})
	}
	if s.Died != "" {
		list = append(list, fact{"Died", dayWord(s.Died)})
	}
	return list
}

// rounded shows a derived number with at most three decimals. The unrounded
// number is what rules compare and what the record keeps.
func rounded(text string) string {
	whole, decimals, ok := strings.Cut(text, ".")
	if !ok || len(decimals) <= 2 || strings.ContainsAny(text, "eE") {
		return text
	}
	var f float64
	if _, err := fmt.Sscanf(text, "%g", &f); err != nil {
		return text
	}
	if len(strings.TrimLeft(whole, "-0")) >= 2 {
		return fmt.Sprintf("%.1f", f)
	}
	return fmt.Sprintf("%.2f", f)
}
