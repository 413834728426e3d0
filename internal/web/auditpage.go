package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/record"
)

// auditRows bounds one page of the trail.
const auditRows = 100

// trailList is one of the lists of the trail.
type trailList struct {
	value, title, empty string
	// rows adds the rows that a filter leaves, and returns where the next page begins.
	rows func(*server, context.Context, trailFilter, map[string]string, *auditModel) (last string, err error)
}

// What the trail shows.
const (
	trailEntries = ""
	trailLooks   = "looks"
)

var trailLists = []trailList{
	{trailEntries, "What was recorded of candidates", "Nothing is on record.", (*server).entryRows},
	{trailLooks, "Who looked, asked or signed in", "Nobody looked.", (*server).lookRows},
	{"emergencies", "Who opened a candidate in an emergency", "Nobody opened a candidate in an emergency.", (*server).overrideRows},
	{"meetings", "What was done in the committee's meetings", "Nothing was done in a meeting.", (*server).meetingRows},
	{"letters", "Letters to candidates", "No letter was sent.", (*server).letterRows},
	{"accounts", "What was done to accounts", "No account was changed.", (*server).accountRows},
	{"systems", "What was done to systems", "No system was changed.", (*server).clientRows},
}

// lookWords are the interactions of the access log in words; those of FHIR are their
// own.
var lookWords = map[string]string{
	record.AccessView: "Looked at one candidate", record.AccessList: "Looked at a list", record.AccessCommand: "Gave a command",
	record.AccessEmergency: "Opened in an emergency", record.AccessNotesRead: "Read an advocate's own notes", record.AccessNoteWritten: "Wrote an advocate's own note", record.AccessToken: "Asked for a token", record.AccessSignIn: "Signed in, or tried to",
}

// auditModel is the model of the auditor's page.
type auditModel struct {
	// Asked is what the rows are narrowed to, in words, for paper.
	Asked  string
	Fields []field
	Rows   []trailRow
	More   string
	Empty  string
	Proof  *proofModel
	Verify string
}

// trailRow is one line of the trail. It says what kind of thing happened, and nothing
// that was found.
type trailRow struct {
	When, Who, What, Outcome string
	People                   []personLink
	Seq, Hash                string
}

type personLink struct{ Name, Link string }

// proofModel is what verifying every chain came to.
type proofModel struct {
	Holds        bool
	Problem      string
	Counts       []fact
	Digest, AsOf string
}

// trailFilter is what the trail is narrowed to.
type trailFilter struct {
	show, who, candidate, kind string
	from, until                journey.Date
	after                      string
	verify                     bool
}

func (f trailFilter) values() url.Values {
	q := url.Values{}
	for name, value := range map[string]string{
		"show": f.show, "who": f.who, "candidate": f.candidate, "kind": f.kind, "from": string(f.from), "until": string(f.until),
	} {
		if value != "" {
			q.Set(name, value)
		}
	}
	return q
}

var candidatePart = regexp.MustCompile(`^[0-9a-f]{4,8}$|^[0-9a-f]{8}-[0-9a-f-]{1,27}$`)

// auditTrail shows an auditor who did what, and who looked.
func (s *server) auditTrail(c echo.Context) error {
	ctx := c.Request().Context()
	f, problems, err := s.trailFilter(ctx, c.QueryParams())
	if err != nil {
		return err
	}
	names, err := s.people(ctx)
	if err != nil {
		return err
	}
	list, _ := trailListOf(f.show)
	var model auditModel
	form := form{ID: "trail", Fields: s.trailFields(f, names)}
	form.fill(nil, problems)
	model.Fields = form.Fields
	p := page{Title: "Audit trail"}
	status := http.StatusOK
	if len(problems) > 0 {
		status, p.Title, p.Errors = http.StatusUnprocessableEntity, "Error: Audit trail", form.summary("The trail is not shown. Check what is entered", problems)
	} else {
		if f.candidate != "" {
			audit.About(ctx, f.candidate)
		}
		model.Empty, model.Asked = list.empty, s.trailAsked(list, f, names)
		last, err := list.rows(s, ctx, f, names, &model)
		if err != nil {
			return err
		}
		if last != "" {
			q := f.values()
			q.Set("after", last)
			model.More = pathAudit + "?" + q.Encode()
		}
		verify := f.values()
		verify.Set("verify", "yes")
		model.Verify = pathAudit + "?" + verify.Encode()
		if f.verify {
			if model.Proof, err = s.verified(ctx); err != nil {
				return err
			}
		}
	}
	p.Body = model
	return s.render(c, status, "audit", p)
}

// trailListOf is the list of that name, the first of no name.
func trailListOf(show string) (trailList, bool) {
	i := slices.IndexFunc(trailLists, func(l trailList) bool { return l.value == show })
	if i < 0 {
		return trailList{}, false
	}
	return trailLists[i], true
}

// trailFilter reads what is asked for.
func (s *server) trailFilter(ctx context.Context, q url.Values) (f trailFilter, problems []problem, err error) {
	f = trailFilter{
		show: q.Get("show"), who: strings.TrimSpace(q.Get("who")), kind: q.Get("kind"), after: q.Get("after"), verify: q.Get("verify") == "yes",
		candidate: strings.ToLower(strings.TrimSpace(q.Get("candidate"))),
	}
	wrong := func(field, text string) { problems = append(problems, problem{Text: text, Field: field}) }
	if _, ok := trailListOf(f.show); !ok {
		wrong("show", "Choose one of the lists.")
	}
	for _, day := range []struct {
		name string
		into *journey.Date
	}{{"from", &f.from}, {"until", &f.until}} {
		text := strings.TrimSpace(q.Get(day.name))
		if text == "" {
			continue
		}
		if _, err := time.Parse(time.DateOnly, text); err != nil {
			wrong(day.name, "Enter a day as year-month-day, such as 2026-07-20.")
			continue
		}
		*day.into = journey.Date(text)
	}
	if f.from != "" && f.until != "" && f.until.Before(f.from) {
		wrong("until", "Enter a day that is not before “From”.")
	}
	if f.candidate == "" {
		return f, problems, nil
	}
	if !candidatePart.MatchString(f.candidate) {
		f.candidate = ""
		wrong("candidate", "Enter the candidate's number as it stands on the page, such as 1A2B3C4D.")
		return f, problems, nil
	}
	found, err := s.Store.CandidatesLike(ctx, f.candidate)
	switch {
	case err != nil:
		return f, nil, err
	case len(found) == 0:
		wrong("candidate", "There is no candidate with this number.")
	case len(found) > 1:
		wrong("candidate", "More than one candidate's number begins so: enter more of it.")
	default:
		f.candidate = found[0]
	}
	return f, problems, nil
}

func (s *server) trailFields(f trailFilter, names map[string]string) []field {
	people := []option{{"", "Anybody"}}
	for id, name := range names {
		people = append(people, option{id, name})
	}
	slices.SortFunc(people[1:], func(a, b option) int { return strings.Compare(a.Label+a.Value, b.Label+b.Value) })
	if f.who != "" && names[f.who] == "" { // a client or a token
		people = append(people, option{f.who, f.who})
	}
	kinds := []option{{"", "Anything"}}
	switch f.show {
	case trailEntries:
		for _, k := range journey.Kinds() {
			kinds = append(kinds, option{string(k), entryWord(k)})
		}
		kinds = append(kinds, option{string(journey.Elapse), entryWord(journey.Elapse)})
	case trailLooks:
		for _, code := range []string{record.AccessView, record.AccessList, record.AccessCommand, record.AccessEmergency, record.AccessNotesRead, record.AccessNoteWritten, record.AccessSignIn, record.AccessToken, "read", "search-type"} {
			kinds = append(kinds, option{code, lookWord(code)})
		}
	}
	slices.SortFunc(kinds[1:], func(a, b option) int { return strings.Compare(a.Label, b.Label) })
	kinds = slices.CompactFunc(kinds, func(a, b option) bool { return a.Value == b.Value })
	var lists []option
	for _, l := range trailLists {
		lists = append(lists, option{l.value, l.title})
	}
	return []field{
		{Name: "show", Label: "Show", Type: "select", Value: f.show, Options: lists},
		{Name: "who", Label: "Who", Type: "select", Value: f.who, Options: people},
		{Name: "candidate", Label: "Candidate", Type: "text", Value: strings.ToUpper(short(f.candidate)), Optional: true},
		{Name: "kind", Label: "Kind", Type: "select", Value: f.kind, Options: kinds},
		{Name: "from", Label: "From", Type: "date", Value: string(f.from), Optional: true},
		{Name: "until", Label: "Until", Type: "date", Value: string(f.until), Optional: true},
	}
}

func lookWord(code string) string {
	if word := lookWords[code]; word != "" {
		return word
	}
	return "FHIR: " + code
}

// trailAsked says in words what the rows are narrowed to.
func (s *server) trailAsked(list trailList, f trailFilter, names map[string]string) string {
	parts := []string{list.title}
	if f.who != "" {
		parts = append(parts, "by "+or(names[f.who], f.who))
	}
	if f.candidate != "" {
		parts = append(parts, "candidate "+strings.ToUpper(short(f.candidate)))
	}
	if f.kind != "" {
		word := lookWord(f.kind)
		if f.show == trailEntries {
			word = entryWord(journey.Kind(f.kind))
		}
		parts = append(parts, "kind: "+lower(word))
	}
	if f.from != "" {
		parts = append(parts, "from "+dayWord(f.from))
	}
	if f.until != "" {
		parts = append(parts, "until "+dayWord(f.until))
	}
	return strings.Join(parts, ", ") + ". As of " + s.clientTime(s.Now()) + "."
}

// span is the time between the first moment of a day and the last of another.
func (s *server) span(f trailFilter) (from, to time.Time) {
	zone := s.Current.Zone()
	if f.from != "" {
		from = f.from.Start(zone)
	}
	if f.until != "" {
		to = f.until.AddDays(1).Start(zone)
	}
	return from, to
}

func (s *server) whoWord(names map[string]string, actor string, role journey.Role) string {
	who := or(names[actor], actor)
	switch {
	case who == "" && role == "":
		return "Somebody unknown"
	case role == "":
		return who
	}
	return who + ", " + roleWord(role)
}

func numbered(ids ...string) []personLink {
	var list []personLink
	for _, id := range ids {
		list = append(list, personLink{strings.ToUpper(short(id)), "/candidates/" + id})
	}
	return list
}

func (s *server) entryRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (last string, err error) {
	q := record.TraceQuery{Candidate: f.candidate, Actor: f.who, Kind: journey.Kind(f.kind), Limit: auditRows + 1}
	q.From, q.To = s.span(f)
	if f.after != "" {
		var at, seq string
		var ok bool
		after := record.Trace{}
		at, after.Candidate, _ = strings.Cut(f.after, "|")
		if after.Candidate, seq, ok = strings.Cut(after.Candidate, "|"); !ok {
			return "", errNotFound
		}
		var errA, errB error
		after.RecordedAt, errA = time.Parse(time.RFC3339Nano, at)
		after.Seq, errB = strconv.ParseInt(seq, 10, 64)
		if errors.Join(errA, errB) != nil {
			return "", errNotFound
		}
		q.After = &after
	}
	list, err := s.Store.Traces(ctx, q)
	if err != nil {
		return "", err
	}
	if len(list) > auditRows {
		list = list[:auditRows]
		t := list[auditRows-1]
		last = fmt.Sprintf("%s|%s|%d", t.RecordedAt.Format(time.RFC3339Nano), t.Candidate, t.Seq)
	}
	for _, t := range list {
		row := trailRow{
			When: s.clientTime(t.RecordedAt), Who: s.whoWord(names, t.Actor, t.Role), What: entryWord(t.Kind), People: numbered(t.Candidate),
			Seq: strconv.FormatInt(t.Seq, 10), Hash: t.Hash[:min(12, len(t.Hash))],
		}
		if gap := t.RecordedAt.Sub(t.OccurredAt); gap > 24*time.Hour {
			row.Outcome = "Happened " + s.clientTime(t.OccurredAt)
		}
		m.Rows = append(m.Rows, row)
	}
	return last, nil
}

func (s *server) lookRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (last string, err error) {
	q := record.AccessQuery{Limit: auditRows + 1}
	if f.candidate != "" {
		q.Candidates, q.OrEverybody = []string{f.candidate}, true
	}
	if f.who != "" {
		q.Actors = []string{f.who}
	}
	if f.kind != "" {
		q.Interactions = []string{f.kind}
	}
	if from, to := s.span(f); !from.IsZero() || !to.IsZero() {
		span := record.Span{}
		if !from.IsZero() {
			span.From = record.AccessInstant(from)
		}
		if !to.IsZero() {
			span.To = record.AccessInstant(to)
		}
		q.Written = [][]record.Span{{span}}
	}
	if f.after != "" {
		if q.Before, err = strconv.ParseInt(f.after, 10, 64); err != nil || q.Before < 1 {
			return "", errNotFound
		}
	}
	list, err := s.Store.Accesses(ctx, q)
	if err != nil {
		return "", err
	}
	if len(list) > auditRows {
		list = list[:auditRows]
		last = strconv.FormatInt(list[auditRows-1].Seq, 10)
	}
	for _, a := range list {
		row := trailRow{
			When: s.clientTime(a.At), Who: s.whoWord(names, a.Actor, a.Role), What: lookWord(a.Interaction), Outcome: statusWordOf(a.Status),
			Seq: strconv.FormatInt(a.Seq, 10), Hash: a.Hash[:min(12, len(a.Hash))],
		}
		if a.Address != "" {
			row.Outcome += "; from " + a.Address
		}
		if a.Everybody {
			row.People = []personLink{{Name: "Too many to list"}}
		} else if len(a.Candidates) > fewPeople {
			row.People = append(numbered(a.Candidates[:fewPeople]...), personLink{Name: "and " + strconv.Itoa(len(a.Candidates)-fewPeople) + " more"})
		} else {
			row.People = numbered(a.Candidates...)
		}
		m.Rows = append(m.Rows, row)
	}
	return last, nil
}

// fewPeople is how many candidates a row of the trail names.
const fewPeople = 4

func statusWordOf(status int) string {
	switch {
	case status < 400:
		return "Answered"
	case status == http.StatusUnauthorized || status == http.StatusForbidden || status == http.StatusNotFound:
		return "Refused (" + strconv.Itoa(status) + ")"
	case status < 500:
		return "Not accepted (" + strconv.Itoa(status) + ")"
	default:
		return "Failed (" + strconv.Itoa(status) + ")"
	}
}

// accountRows lists the changes of accounts, which are few: the newest alone.
func (s *server) accountRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (string, error) {
	list, err := s.Store.AccountChanges(ctx, s.changesQuery(f))
	if err != nil {
		return "", err
	}
	for _, change := range list {
		what, err := accountChangeWord(change, nil)
		if err != nil {
			return "", err
		}
		addChange(s, m, names, change, what, "Account of "+or(names[change.Of], change.Of))
	}
	return "", nil
}

// clientRows lists the changes of systems.
func (s *server) clientRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (string, error) {
	list, err := s.Store.ClientChanges(ctx, s.changesQuery(f))
	if err != nil {
		return "", err
	}
	for _, change := range list {
		addChange(s, m, names, change, known(clientChangeWords, change.Kind), "System "+change.Of)
	}
	return "", nil
}

func (s *server) changesQuery(f trailFilter) record.ChangesQuery {
	q := record.ChangesQuery{Actor: f.who, Limit: mostChanges}
	q.From, q.To = s.span(f)
	return q
}

func addChange[K ~string](s *server, m *auditModel, names map[string]string, change record.Change[K], what, of string) {
	m.Rows = append(m.Rows, trailRow{
		When: s.clientTime(change.At), Who: s.whoWord(names, change.Actor, change.Role), What: what, Outcome: of,
		Seq: strconv.FormatInt(change.Seq, 10), Hash: change.Hash[:min(12, len(change.Hash))],
	})
}

// mostChanges bounds the lists that have one page.
const mostChanges = 1000

func (s *server) trailQuery(f trailFilter) record.TrailQuery {
	q := record.TrailQuery{Candidate: f.candidate, Actor: f.who, Limit: mostChanges}
	q.From, q.To = s.span(f)
	return q
}

var meetingKindWords = map[meeting.Kind]string{
	meeting.Planned: "Meeting planned", meeting.Agenda: "Agenda set", meeting.Attended: "Attendance recorded", meeting.Declared: "Conflict of interest declared, or none",
	meeting.Voted: "Voted", meeting.Closed: "Vote closed", meeting.Decided: "Decision recorded", meeting.Signed: "Minutes signed", meeting.Amended: "Minutes amended",
}

// meetingRows lists what was done in meetings: who voted, and not how.
func (s *server) meetingRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (string, error) {
	list, err := s.Store.MeetingTrail(ctx, s.trailQuery(f))
	if err != nil {
		return "", err
	}
	meetings, err := s.Store.Meetings(ctx)
	if err != nil {
		return "", err
	}
	days := map[string]string{}
	for _, each := range meetings {
		days[each.ID] = meetingDay(each)
	}
	for _, e := range list {
		m.Rows = append(m.Rows, trailRow{
			When: s.clientTime(e.At), Who: s.whoWord(names, e.Actor, e.Role), What: known(meetingKindWords, e.Kind), People: numbered(e.Candidates()...),
			Outcome: "Meeting on " + days[e.Meeting], Seq: strconv.FormatInt(e.Seq, 10), Hash: e.Hash[:min(12, len(e.Hash))],
		})
	}
	return "", nil
}

// letterRows lists which letters went to whom, and not what they tell.
func (s *server) letterRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (string, error) {
	list, err := s.Store.LetterTrail(ctx, s.trailQuery(f))
	if err != nil {
		return "", err
	}
	for _, l := range list {
		m.Rows = append(m.Rows, trailRow{
			When: s.clientTime(l.At), Who: s.whoWord(names, l.By, l.Role), What: "Letter sent", People: numbered(l.Candidate),
			Seq: strconv.FormatInt(l.Seq, 10), Hash: l.Hash[:min(12, len(l.Hash))],
		})
	}
	return "", nil
}

// verified verifies every chain.
func (s *server) verified(ctx context.Context) (*proofModel, error) {
	v, err := s.Store.Verify(ctx)
	m := &proofModel{Holds: err == nil, AsOf: s.clientTime(s.Now()), Digest: v.Digest}
	var broken *record.Broken
	var chain *record.BrokenChain
	switch {
	case errors.As(err, &broken), errors.As(err, &chain):
		m.Problem = capital(err.Error()) + "."
		return m, nil
	case err != nil:
		return nil, err
	}
	m.Counts = []fact{
		{"Candidates", strconv.Itoa(v.Candidates)}, {"Entries", strconv.Itoa(v.Entries)}, {"Changes of accounts", strconv.Itoa(v.AccountChanges)},
		{"Emergency accesses", strconv.Itoa(v.Emergencies)}, {"Changes of systems", strconv.Itoa(v.ClientChanges)}, {"Changes of meetings", strconv.Itoa(v.MeetingChanges)}, {"Letters", strconv.Itoa(v.Letters)}, {"Documents and corrections of them", strconv.Itoa(v.Documents)}, {"Rows of the access log", strconv.FormatInt(v.Accesses, 10)},
	}
	return m, nil
}

// overrideRows lists who opened a candidate in an emergency. The reasons are for the
// care team.
func (s *server) overrideRows(ctx context.Context, f trailFilter, names map[string]string, m *auditModel) (string, error) {
	q := record.EmergencyQuery{Candidate: f.candidate, Actor: f.who}
	q.From, q.To = s.span(f)
	list, err := s.Store.Emergencies(ctx, q)
	if err != nil {
		return "", err
	}
	for _, e := range list {
		m.Rows = append(m.Rows, trailRow{
			When: s.clientTime(e.At), Who: s.whoWord(names, e.Actor, e.Role), What: lookWord(record.AccessEmergency), People: numbered(e.Candidate),
			Outcome: "Until " + e.Until.In(s.Current.Zone()).Format("15:04"), Seq: strconv.FormatInt(e.Seq, 10), Hash: e.Hash[:min(12, len(e.Hash))],
		})
	}
	return "", nil
}
