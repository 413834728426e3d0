package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const pathNotes = "/candidates/:id/notes"

// noters are the roles that write notes and read them: those who look after the
// candidate. The advocate's own notes are another thing, and nobody else's.
var noters = []journey.Role{journey.Coordinator, journey.Clinician}

// longestNote is in characters.
const longestNote = 4000

var noteKinds = []option{
	{"conversation", "Conversation"}, {"call", "Telephone call"}, {"letter", "Letter or message"}, {"arrangement", "Arrangement"}, {"other", "Other"},
}

// notesModel are the notes on a candidate's page, with the form for another.
type notesModel struct {
	Rows []careNote
	Form form
}

// careNote is one note.
type careNote struct {
	ID, When, Who, Kind, Text string
	// Corrects and Corrected lead to the note before and the one after.
	Corrects, Corrected string
}

func noteForm(candidate string, notes []record.Note) form {
	f := form{
		ID: "note", Action: "/candidates/" + candidate + "/notes", Title: "Write a note", Button: "Keep the note", Key: newKey(),
		Hint: "Coordinators and clinicians read it. It is published nowhere, and is no part of the record that decisions stand on. It can't be changed afterwards, only corrected by another.",
		Fields: []field{
			{Name: "kind", Label: "About", Type: "select", Options: append([]option{{"", "Choose"}}, noteKinds...)},
			{Name: "text", Label: "Note", Type: "textarea"},
		},
	}
	if len(notes) > 0 {
		numbers := []option{{"", "None"}}
		for _, n := range notes {
			numbers = append(numbers, option{strconv.FormatInt(n.Seq, 10), fmt.Sprintf("Note %d", n.Seq)})
		}
		f.Fields = append(f.Fields, field{Name: "corrects", Label: "Corrects", Type: "select", Optional: true, Options: numbers})
	}
	return f
}

// notesOf are the notes of a candidate, nil for those who don't read them.
func (s *server) notesOf(ctx context.Context, sc scene, people map[string]string, try *noteTry) (*notesModel, error) {
	if !slices.Contains(noters, sc.viewer.Role) {
		return nil, nil
	}
	notes, err := s.Store.Notes(ctx, sc.candidate.ID)
	if err != nil {
		return nil, err
	}
	m := &notesModel{Form: noteForm(sc.candidate.ID, notes)}
	anchor := func(seq int64) string { return "note-" + strconv.FormatInt(seq, 10) }
	corrected := map[int64]int64{}
	for _, n := range notes { // the newest first: the first correction stays
		if n.Corrects > 0 {
			corrected[n.Corrects] = max(corrected[n.Corrects], n.Seq)
		}
		row := careNote{
			ID: anchor(n.Seq), When: n.At.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04"), Who: personWord(people, n.Author), Text: n.Text,
		}
		for _, k := range noteKinds {
			if k.Value == n.Kind {
				row.Kind = k.Label
			}
		}
		if n.Corrects > 0 {
			row.Corrects = anchor(n.Corrects)
		}
		if by := corrected[n.Seq]; by > 0 {
			row.Corrected = anchor(by)
		}
		m.Rows = append(m.Rows, row)
	}
	m.Form.fill(nil, nil)
	if try != nil {
		m.Form.fill(try.values, try.problems)
		m.Form.Open = true
		try.form = m.Form
	}
	return m, nil
}

// noteTry is a note that was not taken, to be shown again.
type noteTry struct {
	values   url.Values
	problems []problem
	form     form
}

// addNote keeps a note about a candidate.
func (s *server) addNote(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values := c.Request().PostForm
	try := &noteTry{values: values}
	fault := func(field, text string) { try.problems = append(try.problems, problem{Text: text, Field: field}) }
	note := record.Note{Candidate: found.ID, Author: v.ID, Role: v.Role, Kind: values.Get("kind"), Text: strings.TrimSpace(values.Get("text"))}
	if !slices.ContainsFunc(noteKinds, func(o option) bool { return o.Value == note.Kind }) {
		fault("kind", "Say what the note is about.")
	}
	switch n := utf8.RuneCountInString(note.Text); {
	case n == 0:
		fault("text", "This is missing.")
	case n > longestNote:
		fault("text", fmt.Sprintf("The note has %d characters; accepted: up to %d.", n, longestNote))
	}
	if text := values.Get("corrects"); text != "" {
		if note.Corrects, err = strconv.ParseInt(text, 10, 64); err != nil || note.Corrects < 1 {
			fault("corrects", "There is no such note.")
		}
	}
	key := values.Get("key")
	if key == "" || len(key) > 200 {
		fault("text", "The form is not complete. Open the page again and send it once more.")
	}
	if len(try.problems) == 0 {
		_, err := s.Store.AddNote(ctx, key, note)
		switch {
		case err == nil:
			return c.Redirect(http.StatusSeeOther, "/candidates/"+found.ID+"?done=note#notes")
		case errors.Is(err, record.ErrNoNote):
			fault("corrects", "There is no such note.")
		default:
			return err
		}
	}
	model, err := s.candidateModel(ctx, v, found, "", nil)
	if err != nil {
		return err
	}
	sc, err := s.scene(ctx, v, found, "")
	if err != nil {
		return err
	}
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	if model.Notes, err = s.notesOf(ctx, sc, people, try); err != nil {
		return err
	}
	return s.render(c, http.StatusUnprocessableEntity, "candidate", page{
		Title: "Error: " + model.Name, Body: model, Errors: try.form.summary("The note was not kept. Check what is entered", try.problems),
	})
}
