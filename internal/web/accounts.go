package web

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// accountsModel is the model of the administrators' page: who may sign in, and one of
// them in full.
type accountsModel struct {
	Accounts []accountRow
	Add      form
	Chosen   *chosenAccount
	// Emergencies are the times that somebody opened a candidate in an emergency lately.
	Emergencies []emergencyRow
}

// accountRow is one account in the list.
type accountRow struct {
	ID, Name, Username, State, Role, Email, Factor, Sessions, Link string
	Off                                                            bool
}

// chosenAccount is one account with what can be done with it.
type chosenAccount struct {
	accountRow
	// Own says that it is the reader's own, whose role and state others change.
	Own      bool
	Forms    []titledForm
	Sessions []sessionRow
	Changes  []accountChangeModel
}

// titledForm is a form below a heading of its own.
type titledForm struct {
	Title string
	Form  form
}

// accountChangeModel is one change of an account.
type accountChangeModel struct{ When, What, Who string }

// passwordModel shows a password that was just made, once.
type passwordModel struct{ Name, Username, Password, Home string }

var accountChangeWords = map[record.AccountChangeKind]string{
	record.AccountFound: "On record before changes were recorded", record.AccountAdded: "Added", record.AccountRenamed: "Name changed",
	record.AccountRole: "Role changed", record.AccountEmail: "E-mail address changed", record.AccountDisabled: "Disabled", record.AccountEnabled: "Enabled",
	record.AccountPassword: "New password made for it", record.AccountOwnPassword: "Password changed by its owner", record.AccountSessions: "Sessions ended",
	record.AccountFactor: "Second factor set up", record.AccountNoFactor: "Second factor removed", record.AccountCodes: "New recovery codes made",
	record.AccountCodeUsed: "Recovery code used", record.AccountLinked: "Linked to the identity provider", record.AccountUnlinked: "Link to the identity provider removed",
	record.AccountLinkFollowed: "Identity provider signed it in for the first time",
}

// The things that can be done on the page of accounts, beside doDisable and doEnable.
const (
	doAdd        = "add"
	doRole       = "role"
	doName       = "name"
	doEmail      = "email"
	doPassword   = "password"
	doSessions   = "end-sessions"
	doNoFactor   = "no-second-factor"
	doLink       = "link"
	doUnlink     = "unlink"
	longestName  = 200
	longestEmail = 254 // RFC 5321, 4.5.3.1.3 with erratum 1690
)

var accountNotices = map[string]string{
	doRole: "The role is changed. The account's sessions have ended.", doName: "The name is changed.", doEmail: "The e-mail address is changed.",
	doDisable: "The account is disabled. Its sessions have ended.", doEnable: "The account is enabled.", doSessions: "The account's sessions have ended.",
	doNoFactor: "The second factor is removed, and the account's sessions have ended. The owner sets up another after signing in.",
	doLink:     "The account is linked. Its sessions have ended.", doUnlink: "The link is removed. The account's sessions have ended.",
	doAdd: "The account is there already: this form was sent before. Its password is not shown again; make a new one if it was lost.",
}

// usernames are what an account may be called: nothing that looks like another, or
// breaks a line of a list.
var usernames = regexp.MustCompile(`^[a-z0-9][a-z0-9._@-]{1,63}$`)

func roleOptions() []option {
	var list []option
	for _, role := range journey.Roles {
		list = append(list, option{string(role), capital(roleWord(role))})
	}
	return list
}

func roleOf(text string) (journey.Role, error) {
	if role := journey.Role(text); slices.Contains(journey.Roles, role) {
		return role, nil
	}
	return "", &badAnswer{"role", "choose one of the roles"}
}

// badAnswer says what is wrong with one answer of a form.
type badAnswer struct{ field, text string }

// Error implements error.
func (f *badAnswer) Error() string { return f.field + ": " + f.text }

func nameField(value string) field {
	return field{Name: "name", Label: "Name", Type: "text", Value: value, Hint: "As colleagues know the person. It stands beside everything that they sign."}
}

func emailField(value string) field {
	return field{Name: "email", Label: "E-mail address", Type: "email", Value: value, Optional: true, Hint: "Where messages for the role go. Leave it empty for nowhere."}
}

func accountRoleField(value string) field {
	return field{Name: "role", Label: "Role", Type: "select", Value: value, Options: roleOptions()}
}

func addAccountForm() form {
	f := form{ID: doAdd, Action: pathAccounts, Button: "Add the account", Key: newKey(), Fields: []field{
		hidden("do", doAdd),
		{Name: "username", Label: "Username", Type: "text", Complete: "off", Hint: "Small letters, digits, dot, dash and underscore. It does not change later."},
		nameField(""), accountRoleField(string(journey.Coordinator)), emailField(""),
	}}
	f.fill(nil, nil)
	return f
}

// accountForms are what can be done with an account.
func (s *server) accountForms(a record.Account, own bool) []titledForm {
	var list []titledForm
	with := func(title, id, button, hint string, grave bool, fields ...field) {
		f := form{ID: id, Action: pathAccounts, Button: button, Hint: hint, Key: newKey(), Grave: grave, Fields: append([]field{hidden("do", id), hidden("account", a.ID)}, fields...)}
		f.fill(nil, nil)
		list = append(list, titledForm{title, f})
	}
	with("Name", doName, "Change the name", "", false, nameField(a.Name))
	with("E-mail address", doEmail, "Change the address", "", false, emailField(a.Email))
	if own {
		return list // role, state and password of one's own account are for somebody else, or for its own page
	}
	with("Role", doRole, "Change the role", "The account's sessions end, so that nobody goes on with what they no longer may. Tokens that are bound to the account and another role are refused.", false, accountRoleField(string(a.Role)))
	with("Password", doPassword, "Make a new password", "A new password is shown once, and the account's sessions end. The owner has to change it when they sign in.", false)
	with("Sessions", doSessions, "End all sessions", "The owner has to sign in again everywhere.", false)
	list = append(list, s.linkForms(a)...)
	if a.SecondFactor {
		with("Second factor", doNoFactor, "Remove the second factor", "For a telephone that was lost. Make sure that it is the owner who asks, and not by e-mail: whoever knows the password gets in afterwards.", true)
	}
	if a.Disabled {
		with("This account is disabled", doEnable, "Let it in again", "Its password and the tokens bound to it are good again.", false)
	} else {
		with("Disable this account", doDisable, "Keep it out", "Its sessions end, and its password and tokens are refused.", true)
	}
	return list
}

func (s *server) accountRow(a record.Account) accountRow {
	r := accountRow{
		ID: a.ID, Name: a.Name, Username: a.Username, State: "Enabled", Role: capital(roleWord(a.Role)), Email: a.Email, Factor: "None",
		Link: accountPath(a.ID, ""), Off: a.Disabled,
	}
	if a.Disabled {
		r.State = "Disabled"
	} else if a.MustChange {
		r.State = "Has to change the password"
	}
	if a.SecondFactor {
		r.Factor = "Set up"
	}
	return r
}

func accountPath(id, done string) string {
	q := url.Values{"account": {id}}
	if done != "" {
		q.Set("done", done)
	}
	return pathAccounts + "?" + q.Encode()
}

// accounts shows who may sign in, or one of them.
func (s *server) accounts(c echo.Context) error {
	model, err := s.accountsModel(c, c.QueryParam("account"))
	if err != nil {
		return err
	}
	p := page{Title: "Accounts", Body: model}
	if model.Chosen != nil {
		p.Title, p.Notice = model.Chosen.Name, accountNotices[c.QueryParam("done")]
	}
	return s.render(c, http.StatusOK, "accounts", p)
}

func (s *server) accountsModel(c echo.Context, chosen string) (accountsModel, error) {
	ctx := c.Request().Context()
	me, _ := signedIn(c)
	model := accountsModel{Add: addAccountForm()}
	if chosen == "" {
		list, err := s.Store.Accounts(ctx)
		if err != nil {
			return model, err
		}
		for _, a := range list {
			model.Accounts = append(model.Accounts, s.accountRow(a))
		}
		model.Emergencies, err = s.emergencyCount(ctx)
		return model, err
	}
	a, err := s.Store.Account(ctx, chosen)
	if errors.Is(err, record.ErrNotFound) {
		return model, errNotFound
	}
	if err != nil {
		return model, err
	}
	m := chosenAccount{accountRow: s.accountRow(a), Own: a.ID == me.ID, Forms: s.accountForms(a, a.ID == me.ID)}
	sessions, err := s.Store.Sessions(ctx, a.ID)
	if err != nil {
		return model, err
	}
	for _, each := range sessions {
		m.Sessions = append(m.Sessions, s.sessionRow(each, ""))
	}
	if m.Changes, err = s.accountChanges(ctx, a.ID); err != nil {
		return model, err
	}
	model.Chosen = &m
	return model, nil
}

func (s *server) accountChanges(ctx context.Context, id string) ([]accountChangeModel, error) {
	changes, err := s.Store.AccountChanges(ctx, record.ChangesQuery{Of: id})
	if err != nil {
		return nil, err
	}
	names, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	var list []accountChangeModel
	for i, change := range changes {
		var before *record.AccountChange
		if i+1 < len(changes) {
			before = &changes[i+1]
		}
		what, err := accountChangeWord(change, before)
		if err != nil {
			return nil, err
		}
		list = append(list, accountChangeModel{s.clientTime(change.At), what, or(names[change.Actor], change.Actor) + ", " + roleWord(change.Role)})
	}
	return list, nil
}

// changeAccounts adds an account or changes one.
func (s *server) changeAccounts(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	me, _ := signedIn(c)
	ctx, values := record.As(c.Request().Context(), me.ID, me.Role), c.Request().PostForm
	do, id := values.Get("do"), values.Get("account")
	if do == doAdd {
		return s.addAccount(c, ctx, me, values)
	}
	if id == me.ID && do != doName && do != doEmail {
		return &failure{Status: http.StatusForbidden, Message: "Role, state and sign-in of your own account are for another administrator to change, so that no programme is left without one."}
	}
	var err error
	switch do {
	case doName:
		var name string
		if name, err = nameOf(values); err == nil {
			err = s.Store.SetName(ctx, id, name)
		}
	case doEmail:
		var email string
		if email, err = emailOf(values); err == nil {
			err = s.Store.SetEmail(ctx, id, email)
		}
	case doRole:
		var role journey.Role
		if role, err = roleOf(values.Get("role")); err == nil {
			err = s.Store.SetRole(ctx, id, role)
		}
	case doDisable:
		err = s.Store.DisableAccount(ctx, id)
	case doEnable:
		err = s.Store.EnableAccount(ctx, id)
	case doSessions:
		err = s.Store.EndSessions(ctx, id)
	case doNoFactor:
		err = s.Store.RemoveSecondFactor(ctx, id)
	case doLink:
		var link record.Link
		if link, err = s.linkOf(values); err == nil {
			err = s.Store.SetLink(ctx, id, link)
		}
		if errors.Is(err, record.ErrLinked) {
			err = &badAnswer{"link_email", "another account is linked to this person"}
		}
	case doUnlink:
		err = s.Store.SetLink(ctx, id, record.Link{})
	case doPassword:
		return s.newPassword(c, ctx, id)
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done: add an account, or change one."}
	}
	var fault *badAnswer
	switch {
	case errors.As(err, &fault):
		return s.accountFault(c, do, id, fault)
	case errors.Is(err, record.ErrNotFound):
		return errNotFound
	case err != nil:
		return err
	}
	return c.Redirect(http.StatusSeeOther, accountPath(id, do))
}

func nameOf(values url.Values) (string, error) {
	name := strings.TrimSpace(values.Get("name"))
	if name == "" || len(name) > longestName || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' }) {
		return "", &badAnswer{"name", "enter a name of at most 200 characters"}
	}
	return name, nil
}

func emailOf(values url.Values) (string, error) {
	email := strings.TrimSpace(values.Get("email"))
	if email != "" && (!command.IsEmail(email) || len(email) > longestEmail) {
		return "", &badAnswer{"email", "enter an address alone, such as name@example.org, or nothing"}
	}
	return email, nil
}

// addAccount adds an account under an id that follows from the form's key, so that
// sending the form twice adds one. Its first password is shown once.
func (s *server) addAccount(c echo.Context, ctx context.Context, me record.Account, values url.Values) error {
	made := record.Account{
		ID:       "acc-" + uuid.NewSHA1(uuid.NameSpaceURL, []byte("account "+me.ID+" "+values.Get("key"))).String(),
		Username: strings.ToLower(strings.TrimSpace(values.Get("username"))), MustChange: true,
	}
	var err error
	fault := &badAnswer{}
	if !usernames.MatchString(made.Username) {
		err = &badAnswer{"username", "enter 2 to 64 small letters, digits, dots, dashes, underscores or at signs, the first a letter or digit"}
	}
	if err == nil {
		made.Name, err = nameOf(values)
	}
	if err == nil {
		made.Role, err = roleOf(values.Get("role"))
	}
	if err == nil {
		made.Email, err = emailOf(values)
	}
	if errors.As(err, &fault) {
		return s.accountFault(c, doAdd, "", fault)
	}
	if _, err := s.Store.Account(ctx, made.ID); !errors.Is(err, record.ErrNotFound) {
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, accountPath(made.ID, doAdd))
	}
	password := rand.Text()
	var taken *record.TakenError
	if _, err := s.Store.CreateAccount(ctx, made, password); errors.As(err, &taken) {
		return s.accountFault(c, doAdd, "", &badAnswer{"username", "another account has this username"})
	} else if err != nil {
		return err
	}
	return s.showPassword(c, made, password)
}

// newPassword gives an account a password that is shown once.
func (s *server) newPassword(c echo.Context, ctx context.Context, id string) error {
	a, err := s.Store.Account(ctx, id)
	password := rand.Text()
	if err == nil {
		err = s.Store.SetFirstPassword(ctx, id, password)
	}
	if errors.Is(err, record.ErrNotFound) {
		return errNotFound
	}
	if err != nil {
		return err
	}
	return s.showPassword(c, a, password)
}

func (s *server) showPassword(c echo.Context, a record.Account, password string) error {
	return s.render(c, http.StatusOK, "password", page{Title: "First password", Body: passwordModel{
		Name: a.Name, Username: a.Username, Password: password, Home: accountPath(a.ID, ""),
	}})
}

// accountFault shows the form again with what was entered and what is wrong.
func (s *server) accountFault(c echo.Context, do, id string, fault *badAnswer) error {
	model, err := s.accountsModel(c, id)
	if err != nil {
		return err
	}
	f, title := &model.Add, "Nothing was added. Check what is entered"
	if model.Chosen != nil {
		title = "Nothing was changed. Check what is entered"
		for i := range model.Chosen.Forms {
			if model.Chosen.Forms[i].Form.ID == do {
				f = &model.Chosen.Forms[i].Form
			}
		}
	}
	problems := []problem{{Text: capital(fault.text) + ".", Field: fault.field}}
	if key := c.Request().PostForm.Get("key"); key != "" {
		f.Key = key
	}
	f.fill(c.Request().PostForm, problems)
	return s.render(c, http.StatusUnprocessableEntity, "accounts", page{Title: "Error: Accounts", Body: model, Errors: f.summary(title, problems)})
}
