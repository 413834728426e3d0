package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/api"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
)

const (
	pathDocuments = "/candidates/:id/documents"
	pathBroughtIn = "/candidates/:id/documents/:document"
	pathSentIn    = "/candidates/:id/documents/incoming/:message/:part/:document"

	// mostDocument bounds a document that is brought in, in bytes.
	mostDocument = 10 << 20
	longestTitle = 200
	// messagesRead is in how many of a candidate's newest messages documents are
	// looked for, and documentsShown how many documents are listed.
	messagesRead   = 50
	documentsShown = 200
)

// documentKinds are what a document from outside may be.
var documentKinds = []option{
	{"report", "Report of a finding"}, {"imaging", "Report of imaging"}, {"letter", "Letter from outside"}, {"consent", "Signed consent form"}, {"other", "Other"},
}

// broughtTypes are the media types of documents that are taken, in the order in which
// they are named to people.
var broughtTypes = []string{"application/pdf", "image/png", "image/jpeg"}

// documentsModel is everything that is a document of a candidate.
type documentsModel struct {
	Name, Home string
	Rows       []documentRow
	More       int
	// Form brings a document in, nil for those who may not; File is its field for it.
	Form *form
	File field
}

// documentRow is one document.
type documentRow struct {
	When, Kind, Title, Who, Detail string
	// Link shows it, or saves it where Save is set; empty without one.
	Link string
	Save bool
	// Wrong is why it was entered in error, and Form says that it was.
	Wrong string
	Form  *form
	order string
}

func documentsLink(candidate string) string {
	return strings.Replace(pathDocuments, ":id", candidate, 1)
}

// documentsPage lists a candidate's documents.
func (s *server) documentsPage(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	m, err := s.documentsOf(c.Request().Context(), sc, nil)
	if err != nil {
		return err
	}
	p := page{Title: "Documents of " + m.Name, Body: m}
	switch c.QueryParam("done") {
	case "kept":
		p.Notice = "The document is kept."
	case "wrong":
		p.Notice = "The document counts as entered in error. It stays on record and is not shown any more."
	}
	return s.render(c, http.StatusOK, "documents", p)
}

// documentTry is a document, or a statement about one, that was not taken.
type documentTry struct {
	about    int64
	values   url.Values
	problems []problem
	form     form
}

func documentForm(candidate string) form {
	return form{
		ID: "document", Action: documentsLink(candidate), Title: "Bring a document in", Button: "Keep the document", Key: newKey(),
		Hint: "Coordinators and clinicians read it. It is published nowhere and never changed. Bring in nothing that the candidate told in confidence: it is not kept from anybody of the team.",
		Fields: []field{
			{Name: "kind", Label: "What it is", Type: "select", Options: append([]option{{"", "Choose"}}, documentKinds...)},
			{Name: "title", Label: "Title", Type: "text", Complete: "off", Hint: "As others will look for it, such as the department and what was examined."},
			{Name: "on", Label: "Date on the document", Type: "date"},
		},
	}
}

func wrongForm(candidate string, d record.Document) form {
	n := strconv.FormatInt(d.Seq, 10)
	return form{
		ID: "wrong-" + n, Action: documentsLink(candidate), Title: "Entered in error", Button: "Say that it was entered in error", Key: newKey(),
		Hint: "It stays on record with your reason, and can't be opened any more.",
		Fields: []field{
			{Name: "about", Type: "hidden", Value: n},
			{Name: "reason", Label: "Reason", Type: "textarea"},
		},
	}
}

func (s *server) documentsOf(ctx context.Context, sc scene, try *documentTry) (documentsModel, error) {
	people, err := s.people(ctx)
	if err != nil {
		return documentsModel{}, err
	}
	id, role := sc.candidate.ID, sc.viewer.Role
	m := documentsModel{Name: sc.viewer.name(sc.candidate), Home: "/candidates/" + id}
	add := func(day journey.Date, row documentRow) {
		row.When, row.order = dayWord(day), string(day)
		m.Rows = append(m.Rows, row)
	}
	may := func(roles []journey.Role) bool { return slices.Contains(roles, role) }
	if may(writers) {
		add(sc.today, documentRow{Kind: "Committee", Title: "Summary for the committee", Link: summaryLink(id), Detail: "As it stands today"})
	}
	if may(noters) {
		add(sc.today, documentRow{Kind: "Evaluation", Title: "Evaluation summary", Link: m.Home + "/evaluation-summary", Detail: "As it stands today"})
	}
	plan, err := recoveryOf(sc)
	if err != nil {
		return m, err
	}
	if plan != nil {
		add(sc.candidate.State.Operated, documentRow{Kind: "Recovery", Title: "Recovery plan", Link: plan.Plan})
	}
	s.recordedDocuments(sc, people, add)
	if may(letterWriters) {
		sent, err := s.Store.Letters(ctx, id)
		if err != nil {
			return m, err
		}
		for _, l := range sent {
			add(l.On, documentRow{Kind: "Letter to the candidate", Title: l.Title, Who: personWord(people, l.By), Link: lettersLink(id) + "/" + strconv.FormatInt(l.Seq, 10), Detail: channelWord(l.Channel)})
		}
	}
	if may(noters) {
		if err := s.sentDocuments(ctx, sc, add); err != nil {
			return m, err
		}
		if err := s.broughtDocuments(ctx, sc, people, try, add); err != nil {
			return m, err
		}
		f := documentForm(id)
		f.fill(nil, nil)
		m.File = field{Name: "file", ID: f.ID + "-file", Label: "File", Type: "file", Hint: "PDF, PNG or JPEG, up to 10 MiB. Its first bytes say what it is, and not its name."}
		if try != nil && try.about == 0 {
			f.fill(try.values, try.problems)
			f.Open, try.form = true, f
			for _, p := range try.problems {
				if p.Field == m.File.Name {
					m.File.Error = join(m.File.Error, p.Text)
				}
			}
			try.form.Fields = append(slices.Clone(f.Fields), m.File)
		}
		m.Form = &f
	}
	slices.SortStableFunc(m.Rows, func(a, b documentRow) int { return strings.Compare(b.order, a.order) })
	shown, rest := split(m.Rows, documentsShown)
	m.Rows, m.More = shown, len(rest)
	return m, nil
}

// recordedDocuments are those that stand in the record itself: consents, decisions with
// their minutes, questionnaires, studies and files of monitors.
func (s *server) recordedDocuments(sc scene, people map[string]string, add func(journey.Date, documentRow)) {
	home := "/candidates/" + sc.candidate.ID
	history := func(kind journey.Kind) string { return home + "?kind=" + string(kind) + "#history" }
	for _, e := range sc.entries {
		day, who := journey.DateOf(e.OccurredAt, sc.protocol.Zone()), personWord(people, e.Actor)
		switch e.Kind {
		case journey.RecordConsent:
			if event, err := e.Decode(); err == nil {
				add(day, documentRow{Kind: "Consent", Title: titlesOf(sc.protocol, event.Named()), Who: who, Link: history(e.Kind), Detail: "Entry " + strconv.FormatInt(e.Seq, 10)})
			}
		case journey.AnswerQuestionnaire:
			var body activities.Answered
			read(e, &body)
			add(day, documentRow{Kind: "Questionnaire", Title: body.Title, Who: "The candidate", Link: history(e.Kind), Detail: "Entry " + strconv.FormatInt(e.Seq, 10)})
		case journey.RecordDecision:
			var body activities.Decision
			read(e, &body)
			row := documentRow{Kind: "Committee", Title: "Decision: " + lower(known(outcomeWords, body.Outcome)), Who: who, Link: history(e.Kind), Detail: "Entry " + strconv.FormatInt(e.Seq, 10)}
			add(day, row)
			if body.Meeting != "" && slices.Contains(writers, sc.viewer.Role) {
				add(day, documentRow{Kind: "Committee", Title: "Minutes of the meeting", Link: strings.Replace(pathMinutes, ":meeting", body.Meeting, 1)})
			}
		}
	}
	if !slices.Contains(checkers, sc.viewer.Role) {
		return
	}
	for _, r := range sc.results {
		if !r.Status.Usable() {
			continue
		}
		if study, ok := strings.CutSuffix(r.Identifier.Value, "/"+dosePart); ok && r.Identifier.System == typedSystem && r.Code.Code == doseCode {
			add(journey.Date(r.CollectedOn), documentRow{Kind: "Worksheet", Title: "Plasma clearance", Link: plasmaLink(sc.candidate.ID) + "?" + url.Values{"study": {study}}.Encode()})
		}
		if digest, ok := strings.CutSuffix(r.Identifier.Value, "/attempted"); ok && r.Identifier.System == fileSystem {
			add(journey.Date(r.CollectedOn), documentRow{Kind: "Worksheet", Title: "Ambulatory blood pressure", Link: ambulatoryLink(sc.candidate.ID) + "?" + url.Values{"file": {digest}}.Encode()})
		}
	}
}

// tellsInConfidence reports whether a message holds something that is told in confidence:
// then nobody gets its documents, which may say the same.
func (s *server) tellsInConfidence(ctx context.Context, view incoming.View) (bool, error) {
	anybody := api.Reader{ID: "-", Role: journey.Coordinator}
	for _, g := range view.Groups {
		p, err := s.protocolFor(ctx, g)
		if err != nil {
			return true, err
		}
		if _, more := anybody.Reported(p, "", g.Results); more {
			return true, nil
		}
	}
	return false, nil
}

// filed is a message that was taken over into the record; errNotFound of any other, and of
// one that tells something in confidence.
func (s *server) filed(ctx context.Context, v *viewer, message string) (incoming.View, error) {
	view, err := s.Incoming.View(ctx, v.ID, message)
	if err != nil {
		return view, notThere(err)
	}
	// One that was set aside may be somebody else's: nothing of it is the candidate's.
	if view.State != incoming.Applied {
		return view, errNotFound
	}
	hidden, err := s.tellsInConfidence(ctx, view)
	if err == nil && hidden {
		err = errNotFound
	}
	return view, err
}

// sentDocuments are those that came with messages about the candidate.
func (s *server) sentDocuments(ctx context.Context, sc scene, add func(journey.Date, documentRow)) error {
	messages, err := s.Store.IncomingAbout(ctx, sc.candidate.ID, messagesRead)
	if err != nil {
		return err
	}
	for _, message := range messages {
		view, err := s.filed(ctx, sc.viewer, message)
		if errors.Is(err, errNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		day := journey.DateOf(view.ReceivedAt, sc.protocol.Zone())
		for part, g := range view.Groups {
			if g.Part.Candidate != sc.candidate.ID {
				continue
			}
			for n, d := range documentModels(view, part, g.Documents) {
				row := documentRow{Kind: "From the laboratory", Title: d.Title, Who: s.senderWord(ctx, view.Incoming), Detail: d.Kind}
				switch {
				case d.Link != "":
					row.Link, row.Save = fmt.Sprintf("%s/incoming/%s/%d/%d", documentsLink(sc.candidate.ID), view.ID, part, n), true
				case d.Pointer != "":
					row.Detail = "kept elsewhere: " + d.Pointer
				}
				add(day, row)
			}
		}
	}
	return nil
}

// sentIn gives a document of a message about the candidate to be saved.
func (s *server) sentIn(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	view, err := s.filed(c.Request().Context(), sc.viewer, c.Param("message"))
	if err != nil {
		return err
	}
	part, errPart := strconv.Atoi(c.Param("part"))
	n, errN := strconv.Atoi(c.Param("document"))
	if errPart != nil || errN != nil || part < 0 || part >= len(view.Groups) || view.Groups[part].Part.Candidate != sc.candidate.ID {
		return errNotFound
	}
	if list := view.Groups[part].Documents; n >= 0 && n < len(list) && list[n].Data != nil {
		return sendDocument(c, list[n], fmt.Sprintf("document-%d-%d", part+1, n+1))
	}
	return errNotFound
}

// broughtDocuments are those that staff brought in.
func (s *server) broughtDocuments(ctx context.Context, sc scene, people map[string]string, try *documentTry, add func(journey.Date, documentRow)) error {
	list, err := s.Store.Documents(ctx, sc.candidate.ID)
	if err != nil {
		return err
	}
	wrong := map[int64]record.Document{}
	for _, d := range list {
		if d.InError > 0 {
			wrong[d.InError] = d
		}
	}
	for _, d := range list {
		if d.InError > 0 {
			continue
		}
		_, _, word := kindOf(reading.Document{Type: d.Media, Data: []byte(savedAs[d.Media].begins)})
		row := documentRow{
			Title: d.Title, Who: personWord(people, d.By), Link: documentsLink(sc.candidate.ID) + "/" + strconv.FormatInt(d.Seq, 10), Save: true,
			Detail: fmt.Sprintf("%s, %d bytes, brought in on %s, SHA-256 %s…", word, d.Size, dayWord(journey.DateOf(d.At, sc.protocol.Zone())), short(d.Digest)),
		}
		for _, k := range documentKinds {
			if k.Value == d.Kind {
				row.Kind = k.Label
			}
		}
		if w, ok := wrong[d.Seq]; ok {
			row.Link, row.Save = "", false
			row.Wrong = fmt.Sprintf("%s, by %s on %s", strings.TrimRight(w.Reason, "."), personWord(people, w.By), dayWord(journey.DateOf(w.At, sc.protocol.Zone())))
		} else {
			f := wrongForm(sc.candidate.ID, d)
			f.fill(nil, nil)
			if try != nil && try.about == d.Seq {
				f.fill(try.values, try.problems)
				f.Open, try.form = true, f
			}
			row.Form = &f
		}
		add(d.On, row)
	}
	return nil
}

// broughtIn gives a document to be saved that staff brought in.
func (s *server) broughtIn(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	list, err := s.Store.Documents(ctx, sc.candidate.ID)
	if err != nil {
		return err
	}
	n, err := strconv.ParseInt(c.Param("document"), 10, 64)
	d, ok := record.Standing(list)[n]
	if err != nil || !ok {
		return errNotFound
	}
	data, err := s.Store.DocumentData(ctx, sc.candidate.ID, d.Digest)
	if err != nil {
		return err
	}
	return sendDocument(c, reading.Document{Type: d.Media, Data: data}, "document-"+strconv.FormatInt(n, 10))
}

// changeDocuments keeps a document, or that one was entered in error.
func (s *server) changeDocuments(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	if strings.HasPrefix(c.Request().Header.Get(echo.HeaderContentType), echo.MIMEMultipartForm) {
		return s.bringIn(c, sc)
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values := c.Request().PostForm
	try := &documentTry{values: values}
	if try.about, err = strconv.ParseInt(values.Get("about"), 10, 64); err != nil || try.about < 1 {
		return &failure{Status: http.StatusBadRequest, Message: "The form is not complete, so nothing was recorded. Open the page again."}
	}
	reason := strings.TrimSpace(values.Get("reason"))
	if n := utf8.RuneCountInString(reason); n == 0 {
		try.problems = append(try.problems, problem{"This is missing.", "reason"})
	} else if n > longestNote {
		try.problems = append(try.problems, problem{fmt.Sprintf("The reason has %d characters; accepted: up to %d.", n, longestNote), "reason"})
	}
	if len(try.problems) > 0 {
		return s.documentsAgain(c, sc, try)
	}
	_, err = s.Store.WithdrawDocument(c.Request().Context(), documentKey(values), record.Document{Candidate: sc.candidate.ID, By: sc.viewer.ID, Role: sc.viewer.Role, InError: try.about, Reason: reason})
	if errors.Is(err, record.ErrNoDocument) {
		return &failure{Status: http.StatusConflict, Message: "There is no such document, or somebody has said already that it was entered in error."}
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, documentsLink(sc.candidate.ID)+"?done=wrong")
}

// documentKey is the key of the form, or a new one for a form that has none.
func documentKey(values url.Values) string {
	if key := values.Get("key"); key != "" && len(key) <= 200 {
		return key
	}
	return newKey()
}

// bringIn keeps a document that was sent with its form.
func (s *server) bringIn(c echo.Context, sc scene) error {
	if err := c.Request().ParseMultipartForm(mostDocument); err != nil {
		return s.formFault(err)
	}
	form := c.Request().MultipartForm
	try := &documentTry{values: url.Values(form.Value)}
	fault := func(field, text string) { try.problems = append(try.problems, problem{Text: text, Field: field}) }
	d := record.Document{
		Candidate: sc.candidate.ID, By: sc.viewer.ID, Role: sc.viewer.Role,
		Kind: try.values.Get("kind"), Title: strings.Join(strings.Fields(try.values.Get("title")), " "), On: journey.Date(try.values.Get("on")),
	}
	if !slices.ContainsFunc(documentKinds, func(o option) bool { return o.Value == d.Kind }) {
		fault("kind", "Say what the document is.")
	}
	if n := utf8.RuneCountInString(d.Title); n == 0 {
		fault("title", "This is missing.")
	} else if n > longestTitle {
		fault("title", fmt.Sprintf("The title has %d characters; accepted: up to %d.", n, longestTitle))
	}
	switch {
	case d.On == "":
		fault("on", "This is missing.")
	case !journeyDate(string(d.On)):
		fault("on", "This is no date; accepted: YYYY-MM-DD.")
	case sc.today.Before(d.On):
		fault("on", "The day lies ahead.")
	}
	data, err := documentBytes(c.Request())
	if err != nil {
		return err
	}
	switch {
	case len(data) == 0:
		fault("file", "Choose a file that is not empty.")
	case len(data) > mostDocument:
		fault("file", "The file is larger than 10 MiB.")
	default:
		if d.Media = broughtType(data); d.Media == "" {
			fault("file", "By its first bytes the file is none of these: PDF, PNG, JPEG.")
		}
	}
	if len(try.problems) == 0 {
		_, err := s.Store.KeepDocument(c.Request().Context(), documentKey(try.values), d, data)
		switch {
		case errors.Is(err, record.ErrSameDocument):
			fault("file", "The same file is on record of this candidate already.")
		case err != nil:
			return err
		default:
			return c.Redirect(http.StatusSeeOther, documentsLink(sc.candidate.ID)+"?done=kept")
		}
	}
	return s.documentsAgain(c, sc, try)
}

// documentBytes reads the file of a form, one byte further than is accepted; nothing
// without a file.
func documentBytes(r *http.Request) ([]byte, error) {
	file, _, err := r.FormFile("file")
	if errors.Is(err, http.ErrMissingFile) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the file: %w", err)
	}
	data, err := io.ReadAll(io.LimitReader(file, mostDocument+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("read the file: %w", err)
	}
	return data, nil
}

// broughtType is the media type that the first bytes tell, empty for any other than
// those that are taken.
func broughtType(data []byte) string {
	for _, media := range broughtTypes {
		if got, _, _ := kindOf(reading.Document{Type: media, Data: data}); got == media {
			return media
		}
	}
	return ""
}

// documentsAgain shows the page with what was wrong.
func (s *server) documentsAgain(c echo.Context, sc scene, try *documentTry) error {
	m, err := s.documentsOf(c.Request().Context(), sc, try)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusUnprocessableEntity, "documents", page{
		Title: "Error: Documents of " + m.Name, Body: m, Errors: try.form.summary("Nothing was kept. Check what is entered", try.problems),
	})
}
