package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/mover"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// protocolsModel is the model of the administrator's page: the stored versions,
// and what a move to one of them would do.
type protocolsModel struct {
	Versions []versionModel
	Move     *moveModel
}

// versionModel is one stored version.
type versionModel struct {
	Version, Digest, Approved, Effective, Stored string
	// Current says that new candidates get it.
	Current bool
	Open    int
	Link    string
	// Chosen is the one that is looked at.
	Chosen bool
}

// moveModel is what a move does, and how far it has come.
type moveModel struct {
	To, Base string
	// Approved says that somebody answers for the version.
	Approved bool
	Changes  []protocol.Change
	// Waiting candidates are still to be moved, Done ones are there.
	Waiting, Done, All int
	Rows               []moveRow
	// Affected counts the candidates for whom something changes. More are not
	// shown in the table.
	Affected, More int
	Totals         string
	Form           form
}

// moveRow is one candidate, by id: administrators look after rules, not people.
type moveRow struct {
	Candidate, Stage, From string
	Lines                  []string
}

const (
	// moveRows bounds the table of the preview.
	moveRows = 100
	// moveFor is how long one press of the button moves candidates before the
	// page says how far it has come.
	moveFor = 8 * time.Second
)

func (s *server) protocols(c echo.Context) error {
	to := c.QueryParam("to")
	f := moveForm(to)
	f.fill(nil, nil)
	model, err := s.protocolsModel(c.Request().Context(), to, f)
	if err != nil {
		return err
	}
	p := page{Title: "Protocols", Body: model}
	if m := model.Move; m != nil && c.QueryParam("moved") != "" {
		p.Notice = fmt.Sprintf("%s on version %s, %d still to be moved.", plural(m.Done, "candidate"), m.To, m.Waiting)
	}
	return s.render(c, http.StatusOK, "protocols", p)
}

func moveForm(to string) form {
	return form{
		ID: "move", Action: pathProtocols, Button: "Move the candidates", Key: newKey(), Grave: true,
		Hint: "Each move is an entry in the candidate's record. It can be interrupted: pressing the button again goes on with those who are left.",
		Fields: []field{
			{Name: "to", Type: "hidden", Value: to},
			{Name: "reason", Label: "Reason", Type: "textarea", Optional: true, Hint: "Kept with each candidate's entry. Name nobody."},
			{Name: "confirm", Label: "I have looked at what changes", Type: "checkbox"},
		},
	}
}

func (s *server) protocolsModel(ctx context.Context, to string, f form) (protocolsModel, error) {
	var m protocolsModel
	stored, err := s.Store.Protocols(ctx)
	if err != nil {
		return m, err
	}
	for _, v := range stored {
		p, err := s.Protocols.Get(ctx, v.Version)
		if err != nil {
			return m, err
		}
		model := versionModel{
			Version: v.Version, Digest: v.Digest, Effective: dayWord(p.EffectiveFrom), Open: v.Open,
			Stored: dayWord(journey.DateOf(v.StoredAt, s.Current.Zone())), Current: v.Version == s.Current.Version,
			Link: pathProtocols + "?" + url.Values{"to": {v.Version}}.Encode(), Chosen: v.Version == to,
		}
		if p.ApprovedBy != "" {
			model.Approved = p.ApprovedBy + ", " + dayWord(p.ApprovedOn)
		}
		m.Versions = append(m.Versions, model)
		if v.Version != to {
			continue
		}
		if m.Move, err = s.moveModel(ctx, p, stored); err != nil {
			return m, err
		}
		m.Move.Form = f
	}
	if to != "" && m.Move == nil {
		return m, errNotFound
	}
	return m, nil
}

// moveModel compares the version with what new candidates get, or, when that is
// the version itself, with what most open candidates are on.
func (s *server) moveModel(ctx context.Context, to *protocol.Protocol, stored []record.Protocol) (*moveModel, error) {
	m := &moveModel{To: to.Version, Approved: to.ApprovedBy != ""}
	base, most := s.Current.Version, 0
	for _, v := range stored {
		m.All += v.Open
		switch {
		case v.Version == to.Version:
			m.Done = v.Open
		case to.Version == s.Current.Version && v.Open > most:
			base, most = v.Version, v.Open
		}
	}
	m.Waiting = m.All - m.Done
	if base != to.Version {
		from, err := s.Protocols.Get(ctx, base)
		if err != nil {
			return nil, err
		}
		m.Base, m.Changes = base, protocol.Diff(from, to)
	}
	gained, lost, again, flags := 0, 0, 0, 0
	err := mover.Preview(ctx, s.Store, s.Protocols, mover.Plan{To: to}, "", s.Now(), func(c mover.Change) (bool, error) {
		if c.None() {
			return true, nil
		}
		m.Affected++
		gained, lost, again, flags = gained+len(c.Gained), lost+len(c.Lost), again+len(c.Again), flags+len(c.Flags)
		if len(m.Rows) == moveRows {
			m.More++
			return true, nil
		}
		row, err := s.moveRow(ctx, to, c)
		m.Rows = append(m.Rows, row)
		return true, err
	})
	m.Totals = fmt.Sprintf("%s gained, %d lost, %d to be done again, %s in another band", plural(gained, "requirement"), lost, again, plural(flags, "flag"))
	return m, err
}

func (s *server) moveRow(ctx context.Context, to *protocol.Protocol, c mover.Change) (moveRow, error) {
	row := moveRow{Candidate: c.Candidate, Stage: stageWord(c.Stage), From: c.From}
	from, err := s.Protocols.Get(ctx, c.From)
	if err != nil {
		return row, err
	}
	list := func(what string, p *protocol.Protocol, ids []string) {
		for _, id := range ids {
			row.Lines = append(row.Lines, what+titleOf(p, id))
		}
	}
	list("Needed: ", to, c.Gained)
	list("No longer needed: ", from, c.Lost)
	list("To be done again: ", to, c.Again)
	reader := api.Reader{Role: journey.Administrator} // the page is theirs alone
	for _, f := range reader.FlagChanges(from, to, c.Flags) {
		row.Lines = append(row.Lines, flagChangeWord(from, to, f))
	}
	for _, d := range c.Fired {
		row.Lines = append(row.Lines, "Passed: "+deadlineWord(to, d.Kind, d.Subject))
	}
	return row, nil
}

// flagChangeWord says how a flag changes its band.
func flagChangeWord(from, to *protocol.Protocol, f protocol.FlagChange) string {
	title := to.CauseTitle(f.ID)
	if f.To == "" {
		title = from.CauseTitle(f.ID)
	}
	word := func(b journey.Band) string {
		if b == "" {
			return "no flag"
		}
		return lower(bandWord(b))
	}
	return title + ": " + word(f.From) + " to " + word(f.To)
}

// move moves candidates for a while, and then says how far it has come. The
// record alone says who is left, so the button may be pressed again at any time.
func (s *server) move(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	ctx, values := c.Request().Context(), c.Request().PostForm
	body := &command.MoveProtocol{Version: values.Get("to"), Reason: strings.TrimSpace(values.Get("reason"))}
	f := moveForm(body.Version)
	fail := func(status int, problems []problem) error {
		f.fill(values, problems)
		known := body.Version
		if _, err := s.Store.Protocol(ctx, known); errors.Is(err, record.ErrNotFound) {
			known = ""
		}
		model, err := s.protocolsModel(ctx, known, f)
		if err != nil {
			return err
		}
		title := "Nothing was moved. Check what is entered"
		if status == http.StatusConflict {
			title = "Some candidates were not moved"
		}
		errs := f.summary(title, problems)
		if known == "" { // without a version there is no form to lead to
			for i := range errs.Items {
				errs.Items[i].Field = ""
			}
		}
		return s.render(c, status, "protocols", page{Title: "Error: Protocols", Body: model, Errors: errs})
	}
	var invalid *command.Invalid
	if errors.As(command.Validate(body), &invalid) {
		var problems []problem
		for _, fault := range invalid.Faults {
			problems = append(problems, problem{Text: "Version and reason: " + lower(faultWord(fault)), Field: "reason"})
		}
		return fail(http.StatusUnprocessableEntity, problems)
	}
	to, err := s.Protocols.Get(ctx, body.Version)
	if errors.Is(err, record.ErrNotFound) {
		return fail(http.StatusUnprocessableEntity, []problem{{Text: "No such version is stored."}})
	}
	if err != nil {
		return err
	}
	if values.Get("confirm") == "" {
		return fail(http.StatusUnprocessableEntity, []problem{{Text: "Look at what changes, then confirm it.", Field: "confirm"}})
	}
	failed, err := s.moveSome(ctx, to, account.ID, body.Reason)
	if err != nil {
		return err
	}
	if len(failed) > 0 {
		return fail(http.StatusConflict, failed)
	}
	return c.Redirect(http.StatusSeeOther, pathProtocols+"?"+url.Values{"to": {to.Version}, "moved": {"yes"}}.Encode())
}

// moveSome moves candidates until the time is up. One that can't be moved keeps
// nobody else back.
func (s *server) moveSome(ctx context.Context, to *protocol.Protocol, actor, reason string) (failed []problem, err error) {
	const mostFailed = 20
	ends := time.Now().Add(moveFor)
	err = mover.Preview(ctx, s.Store, s.Protocols, mover.Plan{To: to}, "", s.Now(), func(change mover.Change) (bool, error) {
		limited, cancel := context.WithTimeout(ctx, submitTimeout)
		defer cancel()
		if err := mover.Give(limited, s.Dispatcher, to.Version, change, actor, reason); err != nil {
			if _, _, problems, _, ok := refused(to, err, func(string) string { return "" }); ok {
				for _, p := range problems {
					failed = append(failed, problem{Text: "Candidate " + change.Candidate + ": " + p.Text})
				}
			} else {
				return false, err
			}
		}
		return time.Now().Before(ends) && len(failed) < mostFailed, nil
	})
	return failed, err
}
