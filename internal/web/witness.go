package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// A withdrawal before a witness. The candidate says it in a room with their advocate and
// a witness; the witness confirms at the same form, with their own sign-in, so that
// nobody can be named who was not there. A link of the candidate's is no such proof: it
// can be used by whoever has the telephone, and pressure comes from there. Without a
// witness the withdrawal is recorded as before: the candidate's wish waits for nobody.

// witnessModel is the page of a withdrawal before a witness.
type witnessModel struct {
	Name, Room, Plain, Statement string
	Words                        string
	Form                         *form
}

func (s *server) witnessPage(c echo.Context) error {
	sc, err := s.ownCandidate(c)
	if err != nil {
		return err
	}
	return s.showWitness(c, sc, http.StatusOK, newKey(), nil, "", nil)
}

func (s *server) showWitness(c echo.Context, sc scene, status int, key string, values url.Values, title string, problems []problem) error {
	id := sc.candidate.ID
	m := &witnessModel{Name: sc.viewer.name(sc.candidate), Room: roomLink(id), Plain: "/candidates/" + id + "#" + string(journey.Withdraw), Statement: sc.protocol.Statement}
	p := page{Title: "Withdrawal before a witness: " + m.Name, Body: m}
	if !sc.candidate.State.Stage.BeforeOperation() {
		if problems != nil {
			p.Errors = &summary{Title: title, Items: problems}
		}
		return s.render(c, status, "witness", p)
	}
	f := form{
		ID: "withdrawal", Action: m.Room + "/withdrawal", Button: "Withdraw the candidate", Grave: true, Key: key,
		Fields: []field{
			{Name: "said", Label: "The candidate said to both of us, in private, that they want to stop", Type: "checkbox"},
			{Name: "note", Label: "Note", Type: "textarea", Optional: true, Hint: "No reason is needed. Read by coordinators and you alone; the candidate decides whether anything is written here."},
			{Name: "witness", Label: "Username of the witness", Type: "text", Complete: "off", Hint: "A coordinator, a clinician or another advocate who heard it, and who does not look after the recipient."},
			{Name: "password", Label: "Password of the witness", Type: "password", Complete: "off", Hint: "The witness types it. It signs them in nowhere."},
			{Name: "code", Label: "Code of the witness", Type: "text", Complete: "off", Optional: true, Hint: "Needed where the witness has a second factor: from their app, or a recovery code."},
		},
	}
	f.fill(values, problems)
	for i := range f.Fields {
		if f.Fields[i].Name == "password" || f.Fields[i].Name == "code" {
			f.Fields[i].Value = ""
		}
	}
	m.Form = &f
	if problems != nil {
		p.Title, p.Errors = "Error: "+p.Title, f.summary(title, problems)
	}
	return s.render(c, status, "witness", p)
}

// witness records the withdrawal once the witness has proved who they are.
func (s *server) witness(c echo.Context) error {
	sc, err := s.ownCandidate(c)
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values := c.Request().PostForm
	key := values.Get("key")
	body := &command.Withdrawal{Note: values.Get("note")}
	var problems []problem
	wrong := func(field, text string) { problems = append(problems, problem{Text: text, Field: field}) }
	if !values.Has("said") {
		wrong("said", "Tick this once the candidate has said it to both of you.")
	}
	if strings.TrimSpace(values.Get("witness")) == "" {
		wrong("witness", "This is missing.")
	}
	if values.Get("password") == "" {
		wrong("password", "This is missing.")
	}
	problems = append(problems, remaining(body, problems, plainField)...)
	const title = "Nothing was recorded. Check what is entered"
	if len(problems) > 0 {
		return s.showWitness(c, sc, http.StatusUnprocessableEntity, newKey(), values, title, problems)
	}
	if err := journey.Check(sc.protocol.Rules(), sc.candidate.State, journey.Command{Kind: journey.Withdraw, Actor: sc.viewer.ID, Role: sc.viewer.Role, Today: sc.today}); err == nil {
		account, status, fault, err := s.proveWitness(c, sc, values)
		if err != nil {
			return err
		}
		if fault != nil {
			return s.showWitness(c, sc, status, newKey(), values, "Nothing was recorded: the witness is not confirmed", []problem{*fault})
		}
		body.Witness = account.ID
	}
	given := s.carryOut(c.Request().Context(), sc, key, journey.Withdraw, body, nil)
	switch {
	case given.err != nil:
		return given.err
	case len(given.problems) == 0:
		return c.Redirect(http.StatusSeeOther, roomLink(sc.candidate.ID)+"?done="+ended)
	case !given.keep:
		key = newKey()
	}
	return s.showWitness(c, sc, given.status, key, values, given.title, given.problems)
}

// proveWitness finds out whether somebody who may be the witness typed their own
// password, and their code where they have a second factor. Attempts count as those to
// sign in.
func (s *server) proveWitness(c echo.Context, sc scene, values url.Values) (record.Account, int, *problem, error) {
	ctx, none := c.Request().Context(), record.Account{}
	username := strings.TrimSpace(values.Get("witness"))
	byName, byAddress := "name "+strings.ToLower(username), addressPrefix+s.address(c)
	if wait, ok := s.limiter.take(byName, byAddress); !ok {
		retryAfter(c, wait)
		return none, http.StatusTooManyRequests, &problem{Text: "Too many attempts; wait " + waitWord(wait) + ". The candidate's wish need not wait: record it without a witness.", Field: "witness"}, nil
	}
	account, ok, err := s.Store.CheckPassword(ctx, username, values.Get("password"))
	if err != nil {
		return none, 0, nil, err
	}
	if !ok {
		return none, http.StatusForbidden, &problem{Text: "The username or the password of the witness is wrong.", Field: "witness"}, nil
	}
	s.limiter.release(byName, byAddress)
	if says, err := s.unfitWitness(ctx, sc, account); err != nil || says != "" {
		return none, http.StatusUnprocessableEntity, &problem{Text: says, Field: "witness"}, err
	}
	if !account.SecondFactor {
		return account, 0, nil, nil
	}
	code := strings.TrimSpace(values.Get("code"))
	if code == "" {
		return none, http.StatusUnprocessableEntity, &problem{Text: "This is needed: the witness has a second factor.", Field: "code"}, nil
	}
	wait, right, err := s.proveCode(c, account.ID, code)
	switch {
	case err != nil:
		return none, 0, nil, err
	case wait > 0:
		retryAfter(c, wait)
		return none, http.StatusTooManyRequests, &problem{Text: "Too many attempts; wait " + waitWord(wait) + ".", Field: "code"}, nil
	case !right:
		return none, http.StatusForbidden, &problem{Text: "The code is wrong, or was used before.", Field: "code"}, nil
	}
	return account, 0, nil, nil
}

// unfitWitness says why somebody can't be the witness, who proved to be the holder of an
// account.
func (s *server) unfitWitness(ctx context.Context, sc scene, account record.Account) (string, error) {
	switch cares, err := s.caresForRecipient(ctx, s.viewer(account), sc.candidate); {
	case err != nil:
		return "", err
	case account.ID == sc.viewer.ID:
		return "The witness is another person than you.", nil
	case !journey.MayGive(account.Role, journey.Withdraw) || cares:
		// Why is not told: who looks after the recipient is not for everybody.
		return "This person can't be the witness. A coordinator, a clinician or another advocate can who does not look after the recipient.", nil
	case s.before(account, record.Session{}) != "":
		return "The witness has to sign in by themselves once and see to what they are asked there.", nil
	}
	return "", nil
}
