package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

const pathViews = "/views"

// longestViewName is in characters.
const longestViewName = 60

// viewsModel is what the board says of kept views.
type viewsModel struct {
	Saved []viewLink
	// Kept is the filter that a form would save.
	Kept []fact
	// MaySave says that there is something to save.
	MaySave bool
	Error   string
	Name    string
}

// viewLink is one view.
type viewLink struct {
	ID, Name, Link string
	Current, Mine  bool
}

func viewPath(id string) string { return linkOf(pathBoard, url.Values{"view": {id}}) }

// viewsModel lists the viewer's views. Which one is shown is told by the filter.
func (s *server) viewsModel(ctx context.Context, v *viewer, f boardFilter) (viewsModel, error) {
	m := viewsModel{Kept: f.Kept(), MaySave: len(f.values()) > 0 && f.Text == ""}
	list, err := s.Store.BoardViews(ctx, v.ID)
	if err != nil {
		return m, err
	}
	query := f.values().Encode()
	for _, view := range list {
		m.Saved = append(m.Saved, viewLink{ID: view.ID, Name: view.Name, Link: viewPath(view.ID), Current: view.Query == query, Mine: true})
	}
	return m, nil
}

// viewFilter is what a kept view is narrowed to. Others may keep it: whom it shows is
// for the viewer's own role to say.
func (s *server) viewFilter(ctx context.Context, id string, query url.Values) (boardFilter, error) {
	view, err := s.Store.BoardView(ctx, id)
	if errors.Is(err, record.ErrNotFound) {
		return boardFilter{}, &failure{Status: http.StatusNotFound, Title: "No such view", Message: "The view was removed, or the address is not complete."}
	}
	if err != nil {
		return boardFilter{}, err
	}
	values, err := url.ParseQuery(view.Query)
	if err != nil {
		return boardFilter{}, err
	}
	values.Set("page", query.Get("page"))
	f := readFilter(values)
	f.view = view.Name
	return f, nil
}

// changeViews keeps what the board shows under a name, or removes a view.
func (s *server) changeViews(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	ctx, form := c.Request().Context(), c.Request().PostForm
	if id := form.Get("remove"); id != "" {
		if err := s.Store.RemoveBoardView(ctx, account.ID, id); err != nil && !errors.Is(err, record.ErrNotFound) {
			return err
		}
		return c.Redirect(http.StatusSeeOther, pathBoard)
	}
	f := readFilter(form)
	f.Text = ""
	name := strings.Join(strings.Fields(form.Get("name")), " ")
	fault := ""
	switch {
	case name == "":
		fault = "Give the view a name."
	case utf8.RuneCountInString(name) > longestViewName:
		fault = "The name is too long; accepted: up to 60 characters."
	case len(f.values()) == 0:
		fault = "There is nothing to keep: narrow the list or choose an order first."
	}
	if fault == "" {
		id, err := s.Store.SaveBoardView(ctx, record.BoardView{Account: account.ID, Name: name, Query: f.values().Encode()})
		if err == nil {
			return c.Redirect(http.StatusSeeOther, viewPath(id))
		}
		if !errors.Is(err, record.ErrTooManyViews) {
			return err
		}
		fault = "You keep 40 views already. Remove one first."
	}
	return s.showBoardAs(c, http.StatusUnprocessableEntity, f, &summary{Title: "The view was not kept", Items: []problem{{Text: fault, Field: "view-name"}}}, name)
}
