package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
	"candidacy/internal/signin"
)

// Sealer encrypts the secrets of second factors, and the notes of advocates, where they
// are stored.
type Sealer interface {
	Seal(name string, plain []byte) (string, error)
	Open(name, sealed string) ([]byte, error)
}

// sealName binds a sealed secret to its account.
func sealName(account string) string { return "second factor of " + account }

// factorIssuer is how an authenticator app calls the program.
const factorIssuer = "Candidacy"

// fewCodes is when somebody is asked to make new recovery codes.
const fewCodes = 3

// factorModel is the model of the page of one's second factor.
type factorModel struct {
	// Set says that there is one, and Codes how many recovery codes are left.
	Set   bool
	Codes string
	Few   bool
	// Secret is shown while a code of it has not been entered yet.
	Secret string
	Must   string
	Forms  []titledForm
}

// codesModel shows recovery codes that were just made, once.
type codesModel struct {
	Codes []string
	Next  string
}

// The things that can be done on the page.
const (
	doBegin   = "begin"
	doConfirm = "confirm"
	doCodes   = "codes"
	doRemove  = "remove"
)

// codeField asks for a code. Autofill offers it from an app or a message.
func codeField(hint string) field {
	return field{Name: "code", Label: "Code", Type: "text", Complete: "one-time-code", Hint: hint}
}

const (
	appHint  = "The six digits that the authenticator app shows now."
	anyHint  = "The six digits that the authenticator app shows now, or a recovery code."
	wrongApp = "This is not the code of now. Look at the clock of the telephone, and enter the next code"
	wrongAny = "This code is wrong, or was used before"
)

func factorForm(do, button, hint string, grave bool, fields ...field) form {
	f := form{ID: do, Action: pathFactor, Button: button, Hint: hint, Grave: grave, Key: newKey(), Fields: append([]field{hidden("do", do)}, fields...)}
	f.fill(nil, nil)
	return f
}

// factor shows everybody their own second factor.
func (s *server) factor(c echo.Context) error {
	model, err := s.factorModel(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "second-factor", page{Title: "Second factor", Body: model, Notice: map[string]string{
		doRemove: "The second factor is removed. Your sessions elsewhere have ended.", doConfirm: "The second factor is set up. Your sessions elsewhere have ended.",
	}[c.QueryParam("done")]})
}

func (s *server) factorModel(c echo.Context) (factorModel, error) {
	me, _ := signedIn(c)
	f, err := s.Store.SecondFactor(c.Request().Context(), me.ID)
	if err != nil {
		return factorModel{}, err
	}
	m := factorModel{Set: me.SecondFactor, Codes: plural(f.Codes, "recovery code"), Few: me.SecondFactor && f.Codes < fewCodes}
	if s.before(me, sessionOf(c)) == pathFactor {
		m.Must = "This programme asks everybody for a second factor. Set one up before you go on."
	}
	switch {
	case f.Pending != "":
		secret, err := s.openSecret(me.ID, f.Pending)
		if err != nil {
			return m, err
		}
		m.Secret = signin.ShownCode(secret)
		m.Forms = []titledForm{
			{"Confirm it", factorForm(doConfirm, "Confirm", "", false, codeField(appHint))},
			{"Another secret", factorForm(doBegin, "Make another secret", "If somebody else saw this one.", false, s.proof(me)...)},
		}
	case !me.SecondFactor:
		m.Forms = []titledForm{{"Set it up", factorForm(doBegin, "Begin", "You need an authenticator app on a telephone or a computer; any that knows one-time codes by time will do.", false)}}
	default:
		m.Forms = []titledForm{
			{"New recovery codes", factorForm(doCodes, "Make new codes", "Those that you have stop working.", false, codeField(anyHint))},
			{"Another telephone", factorForm(doBegin, "Begin", "The present one stays until a code of the other is confirmed.", false, s.proof(me)...)},
			{"Remove it", factorForm(doRemove, "Remove the second factor", "Only your password would be asked for then.", true, codeField(anyHint))},
		}
	}
	return m, nil
}

// proof is what is asked of somebody who has a second factor before it is changed.
func (s *server) proof(me record.Account) []field {
	if !me.SecondFactor {
		return nil
	}
	return []field{codeField(anyHint)}
}

func (s *server) openSecret(account, sealed string) (string, error) {
	if s.Sealer == nil {
		return "", errors.New("there are no keys to open secrets with")
	}
	secret, err := s.Sealer.Open(sealName(account), sealed)
	if err != nil {
		return "", fmt.Errorf("open the secret of a second factor: %w", err)
	}
	return string(secret), nil
}

// factorPicture is the QR code of the secret that waits for its first code.
func (s *server) factorPicture(c echo.Context) error {
	me, _ := signedIn(c)
	f, err := s.Store.SecondFactor(c.Request().Context(), me.ID)
	if err != nil {
		return err
	}
	if f.Pending == "" {
		return errNotFound
	}
	secret, err := s.openSecret(me.ID, f.Pending)
	if err != nil {
		return err
	}
	picture, err := signin.Picture(factorIssuer, me.Username, secret)
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, "image/png", picture)
}

// changeFactor sets up a second factor, or changes it.
func (s *server) changeFactor(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	me, _ := signedIn(c)
	ctx := record.As(c.Request().Context(), me.ID, me.Role)
	values := c.Request().PostForm
	do := values.Get("do")
	switch do {
	case doConfirm:
		return s.confirmFactor(c, me, values)
	case doBegin, doCodes, doRemove:
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done: set up a second factor, make new recovery codes, or remove it."}
	}
	if !me.SecondFactor && do != doBegin {
		return c.Redirect(http.StatusSeeOther, pathFactor)
	}
	if me.SecondFactor {
		wait, right, err := s.proveCode(c, me.ID, values.Get("code"))
		if err != nil {
			return err
		}
		if !right {
			return s.factorFault(c, do, wait, wrongAny)
		}
	}
	switch do {
	case doBegin:
		if s.Sealer == nil {
			return errors.New("there are no keys to seal secrets with")
		}
		sealed, err := s.Sealer.Seal(sealName(me.ID), []byte(signin.NewSecret()))
		if err == nil {
			err = s.Store.BeginSecondFactor(ctx, me.ID, sealed)
		}
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, pathFactor)
	case doCodes:
		codes := signin.NewRecoveryCodes()
		if err := s.Store.ReplaceRecoveryCodes(ctx, me.ID, codes); err != nil {
			return err
		}
		return s.showCodes(c, codes)
	default:
		if err := s.Store.RemoveSecondFactor(ctx, me.ID); err != nil {
			return err
		}
		if err := s.begin(c, me, sessionOf(c).Strong); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, pathFactor+"?done="+do)
	}
}

// confirmFactor makes a pending secret the second factor once a code of it is entered.
func (s *server) confirmFactor(c echo.Context, me record.Account, values url.Values) error {
	ctx := record.As(c.Request().Context(), me.ID, me.Role)
	f, err := s.Store.SecondFactor(ctx, me.ID)
	if err != nil {
		return err
	}
	if f.Pending == "" { // confirmed already, as by the same form sent twice
		return c.Redirect(http.StatusSeeOther, pathFactor)
	}
	key := codeKey(me.ID)
	if wait, ok := s.limiter.take(key); !ok {
		return s.factorFault(c, doConfirm, wait, "")
	}
	secret, err := s.openSecret(me.ID, f.Pending)
	if err != nil {
		return err
	}
	step, ok, err := signin.Match(secret, values.Get("code"), s.Now())
	if err != nil {
		return err
	}
	if !ok {
		return s.factorFault(c, doConfirm, 0, wrongApp)
	}
	codes := signin.NewRecoveryCodes()
	if err := s.Store.ConfirmSecondFactor(ctx, me.ID, f.Pending, step, codes); err != nil {
		if errors.Is(err, record.ErrNotFound) {
			return c.Redirect(http.StatusSeeOther, pathFactor)
		}
		return err
	}
	s.limiter.release(key)
	// All sessions ended with it; this browser gets another.
	if err := s.begin(c, me, sessionOf(c).Strong); err != nil {
		return err
	}
	return s.showCodes(c, codes)
}

func (s *server) showCodes(c echo.Context, codes []string) error {
	me, _ := signedIn(c)
	m := codesModel{Next: home(&me)}
	for _, code := range codes {
		m.Codes = append(m.Codes, signin.ShownCode(code))
	}
	return s.render(c, http.StatusOK, "recovery-codes", page{Title: "Recovery codes", Body: m})
}

// factorFault shows the page again with what is wrong about a code.
func (s *server) factorFault(c echo.Context, do string, wait time.Duration, text string) error {
	status := http.StatusForbidden
	if wait > 0 {
		status, text = http.StatusTooManyRequests, "Too many attempts; wait "+waitWord(wait)
		retryAfter(c, wait)
	}
	model, err := s.factorModel(c)
	if err != nil {
		return err
	}
	problems := []problem{{Text: text + ".", Field: "code"}}
	p := page{Title: "Error: Second factor", Errors: &summary{Title: "Nothing was changed", Items: problems}}
	for i := range model.Forms {
		if f := &model.Forms[i].Form; f.ID == do {
			f.fill(nil, problems)
			p.Errors = f.summary("Nothing was changed", problems)
		}
	}
	p.Body = model
	return s.render(c, status, "second-factor", p)
}

// codeKey counts the attempts at the codes of an account.
func codeKey(account string) string { return "code " + account }

// proveCode asks for a code of the second factor, or a recovery code, and uses it up.
func (s *server) proveCode(c echo.Context, account, typed string) (wait time.Duration, right bool, err error) {
	ctx := record.As(c.Request().Context(), account, "")
	if me, ok := signedIn(c); ok && me.ID == account {
		ctx = record.As(ctx, account, me.Role)
	} else if a, err := s.Store.Account(ctx, account); err == nil {
		ctx = record.As(ctx, account, a.Role)
	}
	key, byAddress := codeKey(account), addressPrefix+s.address(c)
	if wait, ok := s.limiter.take(key, byAddress); !ok {
		return wait, false, nil
	}
	if code, ok := signin.RecoveryCode(typed); ok {
		err = s.Store.UseRecoveryCode(ctx, account, code)
	} else {
		err = s.useCode(c, account, typed)
	}
	switch {
	case errors.Is(err, record.ErrNotFound), errors.Is(err, record.ErrReplayed):
		return 0, false, nil
	case err != nil:
		return 0, false, err
	}
	s.limiter.release(key, byAddress)
	return 0, true, nil
}

// useCode uses a code of the app up. ErrNotFound for a wrong one.
func (s *server) useCode(c echo.Context, account, typed string) error {
	ctx := c.Request().Context()
	f, err := s.Store.SecondFactor(ctx, account)
	if err != nil {
		return err
	}
	if f.Secret == "" {
		return record.ErrNotFound
	}
	secret, err := s.openSecret(account, f.Secret)
	if err != nil {
		return err
	}
	step, ok, err := signin.Match(secret, typed, s.Now())
	if err != nil {
		return err
	}
	if !ok {
		return record.ErrNotFound
	}
	return s.Store.UseStep(ctx, account, step)
}

// stepCode is the kind of the step between a right password and its code, and stepLife
// how long it waits.
const (
	stepCode = "code"
	stepLife = 5 * time.Minute
)

// enter lets in whoever proved to be the account's holder: at once, or after a code.
func (s *server) enter(c echo.Context, account record.Account, strong bool, to string) error {
	if !leads(to) {
		to = ""
	}
	c.Set(accountKey, account) // for the access log
	if !account.SecondFactor || strong {
		if err := s.begin(c, account, strong); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, or(to, home(&account)))
	}
	secret, err := s.Store.BeginStep(c.Request().Context(), record.SignInStep{Kind: stepCode, Account: account.ID, Data: to}, stepLife)
	if err != nil {
		return err
	}
	s.setCookie(c, s.stepCookie(), secret, stepLife)
	return c.Redirect(http.StatusSeeOther, pathCode)
}

// stepOf is where signing in stands for a browser.
func (s *server) stepOf(c echo.Context, kind string) (secret string, step record.SignInStep, err error) {
	cookie, err := c.Cookie(s.stepCookie())
	if err != nil || cookie.Value == "" {
		return "", step, record.ErrNotFound
	}
	step, err = s.Store.Step(c.Request().Context(), kind, cookie.Value)
	return cookie.Value, step, err
}

// codeModel is the model of the page that asks for a code.
type codeModel struct{ Form form }

func (s *server) showCode(c echo.Context, status int, problems []problem) error {
	f := form{ID: "code", Action: pathCode, Button: "Sign in", Key: newKey(), Fields: []field{codeField(anyHint)}}
	f.fill(nil, problems)
	p := page{Title: "Enter your code", Body: codeModel{f}}
	if len(problems) > 0 {
		p.Title, p.Errors = "Error: Enter your code", f.summary("You are not signed in", problems)
	}
	return s.render(c, status, "code", p)
}

// codePage asks for the code after the password was right.
func (s *server) codePage(c echo.Context) error {
	_, _, err := s.stepOf(c, stepCode)
	if errors.Is(err, record.ErrNotFound) {
		return c.Redirect(http.StatusSeeOther, pathSignIn)
	}
	if err != nil {
		return err
	}
	return s.showCode(c, http.StatusOK, nil)
}

// enterCode ends signing in with a code.
func (s *server) enterCode(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	secret, step, err := s.stepOf(c, stepCode)
	if errors.Is(err, record.ErrNotFound) {
		return c.Redirect(http.StatusSeeOther, pathSignIn)
	}
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	wait, right, err := s.proveCode(c, step.Account, c.Request().PostForm.Get("code"))
	switch {
	case err != nil:
		return err
	case wait > 0:
		retryAfter(c, wait)
		return s.showCode(c, http.StatusTooManyRequests, []problem{{Text: "Too many attempts; wait " + waitWord(wait) + ".", Field: "code"}})
	case !right:
		return s.showCode(c, http.StatusForbidden, []problem{{Text: wrongAny + ".", Field: "code"}})
	}
	if _, err := s.Store.TakeStep(ctx, stepCode, secret); err != nil {
		if errors.Is(err, record.ErrNotFound) {
			return c.Redirect(http.StatusSeeOther, pathSignIn)
		}
		return err
	}
	s.setCookie(c, s.stepCookie(), "", 0)
	account, err := s.Store.Account(ctx, step.Account)
	if err != nil {
		return err
	}
	c.Set(accountKey, account) // for the access log
	if err := s.begin(c, account, false); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, or(step.Data, home(&account)))
}

// factorWord says on one's own page how the second factor stands.
func (s *server) factorWord(c echo.Context, me record.Account) (string, error) {
	if !me.SecondFactor {
		return "None", nil
	}
	f, err := s.Store.SecondFactor(c.Request().Context(), me.ID)
	return "Set up; " + strconv.Itoa(f.Codes) + " recovery codes left", err
}
