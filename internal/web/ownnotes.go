package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// An advocate's own notes. Only their author reads them, while they are the candidate's
// advocate, and a successor to whom the author handed them over by name. Each reading
// and each writing is in the access log; the text is in no log, no entry, no export and
// no resource, and is sealed where it is stored.

// The things that can be done on the page of notes.
const (
	doNote     = "note"
	doHandOver = "hand-over"
)

var contactKinds = []option{
	{"", "No contact: a thought of mine"}, {"met", "Met in person"}, {"call", "Telephone or video call"}, {"message", "Letter or message"},
}

// ownNotesModel is the page of the notes.
type ownNotesModel struct {
	Name, Room string
	Rows       []ownNote
	Write      *form
	// Handed says to whom they are handed over, and Over is the form for it.
	Handed string
	Over   *form
	// Keyless says that nothing can be kept here.
	Keyless bool
}

// ownNote is one note as it is read.
type ownNote struct {
	ID, When, Contact, Who, Text string
	Corrects, Corrected          string
}

// noteSeal binds a sealed text to its candidate, its author and its place.
func noteSeal(n record.AdvocateNote) string {
	return strings.Join([]string{"advocate note", n.Candidate, n.Author, n.Key}, "\x00")
}

// noteFault says what is wrong with a text.
func (s *server) noteFault(text string) string {
	switch n := utf8.RuneCountInString(text); {
	case s.Sealer == nil:
		return "This server has no keys to seal notes with, so that none can be kept."
	case n == 0:
		return "This is missing."
	case n > longestNote:
		return fmt.Sprintf("The note has %d characters; accepted: up to %d.", n, longestNote)
	}
	return ""
}

// keepOwnNote seals a text and appends it.
func (s *server) keepOwnNote(ctx context.Context, sc scene, key string, n record.AdvocateNote, text string) error {
	n.Candidate, n.Author, n.Key = sc.candidate.ID, sc.viewer.ID, key
	var err error
	if n.Sealed, err = s.Sealer.Seal(noteSeal(n), []byte(text)); err != nil {
		return fmt.Errorf("seal the note: %w", err)
	}
	audit.Interaction(ctx, record.AccessNoteWritten)
	_, err = s.Store.AddAdvocateNote(ctx, n)
	return err
}

func ownNoteForm(sc scene, notes []record.AdvocateNote) form {
	f := form{
		ID: "own-note", Action: roomLink(sc.candidate.ID) + "/notes", Title: "Write a note for yourself", Button: "Keep the note", Key: newKey(),
		Hint: "Nobody else reads it: no coordinator, no clinician, no committee, no administrator, no auditor. It can't be changed afterwards, only corrected by another.",
		Fields: []field{
			doField(doNote),
			{Name: "contact", Label: "Contact with the candidate", Type: "select", Options: contactKinds},
			{Name: "on", Label: "Day of the contact", Type: "date", Value: string(sc.today), Hint: "The page of your candidates counts from it."},
			{Name: "text", Label: "Note", Type: "textarea"},
		},
	}
	numbers := []option{{"", "None"}}
	for _, n := range notes {
		if n.Author == sc.viewer.ID {
			numbers = append(numbers, option{strconv.FormatInt(n.Seq, 10), fmt.Sprintf("Note %d", n.Seq)})
		}
	}
	if len(numbers) > 1 {
		f.Fields = append(f.Fields, field{Name: "corrects", Label: "Corrects", Type: "select", Optional: true, Options: numbers})
	}
	return f
}

// successors are the advocates to whom notes can be handed over.
func (s *server) successors(ctx context.Context, sc scene) ([]record.Account, error) {
	var list []record.Account
	for _, a := range sc.advocates {
		if a.ID == sc.viewer.ID {
			continue
		}
		cares, err := s.caresForRecipient(ctx, s.viewer(a), sc.candidate)
		if err != nil {
			return nil, err
		}
		if !cares {
			list = append(list, a)
		}
	}
	return list, nil
}

func (s *server) ownNotesPage(c echo.Context) error {
	sc, err := s.ownCandidate(c)
	if err != nil {
		return err
	}
	m, err := s.ownNotesOf(c.Request().Context(), sc)
	if err != nil {
		return err
	}
	p := page{Title: "My notes: " + m.Name, Body: m}
	switch c.QueryParam("done") {
	case doNote:
		p.Notice = roomNotice(doNote)
	case doHandOver:
		p.Notice = "That is recorded. You can change it as long as you are the advocate."
	}
	return s.render(c, http.StatusOK, "own-notes", p)
}

func (s *server) ownNotesOf(ctx context.Context, sc scene) (*ownNotesModel, error) {
	notes, err := s.Store.AdvocateNotes(ctx, sc.candidate.ID, sc.viewer.ID)
	if err != nil {
		return nil, err
	}
	people, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	audit.Interaction(ctx, record.AccessNotesRead)
	m := &ownNotesModel{Name: sc.viewer.name(sc.candidate), Room: roomLink(sc.candidate.ID), Keyless: s.Sealer == nil}
	anchor := func(seq int64) string { return "own-note-" + strconv.FormatInt(seq, 10) }
	corrected := map[int64]int64{}
	for _, n := range notes {
		corrected[n.Corrects] = max(corrected[n.Corrects], n.Seq)
	}
	for _, n := range notes {
		row := ownNote{ID: anchor(n.Seq), When: n.At.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04")}
		for _, k := range contactKinds {
			if n.Contact != "" && k.Value == n.Contact {
				row.Contact = k.Label + ", " + dayWord(n.On)
			}
		}
		if n.Author != sc.viewer.ID {
			row.Who = personWord(people, n.Author)
		}
		if s.Sealer == nil {
			return nil, errors.New("there are no keys to open notes with")
		}
		text, err := s.Sealer.Open(noteSeal(n), n.Sealed)
		if err != nil {
			return nil, fmt.Errorf("open a note: %w", err)
		}
		row.Text = string(text)
		if n.Corrects > 0 {
			row.Corrects = anchor(n.Corrects)
		}
		if by := corrected[n.Seq]; by > 0 {
			row.Corrected = anchor(by)
		}
		m.Rows = append(m.Rows, row)
	}
	write := ownNoteForm(sc, notes)
	write.fill(nil, nil)
	m.Write = &write
	handed, err := s.Store.HandoverOf(ctx, sc.candidate.ID, sc.viewer.ID)
	if err != nil {
		return nil, err
	}
	if handed.Successor != "" {
		m.Handed = personWord(people, handed.Successor) + ", on " + handed.At.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04") + ", up to note " + strconv.FormatInt(handed.Notes, 10)
	}
	options := []option{{"", "Nobody"}}
	list, err := s.successors(ctx, sc)
	if err != nil {
		return nil, err
	}
	for _, a := range list {
		options = append(options, option{a.ID, a.Name})
	}
	over := form{
		ID: doHandOver, Action: m.Room + "/notes", Title: "Hand over to a successor", Button: "Record", Key: newKey(),
		Hint: "Only what you have written until now, and only once a coordinator has made that person the candidate's advocate. Without it a successor reads nothing of yours, and your notes stay closed when you go.",
		Fields: []field{
			doField(doHandOver), {Name: "successor", Label: "Who may read my notes after me", Type: "select", Options: options, Value: handed.Successor},
			{Name: "agreed", Label: "The candidate knows of it and agrees", Type: "checkbox"},
		},
	}
	over.fill(nil, nil)
	m.Over = &over
	return m, nil
}

// ownNotes keeps a note, or says who may read them later.
func (s *server) ownNotes(c echo.Context) error {
	sc, err := s.ownCandidate(c)
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	ctx, values := c.Request().Context(), c.Request().PostForm
	var problems []problem
	fault := func(field, text string) { problems = append(problems, problem{Text: text, Field: field}) }
	do, back := values.Get("do"), roomLink(sc.candidate.ID)
	switch do {
	case doNote:
		text := strings.TrimSpace(values.Get("text"))
		if says := s.noteFault(text); says != "" {
			fault("text", says)
		}
		note := record.AdvocateNote{Contact: values.Get("contact")}
		if !slices.ContainsFunc(contactKinds, func(o option) bool { return o.Value == note.Contact }) {
			fault("contact", "Choose one of the list.")
		}
		if note.Contact != "" {
			note.On = journey.Date(values.Get("on"))
			if _, err := journey.ParseDate(string(note.On)); err != nil || sc.today.Before(note.On) {
				fault("on", "Enter a day as year-month-day that is not ahead.")
			}
		}
		var ok bool
		if note.Corrects, ok = noteNumber(values.Get("corrects")); !ok {
			fault("corrects", "There is no such note of yours.")
		}
		key := values.Get("key")
		if key == "" || len(key) > 200 {
			fault("text", "The form is not complete. Open the page again and send it once more.")
		}
		if len(problems) == 0 {
			err := s.keepOwnNote(ctx, sc, key, note, text)
			switch {
			case err == nil:
				return c.Redirect(http.StatusSeeOther, back+"?done="+doNote)
			case errors.Is(err, record.ErrNoNote):
				fault("corrects", "There is no such note of yours.")
			default:
				return err
			}
		}
	case doHandOver:
		to := values.Get("successor")
		list, err := s.successors(ctx, sc)
		if err != nil {
			return err
		}
		if to != "" && !slices.ContainsFunc(list, func(a record.Account) bool { return a.ID == to }) {
			fault("successor", "Choose one of the list.")
		}
		if to != "" && !values.Has("agreed") {
			fault("agreed", "Ask the candidate first.")
		}
		if len(problems) == 0 {
			if err := s.Store.HandOverNotes(ctx, sc.candidate.ID, sc.viewer.ID, to); err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, back+"/notes?done="+doHandOver)
		}
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done: keep a note, or hand the notes over."}
	}
	m, err := s.ownNotesOf(ctx, sc)
	if err != nil {
		return err
	}
	f := m.Write
	if do == doHandOver {
		f = m.Over
	}
	f.fill(values, problems)
	f.Open = true
	return s.render(c, http.StatusUnprocessableEntity, "own-notes", page{
		Title: "Error: My notes", Body: m, Errors: f.summary("Nothing was kept. Check what is entered", problems),
	})
}
