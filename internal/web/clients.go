package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
	"candidacy/internal/smart"
)

// clientsModel is the model of the administrator's page: the systems that may ask
// for tokens, and one of them in full.
type clientsModel struct {
	Clients []clientModel
	// Register is shown beside the list, Chosen in place of it.
	Register form
	Chosen   *clientModel
}

// clientModel is one client.
type clientModel struct {
	ID, Name, State, Role, Registered, Link string
	Disabled                                bool
	Scopes                                  []string
	Keys                                    []smart.Key
	KeysURL                                 string
	Changes                                 []clientChangeModel
	Rescope, Rekey, Switch                  form
}

// clientChangeModel is one change of a client.
type clientChangeModel struct{ When, What, Who string }

var clientRoleWords = map[record.ClientRole]string{
	record.ClientReader: "Reader", record.ClientLaboratory: "Laboratory",
}

var clientChangeWords = map[record.ClientChangeKind]string{
	record.ClientRegistered: "Registered", record.ClientRescoped: "Scopes replaced", record.ClientRekeyed: "Keys replaced",
	record.ClientDisabled: "Disabled", record.ClientEnabled: "Enabled",
}

// The things that can be done on the page.
const (
	doRegister = "register"
	doScopes   = "scopes"
	doKeys     = "keys"
	doDisable  = "disable"
	doEnable   = "enable"
)

func scopeField(value string) field {
	return field{
		Name: "scopes", Label: "Scopes", Type: "textarea", Value: value,
		Hint: "The most that it may be granted, such as system/*.rs, or system/Observation.rs?category=laboratory. AuditEvent is granted by name alone.",
	}
}

func roleField(value string) field {
	return field{
		Name: "role", Label: "Role", Type: "select", Value: value, Hint: "A reader may read and search. A laboratory may create and update as well.",
		Options: []option{{string(record.ClientReader), "Reader"}, {string(record.ClientLaboratory), "Laboratory"}},
	}
}

func keyFields(address string) []field {
	return []field{
		{Name: "jwks_url", Label: "Address of its keys", Type: "text", Value: address, Optional: true, Hint: "Where the system publishes its JSON Web Key Set, such as https://ehr.example/jwks.json. Its keys can change there without anybody here."},
		{Name: "jwks", Label: "Its keys", Type: "textarea", Optional: true, Hint: "Or the key set itself: public keys alone, RSA of at least 2048 bits or EC on P-384, each with a kid."},
	}
}

func hidden(name, value string) field { return field{Name: name, Type: "hidden", Value: value} }

func registerForm() form {
	f := form{
		ID: "register", Action: pathClients, Button: "Register the system", Key: newKey(),
		Fields: []field{hidden("do", doRegister), {Name: "name", Label: "Name", Type: "text", Hint: "What system it is. It is shown beside what it looked at."}, roleField(""), scopeField("")},
	}
	f.Fields = append(f.Fields, keyFields("")...)
	f.fill(nil, nil)
	return f
}

// forms are what can be done with a client.
func (m *clientModel) forms(c record.Client) {
	with := func(id, button string, grave bool, fields ...field) form {
		f := form{ID: id, Action: pathClients, Button: button, Key: newKey(), Grave: grave, Fields: append([]field{hidden("do", id), hidden("client", c.ID)}, fields...)}
		f.fill(nil, nil)
		return f
	}
	m.Rescope = with(doScopes, "Replace the scopes", false, roleField(string(c.Role)), scopeField(c.Scopes))
	m.Rekey = with(doKeys, "Replace the keys", false, keyFields(c.KeysURL)...)
	if c.Disabled {
		m.Switch = with(doEnable, "Let it in again", false)
	} else {
		m.Switch = with(doDisable, "Keep it out", true)
	}
}

func (s *server) clientModel(c record.Client) (clientModel, error) {
	m := clientModel{
		ID: c.ID, Name: c.Name, State: "Enabled", Role: known(clientRoleWords, c.Role), Registered: s.clientTime(c.CreatedAt),
		Disabled: c.Disabled, Scopes: strings.Fields(c.Scopes), KeysURL: c.KeysURL, Link: clientPath(c.ID, ""),
	}
	if c.Disabled {
		m.State = "Disabled"
	}
	if c.KeysURL != "" {
		return m, nil
	}
	var err error
	m.Keys, err = smart.ParseKeys(c.Keys)
	return m, err
}

func (s *server) clientTime(t time.Time) string {
	return t.In(s.Current.Zone()).Format("2 Jan 2006, 15:04")
}

func clientPath(id, done string) string {
	q := url.Values{"client": {id}}
	if done != "" {
		q.Set("done", done)
	}
	return pathClients + "?" + q.Encode()
}

// clients shows the registered systems, or one of them.
func (s *server) clients(c echo.Context) error {
	model, err := s.clientsModel(c.Request().Context(), c.QueryParam("client"))
	if err != nil {
		return err
	}
	p := page{Title: "Systems", Body: model}
	if model.Chosen != nil {
		p.Title = model.Chosen.Name
		p.Notice = map[string]string{
			doRegister: "The system is registered. Give its operator the client_id below and the address of the FHIR endpoint.",
			doScopes:   "The scopes are replaced. Tokens that were issued before keep theirs until they expire, within 5 minutes.",
			doKeys:     "The keys are replaced.", doDisable: "The system is kept out. A token that it still has is refused within 30 seconds.", doEnable: "The system may ask for tokens again.",
		}[c.QueryParam("done")]
	}
	return s.render(c, http.StatusOK, "clients", p)
}

func (s *server) clientsModel(ctx context.Context, chosen string) (clientsModel, error) {
	model := clientsModel{Register: registerForm()}
	if chosen == "" {
		list, err := s.Store.Clients(ctx)
		if err != nil {
			return model, err
		}
		for _, each := range list {
			m, err := s.clientModel(each)
			if err != nil {
				return model, err
			}
			model.Clients = append(model.Clients, m)
		}
		return model, nil
	}
	found, err := s.Store.Client(ctx, chosen)
	if errors.Is(err, record.ErrNotFound) {
		return model, errNotFound
	}
	if err != nil {
		return model, err
	}
	m, err := s.clientModel(found)
	if err != nil {
		return model, err
	}
	m.forms(found)
	if m.Changes, err = s.clientChanges(ctx, chosen); err != nil {
		return model, err
	}
	model.Chosen = &m
	return model, nil
}

func (s *server) clientChanges(ctx context.Context, id string) ([]clientChangeModel, error) {
	changes, err := s.Store.ClientChanges(ctx, record.ChangesQuery{Of: id})
	if err != nil {
		return nil, err
	}
	names, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	var list []clientChangeModel
	for _, change := range slices.Backward(changes) {
		list = append(list, clientChangeModel{s.clientTime(change.At), known(clientChangeWords, change.Kind), s.whoWord(names, change.Actor, change.Role)})
	}
	return list, nil
}

// changeClients registers a system or changes one.
func (s *server) changeClients(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	ctx, values := c.Request().Context(), c.Request().PostForm
	do, id := values.Get("do"), values.Get("client")
	var err error
	switch do {
	case doRegister:
		id, err = s.registerClient(ctx, account, values)
	case doScopes:
		_, err = s.Store.ChangeClient(ctx, id, record.ClientRescoped, account.ID, account.Role, func(to *record.Client) error {
			to.Scopes, to.Role = values.Get("scopes"), record.ClientRole(values.Get("role"))
			return smart.Check(to)
		})
	case doKeys:
		_, err = s.Store.ChangeClient(ctx, id, record.ClientRekeyed, account.ID, account.Role, func(to *record.Client) error {
			to.Keys, to.KeysURL = keysOf(values)
			return smart.CheckKeys(to)
		})
	case doDisable, doEnable:
		kind := map[string]record.ClientChangeKind{doDisable: record.ClientDisabled, doEnable: record.ClientEnabled}[do]
		_, err = s.Store.ChangeClient(ctx, id, kind, account.ID, account.Role, func(to *record.Client) error {
			to.Disabled = do == doDisable
			return nil
		})
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done: register a system, or change one."}
	}
	var fault *smart.Fault
	switch {
	case errors.As(err, &fault):
		return s.clientFault(c, do, id, fault)
	case errors.Is(err, record.ErrNotFound):
		return errNotFound
	case err != nil:
		return err
	}
	return c.Redirect(http.StatusSeeOther, clientPath(id, do))
}

func keysOf(values url.Values) (keys json.RawMessage, address string) {
	return json.RawMessage(strings.TrimSpace(values.Get("jwks"))), strings.TrimSpace(values.Get("jwks_url"))
}

// registerClient registers a system under an id that follows from the form's key,
// so that sending the form twice registers one.
func (s *server) registerClient(ctx context.Context, account record.Account, values url.Values) (string, error) {
	made := record.Client{
		ID:   uuid.NewSHA1(uuid.NameSpaceURL, []byte("client "+account.ID+" "+values.Get("key"))).String(),
		Name: values.Get("name"), Role: record.ClientRole(values.Get("role")), Scopes: values.Get("scopes"),
	}
	made.Keys, made.KeysURL = keysOf(values)
	if err := smart.Check(&made); err != nil {
		return "", err
	}
	if _, err := s.Store.Client(ctx, made.ID); err == nil || !errors.Is(err, record.ErrNotFound) {
		return made.ID, err
	}
	return made.ID, s.Store.AddClient(ctx, made, account.ID, account.Role)
}

// clientFault shows the form again with what was entered and what is wrong.
func (s *server) clientFault(c echo.Context, do, id string, fault *smart.Fault) error {
	if do == doRegister {
		id = ""
	}
	model, err := s.clientsModel(c.Request().Context(), id)
	if err != nil {
		return err
	}
	f := &model.Register
	title := "Nothing was registered. Check what is entered"
	if model.Chosen != nil {
		title = "Nothing was changed. Check what is entered"
		f = map[string]*form{doScopes: &model.Chosen.Rescope, doKeys: &model.Chosen.Rekey}[do]
	}
	problems := []problem{{Text: capital(fault.Err.Error()) + ".", Field: fault.Field}}
	if key := c.Request().PostForm.Get("key"); key != "" {
		f.Key = key
	}
	f.fill(c.Request().PostForm, problems)
	return s.render(c, http.StatusUnprocessableEntity, "clients", page{Title: "Error: Systems", Body: model, Errors: f.summary(title, problems)})
}
