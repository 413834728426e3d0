package api

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/command"
	"candidacy/internal/record"
	"candidacy/internal/smart"
)

// registration is the body that registers a client, and parts of it that change
// one.
type registration struct {
	Name   string            `json:"name,omitempty"`
	Role   record.ClientRole `json:"role,omitempty"`
	Scopes string            `json:"scopes,omitempty"`
	// Keys are the client's own, or KeysURL is where it publishes them.
	Keys    json.RawMessage `json:"jwks,omitempty"`
	KeysURL string          `json:"jwks_url,omitempty"`
}

// clientKey is one key that a client gave, as it is shown.
type clientKey struct {
	ID         string `json:"kid"`
	Algorithm  string `json:"alg"`
	Kind       string `json:"kind"`
	Thumbprint string `json:"thumbprint"`
}

// clientChange is one change of a client.
type clientChange struct {
	At    time.Time               `json:"at"`
	Kind  record.ClientChangeKind `json:"change"`
	Actor string                  `json:"by"`
	Role  string                  `json:"role"`
}

// shownClient is a client as administrators see it.
type shownClient struct {
	ID         string            `json:"client_id"`
	Name       string            `json:"name"`
	Role       record.ClientRole `json:"role"`
	Scopes     string            `json:"scopes"`
	Enabled    bool              `json:"enabled"`
	Registered time.Time         `json:"registered_at"`
	Keys       []clientKey       `json:"keys,omitempty"`
	KeysURL    string            `json:"jwks_url,omitempty"`
	Changes    []clientChange    `json:"changes,omitempty"`
}

func shownOf(c record.Client) (shownClient, error) {
	shown := shownClient{
		ID: c.ID, Name: c.Name, Role: c.Role, Scopes: c.Scopes, Enabled: !c.Disabled, Registered: c.CreatedAt, KeysURL: c.KeysURL,
	}
	if c.KeysURL != "" {
		return shown, nil
	}
	keys, err := smart.ParseKeys(c.Keys)
	if err != nil {
		return shown, err
	}
	for _, k := range keys {
		shown.Keys = append(shown.Keys, clientKey{k.ID, string(k.Algorithm), k.Kind(), k.Thumbprint})
	}
	return shown, nil
}

// clients answers GET /clients.
func (s *server) clients(c echo.Context) error {
	stored, err := s.Store.Clients(c.Request().Context())
	if err != nil {
		return err
	}
	list := []shownClient{}
	for _, each := range stored {
		shown, err := shownOf(each)
		if err != nil {
			return err
		}
		list = append(list, shown)
	}
	return reply(c, http.StatusOK, map[string]any{"clients": list})
}

// client answers GET /clients/{id}, with what was done to the client and by whom.
func (s *server) client(c echo.Context) error {
	ctx, id := c.Request().Context(), c.Param("id")
	found, err := s.Store.Client(ctx, id)
	if err != nil {
		return noClient(err)
	}
	shown, err := shownOf(found)
	if err != nil {
		return err
	}
	changes, err := s.Store.ClientChanges(ctx, record.ChangesQuery{Of: id})
	if err != nil {
		return err
	}
	for _, change := range slices.Backward(changes) {
		shown.Changes = append(shown.Changes, clientChange{change.At, change.Kind, change.Actor, string(change.Role)})
	}
	return reply(c, http.StatusOK, shown)
}

func noClient(err error) error {
	if isNotFound(err) {
		return &failure{status: http.StatusNotFound, detail: "there is no such client"}
	}
	return err
}

// registerClient answers POST /clients.
func (s *server) registerClient(c echo.Context) error {
	body, err := readRegistration(c)
	if err != nil {
		return err
	}
	made := record.Client{
		ID: uuid.NewString(), Name: body.Name, Role: body.Role, Scopes: body.Scopes, Keys: body.Keys, KeysURL: body.KeysURL,
	}
	if err := smart.Check(&made); err != nil {
		return inRegistration(err)
	}
	bearer := access.From(c)
	if err := s.Store.AddClient(c.Request().Context(), made, bearer.Actor, bearer.Role); err != nil {
		return err
	}
	if made, err = s.Store.Client(c.Request().Context(), made.ID); err != nil {
		return err
	}
	shown, err := shownOf(made)
	if err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderLocation, c.Path()+"/"+made.ID)
	return reply(c, http.StatusCreated, shown)
}

// changeClient carries out one change of the client that the request names, in the
// name of whoever gives it.
func (s *server) changeClient(c echo.Context, kind record.ClientChangeKind, change func(*record.Client) error) error {
	bearer := access.From(c)
	changed, err := s.Store.ChangeClient(c.Request().Context(), c.Param("id"), kind, bearer.Actor, bearer.Role, change)
	if err != nil {
		return inRegistration(noClient(err))
	}
	shown, err := shownOf(changed)
	if err != nil {
		return err
	}
	return reply(c, http.StatusOK, shown)
}

func (s *server) rescopeClient(c echo.Context) error {
	body, err := readRegistration(c, "name", "jwks", "jwks_url")
	if err != nil {
		return err
	}
	return s.changeClient(c, record.ClientRescoped, func(to *record.Client) error {
		to.Scopes = body.Scopes
		if body.Role != "" {
			to.Role = body.Role
		}
		return smart.Check(to)
	})
}

func (s *server) rekeyClient(c echo.Context) error {
	body, err := readRegistration(c, "name", "role", "scopes")
	if err != nil {
		return err
	}
	with := record.Client{Keys: body.Keys, KeysURL: body.KeysURL}
	if err := smart.CheckKeys(&with); err != nil {
		return inRegistration(err)
	}
	return s.changeClient(c, record.ClientRekeyed, func(to *record.Client) error {
		to.Keys, to.KeysURL = with.Keys, with.KeysURL
		return nil
	})
}

func (s *server) disableClient(c echo.Context) error {
	return s.changeClient(c, record.ClientDisabled, func(to *record.Client) error { to.Disabled = true; return nil })
}

func (s *server) enableClient(c echo.Context) error {
	return s.changeClient(c, record.ClientEnabled, func(to *record.Client) error { to.Disabled = false; return nil })
}

// readRegistration reads the body, in which some members have no place.
func readRegistration(c echo.Context, without ...string) (registration, error) {
	var body registration
	raw, err := readBody(c, echo.MIMEApplicationJSON)
	if err != nil {
		return body, err
	}
	if err := command.Strict(raw, &body); err != nil {
		return body, err
	}
	var faults command.Faults
	given := map[string]bool{
		"name": body.Name != "", "role": body.Role != "", "scopes": body.Scopes != "", "jwks": len(body.Keys) > 0, "jwks_url": body.KeysURL != "",
	}
	for _, field := range without {
		if given[field] {
			faults.Add(field, "has no place here")
		}
	}
	return body, faults.Err()
}

// inRegistration names the field of a registration that is wrong.
func inRegistration(err error) error {
	var f *smart.Fault
	if !errors.As(err, &f) {
		return err
	}
	return &command.Invalid{Faults: []command.Fault{{Field: f.Field, Problem: f.Err.Error()}}}
}
