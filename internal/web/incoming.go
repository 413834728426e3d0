package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/command"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// messageRows bounds each list of messages, and foundRows a search for whom one
// is about.
const (
	messageRows = 100
	foundRows   = 20
)

// incomingModel is the page of what came in.
type incomingModel struct {
	Waiting []messageRow
	Full    bool
	// Working counts those that are still being carried out.
	Working int
	Done    []messageRow
}

// messageRow is one message in a list.
type messageRow struct {
	Link, Age, When, From string
	About, Known          string
	What                  string
	Why                   []string
	Told, State           string
}

var wayWords = map[string]string{
	string(incoming.FHIR): "FHIR", string(incoming.MLLP): "HL7 v2", string(incoming.API): "interface", string(incoming.CLI): "command line",
}

var messageStates = map[incoming.State]string{
	incoming.Received: "Being carried out", incoming.Applied: "On record", incoming.Held: "Held", incoming.Refused: "Refused", incoming.Settled: "Set aside",
}

// issueWords say why a message waits, for people who don't know its format.
var issueWords = map[reading.Kind]string{
	reading.NotUnderstood: "A part of it can't be understood", reading.UnmappedCode: "A code of the laboratory is not in the mapping table",
	reading.UnmappedUnit: "A unit is not in the mapping table", reading.UnmappedAnswer: "An answer is not in the mapping table",
	reading.UnreadableValue: "A value can't be read", reading.UnknownStatus: "A status is not known", reading.NoTime: "The time of collection is missing",
	reading.NoAuthority: "It does not say whose number the patient number is", reading.NotSupported: "It asks for something that is not done here",
	reading.ControlReused: "The sender gave the number of this message to another one before", reading.NoCandidate: "No candidate has this patient number",
	reading.SeveralCandidates: "The patient numbers are those of different candidates", reading.IdentifierDiffers: "Another patient number of the same hospital is not the candidate's",
	reading.NameDiffers: "The name is not that of the candidate with this number", reading.BirthDateDiffers: "The date of birth is not that of the candidate with this number",
	reading.OrderDiffers: "The order is another candidate's", reading.NotNow: "The candidate takes no results at present",
	reading.NotAccepted: "The protocol does not take a value or its unit", reading.StatusConflict: "It goes against the order of reports",
	reading.OtherOwner: "Another candidate's result has the same number", reading.WrongPatient: "The laboratory takes back a result of another candidate",
	reading.VersionConflict: "It was made for another version of the result", reading.RuleRefused: "A rule of the process stands against it",
}

func whyOf(issues []reading.Issue) []string {
	var why []string
	for _, i := range issues {
		if word := known(issueWords, i.Kind); !slices.Contains(why, word) {
			why = append(why, word)
		}
	}
	return why
}

// ageWord is how long ago something was.
func ageWord(from, now time.Time) string {
	switch age := now.Sub(from); {
	case age < time.Minute:
		return "just now"
	case age < 2*time.Hour:
		return plural(int(age/time.Minute), "minute")
	case age < 48*time.Hour:
		return plural(int(age/time.Hour), "hour")
	default:
		return plural(int(age/(24*time.Hour)), "day")
	}
}

// incoming lists what waits for a person, by age.
func (s *server) incoming(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	var m incomingModel
	waiting, err := s.Incoming.List(ctx, v.ID, false, messageRows, incoming.Held, incoming.Refused)
	if err != nil {
		return err
	}
	m.Full = len(waiting) == messageRows
	if m.Waiting, err = s.messageRows(ctx, v, waiting); err != nil {
		return err
	}
	done, err := s.Incoming.List(ctx, v.ID, true, 30, incoming.Applied, incoming.Settled)
	if err != nil {
		return err
	}
	if m.Done, err = s.messageRows(ctx, v, done); err != nil {
		return err
	}
	counts, err := s.Store.CountIncoming(ctx)
	if err != nil {
		return err
	}
	m.Working = counts[incoming.Received]
	return s.render(c, http.StatusOK, "incoming", page{Title: "Incoming results", Body: m})
}

func (s *server) messageRows(ctx context.Context, v *viewer, list []record.Incoming) ([]messageRow, error) {
	var rows []messageRow
	for _, m := range list {
		row, err := s.messageRow(ctx, v, m)
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func (s *server) messageRow(ctx context.Context, v *viewer, m record.Incoming) (messageRow, error) {
	out, err := incoming.OutcomeOf(m, false)
	if err != nil {
		return messageRow{}, err
	}
	row := messageRow{
		Link: "/incoming/" + m.ID, Age: ageWord(m.ReceivedAt, s.Now()), When: s.momentWord(m.ReceivedAt),
		From: s.senderWord(ctx, m), Why: whyOf(out.Issues), State: known(messageStates, m.State),
	}
	if m.State == incoming.Refused {
		row.Told = "The sender was told that it was not taken."
	}
	for _, p := range out.Parts {
		if p.Candidate == "" {
			continue
		}
		c, err := s.Store.Candidate(ctx, p.Candidate)
		if err != nil {
			return row, err
		}
		audit.About(ctx, c.ID)
		row.Known = v.name(c)
		break
	}
	message, err := s.Incoming.Read(m)
	if err != nil {
		row.What = "It can't be read"
		return row, nil //nolint:nilerr // why is among the issues
	}
	n := 0
	for _, g := range message.Groups {
		n += len(g.Results)
		if row.About == "" {
			row.About = personFacts(g.Person)
		}
	}
	row.What = plural(n, "result")
	if len(message.Groups) > 1 {
		row.What += " in " + plural(len(message.Groups), "part")
	}
	return row, nil
}

func personFacts(p reading.Person) string {
	name := strings.Trim(p.Family+", "+p.Given, ", ")
	if p.BirthDate != "" {
		name = strings.TrimPrefix(name+", born "+dateWord(p.BirthDate), ", ")
	}
	return name
}

// dateWord writes a date that may lack its day.
func dateWord(text string) string {
	if word := dayWord(journey.Date(text)); word != "" {
		return word
	}
	return text
}

func (s *server) momentWord(t time.Time) string {
	return t.In(s.Current.Zone()).Format("2 Jan 2006, 15:04")
}

func (s *server) senderWord(ctx context.Context, m record.Incoming) string {
	sender := m.Sender
	if people, err := s.people(ctx); err == nil {
		sender = personWord(people, m.Sender)
	}
	if m.Sender == record.IntakeActor {
		sender = "Command line"
	}
	if sender == "" {
		sender = "Unknown sender"
	}
	return sender + " (" + known(wayWords, m.Channel) + ")"
}

// messageModel is the page of one message.
type messageModel struct {
	ID      string
	State   string
	Waits   bool
	Facts   []fact
	Why     []string
	Notes   []issueModel
	Groups  []messagePart
	Raw     string
	Hidden  bool
	Acts    []actModel
	Forms   []form
	ForMany bool
}

type issueModel struct{ Where, Text string }

type actModel struct{ When, Who, What, Why string }

// messagePart is what the message says of one person, beside the record.
type messagePart struct {
	Title  string
	State  string
	Result string
	Issues []issueModel
	Facts  []beside
	Link   string
	Name   string
	Rows   []resultRow
	More   bool
	// Documents are shown when the message is.
	Documents []documentModel
	Search    *searchModel
	Forms     []form
}

// beside is one fact as the message and as the record have it.
type beside struct {
	Label, Given, Recorded string
	Differs                bool
}

type resultRow struct {
	Title, Value, Status, When, Issued, Source string
	OnRecord                                   string
	Became                                     string
}

// searchModel looks for whom a group is about.
type searchModel struct {
	Action, Group, Text string
	Asked               bool
	Found               int
}

// message shows one message.
func (s *server) message(c echo.Context) error { return s.showMessage(c, nil) }

// messageTry is a form that was sent and not accepted, or a search.
type messageTry struct {
	values   url.Values
	problems []problem
	title    string
	status   int
	act      incoming.Act
	group    int
	keep     bool
	form     form
}

func (s *server) showMessage(c echo.Context, try *messageTry) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	view, err := s.Incoming.View(ctx, v.ID, c.Param("message"))
	if err != nil {
		return notThere(err)
	}
	m, err := s.messageModel(ctx, v, view, try)
	if err != nil {
		return err
	}
	p := page{Title: "Incoming message", Body: m}
	if act := incoming.Act(c.QueryParam("done")); act != "" && try == nil {
		p.Notice = messageDone(view)
	}
	status := http.StatusOK
	if try != nil && len(try.problems) > 0 {
		status = try.status
		p.Errors = try.form.summary(try.title, try.problems)
	}
	return s.render(c, status, "message", p)
}

func notThere(err error) error {
	if errors.Is(err, record.ErrNotFound) {
		return errNotFound
	}
	return err
}

func messageDone(v incoming.View) string {
	switch v.State {
	case incoming.Applied:
		return "It is on record."
	case incoming.Settled:
		return "It is set aside."
	case incoming.Received:
		return "It is being carried out. Look again in a moment."
	default:
		return "It was looked at again, and still waits."
	}
}

func (s *server) messageModel(ctx context.Context, v *viewer, view incoming.View, try *messageTry) (messageModel, error) {
	people, err := s.people(ctx)
	if err != nil {
		return messageModel{}, err
	}
	m := messageModel{
		ID: view.ID, State: known(messageStates, view.State), Waits: view.State.Open(), Why: whyOf(view.Outcome.Issues), ForMany: len(view.Groups) > 1,
		Facts: []fact{
			{"Received", s.momentWord(view.ReceivedAt) + ", " + ageWord(view.ReceivedAt, s.Now()) + agoWord(view.ReceivedAt, s.Now())},
			{"From", s.senderWord(ctx, view.Incoming)}, {"Form", view.ContentType}, {"Kept as", view.ID},
		},
	}
	if !incoming.OwnNumber(view.Incoming) {
		m.Facts = append(m.Facts, fact{"Its number at the sender", view.ControlID})
	}
	if view.SentAt != "" {
		m.Facts = append(m.Facts, fact{"Made by the sender", whenWord(view.SentAt, s.Current.Zone())})
	}
	if view.State == incoming.Refused {
		m.Facts = append(m.Facts, fact{"Answer", "The sender was told that it was not taken, and may send it again corrected"})
	}
	for _, i := range slices.Concat(view.Unreadable, messageIssues(view)) {
		m.Notes = append(m.Notes, issueShown(i))
	}
	for _, a := range view.Done {
		m.Acts = append(m.Acts, actModel{When: s.momentWord(a.At), Who: personWord(people, a.Actor), What: known(actWords, incoming.Act(a.Kind)), Why: a.Reason})
	}
	for i, g := range view.Groups {
		group, err := s.partModel(ctx, v, view, i, g, try)
		if err != nil {
			return m, err
		}
		m.Hidden = m.Hidden || group.More
		m.Groups = append(m.Groups, group)
	}
	for _, act := range view.Can {
		m.Forms = append(m.Forms, s.deedForm(view, act, -1, nil, try))
	}
	if !m.Hidden {
		m.Raw = readable(view.Raw)
		for i, g := range view.Groups {
			m.Groups[i].Documents = documentModels(view, i, g.Documents)
		}
	}
	return m, nil
}

func agoWord(from, now time.Time) string {
	if now.Sub(from) < time.Minute {
		return ""
	}
	return " ago"
}

// messageIssues are those of the message as a whole.
func messageIssues(view incoming.View) []reading.Issue {
	var issues []reading.Issue
	if json.Unmarshal(view.Issues, &issues) != nil || len(view.Unreadable) > 0 {
		return nil
	}
	return issues
}

// plainIssues say it all by their kind.
var plainIssues = []reading.Kind{
	reading.NoCandidate, reading.SeveralCandidates, reading.IdentifierDiffers, reading.NameDiffers, reading.BirthDateDiffers, reading.OrderDiffers,
	reading.NotNow, reading.ControlReused,
}

func issueShown(i reading.Issue) issueModel {
	if slices.Contains(plainIssues, i.Kind) {
		return issueModel{Text: known(issueWords, i.Kind) + "."}
	}
	text := known(issueWords, i.Kind) + ": " + i.Problem
	if len(i.Accepted) > 0 {
		text += "; accepted: " + strings.Join(i.Accepted, ", ")
	}
	return issueModel{Where: i.Location, Text: text + "."}
}

// readable is a message as text: HL7 v2 ends its segments with a carriage return.
func readable(raw []byte) string {
	text := string(raw)
	if !utf8.Valid(raw) {
		text = strings.ToValidUTF8(text, "\uFFFD")
	}
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' {
			return '\uFFFD'
		}
		return r
	}, text)
}

// protocolFor is the protocol by which a group is understood.
func (s *server) protocolFor(ctx context.Context, g incoming.GroupView) (*protocol.Protocol, error) {
	if g.Candidate == nil {
		return s.Current, nil
	}
	return s.Protocols.Get(ctx, g.Candidate.Protocol)
}

func (s *server) partModel(ctx context.Context, v *viewer, view incoming.View, i int, g incoming.GroupView, try *messageTry) (messagePart, error) {
	p, err := s.protocolFor(ctx, g)
	if err != nil {
		return messagePart{}, err
	}
	m := messagePart{Title: "What it says", State: known(messageStates, g.Part.State)}
	if len(view.Groups) > 1 {
		m.Title = fmt.Sprintf("Part %d of %d", i+1, len(view.Groups))
	}
	for _, issue := range g.Part.Issues {
		m.Issues = append(m.Issues, issueShown(issue))
	}
	if g.Candidate != nil {
		audit.About(ctx, g.Candidate.ID)
		m.Link, m.Name = "/candidates/"+g.Candidate.ID, v.name(*g.Candidate)
		if g.Part.State == incoming.Applied && g.Part.Seq > 0 {
			m.Result = "On record as entry " + strconv.FormatInt(g.Part.Seq, 10)
		}
	}
	m.Facts = besides(g)
	shown, more := v.reader().Reported(p, "", g.Results)
	m.More = more
	for n, r := range g.Results {
		if !slices.ContainsFunc(shown, func(s command.Result) bool { return s.Identifier == r.Identifier }) {
			continue
		}
		m.Rows = append(m.Rows, resultRowOf(p, g, n, r))
	}
	for _, act := range g.Can {
		if act != incoming.Assign {
			m.Forms = append(m.Forms, s.deedForm(view, act, i, nil, try))
			continue
		}
		m.Search = &searchModel{Action: "/incoming/" + view.ID, Group: strconv.Itoa(i)}
		var found []record.Candidate
		if try != nil && try.group == i && try.act == incoming.Assign && try.values.Get("q") != "" {
			if found, err = s.matching(ctx, v, try.values.Get("q")); err != nil {
				return m, err
			}
			m.Search.Text, m.Search.Asked, m.Search.Found = try.values.Get("q"), true, len(found)
		} else if g.Candidate != nil {
			// The one whom it was compared with may be the one after all.
			found = []record.Candidate{*g.Candidate}
		}
		if len(found) > 0 {
			m.Forms = append(m.Forms, s.deedForm(view, act, i, assignFields(v, g, found), try))
		}
	}
	return m, nil
}

// besides puts what the message says of the person beside the candidate whom it
// was compared with.
func besides(g incoming.GroupView) []beside {
	var list []beside
	var own record.Identity
	if g.Candidate != nil {
		own = g.Candidate.Identity
	}
	add := func(label, given, recorded string, kinds ...reading.Kind) {
		differs := slices.ContainsFunc(g.Part.Issues, func(i reading.Issue) bool { return slices.Contains(kinds, i.Kind) })
		if given != "" || recorded != "" {
			list = append(list, beside{label, given, recorded, differs && recorded != "" && given != recorded})
		}
	}
	var numbers, ours []string
	for _, n := range g.Identifiers {
		numbers = append(numbers, numberWord(n))
	}
	for _, n := range g.Numbers {
		ours = append(ours, numberWord(n))
	}
	add("Patient numbers", strings.Join(numbers, "; "), strings.Join(ours, "; "), reading.NoCandidate, reading.SeveralCandidates, reading.IdentifierDiffers)
	add("Family name", g.Person.Family, own.Family, reading.NameDiffers)
	add("Given names", g.Person.Given, own.Given, reading.NameDiffers)
	add("Date of birth", dateWord(g.Person.BirthDate), dayWord(own.BirthDate), reading.BirthDateDiffers)
	add("Sex", g.Person.Sex, own.Sex)
	var orders []string
	for _, o := range g.Orders {
		if o.Placer != "" {
			orders = append(orders, o.Placer)
		}
	}
	add("Orders", strings.Join(orders, "; "), "", reading.OrderDiffers)
	return list
}

func numberWord(i reading.Identifier) string {
	switch {
	case i.System == reading.PatientID:
		return "the Patient of this server"
	case i.System == "" && i.Authority != "":
		return i.Value + " (" + i.Authority + ", an authority that is not known)"
	case i.System == "":
		return i.Value + " (no authority)"
	default:
		return i.Value + " (" + i.System + ")"
	}
}

func resultRowOf(p *protocol.Protocol, g incoming.GroupView, n int, r command.Result) resultRow {
	recorded := r.Record("", 1, p.Zone())
	models := reportedModels(p, []result.Result{recorded})
	row := resultRow{
		Title: models[0].Title, Value: models[0].Value, When: models[0].When, Status: strings.ReplaceAll(string(r.Status), "-", " "),
		Issued: whenWord(r.Issued, p.Zone()), Source: r.Identifier.Value,
	}
	if stands, ok := g.OnRecord[n]; ok {
		model := reportedModels(p, []result.Result{stands.Body})[0]
		row.OnRecord = model.Value + ", " + strings.ReplaceAll(string(stands.Body.Status), "-", " ")
		if stands.Body.Issued != "" {
			row.OnRecord += ", issued " + whenWord(stands.Body.Issued, p.Zone())
		}
	}
	for _, made := range g.Part.Results {
		if made.Place == g.Places[n] {
			row.Became = known(changeWords, made.Change)
		}
	}
	return row
}

var changeWords = map[incoming.Change]string{
	incoming.Created: "New on record", incoming.Updated: "A new version", incoming.Unchanged: "On record already", incoming.Outdated: "Older than what is on record; kept beside it",
}

var actWords = map[incoming.Act]string{
	incoming.Assign: "Assigned to a candidate", incoming.Again: "Looked at again", incoming.Accept: "Let in against the order of reports",
	incoming.Rest: "Taken without what was not understood", incoming.TakeBack: "Taken back on the other record", incoming.SetAside: "Set aside",
}

// deedTexts are the forms of the acts.
var deedTexts = map[incoming.Act]struct{ title, hint, button string }{
	incoming.Assign:   {"Assign to a candidate", "The results go on the record of the candidate whom you choose. Compare more than the name: ask the laboratory when in doubt.", "Record for this candidate"},
	incoming.Again:    {"Look at it again", "After a mapping or the protocol was changed, a candidate was referred, or the sender was asked.", "Look again"},
	incoming.Accept:   {"Let it in all the same", "What the message says stands from now on, although a later or final report is on record. The reason is kept in the candidate's record.", "Let it in"},
	incoming.Rest:     {"Take the rest", "What was understood goes on record, without what was not.", "Take the rest"},
	incoming.TakeBack: {"Take it back there", "The result is marked as entered in error on the other candidate's record. Requirements that it met open again.", "Mark as entered in error"},
	incoming.SetAside: {"Set aside", "Nothing of it goes on record. It stays kept, and can be looked at again.", "Set aside"},
}

// deedForm is the form of an act on a group, or on the whole message for -1.
func (s *server) deedForm(view incoming.View, act incoming.Act, group int, fields []field, try *messageTry) form {
	text := deedTexts[act]
	f := form{
		ID: string(act), Action: "/incoming/" + view.ID, Title: text.title, Hint: text.hint, Button: text.button, Key: newKey(),
		Grave: act == incoming.SetAside || act == incoming.TakeBack,
	}
	if group >= 0 {
		f.ID += "-" + strconv.Itoa(group)
	}
	f.Fields = append([]field{
		{Name: "act", Type: "hidden", Value: string(act)}, {Name: "group", Type: "hidden", Value: strconv.Itoa(max(group, 0))},
		{Name: "revision", Type: "hidden", Value: strconv.FormatInt(view.Revision, 10)},
	}, fields...)
	f.Fields = append(f.Fields, field{Name: "reason", Label: "Reason", Hint: "It is kept with your name.", Type: "textarea"})
	if try != nil && try.act == act && (group < 0 || try.group == group) {
		f.Open = true
		values := try.values
		if act == incoming.Assign {
			f.Fields = append(f.Fields, field{Name: "q", Type: "hidden", Value: values.Get("q")})
		}
		f.fill(values, try.problems)
		if try.keep {
			f.Key = values.Get("key")
		}
		try.form = f
	} else {
		f.fill(nil, nil)
	}
	return f
}

// assignFields ask whom the group is about.
func assignFields(v *viewer, g incoming.GroupView, found []record.Candidate) []field {
	var options []option
	for _, c := range found {
		options = append(options, option{c.ID, v.name(c) + ", " + v.identifier(c) + ", " + lower(stageWord(c.State.Stage))})
	}
	fields := []field{
		{Name: "candidate", Label: "Candidate", Type: "radio", Options: options},
		{Name: "birth_date", Label: "Date of birth of this candidate", Hint: "As you have it from the laboratory or the candidate. It is compared with the record.", Type: "date"},
	}
	numbers := []option{{"", "Do not record a number"}}
	for i, n := range g.Identifiers {
		if n.System != "" && n.System != reading.PatientID && !slices.Contains(g.Numbers, reading.Identifier{System: n.System, Value: n.Value}) {
			numbers = append(numbers, option{strconv.Itoa(i), numberWord(n)})
		}
	}
	if len(numbers) == 1 {
		return fields
	}
	return append(fields,
		field{Name: "alias", Label: "Record a patient number as theirs", Hint: "Later messages with this number find the candidate by themselves.", Type: "select", Options: numbers},
		field{Name: "alias_kind", Label: "What the number is", Type: "select", Options: []option{{record.IdentifierAlias, "A number of another authority"}, {record.IdentifierMerged, "A number from before records were merged"}}},
	)
}

// matching lists the candidates whom a text finds, as the board does.
func (s *server) matching(ctx context.Context, v *viewer, text string) ([]record.Candidate, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	keys, err := s.indexed(ctx, v)
	if err != nil {
		return nil, err
	}
	found, err := s.found(ctx, v, keys, boardFilter{Text: text, Show: showAll, Sort: "name"})
	if err != nil {
		return nil, err
	}
	return s.shown(ctx, v, idsOf(found[:min(len(found), foundRows)]))
}

// decideMessage carries out what a coordinator decided, or searches for whom a
// part is about. Names are sent, and stand in no address.
func (s *server) decideMessage(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	ctx, v, values := c.Request().Context(), s.viewer(account), c.Request().PostForm
	view, err := s.Incoming.View(ctx, v.ID, c.Param("message"))
	if err != nil {
		return notThere(err)
	}
	group, _ := strconv.Atoi(values.Get("group"))
	try := &messageTry{values: values, act: incoming.Act(values.Get("act")), group: group}
	if values.Get("do") == "search" {
		try.act = incoming.Assign
		try.values = url.Values{"q": {values.Get("q")}, "group": {values.Get("group")}}
		return s.showMessage(c, try)
	}
	deed, problems := deedOf(view, values, v)
	if len(problems) == 0 {
		if _, err = s.Incoming.Decide(ctx, deed); err == nil {
			return c.Redirect(http.StatusSeeOther, "/incoming/"+view.ID+"?done="+url.QueryEscape(string(deed.Act)))
		}
		status, title, list, keep, ok := refused(s.Current, err, plainField)
		if !ok {
			return err
		}
		try.status, try.title, try.problems, try.keep = status, title, list, keep
		return s.showMessage(c, try)
	}
	try.status, try.title, try.problems = http.StatusUnprocessableEntity, "Nothing was recorded. Check what is entered", problems
	return s.showMessage(c, try)
}

// deedOf reads a form.
func deedOf(view incoming.View, values url.Values, v *viewer) (incoming.Deed, []problem) {
	var problems []problem
	revision, err := strconv.ParseInt(values.Get("revision"), 10, 64)
	if err != nil {
		problems = append(problems, problem{Text: "This form is not complete. Open the message again."})
	}
	group, err := strconv.Atoi(values.Get("group"))
	if err != nil {
		problems = append(problems, problem{Text: "This form is not complete. Open the message again."})
	}
	d := incoming.Deed{
		Message: view.ID, Revision: revision, Key: values.Get("key"), Act: incoming.Act(values.Get("act")), Group: group,
		Reason: strings.TrimSpace(values.Get("reason")), Actor: v.ID, Role: v.Role,
	}
	if d.Act != incoming.Assign {
		return d, problems
	}
	d.Candidate, d.BirthDate = values.Get("candidate"), journey.Date(values.Get("birth_date"))
	if d.Candidate == "" {
		problems = append(problems, problem{Text: "Choose whom it is about.", Field: "candidate"})
	}
	if d.BirthDate == "" {
		problems = append(problems, problem{Text: "This is missing.", Field: "birth_date"})
	}
	if text := values.Get("alias"); text != "" {
		i, err := strconv.Atoi(text)
		if err != nil || group < 0 || group >= len(view.Groups) || i < 0 || i >= len(view.Groups[group].Identifiers) {
			return d, append(problems, problem{Text: "Choose one of the numbers.", Field: "alias"})
		}
		number := view.Groups[group].Identifiers[i].Subject()
		d.Alias, d.AliasKind = &number, values.Get("alias_kind")
	}
	return d, problems
}

// incomingTrouble says on a coordinator's board that messages wait for a person.
func (s *server) incomingTrouble(ctx context.Context, v *viewer) (string, error) {
	if v.Role != journey.Coordinator || s.Incoming == nil {
		return "", nil
	}
	n, err := s.Incoming.Waiting(ctx, v.ID)
	if err != nil || n == 0 {
		return "", err
	}
	if n == 1 {
		return "1 incoming message waits for a person.", nil
	}
	return plural(n, "incoming message") + " wait for a person.", nil
}
